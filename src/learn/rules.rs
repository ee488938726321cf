//! From what was found in a capture to the rules of a file.

use std::collections::{BTreeMap, BTreeSet};

use crate::base::Key;
use crate::base::words::plural;
use crate::decode::protocol::KeyState;
use crate::decode::shape::Form;
use crate::learn::draft::{Draft, LadderRule, Rule, quoted};
use crate::learn::named::{self, KeyField};
use crate::learn::readings::{self, Ladder, Readings};
use crate::learn::table::{Table, Window};
use crate::learn::{Mined, example, menu, shape};

/// Shapes of chatter that are written at most.
const MOST_CHATTER: usize = 48;
/// Letters of fixed text without which a shape would fit the lines of other sets.
const LEAST_LETTERS: usize = 3;

/// What answers the requests for keys.
struct Answers {
    fields: Vec<KeyField>,
    readings: Option<Readings>,
    /// Readings make the presses, since no line names keys surely enough.
    by_reading: bool,
}

pub(super) fn draft(mined: &Mined<'_>, name: &str, shown: &BTreeSet<Key>) -> Draft {
    let mut draft = Draft {
        name: name.to_owned(),
        capture: mined.capture.name.clone(),
        prefix: mined.prefix.clone(),
        bare: mined.bare > 0,
        lines: mined.capture.lines().len(),
        ..Draft::default()
    };
    let answers = answers(mined, &mut draft);
    let mut used: BTreeSet<usize> = BTreeSet::new();
    if answers.by_reading {
        if let Some(readings) = &answers.readings {
            used.insert(readings.group);
            write_readings(mined, readings, &mut draft);
        }
    } else {
        for field in &answers.fields {
            used.insert(field.group);
            write_field(mined, field, &answers.fields, &mut draft);
        }
        if let Some(readings) = answers.readings.as_ref().filter(|r| !used.contains(&r.group)) {
            used.insert(readings.group);
            plain_readings(mined, readings, &mut draft);
        }
    }
    write_menu(mined, &answers, &mut used, &mut draft);
    write_chatter(mined, &used, &mut draft);
    remarks(mined, &mut draft);
    if !mined.windows.is_empty() {
        draft.examples = example::cut(mined, &draft, shown);
        if draft.examples.is_empty() && shown.is_empty() {
            draft
                .unknown
                .push("examples: no stretch of the capture decodes to the key that was asked for".into());
        }
    }
    draft
}

fn answers(mined: &Mined<'_>, draft: &mut Draft) -> Answers {
    if mined.windows.is_empty() || mined.untimed {
        return Answers { fields: Vec::new(), readings: None, by_reading: false };
    }
    let mut fields = named::find(&mined.groups, &mined.tables, &mined.windows);
    let readings = readings::find(&mined.tables, &mined.windows);
    let name = fields.iter().map(|field| field.score).fold(0.0, f64::max);
    let reading = readings.as_ref().map_or(0.0, |readings| readings.score);
    // One place may be taken both ways, when a key always gives the same number.
    if let Some(both) = &readings {
        let here = |c: &KeyField| c.group == both.group && both.ladders.iter().any(|l| l.column == c.column);
        if fields.iter().any(here) {
            if both.is_analog(mined.groups.get(both.group)) {
                fields.retain(|c| !here(c));
                let named = fields.iter().any(|field| field.score >= reading - 0.05);
                return Answers { fields, readings, by_reading: !named };
            }
            if fields.iter().any(|c| here(c) && c.state.is_none()) {
                let unknown = "whether the keys' numbers are codes or readings of a converter: taken for codes, since a \
                               key always gave the same one and no word of the line speaks of a converter";
                draft.unknown.push(unknown.into());
            }
            return Answers { fields, readings: None, by_reading: false };
        }
    }
    if fields.is_empty() && readings.is_none() {
        draft.unknown.push("which lines answer the requests for keys: none does reliably".into());
    }
    Answers { fields, readings, by_reading: reading > name + 0.05 || (name == 0.0 && reading > 0.0) }
}

fn shape_of(mined: &Mined<'_>, group: usize, roles: &BTreeMap<usize, String>) -> Option<String> {
    let prefix = mined.prefix.as_ref().map(crate::learn::Prefix::shape);
    shape::text(mined.groups.get(group)?, prefix.as_deref(), &|place| roles.get(&place).cloned())
}

fn place(table: &Table, column: usize) -> usize {
    table.columns.get(column).map_or(usize::MAX, |column| column.place)
}

