//! The five verdicts, the soak still needed, and the sentences that go with them.

use std::fmt;

use serde::{Deserialize, Serialize};

use super::path::{PathComparison, PathFigures};
use crate::analysis::episode::EpisodeRule;
use crate::analysis::ledger::Observed;
use crate::analysis::quiet::{Credit, QuietPlan};
use crate::analysis::rate::{Count, Interval, RatioTest, compare_scaled, rate_still_possible};
use crate::analysis::scatter::Scatter;
use crate::analysis::special::normal_upper;
use crate::base::words::{capital, chance as percent, duration, plural};

/// What can be said about a repair step.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Verdict {
    /// Quiet for longer than an unrepaired set would be in 99 of 100 cases.
    Gone,
    /// Fewer strays than before, beyond chance, but not proved gone.
    Reduced,
    /// As before, as far as so many episodes can tell.
    Unchanged,
    /// More strays than before, beyond chance.
    Worse,
    /// Too little was seen to say.
    Undecided,
}

impl Verdict {
    /// The word in JSON and for people.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Gone => "gone",
            Self::Reduced => "reduced",
            Self::Unchanged => "unchanged",
            Self::Worse => "worse",
            Self::Undecided => "undecided",
        }
    }
}

impl fmt::Display for Verdict {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.word())
    }
}

/// `unchanged` is said only when the interval of the ratio stays within this factor either way: a rule of our
/// own, no publication. Wider than that, the step may have helped fourfold and nobody would know.
const SAME_WITHIN: f64 = 4.0;
/// Below so many episodes before, no ordinary soak proves anything.
const FEW: u64 = 3;
/// The boundary of a soak that is looked at at any time up to its planned end: this many standard errors over the root of
/// the share of the planned time that has passed. 5 % error over all looks.
///
/// # Source
/// The form c/√t on the scale of the standardised statistic is that of O'Brien and Fleming 1979, Biometrics 35:549; the
/// constant by simulation (evidence of November 2026, 2.08 at 5 %).
const BOUNDARY: f64 = 2.08;
/// Looks before this share of the planned time are as the one at it: the boundary is beyond all reach there.
const FIRST_LOOK: f64 = 0.02;

/// All that a verdict on one path rests on.
pub(crate) struct Evidence {
    pub(crate) before: Count,
    pub(crate) after: Count,
    pub(crate) strays: (u64, u64),
    pub(crate) hands_off: bool,
    /// Time after the step in which a stray would have been seen.
    pub(crate) observed: Observed,
    pub(crate) credit: Credit,
    /// At a fixed time, to be shown as an estimate.
    pub(crate) test: RatioTest,
    pub(crate) dispersion: f64,
    /// Share of the planned time that has passed.
    pub(crate) share: f64,
    pub(crate) plan: QuietPlan,
}

/// The same for a whole set, and how its strays were counted.
pub(crate) struct Whole {
    pub(crate) evidence: Evidence,
    pub(crate) rule: EpisodeRule,
    pub(crate) scatter: Scatter,
    pub(crate) paths: Vec<PathComparison>,
}

pub(crate) fn verdict(evidence: &Evidence) -> Verdict {
    let observed = evidence.observed;
    if !evidence.hands_off || evidence.before.exposure <= 0.0 || observed == Observed::default() {
        return Verdict::Undecided;
    }
    if evidence.after.count == 0 {
        return gone(observed, evidence).unwrap_or(Verdict::Undecided);
    }
    by_interval(any_time(evidence))
}

/// `Gone`, if this much observed quiet proves it. There is no other way to that verdict.
fn gone(observed: Observed, evidence: &Evidence) -> Option<Verdict> {
    let quiet_s = evidence.credit.quiet_s.min(observed.seconds());
    let credit = Credit { quiet_s, ..evidence.credit };
    evidence.plan.is_certain(credit).then_some(Verdict::Gone)
}

/// The verdict on a set from those on its paths.
pub(crate) fn of_set(paths: &[PathComparison]) -> Verdict {
    of_verdicts(paths.iter().map(|path| path.figures))
}

