//! Looks a chassis file over before it is used: mistakes, examples, shapes that get in each other's way.

use std::ops::Range;
use std::path::Path;
use std::sync::Arc;

use crate::base::{ControlPath, Error, Place, quote};
use crate::decode::chassis::{Chassis, Pattern};
use crate::decode::ladder::{WindowRule, Windows};
use crate::decode::protocol::Meaning;
use crate::decode::shape::{Automaton, Survey};
use crate::decode::{example, file};

/// How much a finding matters.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "lowercase")]
pub enum Severity {
    /// The file cannot be used, or does not do what it says.
    Error,
    /// The file works, but something in it is probably not meant.
    Warning,
    /// Worth knowing.
    Note,
}

/// One thing that was found.
#[derive(Clone, Debug)]
pub struct Finding {
    /// How much it matters.
    pub severity: Severity,
    /// Where.
    pub place: Place,
    /// What.
    pub message: String,
    /// What to do about it.
    pub help: Option<String>,
    /// A drawing that points at it.
    pub snippet: Option<String>,
}

impl std::fmt::Display for Finding {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let word = match self.severity {
            Severity::Error => "error",
            Severity::Warning => "warning",
            Severity::Note => "note",
        };
        write!(f, "{word}: {}: {}", self.place, self.message)?;
        if let Some(snippet) = &self.snippet {
            write!(f, "\n{snippet}")?;
        }
        if let Some(help) = &self.help {
            write!(f, "\n  {help}")?;
        }
        Ok(())
    }
}

/// Checks the text of a chassis file; empty when nothing was found. A file with an `Error` is not to be used.
pub fn check(path: &Path, text: &str) -> Vec<Finding> {
    let chassis = match Chassis::parse(path, text) {
        Ok(chassis) => Arc::new(chassis),
        Err(error) => return vec![from_error(&error)],
    };
    let mut findings = Vec::new();
    identity(&chassis, &mut findings);
    examples(&chassis, &mut findings);
    windows(&chassis, &mut findings);
    overlaps(&chassis, &mut findings);
    integrity(&chassis, &mut findings);
    coverage(&chassis, &mut findings);
    findings
}

fn from_error(error: &Error) -> Finding {
    Finding {
        severity: Severity::Error,
        place: error.place().clone(),
        message: error.what().to_owned(),
        help: error.help_text().map(str::to_owned),
        snippet: error.snippet_text().map(str::to_owned),
    }
}

/// A finding at a stretch of the file, in bytes.
fn finding(
    chassis: &Chassis,
    severity: Severity,
    span: Option<Range<usize>>,
    message: String,
    help: &str,
) -> Finding {
    let place = match span {
        Some(span) => file::mistake(chassis.path(), &chassis.text, span, &message, None).place().clone(),
        None => Place { path: Some(chassis.path().to_owned()), ..Place::default() },
    };
    Finding { severity, place, message, help: Some(help.to_owned()), snippet: None }
}

fn examples(chassis: &Arc<Chassis>, findings: &mut Vec<Finding>) {
    for outcome in example::run(chassis) {
        if let Some(difference) = outcome.difference {
            let message = format!("example {}: {difference}", outcome.number);
            let help = "correct the example if it is wrong, else the record that reads it";
            findings.push(finding(chassis, Severity::Error, Some(outcome.span.clone()), message, help));
        }
    }
    if chassis.file().example.is_empty() {
        let message = "the file has no [[example]]".to_owned();
        let help = "add an input line of the set with the events that it must give";
        findings.push(finding(chassis, Severity::Warning, None, message, help));
    }
}

/// Where a pattern's shape stands.
fn span_of(chassis: &Chassis, pattern: &Pattern) -> Option<Range<usize>> {
    Some(chassis.file().record.get(pattern.record)?.shape.span())
}

