//! `patterns`: repeating strays in captures or in a job.

use std::path::PathBuf;

use schemars::JsonSchema;
use serde::Serialize;

use crate::analysis::cause::{CauseFinder, Causes};
use crate::analysis::pattern::{Pattern, PatternOptions, Patterns, find};
use crate::analysis::stray::{Suspicion, suspect};
use crate::base::words::plural;
use crate::base::{Event, Nanoseconds, Result};
use crate::face::cli::args::{self, Hands, Reading};
use crate::face::cli::load::{self, Look, Seen};
use crate::face::cli::{sections, table};
use crate::face::out::{Out, Outcome, safe};
use crate::timeline::Protocols;

pub(super) fn run(options: &args::Patterns, protocols: &Protocols, out: &mut Out) -> Result<Outcome> {
    let mut finder = Finder::default();
    let seen = gather(&options.inputs, &options.reading, options.hands, protocols, out, &mut finder)?;
    let suspicion = (!seen.hands_off).then(|| suspect(&seen.sequence));
    let causes = finder.0.finish();
    let how =
        PatternOptions { seed: options.seed, surrogates: options.shuffles, ..PatternOptions::default() };
    let mut patterns = find(&seen.sequence, &how);
    patterns.patterns.truncate(32);
    let found = patterns.strays > 0;
    if out.json {
        out.value(&Shown { patterns: &patterns, suspicion: suspicion.as_ref(), causes: &causes })?;
    } else {
        show(&patterns, seen.hands_off, options.explain, out)?;
        if let Some(suspicion) = &suspicion {
            sections::suspects("Hands on", suspicion, out)?;
        }
        for sentence in cause_sentences(&causes, options.explain) {
            out.line(table::wrap(&sentence, 2))?;
        }
    }
    Ok(if options.check && found { Outcome::Found } else { Outcome::Done })
}

#[derive(Serialize, JsonSchema)]
pub(super) struct Shown<'a> {
    #[serde(flatten)]
    patterns: &'a Patterns,
    /// With hands on: what no hand seems to have given.
    #[serde(skip_serializing_if = "Option::is_none")]
    suspicion: Option<&'a Suspicion>,
    causes: &'a Causes,
}

/// Links menu changes to inputs while the events stream by.
#[derive(Default)]
struct Finder(CauseFinder);

impl Look for Finder {
    fn act(&mut self, event: &Event) {
        self.0.push(event);
    }

    fn end(&mut self) {
        self.0.next_capture(Nanoseconds::ZERO);
    }
}

/// Menu changes with their causes, and when the orphans came.
fn cause_sentences(causes: &Causes, explain: bool) -> Vec<String> {
    let mut said: Vec<String> = causes
        .paths
        .iter()
        .filter(|_| explain)
        .filter_map(|path| {
            let (latency, reach) = (path.latency_s?, path.reach_s?);
            let how = if path.learned { "" } else { ", assumed, since there are too few to learn it" };
            Some(format!(
                "Menu: {} of {} follow {} input, {latency:.2} s after it in the middle and {reach:.2} s at most{how}.",
                path.changes,
                plural(causes.changes, "menu change"),
                path.path.word()
            ))
        })
        .collect();
    if causes.orphans > 0 {
        let times: Vec<String> = causes.orphan_t.iter().take(10).map(|t| format!("{t:.2} s")).collect();
        let more = if causes.orphans > 10 { " …" } else { "" };
        said.push(format!(
            "Menu: {} with no input behind (orphans): the software did it, or a path that was not captured; at {}{more}.",
            plural(causes.orphans, "menu change"),
            times.join(", ")
        ));
    }
    said
}

fn gather(
    inputs: &[PathBuf],
    reading: &Reading,
    hands: Hands,
    protocols: &Protocols,
    out: &Out,
    finder: &mut Finder,
) -> Result<Seen> {
    let mut whole = Seen::new(true);
    for input in inputs {
        load::observe(input, reading, hands, protocols, out, &mut whole, finder)?;
    }
    Ok(whole)
}

/// Prints the patterns for people: how many strays, each pattern in a sentence, then the figures.
pub(super) fn show(patterns: &Patterns, hands_off: bool, explain: bool, out: &mut Out) -> Result<()> {
    let word = if hands_off { "stray" } else { "suspected stray" };
    let hands = if hands_off { "" } else { " (hands were on)" };
    let count = plural(patterns.strays, word);
    out.line(format!("{count} in {}{hands}", load::duration(patterns.span_s)))?;
    if patterns.strays == 0 {
        return Ok(());
    }
    if patterns.patterns.is_empty() {
        return out.line("Nothing repeats.");
    }
    for pattern in &patterns.patterns {
        out.line(table::wrap(&format!("{:>2}  {}", pattern.id, safe(&pattern.note)), 4))?;
        if let Some(share) = pattern.chance_shuffled {
            let said = format!(
                "Beats as good in the shuffled copies, this one counted: {} of the searches.",
                load::chance(share)
            );
            out.line(table::wrap(&format!("    {said}"), 4))?;
        }
    }
    if !explain {
        return Ok(());
    }
    let mut list = table::new(
        &["", "class", "path", "what", "period", "jitter", "seen", "missed", "chance"],
        &[0, 4, 5, 6, 7, 8],
    );
    for pattern in &patterns.patterns {
        list.add_row(row(pattern));
    }
    out.line(table::text(&list))?;
    out.line(format!("{} in no pattern that keeps time.", plural(patterns.unexplained, word)))
}

fn row(pattern: &Pattern) -> [String; 9] {
    [
        pattern.id.to_string(),
        pattern.class.word().to_owned(),
        pattern.path.word().to_owned(),
        motif(pattern),
        pattern.period_s.map_or_else(|| "–".to_owned(), |period| format!("{period:.3} s")),
        pattern.jitter_s.map_or_else(|| "–".to_owned(), |jitter| format!("{jitter:.3} s")),
        pattern.count.to_string(),
        pattern.missed.to_string(),
        if pattern.chance < 1.0 { load::chance(pattern.chance) } else { "–".to_owned() },
    ]
}

/// The motif in words: `Menu, Volume down`.
pub(super) fn motif(pattern: &Pattern) -> String {
    pattern.motif.iter().map(|event| event.symbol.label()).collect::<Vec<_>>().join(", ")
}