/// The same from figures alone.
pub(crate) fn of_verdicts(paths: impl Iterator<Item = PathFigures> + Clone) -> Verdict {
    let any = |wanted: Verdict| paths.clone().any(|path| path.verdict == wanted);
    let all = |wanted: Verdict| paths.clone().all(|path| path.verdict == wanted);
    if paths.clone().next().is_none() {
        Verdict::Undecided
    } else if any(Verdict::Worse) {
        Verdict::Worse
    } else if all(Verdict::Gone) {
        Verdict::Gone
    } else if any(Verdict::Gone) || any(Verdict::Reduced) {
        Verdict::Reduced
    } else if all(Verdict::Unchanged) {
        Verdict::Unchanged
    } else {
        Verdict::Undecided
    }
}

/// The interval of the ratio that holds at every look up to the planned end.
pub(crate) fn any_time(evidence: &Evidence) -> Interval {
    let boundary = BOUNDARY / evidence.share.max(FIRST_LOOK).sqrt();
    let confidence = 1.0 - 2.0 * normal_upper(boundary);
    // Beyond this no double tells the confidence from one.
    if confidence >= 1.0 - 1e-12 || evidence.before.exposure <= 0.0 || evidence.after.exposure <= 0.0 {
        return Interval { low: 0.0, high: f64::INFINITY };
    }
    compare_scaled(evidence.before, evidence.after, evidence.dispersion, confidence).interval_mid
}

/// Verdict from the interval alone, when strays were seen after the step.
fn by_interval(interval: Interval) -> Verdict {
    if interval.low > 1.0 {
        Verdict::Reduced
    } else if interval.high < 1.0 {
        Verdict::Worse
    } else if interval.low > 1.0 / SAME_WITHIN && interval.high < SAME_WITHIN {
        Verdict::Unchanged
    } else {
        Verdict::Undecided
    }
}

/// Seconds of soak still needed for a verdict: for a quiet set until `gone`, otherwise until the interval
/// decides if the strays go on as they do now. `None` when no soak after the step can tell.
pub(crate) fn soak_more(evidence: &Evidence, verdict: Verdict) -> Option<f64> {
    if verdict != Verdict::Undecided {
        return Some(0.0);
    }
    if !evidence.hands_off || evidence.after.exposure <= 0.0 {
        return evidence.plan.certain_s;
    }
    if evidence.after.count == 0 {
        return evidence.plan.missing(evidence.plan.certain_s, evidence.credit);
    }
    // Doubling steps: a rough answer is all that a forecast from few episodes can be.
    (1..=8).map(|i| f64::from(i) * 0.5).map(|power| 2f64.powf(power)).find_map(|factor| {
        let after =
            Count { count: scaled(evidence.after.count, factor), exposure: evidence.after.exposure * factor };
        let test = compare_scaled(evidence.before, after, evidence.dispersion, 0.95);
        let decided = by_interval(test.interval_mid) != Verdict::Undecided;
        decided.then_some(evidence.after.exposure * (factor - 1.0))
    })
}

#[allow(clippy::cast_precision_loss, clippy::cast_possible_truncation, clippy::cast_sign_loss)]
fn scaled(count: u64, factor: f64) -> u64 {
    (count as f64 * factor).round() as u64
}

pub(crate) fn method(whole: &Whole) -> String {
    let unit = if whole.rule.gap.is_some() { "episodes" } else { "presses" };
    let base = format!(
        "conditional test of two Poisson rates on {unit}, mid-P (doubled tail), with the mid-P ratio interval that agrees \
         with it; exact (Garwood) rate intervals"
    );
    let dispersion = whole.evidence.dispersion;
    let test = whole.scatter.test;
    let tested = test.map_or_else(String::new, |test| {
        format!(
            "; counts in stretches of time: index of dispersion {:.1}, as large among independent ones with a chance of {}",
            test.index(),
            percent(test.p)
        )
    });
    if dispersion <= 1.0 {
        format!("{base}; chosen since the pauses and the counts are those of independent {unit}{tested}")
    } else if test.is_some_and(|test| test.is_bursty() && test.index() >= dispersion) {
        format!(
            "{base}; counts divided by {dispersion:.1}, since they scatter more than independent {unit} do{tested}"
        )
    } else {
        format!(
            "{base}; counts divided by {dispersion:.1}, since the pauses are more uneven than between independent \
             {unit}{tested}"
        )
    }
}