fn overlaps(chassis: &Chassis, findings: &mut Vec<Finding>) {
    let regexes: Vec<String> = chassis.patterns.iter().map(|pattern| pattern.shape.regex()).collect();
    let Some(Survey { overlaps, never }) = Automaton::survey(&regexes) else {
        let message = "the shapes are too many to look for overlaps".to_owned();
        findings.push(finding(
            chassis,
            Severity::Note,
            None,
            message,
            "the more specific shape wins in any case",
        ));
        return;
    };
    never_matching(chassis, &never, findings);
    let mut said: Vec<(usize, usize)> = Vec::new();
    for overlap in overlaps {
        let (Some(winner), Some(loser)) =
            (chassis.patterns.get(overlap.winner), chassis.patterns.get(overlap.loser))
        else {
            continue;
        };
        let pair = (winner.record, loser.record);
        if winner.record == loser.record || said.contains(&pair) {
            continue;
        }
        said.push(pair);
        let tie = winner.shape.specificity() == loser.shape.specificity();
        let severity = if tie { Severity::Warning } else { Severity::Note };
        let message = format!(
            "`{}` and `{}` both fit the line `{}`; the {} wins",
            winner.shape.text,
            loser.shape.text,
            quote(&overlap.line),
            if tie { "first in the file" } else { "more specific, the first of the two," },
        );
        let help = "if a line can have both shapes, make one of them say more";
        findings.push(finding(chassis, severity, span_of(chassis, loser), message, help));
    }
}

/// Records that could as well be left out: other shapes take every line of theirs, with every prefix.
fn never_matching(chassis: &Chassis, never: &[usize], findings: &mut Vec<Finding>) {
    for (index, record) in chassis.file().record.iter().enumerate() {
        let mut own = chassis.patterns.iter().enumerate().filter(|(_, pattern)| pattern.record == index);
        if own.all(|(i, _)| never.contains(&i)) {
            let message =
                format!("`{}` never matches: other shapes take every line of it", record.shape.get_ref());
            let help = "take the record out, or make its shape say more than the others";
            findings.push(finding(chassis, Severity::Warning, Some(record.shape.span()), message, help));
        }
    }
}

/// Facts without a source cannot be checked by anyone.
fn identity(chassis: &Chassis, findings: &mut Vec<Finding>) {
    let identity = &chassis.file().chassis;
    if identity.source.trim().is_empty() {
        let message = "the file does not say where its facts come from".to_owned();
        let help = "write into `source` what was read or measured, or \"invented\"";
        findings.push(finding(chassis, Severity::Warning, Some(identity.name.span()), message, help));
    }
}

/// Keys that no reading means, readings that mean none, windows in each other's way.
fn windows(chassis: &Chassis, findings: &mut Vec<Finding>) {
    for (_, windows) in chassis.lines() {
        unreachable_keys(chassis, windows, findings);
        if windows.line().window == WindowRule::Tolerance {
            tolerances(chassis, windows, findings);
        }
    }
}

fn unreachable_keys(chassis: &Chassis, windows: &Windows, findings: &mut Vec<Finding>) {
    let line = windows.line();
    for key in &line.key {
        // One key may have several contacts, hence windows are told apart by their nominal reading.
        let nominal = line.key_reading(key).or(key.low_counts);
        let own = |window: &&crate::decode::ladder::Window| {
            window.key == Some(*key.name.get_ref()) && window.nominal == nominal
        };
        let (severity, message) = match windows.all().iter().find(own) {
            Some(window)
                if nominal
                    .is_some_and(|n| n < f64::from(window.low) - 0.5 || n > f64::from(window.high) + 0.5) =>
            {
                (Severity::Warning, "reads outside its own window".to_owned())
            }
            Some(window) if window.low == window.high && line.full_scale > 255 => {
                (Severity::Warning, format!("has a window of one reading, {}", window.low))
            }
            Some(_) => continue,
            None => (Severity::Error, "is never reached: no reading means it".to_owned()),
        };
        let message = format!("key {} of line {} {message}", key.name.get_ref().name(), line.name);
        let help = "compare its resistor or counts with those of its neighbours and with the idle line";
        findings.push(finding(chassis, severity, Some(key.name.span()), message, help));
    }
}

