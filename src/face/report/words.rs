//! Every English word of the report, and how its numbers, durations and odds are said, in one place.
//!
//! Numbers have a decimal point and no grouping; dates are ISO 8601; so neither depends on where one reads.

use crate::analysis::compare::{Comparison, PathComparison, Verdict};
use crate::analysis::locate::{Proposal, Risk};
use crate::base::Anchor;
use crate::base::words::{capital, plural};
use crate::bench::JobState;
use crate::bench::summary::before_after;

#[rustfmt::skip]
#[allow(missing_docs)] // each text says what it is
mod texts {
    pub const TITLE: &str = "Stray key report";
    pub const SET: &str = "Set";
    pub const CHASSIS: &str = "Chassis";
    pub const COMPLAINT: &str = "Complaint";
    pub const TECHNICIAN: &str = "Technician";
    pub const WRITTEN: &str = "Written";
    pub const WATCHED: &str = "Watched hands off";
    pub const SIMULATED: &str = "The set of this job is simulated; its time was scaled.";
    pub const OUTCOME: &str = "Outcome";
    pub const OPEN: &str = "No verdict yet";
    pub const OPEN_TEXT: &str = "No repair step has been followed by a soak that could be compared.";
    pub const FIXED: &str = "✓\u{a0}Fixed";
    pub const WRONG: &str = "What was wrong";
    pub const DONE: &str = "What was done";
    pub const SURE: &str = "How sure";
    pub const REMAINS: &str = "What could remain";
    pub const READINGS: &str = "Look at this first";
    pub const BEFORE_AFTER: &str = "Before and after: stray episodes per minute, with 95 % interval";
    pub const CAUTIONS_BELOW: &str = "The full list stands further back.";
    pub const CAUTIONS: &str = "Before you open the set";
    pub const STAGES: &str = "What was done and what was seen";
    pub const STAGES_LEAD: &str = "A stage is the time between two steps, in which nothing was changed. With hands off, every key that the set believes in is stray. An episode is a group of strays with one cause.";
    pub const STAGE: &str = "Stage";
    pub const STEP: &str = "Step before it";
    pub const PARTS: &str = "Parts";
    pub const TIME: &str = "Watched";
    pub const STRAYS: &str = "Strays";
    pub const EPISODES: &str = "Episodes";
    pub const PER_MINUTE: &str = "Episodes per minute (95 % interval)";
    pub const STRAY_KEYS: &str = "Stray input";
    pub const NOTHING_SEEN: &str = "none";
    pub const NOT_WATCHED: &str = "not watched";
    pub const TIMELINE: &str = "Timeline";
    pub const TIMELINE_LEAD: &str = "Each stroke is a moment at which the set acted. Strays are tall strokes with a triangle on top; other events are short and grey. Taller means more events at that moment.";
    pub const FIGURE_TIMELINE: &str = "Events over time, by control path and key";
    pub const FIGURE_TIMELINE_TEXT: &str = "One column for each stage, one row for each key or menu item, a stroke for each moment with events. The table of stages gives the counts. Stages";
    pub const FIGURE_BLOCKS: &str = "What was done over time, with strays and resting levels";
    pub const FIGURE_BLOCKS_TEXT: &str = "One row for leave alone and for each stressor: a bar is a block, pale while it is not counted, a cross a block whose round was left out. Below them a stroke for each episode, and a stroke for the mean of each line in each block, dark in leave alone.";
    pub const LEAVE_ALONE: &str = "leave alone";
    pub const LANES_HIDDEN: &str = "rarer kinds of events are not drawn; they are in the data block.";
    pub const COMPARED: &str = "Before and after";
    pub const COMPARED_LEAD: &str = "How often strays came in each stage. The line is the 95 % interval, the square the best value; an arrow to the left means that none was seen, so only the upper end is known.";
    pub const FIGURE_FOREST: &str = "Stray episodes per minute in each stage, with 95 % intervals";
    pub const FIGURE_FOREST_TEXT: &str = "One row for each stage on a logarithmic scale; the same numbers stand in the table of stages.";
    pub const EPISODES_AXIS: &str = "episodes per minute";
    pub const COMPARISON: &str = "Stages compared";
    pub const VERDICT: &str = "Verdict";
    pub const RATIO: &str = "Times rarer after (95 % interval)";
    pub const CHANCE_SAME: &str = "Chance if nothing had changed";
    pub const QUIET_ANYWAY: &str = "Chance of such quiet anyway";
    pub const SOAK_MORE: &str = "Soak still needed";
    pub const PATTERNS: &str = "Repeating strays";
    pub const PATTERNS_LEAD: &str = "Strays that repeat, laid over one another at their period. A heap means that they keep time; an even row means that they do not. The dashed line is what random events would give.";
    pub const NO_PATTERNS: &str = "No repeating stray was found.";
    pub const PATTERN: &str = "Pattern";
    pub const CLASS: &str = "Manner";
    pub const PERIOD: &str = "Period (95 % interval)";
    pub const JITTER: &str = "Jitter";
    pub const COUNT: &str = "Seen";
    pub const MISSED: &str = "Missed";
    pub const COVERAGE: &str = "Share of strays";
    pub const CHANCE: &str = "Chance in random events";
    pub const FIGURE_FOLDED: &str = "Strays folded at their period";
    pub const FIGURE_FOLDED_TEXT: &str = "Bars count the strays in each part of the period; the table of patterns gives period and jitter.";
    pub const WITHIN_PERIOD: &str = "seconds within the period of";
    pub const WHERE: &str = "Where the fault is";
    pub const LOCATION: &str = "Place";
    pub const PROBABILITY: &str = "Probability";
    pub const BECAUSE: &str = "Because";
    pub const ELECTRICAL: &str = "Electrical fault that fits the readings";
    pub const MODEL: &str = "Fault";
    pub const VALUE: &str = "Size (95 % interval)";
    pub const WEIGHT: &str = "Weight";
    pub const FIGURE_WINDOWS: &str = "Key windows with nominal and measured levels, line";
    pub const NO_KEY: &str = "no key";
    pub const READ: &str = "What was read";
    pub const MIDDLE: &str = "Counts, middle";
    pub const SPREAD: &str = "lowest to highest";
    pub const TAKEN_FOR: &str = "Taken for";
    pub const CREDIT: &str = "Which step changed it";
    pub const CREDIT_SHARE: &str = "Credit";
    pub const PROVOKE: &str = "Make the fault come";
    pub const NEXT: &str = "Tests that would tell most";
    pub const FIRST: &str = "First:";
    pub const THEN: &str = "Then:";
    pub const CAUTION: &str = "Caution:";
    pub const STATISTICS: &str = "What else the readings and the timing say";
    pub const CAPTURES: &str = "Captures";
    pub const CAPTURES_LEAD: &str = "The raw captures are kept as they came. Their SHA-256 lets anybody check that nothing was altered.";
    pub const CAPTURE: &str = "Capture";
    pub const SOURCE: &str = "Source";
    pub const HANDS: &str = "Hands";
    pub const HANDS_OFF: &str = "off";
    pub const HANDS_ON: &str = "on";
    pub const STARTED: &str = "Started";
    pub const BYTES: &str = "Bytes";
    pub const METHOD: &str = "How it was worked out, and its limits";
    pub const MASKED: &str = "Masked as private in this report (the raw captures are untouched):";
    pub const WORDS: &str = "What the words mean";
    pub const VERSIONS: &str = "To reproduce this report";
    pub const SEED: &str = "seed";
    pub const DECODED_BY: &str = "decoded by";
    pub const LIMITS: &str = "A verdict holds for the conditions in which the set was watched: its warmth, the room's light, the boxes on its inputs. A fault is called gone when an unrepaired set would have been this quiet in at most one case of twenty; handing back asks for one of a hundred. Strays rarer than the interval shows remain possible. A place of the fault is the likeliest of a list, and no proof.";
    pub const DATA_BLOCK: &str = "The same facts stand in this file as JSON, in the block named straykey-report.";
    pub const NO_DATA_BLOCK: &str = "The JSON copy was left out because it would have passed two megabytes.";
    pub const OTHER: &str = "other";
    pub const NONE_NEEDED: &str = "none";
    pub const LESS_PROBABLE: &str = "Each of these has less than 1 %.";
    pub const NOT_KNOWN: &str = "–";
}
pub use crate::base::words::{chance as chance_words, duration, number, share};
pub use texts::*;

