//! The five verdicts, what they rest on, and the soak still needed.

use std::fmt;

use serde::{Deserialize, Serialize};

use crate::analysis::ledger::Observed;
use crate::analysis::quiet::{Credit, QuietPlan};
use crate::analysis::rate::{Count, Interval, RatioTest, compare_scaled};
use crate::analysis::special::normal_upper;

/// What can be said about a repair step.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
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
    #[default]
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
