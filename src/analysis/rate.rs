//! Counts over time: exact intervals, the exact test of two rates, and how long a quiet soak must last.
//!
//! A count here is a count of *episodes*; on raw events every one of these is wrong (a burst is one cause).

use crate::analysis::special::{beta, crossing, gamma_lower_inverse, gamma_upper_inverse};

/// A range; `high` may be infinite.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Interval {
    /// Lower end.
    pub low: f64,
    /// Upper end.
    pub high: f64,
}

impl Interval {
    /// Both ends multiplied by a positive factor.
    #[must_use]
    pub fn scaled(self, factor: f64) -> Self {
        Self { low: self.low * factor, high: self.high * factor }
    }

    /// Whether it holds the value.
    pub fn holds(self, value: f64) -> bool {
        self.low <= value && value <= self.high
    }
}

/// How many episodes in how much time; the unit of time is the caller's, one for a whole comparison.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Count {
    /// Episodes.
    pub count: u64,
    /// Time under observation.
    pub exposure: f64,
}

/// Exact two-sided interval for the mean of a Poisson count; divide by the exposure for a rate.
///
/// # Source
/// Garwood 1936, Biometrika 28:437: lower P⁻¹(k, α/2), upper Q⁻¹(k+1, α/2). Conservative below ten counts.
/// A count that clusters is divided by its dispersion, as both are in [`compare_scaled`].
#[allow(clippy::cast_precision_loss)]
pub fn garwood_scaled(count: u64, dispersion: f64, confidence: f64) -> Interval {
    let tail = (1.0 - confidence) / 2.0;
    let k = count as f64 / dispersion;
    let low = if count == 0 { 0.0 } else { gamma_lower_inverse(k, tail) };
    Interval { low, high: gamma_upper_inverse(k + 1.0, tail) }.scaled(dispersion)
}

/// What the exact comparison of two rates gives.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct RatioTest {
    /// One-sided chance, were the rates equal, of a fall at least this large.
    pub fall: f64,
    /// The same, mid-P.
    pub fall_mid: f64,
    /// One-sided chance, were the rates equal, of a rise at least this large.
    pub rise: f64,
    /// The same, mid-P.
    pub rise_mid: f64,
    /// Two-sided: twice the smaller tail, at most one.
    pub two_sided: f64,
    /// Two-sided mid-P: twice the smaller mid-P tail, at most one.
    pub two_sided_mid: f64,
    /// Rate before divided by rate after; infinite when nothing came after, not a number when nothing at all.
    pub ratio: f64,
    /// Exact interval of the ratio; excludes one when, and only when, `two_sided` is below 1 - confidence.
    pub interval: Interval,
    /// Mid-P interval of the ratio; excludes one when, and only when, `two_sided_mid` is below 1 - confidence.
    pub interval_mid: Interval,
}

/// Exact conditional test of two Poisson rates and the interval of their ratio (before / after).
///
/// Given the total, the count before is binomial with p = T1/(T1+T2) when the rates are equal. The two-sided
/// value doubles the smaller tail, since only that convention never contradicts the Clopper-Pearson interval. The mid-P
/// values take half of the chance of what was seen: less conservative, over 5 % by a little for some rates at most.
///
/// # Source
/// Przyborowski & Wilenski 1940, Biometrika 31:313; Clopper & Pearson 1934, Biometrika 26:404; Fay 2010,
/// The R Journal 2(1):53 on the agreement of test and interval; Lancaster 1961, JASA 56:223 (mid-P).
/// Both counts are divided by a dispersion: episodes that still cluster tell as much as so many fewer independent ones.
/// Scaling the counts is quasi-likelihood (Wedderburn 1974, Biometrika 61:439; Rao & Scott 1992, Biometrics 48:577);
/// the beta form of the binomial tail takes counts that are not whole.
#[allow(clippy::cast_precision_loss)]
pub fn compare_scaled(before: Count, after: Count, dispersion: f64, confidence: f64) -> RatioTest {
    let (k1, k2) = (before.count as f64 / dispersion, after.count as f64 / dispersion);
    let total = before.exposure + after.exposure;
    let (p, q) = (before.exposure / total, after.exposure / total);
    let (fall, fall_mid) = (at_least(k1, k2, p), mid_tail(k1, k2, p));
    // The other tail is counted from the other side, with the other chance, so that it stays a small number.
    let (rise, rise_mid) = (at_least(k2, k1, q), mid_tail(k2, k1, q));
    let scale = after.exposure / before.exposure;
    RatioTest {
        fall,
        fall_mid,
        rise,
        rise_mid,
        two_sided: (2.0 * fall.min(rise)).min(1.0),
        two_sided_mid: (2.0 * fall_mid.min(rise_mid)).min(1.0),
        ratio: (before.count as f64 / before.exposure) / (after.count as f64 / after.exposure),
        interval: ratio_interval(k1, k2, confidence, at_least).scaled(scale),
        interval_mid: ratio_interval(k1, k2, confidence, mid_tail).scaled(scale),
    }
}

