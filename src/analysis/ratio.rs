//! How many times the rate before is the rate after: an interval that keeps its promise for independent episodes and for
//! clusters, at one look or at any, and what is excluded by it.

use crate::analysis::rate::{Count, Interval, interval_mid};
use crate::analysis::sequential::{Looks, confidence};
use crate::analysis::special::student_quantile;

/// What was seen on one side.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Side<'a> {
    /// Episodes of each cluster; ones where episodes are independent.
    pub clusters: &'a [u32],
    /// Observed time; the same unit on both sides.
    pub exposure: f64,
    /// Variance to mean of the counts where the gaps are uneven ([`crate::analysis::quiet_intervals::dispersion`]), else 1; one for a whole
    /// comparison. Clusters bring their own variance.
    pub dispersion: f64,
}

impl Side<'_> {
    fn count(&self) -> u64 {
        self.clusters.iter().map(|size| u64::from(*size)).sum()
    }

    fn clustered(&self) -> bool {
        self.clusters.iter().any(|size| *size > 1)
    }

    /// Variance of the logarithm of the rate: that of a compound Poisson count, Σ size², over the square of the count;
    /// and its degrees of freedom.
    #[allow(clippy::cast_precision_loss)]
    fn spread(&self) -> (f64, f64) {
        let sum = self.count() as f64;
        let squares: f64 = self.clusters.iter().map(|size| f64::from(*size).powi(2)).sum();
        (squares / (sum * sum), self.clusters.len() as f64 - 1.0)
    }
}

/// The ratio of the rates, before over after.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Ratio {
    /// Estimate; infinite when nothing came after, not a number when nothing at all.
    pub ratio: f64,
    /// Its interval.
    pub interval: Interval,
}

impl Ratio {
    /// The smallest factor by which a change either way is excluded: "more than x-fold is excluded". Infinite where one of
    /// the sides is open.
    pub fn excluded_fold(&self) -> f64 {
        self.interval.high.max(1.0 / self.interval.low).max(1.0)
    }

    /// Whether equal rates are excluded.
    pub fn differs(&self) -> bool {
        self.interval.low > 1.0 || self.interval.high < 1.0
    }
}

/// The ratio at a time of looking that was fixed beforehand.
///
/// Independent episodes have the mid-P interval of [`interval_mid`], at the larger dispersion. Clusters are judged by the variance of each side's
/// own clusters, with Student's t at Satterthwaite's degrees of freedom.
///
/// # Source
/// Satterthwaite 1946, Biometrics Bulletin 2:110; the variance of a compound Poisson count is the sum of squared sizes,
/// as in the sandwich estimate of Lin, Wei, Yang & Ying 2000, J. Royal Stat. Soc. B 62:711.
#[allow(clippy::cast_precision_loss)]
pub fn ratio(before: &Side<'_>, after: &Side<'_>, confidence: f64) -> Ratio {
    let (one, two) = (before.count(), after.count());
    let estimate = (one as f64 / before.exposure) / (two as f64 / after.exposure);
    if !before.clustered() && !after.clustered() {
        let count = |side: &Side<'_>| Count { count: side.count(), exposure: side.exposure };
        let dispersion = before.dispersion.max(after.dispersion);
        let interval = interval_mid(count(before), count(after), dispersion, confidence);
        return Ratio { ratio: estimate, interval };
    }
    if before.clusters.len() < 2 || after.clusters.len() < 2 {
        return Ratio { ratio: estimate, interval: Interval { low: 0.0, high: f64::INFINITY } };
    }
    let ((v1, f1), (v2, f2)) = (before.spread(), after.spread());
    let variance = v1 + v2;
    let freedom = variance * variance / (v1 * v1 / f1 + v2 * v2 / f2);
    let tail = ((1.0 - confidence) / 2.0).max(1e-300);
    let reach = (student_quantile(tail, freedom) * variance.sqrt()).exp();
    Ratio { ratio: estimate, interval: Interval { low: estimate / reach, high: estimate * reach } }
}

/// Information on the logarithm of the ratio: one over its variance.
#[allow(clippy::cast_precision_loss)]
pub fn information(before: &Side<'_>, after: &Side<'_>) -> f64 {
    if before.clusters.is_empty() || after.clusters.is_empty() {
        return 0.0;
    }
    1.0 / (before.spread().0 + after.spread().0)
}

/// A comparison that may be looked at as often as one likes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Sequence {
    looks: Looks,
    /// Time of observation after the step at the planned end.
    planned: f64,
}

impl Sequence {
    /// From what was seen before and the planned time of observation after, with one look each `every`.
    pub fn new(before: &Side<'_>, planned: f64, every: f64) -> Self {
        let looks = (planned / every).floor().max(1.0);
        // Were the rates equal: the information of k1 clusters before and k1 t/T1 after goes with t/(T1 + t).
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        let shares: Vec<f64> = (1..=looks as u32)
            .map(|i| f64::from(i) * planned / looks)
            .map(|t| t / (before.exposure + t))
            .collect();
        Self { looks: Looks::planned(&shares), planned }
    }

    /// The ratio now. All looks together miss the true ratio, if the rates are steady, with a chance of 5 % at most.
    pub fn look(&self, before: &Side<'_>, after: &Side<'_>) -> Ratio {
        let part = |t: f64| t / (before.exposure + t);
        let share = part(after.exposure) / part(self.planned);
        let deviate = self.looks.deviate(share);
        if deviate > 37.0 {
            let found = ratio(before, after, 0.5);
            return Ratio { interval: Interval { low: 0.0, high: f64::INFINITY }, ..found };
        }
        ratio(before, after, confidence(deviate))
    }
}
