//! A file that is there already, and another capture: what the file does not know is added, nothing is changed.

use std::path::Path;
use std::sync::Arc;

use crate::base::{EventKind, Result};
use crate::decode::chassis::Chassis;
use crate::decode::example;
use crate::decode::protocol::KeyRule;
use crate::decode::shape::{Captured, parse, read_whole};
use crate::decode::text::TextDecoder;
use crate::learn::draft::{Draft, quoted, write_ladder, write_rule};
use crate::learn::{Capture, learn_beyond};

/// A file with additions.
#[derive(Clone, Debug)]
pub struct Extended {
    /// The whole text: the old one with text put in between, none of it removed.
    pub text: String,
    /// What was added, one remark each.
    pub added: Vec<String>,
    /// What was found and could not be added by itself.
    pub left: Vec<String>,
}

/// Adds to a file what a capture shows beyond it: shapes of lines that nothing decodes, keys of maps and ladders.
///
/// # Errors
/// `Input` when the file is no chassis file. What would spoil one of its examples is left out and told.
pub fn extend(path: &Path, text: &str, capture: &Capture) -> Result<Extended> {
    let chassis = Arc::new(Chassis::parse(path, text)?);
    let expected = chassis.file().example.iter().flat_map(|example| &example.events);
    let pressed = expected.filter(|event| event.kind == EventKind::Press).filter_map(|event| event.key);
    let draft = learn_beyond(capture, chassis.name(), &pressed.collect());
    let mut extended = Extended { text: text.to_owned(), added: Vec::new(), left: Vec::new() };
    let mut insertions: Vec<(usize, String, String)> = Vec::new();
    keys(&chassis, text, &draft, &mut insertions);
    maps(&chassis, &draft, &mut insertions);
    ladders(&chassis, text, &draft, &mut insertions);
    insertions.sort_by_key(|(at, _, _)| std::cmp::Reverse(*at));
    for (at, piece, what) in insertions {
        let mut longer = extended.text.clone();
        longer.insert_str(at, &piece);
        extended.take(path, longer, what);
    }
    append(path, &chassis, capture, &draft, &mut extended);
    extended.left.extend(draft.unknown);
    Ok(extended)
}

impl Extended {
    /// Takes a longer text if every example of it holds.
    fn take(&mut self, path: &Path, longer: String, what: String) {
        if is_right(path, &longer) {
            self.text = longer;
            self.added.push(what);
        } else {
            self.left.push(format!("{what}: contradicts an example of the file"));
        }
    }
}

/// Records, lines and examples that the file lacks, at its end.
fn append(path: &Path, chassis: &Arc<Chassis>, capture: &Capture, draft: &Draft, extended: &mut Extended) {
    let mut pieces: Vec<(String, String)> = Vec::new();
    let known: Vec<&str> =
        chassis.file().record.iter().map(|record| record.shape.get_ref().as_str()).collect();
    for rule in &draft.rules {
        if !known.contains(&rule.shape.as_str()) && !decodes(chassis, capture, draft, &rule.shape) {
            let mut piece = String::new();
            write_rule(&mut piece, rule);
            pieces.push((piece, format!("record `{}`", rule.shape)));
        }
    }
    for ladder in draft.ladders.iter().filter(|ladder| chassis.line(&ladder.name).is_none()) {
        let mut piece = String::new();
        write_ladder(&mut piece, ladder);
        pieces.push((piece, format!("line {}", ladder.name)));
    }
    for example in &draft.examples {
        let body = example.lines().skip(2).collect::<Vec<_>>().join("\n");
        if !extended.text.contains(&body) {
            pieces.push((format!("\n{example}"), "an example".to_owned()));
        }
    }
    let mut head = format!("\n# Added from the capture {}.\n", capture.name.replace(char::is_control, " "));
    for (piece, what) in pieces {
        let mut longer = extended.text.clone();
        if !longer.ends_with('\n') {
            longer.push('\n');
        }
        let before = extended.added.len();
        extended.take(path, format!("{longer}{head}{piece}"), what);
        if extended.added.len() > before {
            head.clear();
        }
    }
}

fn is_right(path: &Path, text: &str) -> bool {
    Chassis::parse(path, text)
        .is_ok_and(|chassis| example::run(&Arc::new(chassis)).iter().all(example::Outcome::is_right))
}