/// Under the rule `tolerance` windows are declared one by one, so that they may overlap or leave gaps.
fn tolerances(chassis: &Chassis, windows: &Windows, findings: &mut Vec<Finding>) {
    let line = windows.line();
    let reach = line.tolerance_counts.unwrap_or(0.0);
    let mut keys: Vec<_> = line.key.iter().filter_map(|key| Some((line.key_reading(key)?, key))).collect();
    keys.sort_by(|a, b| a.0.total_cmp(&b.0));
    for pair in keys.windows(2) {
        if let [(low, below), (high, above)] = pair
            && high - low <= 2.0 * reach
        {
            let message = format!(
                "the windows of {} and {} on line {} overlap: they read {low} and {high}, each {reach} either way",
                below.name.get_ref().name(),
                above.name.get_ref().name(),
                line.name
            );
            let help = "the first listed wins there; make tolerance_counts smaller than half their distance";
            findings.push(finding(chassis, Severity::Warning, Some(above.name.span()), message, help));
        }
    }
    let gaps: Vec<_> =
        windows.all().iter().filter(|window| window.key.is_none() && window.nominal.is_none()).collect();
    if let (Some(widest), Some(key)) = (gaps.iter().max_by_key(|gap| gap.high - gap.low), line.key.first()) {
        let message = format!(
            "line {} leaves {} gaps between its windows; the widest is {} to {}",
            line.name,
            gaps.len(),
            widest.low,
            widest.high
        );
        let help = "readings there mean no key; that is right if the firmware does the same";
        findings.push(finding(chassis, Severity::Note, Some(key.name.span()), message, help));
    }
}

/// Says how often random bytes pass for a frame that has no check.
fn integrity(chassis: &Chassis, findings: &mut Vec<Finding>) {
    let Some(layout) = chassis.frames.as_ref().map(|frames| &frames.layout) else { return };
    if layout.checksum.is_some() {
        return;
    }
    let sync = u32::try_from(layout.sync.len()).unwrap_or(8);
    let every = 256f64.powi(i32::try_from(sync).unwrap_or(8));
    let message = format!(
        "frames have no check: in random bytes one begins every {every:.0} bytes or so (256 to the power of {sync} sync \
         bytes)"
    );
    let help = "events of such frames carry at most half the quality; declare the check if there is one";
    findings.push(finding(chassis, Severity::Note, None, message, help));
}

/// What the file leaves open, and what no example shows.
fn coverage(chassis: &Arc<Chassis>, findings: &mut Vec<Finding>) {
    let packets = chassis.frames.iter().flat_map(|frames| &frames.packets).map(|packet| &packet.pattern);
    let patterns: Vec<&Pattern> = chassis.patterns.iter().chain(packets).collect();
    let has = |meaning| patterns.iter().any(|pattern| pattern.meaning == meaning);
    for (path, timeout) in ControlPath::ALL.into_iter().zip(chassis.timeouts) {
        let has = |meaning| patterns.iter().any(|pattern| pattern.meaning == meaning && pattern.path == path);
        let presses_only = has(Meaning::Press) && !has(Meaning::Release) && !has(Meaning::Key);
        if !presses_only || timeout.is_some() {
            continue;
        }
        let message = format!("keys are pressed and never released: {}", path.word());
        let help = "add `[repeat] delay_s = … period_s = …`, so that silence counts as release";
        findings.push(finding(chassis, Severity::Warning, None, message, help));
    }
    let stamped = patterns.iter().any(|pattern| pattern.stamp_form.is_some());
    if !stamped && chassis.period.is_none() {
        let message = "no shape has a stamp, and no period is given".to_owned();
        let help =
            "without arrival times such a log gives no rates: add `{uptime:…}` or `[clock] line_period_s`";
        findings.push(finding(chassis, Severity::Note, None, message, help));
    }
    if has(Meaning::Reading) && chassis.lines.is_empty() {
        let message = "readings without a [[line]]: no key can come of them".to_owned();
        let help = "add the ladder of each line";
        findings.push(finding(chassis, Severity::Note, None, message, help));
    }
}
