//! Lines that name the key: which place carries it, and which word says press, repeat or release.

use std::collections::BTreeMap;

use crate::base::Key;
use crate::decode::protocol::KeyState;
use crate::learn::shape;
use crate::learn::table::{RESTS, Table, Window, median, share};
use crate::learn::tree::Group;

/// Answers that the rest of the key check foretells, as a share of all requests, for a line to count.
const LEAST: f64 = 0.7;
/// Lines so close together tell of one press: no hand lets go as fast.
const TOGETHER_S: f64 = 0.03;
/// Most words of a state.
const MOST_STATES: usize = 6;

/// A group whose lines answer requests for keys.
#[derive(Clone, Debug)]
pub(super) struct KeyField {
    pub(super) group: usize,
    /// The column that carries the key.
    pub(super) column: usize,
    pub(super) keys: BTreeMap<i64, Key>,
    /// The value that says that no key is down.
    pub(super) none: Option<i64>,
    /// The column that says what happened, and what each value says.
    pub(super) state: Option<(usize, BTreeMap<i64, KeyState>)>,
    /// What the line says by itself, without a state.
    pub(super) says: KeyState,
    /// Share of the requests that this line answers rightly when each is predicted from the others.
    pub(super) score: f64,
    /// Requests with an answer.
    pub(super) answered: usize,
    /// A press of each key was seen once only: nothing foretells it.
    pub(super) once: bool,
    /// Another line tells the same presses at the same time, as a driver's scan code beside its key.
    pub(super) twin: bool,
}

/// The groups that name keys, those that tell presses first.
pub(super) fn find(groups: &[Group], tables: &[Table], windows: &[Window]) -> Vec<KeyField> {
    let mut fields: Vec<KeyField> = tables
        .iter()
        .enumerate()
        .filter_map(|(group, table)| {
            let columns = 0..table.columns.len();
            let scored = columns.filter_map(|column| judge(group, table, column, windows));
            // Of equals the first: `>=` would take the last.
            scored.reduce(|best, next| if next.score > best.score + 0.02 { next } else { best })
        })
        .collect();
    let best = fields.iter().map(|field| field.score).fold(0.0, f64::max);
    fields.retain(|field| field.score >= LEAST.max(best - 0.3));
    for field in &mut fields {
        if let Some(table) = tables.get(field.group) {
            field.state = state(table, field, windows);
        }
    }
    order(groups, tables, windows, &mut fields);
    fields
}

/// How well a column foretells the key that was asked for.
fn judge(group: usize, table: &Table, column: usize, windows: &[Window]) -> Option<KeyField> {
    let values = table.columns.get(column)?;
    let none = resting(table, column, windows);
    let mut answers: Vec<(i64, Key)> = Vec::new();
    for window in windows {
        let mut said = table.within(*window).filter_map(|row| values.values.get(row).copied());
        answers.extend(said.find(|value| Some(*value) != none).map(|value| (value, window.key)));
    }
    let mut counts: BTreeMap<i64, BTreeMap<Key, usize>> = BTreeMap::new();
    for (value, key) in &answers {
        *counts.entry(*value).or_default().entry(*key).or_default() += 1;
    }
    let right = answers
        .iter()
        .filter(|(value, key)| {
            let seen = counts.get(value);
            let mine = seen.and_then(|keys| keys.get(key)).map_or(0, |count| count - 1);
            let others = seen.and_then(|keys| keys.iter().filter(|(k, _)| *k != key).map(|(_, n)| *n).max());
            mine > 0 && mine > others.unwrap_or(0)
        })
        .count();
    let mut keys: Vec<Key> = windows.iter().map(|window| window.key).collect();
    keys.sort_unstable();
    keys.dedup();
    let once = keys.len() == windows.len();
    let predicted = if once {
        // Each value one key, no key without a value, and hardly a value beside.
        let apart = counts.len() == answers.len() && counts.len() >= 3;
        let few = values.distinct(keys.len() + 2 + usize::from(none.is_some())).is_some();
        if apart && few { share(answers.len(), windows.len()) } else { 0.0 }
    } else {
        share(right, windows.len())
    };
    let map: BTreeMap<i64, Key> = counts
        .into_iter()
        .filter_map(|(value, keys)| {
            let all: usize = keys.values().sum();
            keys.into_iter()
                .max_by_key(|(_, n)| *n)
                .filter(|(_, n)| *n * 2 > all)
                .map(|(key, _)| (value, key))
        })
        .collect();
    (predicted >= LEAST).then_some(KeyField {
        group,
        column,
        keys: map,
        none,
        state: None,
        says: KeyState::Press,
        score: predicted,
        answered: answers.len(),
        once,
        twin: false,
    })
}