fn state_word(state: KeyState) -> &'static str {
    match state {
        KeyState::Press => "press",
        KeyState::Release => "release",
        KeyState::Repeat => "repeat",
    }
}

fn write_field(mined: &Mined<'_>, field: &KeyField, all: &[KeyField], draft: &mut Draft) {
    let (Some(table), Some(group)) = (mined.tables.get(field.group), mined.groups.get(field.group)) else {
        return;
    };
    if field.twin {
        let because = vec!["tells the presses of another line again: one press is one input".to_owned()];
        let shape = shape_of(mined, field.group, &BTreeMap::new());
        let confidence = Some(field.score);
        draft.rules.extend(shape.map(|shape| Rule {
            shape,
            event: "ignore",
            lines: group.lines,
            because,
            confidence,
            ..Rule::default()
        }));
        return;
    }
    let Some(column) = table.columns.get(field.column) else { return };
    let mut roles = BTreeMap::from([(column.place, "key".to_owned())]);
    if let Some((state, _)) = &field.state {
        roles.insert(place(table, *state), "state".to_owned());
    }
    let Some(shape) = shape_of(mined, field.group, &roles) else {
        draft
            .unknown
            .push(format!("a shape for `{}`, which names keys", String::from_utf8_lossy(&group.example)));
        return;
    };
    let mut rule = Rule { shape, event: state_word(field.says), lines: group.lines, ..Rule::default() };
    rule.confidence = Some(field.score);
    rule.because.push(format!(
        "answers {} of {} requests; {}",
        field.answered,
        mined.windows.len(),
        if field.once {
            "each key was asked for once only, so that nothing confirms it".to_owned()
        } else {
            format!("its key is predicted rightly from the other presses in {:.0} %", 100.0 * field.score)
        }
    ));
    let path = named::path(&mined.groups, field);
    if path != "keypad" {
        rule.fields.push(format!("path = \"{path}\""));
    }
    let pairs: Vec<(String, String)> =
        field.keys.iter().map(|(value, key)| (column.word(*value), key.name().to_owned())).collect();
    doubled(mined, field, &pairs, draft);
    if column.form == Form::Word && path == "keypad" {
        for pair in pairs {
            if !draft.keys.iter().any(|(word, _)| *word == pair.0) {
                draft.keys.push(pair);
            }
        }
    } else {
        let map: Vec<String> =
            pairs.iter().map(|(word, key)| format!("{} = {}", quoted(word), quoted(key))).collect();
        rule.fields.push(format!("key = {{ {} }}", map.join(", ")));
    }
    if let Some((state, map)) = &field.state
        && let Some(states) = table.columns.get(*state)
    {
        let map: Vec<String> = map
            .iter()
            .map(|(value, state)| format!("{} = \"{}\"", quoted(&states.word(*value)), state_word(*state)))
            .collect();
        rule.event = "key";
        rule.fields.push(format!("state = {{ {} }}", map.join(", ")));
    }
    let releases = |c: &KeyField| {
        c.says == KeyState::Release
            || c.state.iter().any(|(_, m)| m.values().any(|s| *s == KeyState::Release))
    };
    if field.says == KeyState::Press && !all.iter().any(releases) && draft.repeat.is_none() {
        let repeating = all.iter().find(|c| c.says == KeyState::Repeat).unwrap_or(field);
        let measured = mined
            .tables
            .get(repeating.group)
            .and_then(|table| named::repeats(repeating, table, &mined.windows));
        // A set that says when no key is down needs no time-out, unless it says a held key again and again.
        if field.none.is_none() || measured.is_some() {
            let (delay, period) = measured.unwrap_or((0.5, 0.1));
            draft.repeat = Some((delay.max(period), period.max(0.01), measured.is_none()));
        }
    }
    draft.rules.push(rule);
    draft.rules.extend(none_down(mined, field, table, &roles));
}

/// Keys that several words tell, and keys that none tells: wiring, a shared word, or a press that was missed.
fn doubled(mined: &Mined<'_>, field: &KeyField, pairs: &[(String, String)], draft: &mut Draft) {
    let mut asked: Vec<&str> = mined.windows.iter().map(|window| window.key.name()).collect();
    asked.sort_unstable();
    asked.dedup();
    for key in asked {
        let words: Vec<&str> =
            pairs.iter().filter(|(_, named)| named == key).map(|(word, _)| word.as_str()).collect();
        match words.as_slice() {
            [_] => {}
            // The lines of a release or a repeat need not come for each key.
            [] if field.says != KeyState::Press => {}
            [] => draft.unknown.push(format!("what tells {key}: it was asked for, and no answer is its own")),
            [..] => {
                draft.unknown.push(format!("why {} tell {key} alike; all are taken", words.join(" and ")))
            }
        }
    }
}

