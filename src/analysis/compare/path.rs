//! One control path before and after a step.

use serde::Serialize;

use super::verdict::{any_time, proves, soak_more, verdict};
use super::{Evidence, Side, Verdict, finite};
use crate::analysis::ledger::PathTotal;

/// One control path before and after a step. The ledger's figures are those of the time after.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct PathComparison {
    /// Which path, and when it was observed after the step.
    #[serde(flatten)]
    pub total: PathTotal,
    /// Before the step.
    pub before: Side,
    /// After the step.
    pub after: Side,
    /// What follows.
    #[serde(flatten)]
    pub figures: PathFigures,
}

/// What follows from the evidence on one path: live and stored alike.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct PathFigures {
    /// The verdict on the path.
    pub verdict: Verdict,
    /// Whether the path is gone at 99 %, as hand-back asks for.
    pub hand_back: bool,
    /// Whether the pauses before were so uneven that quiet alone proves nothing.
    pub too_uneven: bool,
    /// Rate before divided by rate after.
    #[serde(serialize_with = "finite")]
    pub ratio: f64,
    /// Lower end of its interval at a fixed time.
    #[serde(serialize_with = "finite")]
    pub ratio_low: f64,
    /// Upper end.
    #[serde(serialize_with = "finite")]
    pub ratio_high: f64,
    /// Lower end of the interval that decides.
    #[serde(serialize_with = "finite")]
    pub ratio_any_low: f64,
    /// Upper end.
    #[serde(serialize_with = "finite")]
    pub ratio_any_high: f64,
    /// Chance that the unrepaired set would have been quiet on this path for so long; 1 once a stray came.
    pub quiet_anyway: f64,
    /// Quiet observed time still needed for the verdict, seconds; null when none can tell.
    pub soak_more_s: Option<f64>,
    /// The same for 95 %; null while strays come.
    pub soak_more_95_s: Option<f64>,
    /// The same for 99 %; null while strays come.
    pub soak_more_99_s: Option<f64>,
    /// Whether it strayed before the step.
    pub strayed_before: bool,
    /// Whether it strayed after the step.
    pub strayed_after: bool,
}

impl PathFigures {
    /// The judge: the only place where evidence becomes a verdict.
    pub(crate) fn of(evidence: &Evidence) -> Self {
        let verdict = verdict(evidence);
        let any = any_time(evidence);
        let quiet = evidence.after.count == 0;
        let more = |needed| evidence.plan.missing(needed, evidence.credit).filter(|_| quiet);
        Self {
            verdict,
            hand_back: verdict == Verdict::Gone && proves(evidence, evidence.plan.certain_s),
            too_uneven: evidence.plan.too_uneven,
            ratio: evidence.test.ratio,
            ratio_low: evidence.test.interval_mid.low,
            ratio_high: evidence.test.interval_mid.high,
            ratio_any_low: any.low,
            ratio_any_high: any.high,
            quiet_anyway: if quiet { evidence.plan.quiet_anyway(evidence.credit.quiet_s) } else { 1.0 },
            soak_more_s: soak_more(evidence, verdict),
            soak_more_95_s: more(evidence.plan.likely_s),
            soak_more_99_s: more(evidence.plan.certain_s),
            strayed_before: evidence.strays.0 > 0,
            strayed_after: evidence.strays.1 > 0,
        }
    }
}