/// The value that stands before most requests, when no hand is at the keys.
fn resting(table: &Table, column: usize, windows: &[Window]) -> Option<i64> {
    let values = &table.columns.get(column)?.values;
    let before = windows.iter().filter_map(|window| values.get(table.within(*window).start.checked_sub(1)?));
    let mut counts: BTreeMap<i64, usize> = BTreeMap::new();
    before.for_each(|value| *counts.entry(*value).or_default() += 1);
    let all: usize = counts.values().sum();
    let (value, most) = counts.into_iter().max_by_key(|(_, n)| *n)?;
    // Most requests must be answered by another value.
    let leaves = windows.iter().filter(|window| {
        table.within(**window).any(|row| values.get(row).is_some_and(|other| *other != value))
    });
    (share(most, all) >= RESTS && 2 * all > windows.len() && 2 * leaves.count() > windows.len())
        .then_some(value)
}

impl KeyField {
    /// The rows of an answer, without those that say that no key is down.
    pub(super) fn rows<'a>(&'a self, table: &'a Table, window: Window) -> impl Iterator<Item = usize> + 'a {
        let values =
            table.columns.get(self.column).map(|column| column.values.as_slice()).unwrap_or_default();
        table.within(window).filter(move |row| values.get(*row).copied() != self.none)
    }
}

/// The column whose value at the first line of an answer differs from that at the last.
fn state(table: &Table, field: &KeyField, windows: &[Window]) -> Option<(usize, BTreeMap<i64, KeyState>)> {
    for (index, column) in table.columns.iter().enumerate().filter(|(index, _)| *index != field.column) {
        let Some(values) = column.distinct(MOST_STATES).filter(|values| values.len() >= 2) else { continue };
        let mut firsts: BTreeMap<i64, usize> = BTreeMap::new();
        let mut lasts: BTreeMap<i64, usize> = BTreeMap::new();
        let (mut pairs, mut answers) = (0, 0);
        for window in windows {
            let rows = table.within(*window);
            answers += usize::from(!rows.is_empty());
            if rows.len() < 2 {
                continue;
            }
            pairs += 1;
            for (counts, row) in [(&mut firsts, rows.start), (&mut lasts, rows.end - 1)] {
                if let Some(value) = column.values.get(row) {
                    *counts.entry(*value).or_default() += 1;
                }
            }
        }
        let usual = |counts: BTreeMap<i64, usize>| counts.into_iter().max_by_key(|(_, n)| *n);
        let (Some((first, n)), Some((last, m))) = (usual(firsts), usual(lasts)) else { continue };
        if first == last || pairs < 2 || share(n, pairs) < 0.8 || share(m, pairs) < 0.8 {
            continue;
        }
        // A line that mostly comes once says press first and repeat now and then.
        let end = if share(pairs, answers) < 0.6 { KeyState::Repeat } else { KeyState::Release };
        let state = |value: i64| match value {
            value if value == first => KeyState::Press,
            value if value == last => end,
            _ => KeyState::Repeat,
        };
        return Some((index, values.into_iter().map(|value| (value, state(value))).collect()));
    }
    None
}

