//! Quiet intervals in units of their mean, as every law takes them.

use crate::analysis::quiet_intervals::QuietIntervals;

/// Most gaps that enter; of more, every n-th does.
pub(crate) const MOST: usize = 500;

/// Mean of all intervals, the unit of time of every law.
#[allow(clippy::cast_precision_loss)]
pub(crate) fn unit(side: &QuietIntervals) -> f64 {
    let all = side.whole.iter().chain(&side.leading).chain(&side.trailing);
    let count = side.whole.len() + side.leading.len() + side.trailing.len();
    (all.sum::<f64>() / count.max(1) as f64).max(1e-9)
}

/// The gaps in units of their mean, as every law takes them.
pub(crate) struct Gaps {
    pub(crate) scale: f64,
    /// The gap below which presses were joined.
    pub(crate) least: f64,
    /// Ascending.
    pub(crate) whole: Vec<f64>,
    /// Intervals of which one end was not seen.
    pub(crate) cut: Vec<f64>,
    /// Captures that began at an unrelated moment and saw the end of that interval.
    pub(crate) begun: f64,
    /// How long the last episode is past.
    pub(crate) since: f64,
}

impl Gaps {
    pub(crate) fn of(side: &QuietIntervals) -> Self {
        let scale = unit(side);
        let step = side.whole.len().div_ceil(MOST).max(1);
        // A zero gap has no density: stamps are no finer than a millisecond.
        let some = side.whole.iter().step_by(step).map(|gap| gap.max(1e-3).max(side.least));
        let mut whole: Vec<f64> = some.map(|gap| gap / scale).collect();
        whole.sort_unstable_by(f64::total_cmp);
        Self {
            scale,
            least: side.least / scale,
            whole,
            cut: side.leading.iter().chain(&side.trailing).map(|gap| gap / scale).collect(),
            begun: side.leading.len() as f64,
            since: side.trailing.last().map_or(0.0, |gap| gap / scale),
        }
    }

    #[allow(clippy::cast_precision_loss)]
    pub(crate) fn count(&self) -> f64 {
        self.whole.len() as f64
    }

    /// What a length exceeds the joining gap by.
    pub(crate) fn beyond(&self, length: f64) -> f64 {
        (length - self.least).max(0.0)
    }
}

/// Laws of one kind with their log evidence times prior.
pub(super) type Weighed<L> = Vec<(f64, L)>;

/// Prior shares of the kinds of law. Rules of our own; tuned with the tuning seeds of `examples/judge`, whose table
/// shows what they give on others.
pub(super) mod prior {
    pub(in crate::analysis::laws) const EXPONENTIAL: f64 = 0.22;
    pub(in crate::analysis::laws) const DEAD: f64 = 0.06;
    pub(in crate::analysis::laws) const WEIBULL: f64 = 0.20;
    pub(in crate::analysis::laws) const BURR: f64 = 0.08;
    pub(in crate::analysis::laws) const PARETO: f64 = 0.10;
    pub(in crate::analysis::laws) const RATES: f64 = 0.006;
    pub(in crate::analysis::laws) const TURNS: f64 = 0.30;
    pub(in crate::analysis::laws) const BEAT: f64 = 0.034;
}