/// The word for a verdict, with a sign that does not need colour.
pub fn verdict(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::Gone => "✓\u{a0}gone",
        Verdict::Reduced => "▼\u{a0}reduced",
        Verdict::Unchanged => "=\u{a0}unchanged",
        Verdict::Worse => "▲\u{a0}worse",
        Verdict::Undecided => "?\u{a0}undecided",
    }
}

/// The sentence that a customer understands.
pub fn sentence(comparison: &Comparison) -> &'static str {
    match comparison.figures.verdict {
        Verdict::Gone => "The fault is gone: after the last step the set no longer acts by itself.",
        Verdict::Reduced if comparison.goes_on().is_some() => {
            "The set no longer acts by itself, but what made it do so is still there."
        }
        Verdict::Reduced if comparison.after.strays == 0 => {
            "The set no longer acts by itself; that the fault is gone is proved for a part of its controls only."
        }
        Verdict::Reduced => "The fault is weaker but still there: the set still acts by itself, less often.",
        Verdict::Unchanged => {
            "The fault is still there: the last step changed nothing that could be measured."
        }
        Verdict::Worse => "The fault is worse than before the last step.",
        Verdict::Undecided => "It cannot be said yet: the set has not been watched long enough.",
    }
}

/// Words for a kind of step.
pub fn step_kind(kind: Option<&str>) -> &str {
    match kind {
        None => "as received",
        Some("isolate") => "isolation",
        Some("repair") => "repair",
        Some("restore") => "put back",
        Some(other) => other,
    }
}