/// The same line with the number that says that no key is down.
fn none_down(
    mined: &Mined<'_>,
    field: &KeyField,
    table: &Table,
    roles: &BTreeMap<usize, String>,
) -> Option<Rule> {
    let (none, column) = (field.none?, table.columns.get(field.column)?);
    let rows = column.values.iter().enumerate().filter(|(_, value)| **value == none).map(|(row, _)| row);
    let printed = mined.printed(*table.lines.get(rows.clone().next()?)?, column.place)?;
    let named = shape_of(mined, field.group, roles)?;
    let start = named.find("{key:")?;
    let end = start + named.get(start..)?.find('}')? + 1;
    let shape = format!("{}{printed}{}", named.get(..start)?, named.get(end..)?);
    let lines = u64::try_from(rows.count()).unwrap_or(u64::MAX);
    let because =
        vec![format!("stands before the requests and after the answers: no key is down at {printed}")];
    Some(Rule { shape, event: "release", lines, because, confidence: Some(field.score), ..Rule::default() })
}

/// The roles of a reading's places: line and counts, or one placeholder for each line.
fn reading_roles(table: &Table, readings: &Readings) -> BTreeMap<usize, String> {
    let mut roles = BTreeMap::new();
    if let Some(line) = readings.line {
        roles.insert(place(table, line), "line".to_owned());
    }
    let columns: BTreeSet<usize> = readings.ladders.iter().map(|ladder| ladder.column).collect();
    for (i, column) in columns.iter().enumerate() {
        let name = if columns.len() == 1 { "counts".to_owned() } else { format!("KEY{}", i + 1) };
        roles.insert(place(table, *column), name);
    }
    roles
}

fn line_name(table: &Table, readings: &Readings, number: usize, ladder: &Ladder) -> String {
    match (readings.line.and_then(|line| table.columns.get(line)), ladder.part) {
        (Some(column), Some(value)) => column.word(value),
        _ => format!("KEY{}", number + 1),
    }
}

fn write_readings(mined: &Mined<'_>, readings: &Readings, draft: &mut Draft) {
    let (Some(table), Some(group)) = (mined.tables.get(readings.group), mined.groups.get(readings.group))
    else {
        return;
    };
    let roles = reading_roles(table, readings);
    let Some(shape) = shape_of(mined, readings.group, &roles) else {
        draft.unknown.push(format!(
            "a shape for `{}`, which prints readings",
            String::from_utf8_lossy(&group.example)
        ));
        return;
    };
    let mut rule = Rule { shape, event: "reading", lines: group.lines, ..Rule::default() };
    rule.confidence = Some(readings.score);
    rule.because.push(format!(
        "moves at requests; the key is predicted rightly from the other presses in {:.0} % of {}",
        100.0 * readings.score,
        mined.windows.len()
    ));
    if roles.values().any(|role| role == "counts") && readings.line.is_none() {
        rule.fields.push("line = \"KEY1\"".to_owned());
    }
    draft.rules.push(rule);
    // A hexadecimal or a decimal line name is looked up as it is printed.
    for (number, ladder) in readings.ladders.iter().enumerate() {
        let name = line_name(table, readings, number, ladder);
        let volts = table.columns.get(ladder.column).is_some_and(|column| column.form == Form::Seconds);
        draft.ladders.push(ladder_rule(&name, ladder, draft.prefix.is_none(), volts));
    }
    let first = readings.ladders.first().map_or(0.0, |ladder| ladder.period_s);
    if draft.prefix.is_none() && first > 0.0 {
        #[allow(clippy::cast_precision_loss)]
        let lines = if readings.line.is_some() { readings.ladders.len() as f64 } else { 1.0 };
        draft.line_period_s = Some(first / lines);
    }
    draft.unknown.push("the converter's reference and supply: 3.3 V is assumed for volts".into());
    draft.unknown.push("the resistors of the ladder: keys are given by their readings".into());
}