/// Whether the file decodes a line of the shape already: the first line of the capture that has it.
fn decodes(chassis: &Arc<Chassis>, capture: &Capture, draft: &Draft, shape: &str) -> bool {
    let prefix = draft.prefix.as_ref().map(crate::learn::Prefix::shape).unwrap_or_default();
    let parsed = parse(None, &prefix).and_then(|prefix| parse(Some(&prefix), shape));
    let Ok(parsed) = parsed else { return false };
    let mut slots = vec![Captured::default(); parsed.placeholders().count()];
    let mut wanted = |line: &[u8]| read_whole(&parsed.parts, line, &mut slots);
    let Some((_, line)) = capture.lines().find(|(_, line)| wanted(line)) else { return false };
    let mut decoder = TextDecoder::new(Arc::clone(chassis), "extend".into());
    let mut events = Vec::new();
    decoder.push(None, 0, line, &mut events);
    decoder.push(None, 0, b"\n", &mut events);
    decoder.finish(&mut events);
    // Half read is known too: a reading beyond the scale, an unknown state.
    let counters = decoder.counters();
    counters.decoded + counters.damaged > 0
}

/// New words for `[keys]`.
fn keys(chassis: &Chassis, text: &str, draft: &Draft, insertions: &mut Vec<(usize, String, String)>) {
    let known = &chassis.file().keys;
    let fresh = draft.keys.iter().filter(|(word, _)| !known.contains_key(word));
    let header = text.lines().scan(0, |at, line| {
        let start = *at;
        *at += line.len() + 1;
        Some((start, line))
    });
    let header = header.into_iter().find(|(_, line)| line.trim() == "[keys]");
    let mut pieces = String::new();
    let mut words = Vec::new();
    for (word, key) in fresh {
        pieces.push_str(&format!("{} = {}\n", quoted(word), quoted(key)));
        words.push(word.as_str());
    }
    if words.is_empty() {
        return;
    }
    let what = format!("keys {}", words.join(", "));
    match header {
        Some((at, line)) => insertions.push(((at + line.len() + 1).min(text.len()), pieces, what)),
        // A table may stand anywhere before the first `[[record]]`.
        None => {
            let at = text.find("[[").unwrap_or(text.len());
            insertions.push((at, format!("[keys]\n{pieces}\n"), what));
        }
    }
}

/// New words for the key maps of records whose shape was learned again.
fn maps(chassis: &Chassis, draft: &Draft, insertions: &mut Vec<(usize, String, String)>) {
    for record in &chassis.file().record {
        let Some(key) = &record.key else { continue };
        let KeyRule::Map(known) = key.get_ref() else { continue };
        let Some(rule) = draft.rules.iter().find(|rule| rule.shape == *record.shape.get_ref()) else {
            continue;
        };
        let learned = rule.fields.iter().find(|field| field.starts_with("key = "));
        let parsed = learned.and_then(|field| toml::from_str::<toml::Table>(field).ok());
        let Some(toml::Value::Table(map)) = parsed.as_ref().and_then(|table| table.get("key")) else {
            continue;
        };
        let fresh: Vec<String> = map
            .iter()
            .filter(|(word, _)| !known.contains_key(*word))
            .filter_map(|(word, key)| Some(format!("{} = {}, ", quoted(word), quoted(key.as_str()?))))
            .collect();
        if !fresh.is_empty() {
            let what = format!("{} keys of `{}`", fresh.len(), rule.shape);
            insertions.push((key.span().start + 1, format!(" {}", fresh.concat().trim_end()), what));
        }
    }
}

/// New keys of ladders that the file has.
fn ladders(chassis: &Chassis, text: &str, draft: &Draft, insertions: &mut Vec<(usize, String, String)>) {
    for line in &chassis.file().line {
        let Some(ladder) = draft.ladders.iter().find(|ladder| ladder.name == line.name) else { continue };
        let Some(first) = line.key.first() else { continue };
        let Some(open) = text.get(..first.name.span().start).and_then(|before| before.rfind('[')) else {
            continue;
        };
        let named =
            |entry: &str| line.key.iter().any(|key| entry.contains(&format!("\"{}\"", key.name.get_ref())));
        let fresh: Vec<&String> =
            ladder.keys.iter().filter(|entry| !entry.starts_with('#') && !named(entry)).collect();
        if fresh.is_empty() {
            continue;
        }
        let piece: String = fresh.iter().map(|entry| format!("\n    {entry}")).collect();
        insertions.push((
            open + 1,
            format!("{piece}\n   "),
            format!("{} keys of line {}", fresh.len(), line.name),
        ));
    }
}