/// Words for a kind of event that has neither key nor menu item.
pub fn kind(kind: &str) -> &str {
    match kind {
        "noise" => "Noise",
        "fault" => "Fault",
        "boot" => "Start",
        "standby" => "Standby",
        "frame" => "Message",
        other => other,
    }
}

/// Heading of the cause of one control path's strays.
pub fn strays_on(path: &str) -> String {
    format!("Strays on {path}")
}

/// Words for a location of the fault.
pub fn location(location: &str) -> &str {
    match location {
        "key-switch" => "Key switch",
        "key-board" => "Key board",
        "key-cable" => "Cable to the key board",
        "main-board-input" => "Key input of the main board",
        "ground-bond" => "Ground bond",
        "supply-reference" => "Supply or reference of the converter",
        "infrared-ambient" => "Infrared light in the room",
        "infrared-receiver" => "Infrared receiver",
        "remote" => "Remote control",
        "cec-peer" => "Another box on HDMI-CEC",
        "software" => "Software of the set",
        "none" => "No fault",
        other => other,
    }
}

/// A value with its interval: `1.2 (0.8 to 1.7)`.
pub fn interval(value: f64, low: f64, high: f64) -> String {
    format!("{} ({} to {})", number(value), number(low), number(high))
}

/// A value with an interval that may be open, none of which need be finite: `1.2 (0.8 to 1.7)`, `more than 16.2`, `–`.
pub fn open_interval(value: f64, low: f64, high: f64) -> String {
    let known = |value: f64| Some(value).filter(|value| value.is_finite());
    match (known(value), known(low), known(high)) {
        (Some(value), Some(low), Some(high)) => interval(value, low, high),
        (None, Some(low), None) => format!("more than {}", number(low)),
        (Some(value), Some(low), None) => format!("{} (more than {})", number(value), number(low)),
        (Some(value), ..) => number(value),
        _ => NOT_KNOWN.to_owned(),
    }
}