fn ladder_rule(name: &str, ladder: &Ladder, unstamped: bool, volts: bool) -> LadderRule {
    let mut rule = LadderRule { name: name.to_owned(), ..LadderRule::default() };
    // Readings in volts count in millivolts; the next tenth of a volt leaves room for noise.
    let full = if volts { (ladder.largest / 100 + 1) * 100 } else { ladder.full_scale() };
    let rests = match ladder.idle {
        Some(idle) => format!("idles at {idle} (scatter {:.1})", ladder.idle_scatter),
        None => "unknown: what it reads with no key pressed, since it then prints nothing".to_owned(),
    };
    let sure = if ladder.idle.is_some() { "" } else { "perhaps more; " };
    rule.because.push(format!(
        "{rests}, largest reading {}: {sure}full scale {full} is the least that holds it",
        ladder.largest
    ));
    rule.because.push(format!(
        "debounce {}: one more than the longest glitch that no key made, two at least where readings allow it",
        ladder.debounce
    ));
    rule.fields.push(format!("full_scale = {full}"));
    rule.fields.push(if volts {
        #[allow(clippy::cast_precision_loss)]
        let supply = full as f64 / 1e3;
        format!("supply_volts = {supply:.1} # printed in volts, counted in millivolts")
    } else {
        "supply_volts = 3.3 # unknown: assumed".to_owned()
    });
    rule.fields.push("window = \"midpoint\"".to_owned());
    rule.fields.extend(ladder.idle.map(|idle| format!("idle_counts = {idle}")));
    rule.fields.extend(ladder.silent_s.map(|silence| format!("silent_s = {silence:.3}")));
    rule.fields.push(format!("debounce = {}", ladder.debounce));
    if ladder.period_s > 0.0 && !unstamped {
        rule.fields.push(format!("period_s = {:.4}", ladder.period_s));
    }
    let mut taken: Vec<f64> = vec![ladder.resting()];
    for key in &ladder.keys {
        let margin = ladder.margin(key);
        let text = format!("{{ name = \"{}\", counts = {} }},", key.key.name(), key.counts);
        let why = format!("{} presses, scatter {:.1}, border {margin:.1} away", key.presses, key.scatter);
        if taken.contains(&key.counts) {
            rule.keys.push(format!("# unknown: {text} reads the same as another; {why}"));
        } else {
            let doubt =
                if margin < 2.0 * key.scatter.max(1.0) { " – unknown: too close to be sure" } else { "" };
            rule.keys.push(format!("{text} # {why}{doubt}"));
        }
        taken.push(key.counts);
    }
    rule
}

/// Readings beside lines that name keys: printed, but no second press.
fn plain_readings(mined: &Mined<'_>, readings: &Readings, draft: &mut Draft) {
    let (Some(table), Some(group)) = (mined.tables.get(readings.group), mined.groups.get(readings.group))
    else {
        return;
    };
    let Some(shape) = shape_of(mined, readings.group, &reading_roles(table, readings)) else { return };
    let several = readings.line.is_none() && readings.ladders.len() > 1;
    let mut rule = Rule {
        shape,
        event: if several { "ignore" } else { "reading" },
        lines: group.lines,
        ..Rule::default()
    };
    rule.confidence = Some(readings.score);
    rule.because.push("moves with the keys too; other lines name them, hence no ladder here".to_owned());
    if readings.line.is_none() && !several {
        rule.fields.push("line = \"KEY1\"".to_owned());
    }
    draft.rules.push(rule);
}

/// When the keys went down, by what answers.
fn presses(mined: &Mined<'_>, answers: &Answers) -> Vec<f64> {
    let first = answers.fields.first().filter(|_| !answers.by_reading);
    let table = first.and_then(|field| mined.tables.get(field.group));
    let press = |window: &Window| match table {
        Some(table) => first?.rows(table, *window).next().and_then(|row| table.t.get(row)).map(|t| t - 0.001),
        None => Some(window.start),
    };
    let mut presses: Vec<f64> = mined.windows.iter().filter_map(press).collect();
    presses.sort_by(f64::total_cmp);
    presses
}

