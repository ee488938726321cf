//! `patterns`: repeating strays in captures or in a job.

use std::path::{Path, PathBuf};

use super::load::{self, Seen};
use super::table;
use crate::analysis::pattern::{Pattern, PatternOptions, Patterns, find};
use crate::base::Result;
use crate::face::args::{self, Hands, Reading};
use crate::face::out::{Out, Outcome};
use crate::timeline::Protocols;

pub(super) fn run(options: &args::Patterns, protocols: &Protocols, out: &mut Out) -> Result<Outcome> {
    let seen = gather(&options.inputs, &options.reading, options.hands, protocols, out)?;
    let mut patterns = find(&seen.train, &PatternOptions { seed: options.seed, ..PatternOptions::default() });
    patterns.patterns.truncate(32);
    let found = patterns.strays > 0;
    if out.json {
        out.value(&patterns)?;
    } else {
        show(&patterns, seen.hands_off, out)?;
    }
    Ok(if options.check && found { Outcome::Found } else { Outcome::Done })
}

fn gather(
    inputs: &[PathBuf],
    reading: &Reading,
    hands: Hands,
    protocols: &Protocols,
    out: &Out,
) -> Result<Seen> {
    let mut whole = Seen::new(true);
    for input in inputs {
        load::observe(input, reading, hands, protocols, out, &mut whole)?;
    }
    Ok(whole)
}

/// Prints the patterns for people.
pub(super) fn show(patterns: &Patterns, hands_off: bool, out: &mut Out) -> Result<()> {
    let word = if hands_off { "strays" } else { "inputs, suspected strays (hands were on)" };
    out.line(format!(
        "{} {word} in {}; {} of them in no pattern",
        patterns.strays,
        load::duration(patterns.span_s),
        patterns.unexplained
    ))?;
    if patterns.patterns.is_empty() {
        out.line(if patterns.strays == 0 { "Nothing repeated, nothing came." } else { "No pattern." })?;
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
    for pattern in &patterns.patterns {
        out.line(format!("{:>2}  {}", pattern.id, pattern.note))?;
    }
    Ok(())
}

fn row(pattern: &Pattern) -> [String; 9] {
    let class = serde_json::to_value(pattern.class).ok().and_then(|v| v.as_str().map(str::to_owned));
    [
        pattern.id.to_string(),
        class.unwrap_or_default(),
        pattern.path.word().to_owned(),
        motif(pattern),
        pattern.period_s.map_or_else(|| "–".to_owned(), |period| format!("{period:.3} s")),
        pattern.jitter_s.map_or_else(|| "–".to_owned(), |jitter| format!("{jitter:.3} s")),
        pattern.count.to_string(),
        pattern.missed.to_string(),
        load::chance(pattern.chance),
    ]
}

/// The motif in words: `Menu, Volume down`.
pub(super) fn motif(pattern: &Pattern) -> String {
    pattern.motif.iter().map(|event| event.symbol.label()).collect::<Vec<_>>().join(", ")
}

/// Whether a path names a job (or a stage of one) rather than a capture file.
pub(super) fn is_job(input: &Path) -> bool {
    let text = input.to_string_lossy();
    let folder = text.rsplit_once('#').map_or(input.to_path_buf(), |(folder, _)| PathBuf::from(folder));
    input.join("job.toml").is_file() || (!input.exists() && folder.join("job.toml").is_file())
}
