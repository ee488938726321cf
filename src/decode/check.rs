//! Looks a chassis file over before it is used: mistakes, examples, shapes that get in each other's way.

use std::path::Path;
use std::sync::Arc;

use super::chassis::{Chassis, Pattern};
use super::example;
use super::protocol::Meaning;
use super::shape::Automaton;
use crate::base::{Error, Place, quote};

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
    pub remedy: Option<String>,
    /// A drawing that points at it.
    pub picture: Option<String>,
}

impl std::fmt::Display for Finding {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let word = match self.severity {
            Severity::Error => "error",
            Severity::Warning => "warning",
            Severity::Note => "note",
        };
        write!(f, "{word}: {}: {}", self.place, self.message)?;
        if let Some(picture) = &self.picture {
            write!(f, "\n{picture}")?;
        }
        if let Some(remedy) = &self.remedy {
            write!(f, "\n  {remedy}")?;
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
    examples(&chassis, &mut findings);
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
        remedy: error.remedy_text().map(str::to_owned),
        picture: error.picture_text().map(str::to_owned),
    }
}

fn finding(
    chassis: &Chassis,
    severity: Severity,
    line: Option<usize>,
    message: String,
    remedy: &str,
) -> Finding {
    Finding {
        severity,
        place: Place {
            path: Some(chassis.path().to_owned()),
            line: line.map(|line| line as u64),
            column: None,
            offset: None,
        },
        message,
        remedy: Some(remedy.to_owned()),
        picture: None,
    }
}

fn examples(chassis: &Arc<Chassis>, findings: &mut Vec<Finding>) {
    for outcome in example::run(chassis) {
        if let Some(difference) = outcome.difference {
            let message = format!("example {}: {difference}", outcome.number);
            let remedy = "correct the example if it is wrong, else the record that reads it";
            findings.push(finding(chassis, Severity::Error, Some(outcome.line), message, remedy));
        }
    }
    if chassis.file().example.is_empty() {
        let message = "the file has no [[example]]".to_owned();
        let remedy = "add an input line of the set with the events that it must give";
        findings.push(finding(chassis, Severity::Warning, None, message, remedy));
    }
}

/// Line of the file on which a pattern's shape stands.
fn line_of(chassis: &Chassis, pattern: &Pattern) -> Option<usize> {
    let start = chassis.file().record.get(pattern.record)?.shape.span().start;
    Some(chassis.text.get(..start)?.matches('\n').count() + 1)
}

fn overlaps(chassis: &Chassis, findings: &mut Vec<Finding>) {
    let regexes: Vec<String> = chassis.patterns.iter().map(|pattern| pattern.shape.regex()).collect();
    let Some(overlaps) = Automaton::overlaps(&regexes) else {
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
        let remedy = "if a line can have both shapes, make one of them say more";
        findings.push(finding(chassis, severity, line_of(chassis, loser), message, remedy));
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
    let remedy = "events of such frames carry at most half the quality; declare the check if there is one";
    findings.push(finding(chassis, Severity::Note, None, message, remedy));
}

/// What the file leaves open, and what no example shows.
fn coverage(chassis: &Arc<Chassis>, findings: &mut Vec<Finding>) {
    let packets = chassis.frames.iter().flat_map(|frames| &frames.packets).map(|packet| &packet.pattern);
    let patterns: Vec<&Pattern> = chassis.patterns.iter().chain(packets).collect();
    let has = |meaning| patterns.iter().any(|pattern| pattern.meaning == meaning);
    let presses_only = has(Meaning::Press) && !has(Meaning::Release) && !has(Meaning::Key);
    if presses_only && chassis.timeouts.is_none() {
        let message = "keys are pressed and never released".to_owned();
        let remedy = "add `[repeat] delay_s = … period_s = …`, so that silence counts as release";
        findings.push(finding(chassis, Severity::Warning, None, message, remedy));
    }
    let stamped = patterns.iter().any(|pattern| pattern.stamp_form.is_some());
    if !stamped && chassis.period.is_none() {
        let message = "no shape has a stamp, and no period is given".to_owned();
        let remedy =
            "without arrival times such a log gives no rates: add `{uptime:…}` or `[clock] line_period_s`";
        findings.push(finding(chassis, Severity::Note, None, message, remedy));
    }
    if has(Meaning::Reading) && chassis.lines.is_empty() {
        let message = "readings without a [[line]]: no key can come of them".to_owned();
        let remedy = "add the ladder of each line";
        findings.push(finding(chassis, Severity::Note, None, message, remedy));
    }
}