fn write_menu(mined: &Mined<'_>, answers: &Answers, used: &mut BTreeSet<usize>, draft: &mut Draft) {
    if mined.windows.is_empty() || mined.untimed {
        return;
    }
    let presses = presses(mined, answers);
    let end = mined.tables.iter().filter_map(|table| table.t.last()).copied().fold(0.0, f64::max);
    let everywhere = shape::words_everywhere(&mined.groups);
    for (number, (table, group)) in mined.tables.iter().zip(&mined.groups).enumerate() {
        let follows = menu::follows(table, &presses, end);
        if used.contains(&number)
            || !follows.is_answer(table.rows())
            || shape::fixed_letters(group) < LEAST_LETTERS
        {
            continue;
        }
        let words: Vec<usize> = (0..table.columns.len())
            .filter(|c| table.columns.get(*c).is_some_and(|c| !c.is_number()))
            .collect();
        let last = table.columns.len().checked_sub(1);
        let item = words.first().copied().filter(|item| Some(*item) != last);
        let mut roles = BTreeMap::new();
        roles.extend(item.map(|item| (place(table, item), "item".to_owned())));
        roles.extend(last.map(|last| (place(table, last), "value".to_owned())));
        let Some(shape) = shape_of(mined, number, &roles) else { continue };
        let mut rule = Rule { shape, event: "change", lines: group.lines, ..Rule::default() };
        rule.confidence = Some(follows.share);
        rule.because.push(format!(
            "follows presses: {:.0} % of its lines come soon after one, {:.0} % would by chance",
            100.0 * follows.share,
            100.0 * follows.chance
        ));
        let mut fixed = shape::fixed_words(group);
        // A word that stands in every line says nothing of this one.
        fixed.retain(|word| !everywhere.contains(word));
        if item.is_none() {
            rule.because.push("unknown: what it changes; its own words stand for the item".to_owned());
            // Where the line has a value, all its words tell which; else the first is the item and the others its value.
            let words = if last.is_some() { fixed.len() } else { 1 };
            let words = fixed.get(..words).unwrap_or_default().join(" ");
            rule.fields.push(format!("item = {}", quoted(if words.is_empty() { "menu" } else { &words })));
        }
        if last.is_none() {
            rule.fields.push(format!("value = {}", quoted(&fixed.get(1..).unwrap_or_default().join(" "))));
        }
        used.insert(number);
        draft.rules.push(rule);
    }
}

fn write_chatter(mined: &Mined<'_>, used: &BTreeSet<usize>, draft: &mut Draft) {
    let mut rest: Vec<usize> = (0..mined.groups.len()).filter(|group| !used.contains(group)).collect();
    rest.sort_by_key(|group| (u64::MAX - mined.groups.get(*group).map_or(0, |g| g.lines), *group));
    let (mut left, mut left_lines) = (0u64, 0u64);
    for number in rest {
        let Some(group) = mined.groups.get(number).filter(|group| group.lines > 0) else { continue };
        let written = draft.rules.iter().filter(|rule| rule.confidence.is_none()).count();
        let shape = shape_of(mined, number, &BTreeMap::new()).filter(|_| {
            group.lines >= 3 && written < MOST_CHATTER && shape::fixed_letters(group) >= LEAST_LETTERS
        });
        let Some(shape) = shape else {
            left += 1;
            left_lines += group.lines;
            continue;
        };
        let known = !mined.windows.is_empty() && !mined.untimed;
        let because = if known {
            "chatter: does not move with the keys"
        } else {
            "unknown: what it means; read past until you say"
        };
        let because = vec![because.to_owned()];
        draft.rules.push(Rule { shape, event: "ignore", lines: group.lines, because, ..Rule::default() });
    }
    if left > 0 {
        draft.unknown.push(format!(
            "left out, since rare or mostly varying: {} of {}",
            plural(left, "shape"),
            plural(left_lines, "line")
        ));
    }
}

fn remarks(mined: &Mined<'_>, draft: &mut Draft) {
    if mined.windows.is_empty() {
        draft.unknown.push("what the lines mean: hand in a key check (--prompts) to find out".into());
    }
    if mined.untimed && !mined.windows.is_empty() {
        draft.unknown.push(
            "when lines were printed: neither host nor set stamps them, so that no request can be matched"
                .into(),
        );
    }
    if let Some(crate::learn::Unit::Ticks(seconds)) = mined.prefix.as_ref().map(|prefix| prefix.unit) {
        draft.unknown.push(format!(
            "the stamp counts {seconds:.6} s; a file can name s, ms, us, 10ms and 4ms only, so it is not used"
        ));
    }
    if mined.capture.left_out > 0 {
        draft
            .unknown
            .push(format!("{} lines at the end, beyond what is held for learning", mined.capture.left_out));
    }
    if mined.ungrouped > 0 {
        draft.unknown.push(format!("{} lines of ever new shapes", mined.ungrouped));
    }
}