/// Chance of at least `k` of `k + rest`, each with chance `p`.
fn at_least(k: f64, rest: f64, p: f64) -> f64 {
    if k > 0.0 { beta(k, rest + 1.0, p) } else { 1.0 }
}

/// Chance of more than `k` of `k + rest`, and half of the chance of `k` itself.
fn mid_tail(k: f64, rest: f64, p: f64) -> f64 {
    let above = if rest > 0.0 { beta(k + 1.0, rest, p) } else { 0.0 };
    0.5 * (at_least(k, rest, p) + above)
}

/// The mid-P interval of the ratio alone, as [`compare_scaled`] gives it.
#[allow(clippy::cast_precision_loss)]
pub fn interval_mid(before: Count, after: Count, dispersion: f64, confidence: f64) -> Interval {
    let (k1, k2) = (before.count as f64 / dispersion, after.count as f64 / dispersion);
    ratio_interval(k1, k2, confidence, mid_tail).scaled(after.exposure / before.exposure)
}

/// Limits of the odds that an episode came before, at which the tail of either side falls to half of what the confidence
/// leaves: Clopper-Pearson's with whole tails. Solved for the logarithm of the odds, in which that of a tail is near a
/// line, so that a share next to one keeps its digits.
fn ratio_interval(k1: f64, k2: f64, confidence: f64, tail: impl Fn(f64, f64, f64) -> f64) -> Interval {
    let least = ((1.0 - confidence) / 2.0).ln();
    let start = ((k1 + 0.5) / (k2 + 0.5)).ln();
    let share = |log: f64| 1.0 / (1.0 + (-log).exp());
    let low = |log: f64| least - tail(k1, k2, share(log)).ln();
    let high = |log: f64| tail(k2, k1, share(-log)).ln() - least;
    Interval {
        low: if k1 > 0.0 { limit(start, low).exp() } else { 0.0 },
        high: if k2 > 0.0 { limit(start, high).exp() } else { f64::INFINITY },
    }
}

/// Where a falling function goes through zero, looked for from `start` on.
fn limit(start: f64, above: impl Fn(f64) -> f64) -> f64 {
    let (mut low, mut high, mut step) = (start, start, 1.0);
    if above(start) > 0.0 {
        while high < FURTHEST && above(high) > 0.0 {
            (low, high) = (high, high + step);
            step *= 2.0;
        }
    } else {
        while low > -FURTHEST && above(low) <= 0.0 {
            (high, low) = (low, low - step);
            step *= 2.0;
        }
    }
    crossing(low, high, 1e-13, above)
}

/// Logarithms of odds that no double goes beyond.
const FURTHEST: f64 = 690.0;

/// The chance that an unrepaired set would have been quiet for `quiet`, its rate being known only from what
/// was seen before: (1 + T2/T1)^(-k1). One when nothing was seen before.
///
/// # Source
/// The exact conditional test with no event after, Przyborowski & Wilenski 1940.
#[allow(clippy::cast_precision_loss)]
pub fn quiet_anyway(before: Count, quiet: f64) -> f64 {
    (-(before.count as f64) * (quiet / before.exposure).ln_1p()).exp()
}

/// How long a soak must stay quiet until [`quiet_anyway`] falls to `chance`: T1 (chance^(-1/k1) - 1).
/// `None` when nothing was seen before: then no soak proves anything.
#[allow(clippy::cast_precision_loss)]
pub fn quiet_needed(before: Count, chance: f64) -> Option<f64> {
    let needed = before.exposure * (-chance.ln() / before.count as f64).exp_m1();
    (before.count > 0).then_some(needed)
}

/// One-sided upper limit of a rate of which nothing was seen in `exposure`: the rule of three.
///
/// # Source
/// Hanley & Lippman-Hand 1983, JAMA 249:1743.
pub fn rate_still_possible(exposure: f64, chance: f64) -> f64 {
    -chance.ln() / exposure
}
