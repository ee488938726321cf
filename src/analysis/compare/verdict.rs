//! The five verdicts, what they rest on, and the soak still needed.

use std::fmt;
use std::sync::Arc;

use serde::{Deserialize, Serialize};

use crate::analysis::compare::near::NearEvidence;
use crate::analysis::drift::{Counted, Drift, Ratio, ratio_with};
use crate::analysis::ledger::Observed;
use crate::analysis::quiet::{QuietExposure, QuietPlan};
use crate::analysis::rate::{Count, Interval, RatioTest, interval_mid};
use crate::analysis::sequential::{Looks, confidence};

/// What can be said about a repair step.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Verdict {
    /// Quiet for longer than an unrepaired set would be in 95 of 100 cases; hand-back asks for 99.
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
/// own, no publication. Wider than that, the step may have helped much and nobody would know.
const SAME_WITHIN: f64 = 2.0;
/// All that a verdict on one path rests on.
pub(crate) struct Evidence {
    pub(crate) before: Count,
    pub(crate) after: Count,
    pub(crate) strays: (u64, u64),
    pub(crate) hands_off: bool,
    /// Time after the step in which a stray would have been seen.
    pub(crate) observed: Observed,
    pub(crate) exposure: QuietExposure,
    /// At a fixed time, to be shown as an estimate.
    pub(crate) test: RatioTest,
    pub(crate) dispersion: f64,
    /// How long the time after was to be observed, by [`planned`].
    pub(crate) planned_s: f64,
    pub(crate) plan: Arc<QuietPlan>,
    /// Excursions, where they show what strays do.
    pub(crate) near: Option<NearEvidence>,
}

/// `any` is the interval of [`any_time`].
pub(crate) fn verdict(evidence: &Evidence, any: Interval) -> Verdict {
    let observed = evidence.observed;
    if !evidence.hands_off || evidence.before.exposure <= 0.0 || observed == Observed::default() {
        return Verdict::Undecided;
    }
    if evidence.after.count > 0 {
        return by_interval(any);
    }
    match proves(evidence).0 {
        // The line still does what made strays; fewer of them are not none.
        true if evidence.goes_on() => Verdict::Reduced,
        true => Verdict::Gone,
        false => Verdict::Undecided,
    }
}

/// Whether the observed quiet proves the strays gone at 95 % and at 99 %: their own, or that of the excursions that make them.
/// There is no other way to `gone`.
pub(crate) fn proves(evidence: &Evidence) -> (bool, bool) {
    let observed = evidence.observed;
    if observed == Observed::default() {
        return (false, false);
    }
    let own = |needed| evidence.plan.suffices(needed, evidence.exposure, observed);
    let near = evidence.near.as_ref().map_or((false, false), |near| near.proves(observed));
    (own(evidence.plan.likely_s) || near.0, own(evidence.plan.certain_s) || near.1)
}

impl Evidence {
    /// Whether excursions that go as far as strays did come after the step.
    pub(crate) fn goes_on(&self) -> bool {
        self.near.as_ref().is_some_and(NearEvidence::goes_on)
    }

    /// The chance that the unrepaired set would have been this quiet, and the quiet still needed for 95 and 99 %, seconds: by
    /// strays, or by excursions where these say more.
    pub(crate) fn quiet(&self) -> (f64, Option<f64>, Option<f64>) {
        let missing = |needed| self.plan.missing(needed, self.exposure);
        let luck = self.plan.quiet_anyway(self.exposure.quiet_s);
        let own = (luck, missing(self.plan.likely_s), missing(self.plan.certain_s));
        let Some(near) = self.near.as_ref().and_then(NearEvidence::quiet) else { return own };
        let sooner = |one: Option<f64>, two: Option<f64>| one.into_iter().chain(two).reduce(f64::min);
        (own.0.min(near.0), sooner(own.1, near.1), sooner(own.2, near.2))
    }

    /// Whether excursions decide and strays alone would not yet.
    pub(crate) fn by_excursions(&self) -> bool {
        let own = self.plan.suffices(self.plan.likely_s, self.exposure, self.observed);
        !own && self.near.as_ref().is_some_and(|near| near.proves(self.observed).0)
    }
}

/// How long the time after was to be observed, seconds: as planned, else as long as the time before. A soak ends some
/// seconds after its plan; the boundary must not begin again for them.
pub(crate) fn planned(planned_s: Option<f64>, before_s: f64) -> f64 {
    1.05 * planned_s.filter(|planned| *planned > 0.0).unwrap_or(before_s) + 5.0
}

/// The interval of the ratio that decides: all looks together, at any instant and as many as one likes, miss the true ratio
/// with a chance of 5 %. Wider where the baseline drifts by itself; without limits where its gaps have no variance.
///
/// # Source
/// [`Looks`]; what a comparison of steady rates knows goes with t/(T + t), T and t being the times before and after.
pub(crate) fn any_time(evidence: &Evidence) -> Interval {
    any_time_after(evidence, evidence.after)
}

/// The same had so much been seen after the step.
#[allow(clippy::cast_precision_loss)]
fn any_time_after(evidence: &Evidence, after: Count) -> Interval {
    const OPEN: Interval = Interval { low: 0.0, high: f64::INFINITY };
    let before = evidence.before;
    if before.exposure <= 0.0 || after.exposure <= 0.0 || evidence.plan.no_variance {
        return OPEN;
    }
    let known = |t: f64| t / (before.exposure + t);
    let deviate = Looks::usual().deviate(known(after.exposure) / known(evidence.planned_s));
    let confidence = confidence(deviate);
    // Beyond this no double tells the confidence from one.
    if confidence >= 1.0 - 1e-12 {
        return OPEN;
    }
    let interval = interval_mid(before, after, evidence.dispersion, confidence);
    let Some((drift, counted)) = drift_of(evidence) else { return interval };
    let end = counted.end + after.exposure;
    let later = Counted { count: after.count as f64, start: counted.end, end };
    let steady = Ratio { ratio: evidence.test.ratio, interval };
    ratio_with(steady, counted, later, &drift, confidence).interval
}

/// A baseline drifts where steady rates look so less often than this: each false alarm costs a comparison its power.
const DRIFTS: f64 = 0.02;

/// The drift of the baseline, if it shows one.
pub(crate) fn drift_of(evidence: &Evidence) -> Option<(Drift, Counted)> {
    let (drift, counted) = evidence.plan.drift?;
    let drift = drift.scaled(evidence.dispersion);
    (drift.chance < DRIFTS).then_some((drift, counted))
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
        return evidence.plan.likely_s;
    }
    if evidence.after.count == 0 {
        return evidence.quiet().1;
    }
    // Doubling steps: a rough answer is all that a forecast from few episodes can be.
    (1..=12).map(|i| f64::from(i) * 0.5).map(|power| 2f64.powf(power)).find_map(|factor| {
        let after =
            Count { count: scaled(evidence.after.count, factor), exposure: evidence.after.exposure * factor };
        let decided = by_interval(any_time_after(evidence, after)) != Verdict::Undecided;
        decided.then_some(evidence.after.exposure * (factor - 1.0))
    })
}

#[allow(clippy::cast_precision_loss, clippy::cast_possible_truncation, clippy::cast_sign_loss)]
fn scaled(count: u64, factor: f64) -> u64 {
    (count as f64 * factor).round() as u64
}
