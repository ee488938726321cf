//! Examples for a draft, cut from its capture: kept only where the draft's own press is the key that was asked for.

use std::collections::BTreeSet;
use std::fmt::Write as _;
use std::path::Path;
use std::sync::Arc;

use crate::base::{Event, EventKind, Key};
use crate::decode::Counters;
use crate::decode::chassis::Chassis;
use crate::decode::example;
use crate::decode::text::TextDecoder;
use crate::learn::Mined;
use crate::learn::draft::{Draft, quoted};
use crate::learn::table::Window;

/// Examples that are cut at most.
const MOST_EXAMPLES: usize = 4;
/// Lines of one example at most.
const MOST_LINES: usize = 60;

/// The examples of a draft, as the file writes them; each has been run. Of keys that are `shown` already none is cut.
pub(super) fn cut(mined: &Mined<'_>, draft: &Draft, shown: &BTreeSet<Key>) -> Vec<String> {
    let path = Path::new(&draft.name).with_extension("toml");
    let text = draft.text();
    let Ok(chassis) = Chassis::parse(&path, &text).map(Arc::new) else { return Vec::new() };
    let mut seen = shown.clone();
    let mut examples: Vec<String> = Vec::new();
    for window in &mined.windows {
        if examples.len() == MOST_EXAMPLES {
            break;
        }
        if seen.contains(&window.key) {
            continue;
        }
        let Some(example) = one(mined, &chassis, *window) else { continue };
        // A file with this example must still be right.
        let whole = format!("{text}\n{example}");
        let right = Chassis::parse(&path, &whole)
            .is_ok_and(|chassis| example::run(&Arc::new(chassis)).iter().all(example::Outcome::is_right));
        if right {
            seen.insert(window.key);
            examples.push(example);
        }
    }
    examples
}

/// Events and counters of some lines.
fn decode(chassis: &Arc<Chassis>, lines: &[&[u8]]) -> (Vec<Event>, Counters) {
    let mut decoder = TextDecoder::new(Arc::clone(chassis), "example".into());
    let mut events = Vec::new();
    for line in lines {
        decoder.push(None, 0, line, &mut events);
        decoder.push(None, 0, b"\n", &mut events);
    }
    decoder.finish(&mut events);
    (events, decoder.counters())
}

/// The shortest stretch from the answer's first line on in which the key goes down and up again, or just down.
fn one(mined: &Mined<'_>, chassis: &Arc<Chassis>, window: Window) -> Option<String> {
    let mut numbers: Vec<usize> = mined
        .tables
        .iter()
        .flat_map(|table| table.within(window).filter_map(|row| table.lines.get(row).copied()))
        .collect();
    numbers.sort_unstable();
    let (first, last) = (*numbers.first()?, *numbers.last()?);
    // Lines that nothing decodes say nothing, and a later extension may decode them.
    let all: Vec<&[u8]> = (first..=last.min(first + 4_000))
        .map(|number| mined.capture.line(number))
        .filter(|line| decode(chassis, &[line]).1.decoded > 0)
        .collect();
    if all.iter().any(|line| std::str::from_utf8(line).is_err()) {
        return None;
    }
    let (events, _) = decode(chassis, &all);
    let press = events.iter().position(|event| event.kind == EventKind::Press && event.is_input())?;
    if events.get(press)?.key != Some(window.key) {
        return None;
    }
    // Where the press stands: the least number of lines that gives it.
    let reach = |wanted: &dyn Fn(&[Event]) -> bool, from: usize| {
        (from..=all.len().min(from + 400))
            .find(|count| all.get(..*count).is_some_and(|l| wanted(&decode(chassis, l).0)))
    };
    let pressed = reach(&|events| events.iter().any(|e| e.kind == EventKind::Press && e.is_input()), 1)?;
    let released = reach(&|events| events.iter().any(|e| e.kind == EventKind::Release), pressed);
    let start = pressed.saturating_sub(4);
    let end = released.filter(|end| end - start <= MOST_LINES).unwrap_or(pressed);
    let lines = all.get(start..end)?;
    let (events, counters) = decode(chassis, lines);
    let mut presses = events.iter().filter(|event| event.kind == EventKind::Press && event.is_input());
    if presses.next().and_then(|press| press.key) != Some(window.key) || presses.next().is_some() {
        return None;
    }
    Some(write(mined, window.key, lines, &events, counters))
}

fn write(mined: &Mined<'_>, key: Key, lines: &[&[u8]], events: &[Event], counters: Counters) -> String {
    let source = format!("cut from {}; {key} is what was asked for", mined.capture.name);
    let mut out = format!("[[example]]\nsource = {}\ninput = \"\"\"\n", quoted(&source));
    for line in lines {
        let text = quoted(&String::from_utf8_lossy(line));
        let _ = writeln!(out, "{}", text.get(1..text.len() - 1).unwrap_or_default());
    }
    out.push_str("\"\"\"\nevents = [\n");
    for event in events {
        let _ = write!(out, "    {{ path = \"{}\", kind = \"{}\"", event.path.word(), event.kind.word());
        if let Some(key) = event.key {
            let _ = write!(out, ", key = \"{key}\"");
        }
        if let Some(line) = &event.line {
            let _ = write!(out, ", line = {}", quoted(line));
        }
        if let Some(counts) = event.counts {
            let _ = write!(out, ", counts = {counts}");
        }
        for (name, text) in [("item", &event.item), ("value", &event.value)] {
            if let Some(text) = text {
                let _ = write!(out, ", {name} = {}", quoted(text));
            }
        }
        out.push_str(" },\n");
    }
    out.push_str("]\n");
    for (name, count) in [("damaged", counters.damaged), ("not_mine", counters.not_mine)] {
        if count > 0 {
            let _ = writeln!(out, "{name} = {count}");
        }
    }
    out
}
