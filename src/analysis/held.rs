//! Where a path is held for long: the share of the observed time that it is held, and how long it is held and free at a
//! time, before and after. An alternating renewal process; one cycle is a time held and the time free after it.

use crate::analysis::rate::Interval;
use crate::analysis::special::{student_quantile, student_upper};

/// What was seen of one side, seconds.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Alternation {
    /// Each time held and the time free after it; a time cut at either end counts with what was seen of it.
    pub cycles: Vec<(f64, f64)>,
    /// Observed time free before the first hold.
    pub free_before: f64,
}

/// The share of time held.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct HeldShare {
    /// Time held over time observed.
    pub share: f64,
    /// Its variance from cycle to cycle, and the degrees of freedom behind it; `None` with fewer than three cycles.
    pub variance: Option<(f64, f64)>,
}

/// How two sides compare.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum HeldChange {
    /// One side was never held.
    NeverHeld {
        /// Whether it is the side after.
        after: bool,
    },
    /// A side has too few cycles for their spread to be known: that a hold would not have ended by itself is then the
    /// only ground for a verdict.
    TooFew,
    /// Enough on both sides.
    Compared {
        /// Share held before less the share held after, with its 95 % interval.
        difference: f64,
        /// Its 95 % interval.
        interval: Interval,
        /// Two-sided chance of so large a difference between equal sides.
        chance: f64,
    },
}

/// Fewest cycles whose spread says anything.
const FEWEST: usize = 3;

impl Alternation {
    fn observed(&self) -> f64 {
        self.free_before + self.cycles.iter().map(|(held, free)| held + free).sum::<f64>()
    }

    /// The share held, as a ratio estimate over cycles.
    ///
    /// # Source
    /// Regenerative estimate: Crane & Iglehart 1975, Operations Research 23:33; the variance is that of held − share ×
    /// cycle, over the square of the observed time.
    #[allow(clippy::cast_precision_loss)]
    pub fn share(&self) -> HeldShare {
        let observed = self.observed();
        let held: f64 = self.cycles.iter().map(|cycle| cycle.0).sum();
        let share = if observed > 0.0 { held / observed } else { 0.0 };
        let n = self.cycles.len() as f64;
        let off = |cycle: &(f64, f64)| (cycle.0 - share * (cycle.0 + cycle.1)).powi(2);
        let squares = self.cycles.iter().map(off).sum::<f64>() + (share * self.free_before).powi(2);
        let variance =
            (self.cycles.len() >= FEWEST).then(|| (squares * n / (n - 1.0) / (observed * observed), n - 1.0));
        HeldShare { share, variance }
    }
}

/// Welch's comparison of two means of which each has its own variance: difference, interval and two-sided chance.
///
/// # Source
/// Satterthwaite 1946, Biometrics Bulletin 2:110; Welch 1947, Biometrika 34:28.
fn welch(means: (f64, f64), one: (f64, f64), two: (f64, f64), confidence: f64) -> (f64, Interval, f64) {
    let variance = one.0 + two.0;
    let freedom = variance * variance / (one.0 * one.0 / one.1 + two.0 * two.0 / two.1);
    let difference = means.0 - means.1;
    if variance <= 0.0 || !freedom.is_finite() {
        let chance = if difference == 0.0 { 1.0 } else { 0.0 };
        return (difference, Interval { low: difference, high: difference }, chance);
    }
    let reach = student_quantile((1.0 - confidence) / 2.0, freedom) * variance.sqrt();
    let chance = 2.0 * student_upper(difference.abs() / variance.sqrt(), freedom);
    (difference, Interval { low: difference - reach, high: difference + reach }, chance)
}

/// Compares the shares held.
pub fn compare_shares(before: &Alternation, after: &Alternation, confidence: f64) -> HeldChange {
    if before.cycles.is_empty() || after.cycles.is_empty() {
        return HeldChange::NeverHeld { after: !before.cycles.is_empty() };
    }
    let (one, two) = (before.share(), after.share());
    match (one.variance, two.variance) {
        (Some(first), Some(second)) => {
            let (difference, interval, chance) = welch((one.share, two.share), first, second, confidence);
            HeldChange::Compared { difference, interval, chance }
        }
        _ => HeldChange::TooFew,
    }
}

/// Which intervals of the cycles.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Part {
    /// Times held.
    Held,
    /// Times free.
    Free,
}

/// How many times longer the intervals are before than after, with the interval of that ratio and the two-sided chance;
/// by the means of their logarithms. `None` with fewer than three on either side.
#[allow(clippy::cast_precision_loss)]
pub fn compare_lengths(
    before: &Alternation,
    after: &Alternation,
    part: Part,
    confidence: f64,
) -> Option<(f64, Interval, f64)> {
    let logs = |side: &Alternation| -> Option<(f64, (f64, f64))> {
        let pick = |cycle: &(f64, f64)| if part == Part::Held { cycle.0 } else { cycle.1 };
        let logs: Vec<f64> = side.cycles.iter().map(pick).filter(|x| *x > 0.0).map(f64::ln).collect();
        let n = logs.len() as f64;
        let mean = logs.iter().sum::<f64>() / n;
        let variance = logs.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / (n - 1.0) / n;
        (logs.len() >= FEWEST).then_some((mean, (variance, n - 1.0)))
    };
    let ((one, first), (two, second)) = (logs(before)?, logs(after)?);
    let (difference, interval, chance) = welch((one, two), first, second, confidence);
    Some((difference.exp(), Interval { low: interval.low.exp(), high: interval.high.exp() }, chance))
}