/// Of several groups that name keys, the first in each answer tells the press; what the others tell.
fn order(groups: &[Group], tables: &[Table], windows: &[Window], fields: &mut [KeyField]) {
    let firsts = |field: &KeyField| {
        let table = tables.get(field.group);
        let mut delays: Vec<f64> = windows
            .iter()
            .filter_map(|window| {
                let table = table?;
                let first = field.rows(table, *window).next()?;
                Some(table.t.get(first)? - window.start)
            })
            .collect();
        median(&mut delays).unwrap_or(f64::INFINITY)
    };
    fields.sort_by(|a, b| firsts(a).total_cmp(&firsts(b)));
    mark_twins(tables, windows, fields);
    let paths: Vec<&str> = fields.iter().map(|field| path(groups, field)).collect();
    let first_path = paths.first().copied();
    for (field, path) in fields.iter_mut().zip(paths).skip(1) {
        let (Some(group), Some(table)) = (groups.get(field.group), tables.get(field.group)) else {
            continue;
        };
        if field.twin || field.state.is_some() || Some(path) != first_path {
            continue;
        }
        let words = shape::fixed_words(group).join(" ");
        let any = |list: &[&str]| list.iter().any(|word| words.contains(word));
        let rows: usize = windows.iter().map(|window| table.within(*window).len()).sum();
        let one_each = share(rows, windows.len()) <= 1.15 && share(field.answered, windows.len()) >= 0.85;
        field.says = if any(&["rpt", "repeat", "hold", "held"]) {
            KeyState::Repeat
        } else if any(&["release", "rel", " up", "off"]) || one_each {
            KeyState::Release
        } else {
            KeyState::Repeat
        };
    }
}

/// Marks the lines that tell again what another one tells at the same time. Of two the one stays that tells more: states,
/// then repeats, then the earlier one.
fn mark_twins(tables: &[Table], windows: &[Window], fields: &mut [KeyField]) {
    let mut times: Vec<f64> = tables.iter().flat_map(|table| table.t.iter().copied()).collect();
    times.sort_by(f64::total_cmp);
    let gaps = times.windows(2).map(|pair| pair[1] - pair[0]);
    let finest = gaps.filter(|gap| *gap > 1e-9).fold(f64::INFINITY, f64::min);
    // Stamps of whole seconds put press and release into one.
    if finest > TOGETHER_S {
        return;
    }
    for later in 1..fields.len() {
        for first in 0..later {
            let (Some(a), Some(b)) = (fields.get(first), fields.get(later)) else { continue };
            let more = |field: &KeyField, other: &KeyField| {
                field.state.is_some() >= other.state.is_some() && together(tables, windows, other, field)
            };
            let twin = if a.twin || b.twin {
                None
            } else if more(a, b) {
                Some(later)
            } else {
                more(b, a).then_some(first)
            };
            if let Some(field) = twin.and_then(|twin| fields.get_mut(twin)) {
                field.twin = true;
            }
        }
    }
}

/// Whether nearly all answers of the one stand beside some of the other.
fn together(tables: &[Table], windows: &[Window], one: &KeyField, other: &KeyField) -> bool {
    let (Some(mine), Some(theirs)) = (tables.get(one.group), tables.get(other.group)) else { return false };
    let (mut all, mut near) = (0, 0);
    for window in windows {
        for t in one.rows(mine, *window).filter_map(|row| mine.t.get(row)) {
            all += 1;
            let mut others = other.rows(theirs, *window).filter_map(|row| theirs.t.get(row));
            near += usize::from(others.any(|at| (at - t).abs() <= TOGETHER_S));
        }
    }
    all > 0 && share(near, all) >= 0.9
}

/// The control path that the fixed words speak of.
pub(super) fn path(groups: &[Group], field: &KeyField) -> &'static str {
    let words = groups.get(field.group).map(shape::fixed_words).unwrap_or_default();
    let any = |list: &[&str]| words.iter().any(|word| list.contains(&word.as_str()));
    if any(&["ir", "infrared", "remote", "rc", "rcu", "irx", "irq-ir"]) { "infrared" } else { "keypad" }
}

/// How a held key repeats: from the press to the first repeat, and from one to the next; `None` when no answer
/// has enough lines.
pub(super) fn repeats(field: &KeyField, table: &Table, windows: &[Window]) -> Option<(f64, f64)> {
    let (mut delays, mut periods) = (Vec::new(), Vec::new());
    for window in windows {
        let times: Vec<f64> =
            field.rows(table, *window).filter_map(|row| table.t.get(row).copied()).collect();
        let gaps = times.windows(2).map(|pair| pair[1] - pair[0]).take_while(|gap| *gap < 1.5);
        for (i, gap) in gaps.enumerate() {
            if i == 0 { &mut delays } else { &mut periods }.push(gap);
        }
    }
    let delay = median(&mut delays)?;
    Some((delay, median(&mut periods).unwrap_or(delay)))
}
