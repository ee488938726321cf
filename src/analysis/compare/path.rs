//! One control path before and after a step, and what follows from it.

use serde::Serialize;

use crate::analysis::compare::near::NearFigures;
use crate::analysis::compare::side::{Side, finite};
use crate::analysis::compare::verdict::{Evidence, Verdict, any_time, proves, soak_more, verdict};
use crate::analysis::held::HeldFigures;
use crate::analysis::ledger::PathTotal;

/// One control path before and after a step. The ledger's figures are those of the time after.
#[derive(Clone, Debug, PartialEq, Serialize, schemars::JsonSchema)]
pub struct PathComparison {
    /// Which path, and when it was observed after the step.
    #[serde(flatten)]
    pub total: PathTotal,
    /// Before the step.
    pub before: Side,
    /// After the step.
    pub after: Side,
    /// How long at a time it is held; null where that is not for long.
    pub held: Option<HeldFigures>,
    /// What follows.
    #[serde(flatten)]
    pub figures: Figures,
}

impl PathComparison {
    /// What its excursions say beside quiet.
    pub fn by_excursions(&self) -> Option<String> {
        self.figures.excursions.filter(|_| !self.figures.strayed_after)?.sentence(&self.total.id)
    }
}

/// What follows from the evidence on one path, and for a whole set from those on its paths: live and stored alike.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, schemars::JsonSchema)]
pub struct Figures {
    /// The verdict.
    pub verdict: Verdict,
    /// Whether the path is gone at 99 %, as hand-back asks for.
    pub hand_back: bool,
    /// Whether the pauses before were so uneven that quiet alone proves nothing.
    pub too_uneven: bool,
    /// Rate before divided by rate after; null when nothing came after.
    #[serde(serialize_with = "finite")]
    #[schemars(with = "Option<f64>")]
    pub ratio: f64,
    /// Lower end of its mid-P interval at a fixed time.
    #[serde(serialize_with = "finite")]
    #[schemars(with = "Option<f64>")]
    pub ratio_low: f64,
    /// Upper end; null for without limit.
    #[serde(serialize_with = "finite")]
    #[schemars(with = "Option<f64>")]
    pub ratio_high: f64,
    /// Lower end of the interval that decides: valid however often one looks.
    #[serde(serialize_with = "finite")]
    #[schemars(with = "Option<f64>")]
    pub ratio_any_low: f64,
    /// Upper end.
    #[serde(serialize_with = "finite")]
    #[schemars(with = "Option<f64>")]
    pub ratio_any_high: f64,
    /// Chance that the unrepaired set would have been quiet for so long, on the path that says least; 1 once a stray came.
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
    /// Excursions that went as far as its strays; null where they do not show what strays do.
    pub excursions: Option<NearFigures>,
}

impl Figures {
    /// The judge: the only place where evidence becomes a verdict.
    pub(crate) fn of(evidence: &Evidence) -> Self {
        let any = any_time(evidence);
        let verdict = verdict(evidence, any);
        let quiet = evidence.after.count == 0;
        let (luck, likely_s, certain_s) = evidence.quiet();
        let decides = verdict == Verdict::Gone && evidence.by_excursions();
        Self {
            verdict,
            hand_back: verdict == Verdict::Gone && proves(evidence).1,
            too_uneven: evidence.plan.too_uneven && likely_s.is_none(),
            ratio: evidence.test.ratio,
            ratio_low: evidence.test.interval_mid.low,
            ratio_high: evidence.test.interval_mid.high,
            ratio_any_low: any.low,
            ratio_any_high: any.high,
            quiet_anyway: if quiet { luck } else { 1.0 },
            soak_more_s: soak_more(evidence, verdict),
            soak_more_95_s: likely_s.filter(|_| quiet),
            soak_more_99_s: certain_s.filter(|_| quiet),
            strayed_before: evidence.strays.0 > 0,
            strayed_after: evidence.strays.1 > 0,
            excursions: evidence.near.as_ref().map(|near| near.figures(decides)),
        }
    }
}

/// Whether a set may be handed back: every path that strayed is gone at 99 %.
pub(crate) fn hand_back(mut paths: impl Iterator<Item = Figures> + Clone) -> bool {
    paths.clone().next().is_some() && paths.all(|path| path.hand_back)
}

/// The verdict on a set from those on its paths.
pub(crate) fn of_set(paths: &[PathComparison]) -> Verdict {
    of_verdicts(paths.iter().map(|path| path.figures))
}

/// The same from figures alone.
pub(crate) fn of_verdicts(paths: impl Iterator<Item = Figures> + Clone) -> Verdict {
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

/// The chance that the unrepaired set would have been this quiet: on the path that says least.
pub(crate) fn quiet_anyway_of(paths: &[PathComparison]) -> f64 {
    paths.iter().map(|path| path.figures.quiet_anyway).reduce(f64::max).unwrap_or(1.0)
}