pub(crate) fn notes(whole: &Whole, verdict: Verdict) -> Vec<String> {
    let evidence = &whole.evidence;
    let mut notes: Vec<String> = whole.paths.iter().filter_map(|path| path.total.unobserved()).collect();
    if !evidence.hands_off {
        notes.push(
            "Hands were on in at least one of the two observations, so input may be a person's: repeat both \
             with hands off before trusting a verdict."
                .to_owned(),
        );
    }
    if let Some(gap) = whole.rule.gap {
        notes.push(format!(
            "{} in {} before, {} in {} after: strays less than {:.1} s apart count as one episode, since they \
             have one cause.",
            plural(evidence.strays.0, "stray"),
            plural(evidence.before.count, "episode"),
            plural(evidence.strays.1, "stray"),
            plural(evidence.after.count, "episode"),
            gap.seconds(),
        ));
    }
    if whole.paths.len() > 1 {
        notes.extend(
            whole
                .paths
                .iter()
                .map(|path| format!("{}: {}.", capital(&path.total.id.words()), path.figures.verdict.word())),
        );
    }
    notes.extend(few_before(evidence));
    let observed = evidence.observed > Observed::default();
    if evidence.after.count == 0 && evidence.before.count > 0 && observed {
        notes.extend(quiet_notes(evidence, verdict));
    } else if evidence.after.count > 0 {
        notes.push(seen_after(evidence, verdict));
    }
    notes
}

fn few_before(evidence: &Evidence) -> Option<String> {
    let before = evidence.before;
    if before.count == 0 {
        return Some(
            "No stray was seen before the step, so quiet after it proves nothing: watch the set as received \
             until the fault shows itself."
                .to_owned(),
        );
    }
    (before.count < FEW).then(|| {
        format!(
            "Only {} in {} before the step: no ordinary soak proves a repair; 95 % would need {} of quiet, \
             99 % {}. Watch the baseline for longer first.",
            plural(before.count, "episode"),
            duration(evidence.plan.exposure_s),
            duration(evidence.plan.likely_s.unwrap_or(f64::INFINITY)),
            duration(evidence.plan.certain_s.unwrap_or(f64::INFINITY)),
        )
    })
}

fn quiet_notes(evidence: &Evidence, verdict: Verdict) -> Vec<String> {
    let quiet = evidence.observed.seconds();
    let mut notes: Vec<String> = evidence.plan.warmth(evidence.credit).into_iter().collect();
    notes.push(format!(
        "No stray in {}. The chance that the unrepaired set would have been this quiet: {}.",
        duration(quiet),
        percent(evidence.plan.quiet_anyway(evidence.credit.quiet_s)),
    ));
    if verdict == Verdict::Gone {
        notes.push(format!(
            "What is excluded is the old rate; strays rarer than one in {} remain possible.",
            duration(1.0 / rate_still_possible(quiet, 0.05)),
        ));
    } else if evidence.plan.certain_s.is_some() {
        let more = |needed: Option<f64>| match evidence.plan.missing(needed, evidence.credit) {
            Some(missing) if missing > 0.0 => format!("{} more", duration(missing)),
            _ => "reached".to_owned(),
        };
        let (likely, certain) = (evidence.plan.likely_s, evidence.plan.certain_s);
        notes.push(format!("Quiet soak still needed: 95 %: {}; 99 %: {}.", more(likely), more(certain)));
        if evidence.credit.longest_s < evidence.plan.onset_s {
            notes.push(format!(
                "Before the step the first stray took {} to appear; at least one soak must last that long without \
                 interruption, from the same state (cold or warm).",
                duration(evidence.plan.onset_s),
            ));
        } else if quiet < evidence.plan.longest_gap_s {
            notes.push(format!(
                "Before the step the set was once quiet for {} by itself; a shorter soak proves nothing.",
                duration(evidence.plan.longest_gap_s),
            ));
        }
    }
    notes
}

fn seen_after(evidence: &Evidence, verdict: Verdict) -> String {
    let interval = evidence.test.interval_mid;
    let range = format!(
        "the rate before is {:.2} times the rate after (95 %: {:.2} to {:.2})",
        evidence.test.ratio, interval.low, interval.high
    );
    match verdict {
        Verdict::Reduced => format!("Strays go on, but fewer: {range}. The fault is not gone."),
        Verdict::Worse => format!("Strays come more often than before: {range}."),
        Verdict::Unchanged => format!("Strays go on much as before: {range}. This step did not stop them."),
        _ => format!(
            "Strays go on, so the fault is not gone; whether they are fewer cannot be told yet: {range}."
        ),
    }
}