/// An RFC 3339 instant as a person at this bench reads it, to the second and with its distance from UTC:
/// `2026-11-25 09:00:00 +01:00`. Anything else is given back as it came.
pub fn instant(text: &str) -> String {
    Anchor::parse(text).and_then(Anchor::local).unwrap_or_else(|| text.to_owned())
}

/// Names made for programs, in words: `leak-to-ground+series-contact` is `leak to ground, with series contact`.
/// A text with blanks in it is given back as it came.
pub fn plain(name: &str) -> String {
    if name.contains(' ') { name.to_owned() } else { name.replace('-', " ").replace('+', ", with ") }
}

/// What a test costs and risks, in a line.
pub fn test_figures(test: &Proposal) -> String {
    risk_of(test.minutes, test.risk)
}

/// The same of any proposal.
pub fn risk_of(minutes: f64, risk: Risk) -> String {
    format!("{} minutes, risk {}.", number(minutes), risk.text())
}

/// A resistance or another size with its unit, in the scale that a technician says: `20.8 kΩ`, `80 mV`. A ratio
/// has no unit.
pub fn size(value: f64, unit: &str) -> String {
    let unit = match unit {
        "ohm" => "Ω",
        "volt" => "V",
        "ratio" => return number(value),
        other => other,
    };
    let (scaled, prefix) = match value.abs() {
        v if v >= 1e6 => (value / 1e6, "M"),
        v if v >= 1e3 => (value / 1e3, "k"),
        v if v > 0.0 && v < 0.1 => (value * 1e3, "m"),
        _ => (value, ""),
    };
    format!("{} {prefix}{unit}", number(scaled)).trim_end().to_owned()
}

/// `Stage 4 against stage 1`.
pub fn stages_compared(before: usize, after: usize) -> String {
    format!("Stage {after} against stage {before}")
}

/// What the set did, and where the fault is, as far as it is known. Marks beside a text of people are ASCII: what masks it
/// takes other letters for a part of it.
pub fn wrong(state: &JobState) -> Vec<String> {
    let mut out: Vec<String> = state.complaint.iter().map(|words| format!("\"{words}\"")).collect();
    // The stage that strayed most is the one that shows the fault.
    let worst = state.stages.iter().filter(|stage| stage.strays > 0).max_by_key(|stage| stage.strays);
    if let Some(stage) = worst {
        let keys: Vec<&str> = stage.keys.iter().take(3).map(|(key, _)| key.as_str()).collect();
        let keys = if keys.is_empty() { String::new() } else { format!(": {}", keys.join(", ")) };
        out.push(format!(
            "Unasked input came {} in {}{keys}.",
            plural(stage.strays as u64, "time"),
            duration(stage.observed_s)
        ));
    }
    for cause in state.locate.causes().filter(|cause| !cause.undecided) {
        if let Some(place) = cause.locations.first().filter(|place| place.probability >= 0.5) {
            out.push(format!(
                "Most likely place: {} ({}).",
                location(place.location),
                share(place.probability)
            ));
        }
    }
    out
}

/// The repairs, in order.
pub fn done(state: &JobState) -> Vec<String> {
    let repairs = state.stages.iter().filter(|stage| stage.kind == Some("repair"));
    repairs.map(|stage| format!("{}.", capital(stage.step.trim_end_matches('.')))).collect()
}

/// What the verdict rests on, in whole sentences.
pub fn evidence(comparison: &Comparison) -> Vec<String> {
    let (after, figures) = (&comparison.after, &comparison.figures);
    let mut out = vec![before_after(comparison)];
    out.extend(comparison.paths.iter().filter_map(PathComparison::by_excursions));
    if after.episodes == 0 {
        out.push(format!(
            "Had the fault stayed as it was, the chance of such quiet is {}.",
            chance_words(figures.quiet_anyway)
        ));
    } else if comparison.chance_same.is_finite() {
        out.push(format!(
            "Had nothing changed, the chance of such a difference is {}.",
            chance_words(comparison.chance_same)
        ));
    }
    if let Some(more) = figures.soak_more_s.filter(|more| *more > 0.0) {
        out.push(format!("Soak still needed before more can be said: {}.", duration(more)));
    }
    out
}
