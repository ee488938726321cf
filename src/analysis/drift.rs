//! Rates that drift by themselves: recognised from where the episodes lie within each side, and a ratio with the drift
//! taken out.

use crate::analysis::rate::Interval;
use crate::analysis::special::{normal_upper, student_quantile};

/// The ratio of the rates, before over after.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Ratio {
    /// Estimate; infinite when nothing came after, not a number when nothing at all.
    pub ratio: f64,
    /// Its interval.
    pub interval: Interval,
}

impl Ratio {
    /// Whether equal rates are excluded.
    pub fn differs(&self) -> bool {
        self.interval.low > 1.0 || self.interval.high < 1.0
    }
}

/// One side on a clock that both share.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Watched<'a> {
    /// Times of the episodes.
    pub times: &'a [f64],
    /// When the watching began.
    pub start: f64,
    /// When it ended.
    pub end: f64,
}

impl Watched<'_> {
    #[allow(clippy::cast_precision_loss)]
    fn count(&self) -> f64 {
        self.times.len() as f64
    }

    /// The same without the times.
    pub fn counted(&self) -> Counted {
        Counted { count: self.count(), start: self.start, end: self.end }
    }
}

/// How many episodes came while it was watched.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Counted {
    /// Episodes.
    pub count: f64,
    /// When the watching began.
    pub start: f64,
    /// When it ended.
    pub end: f64,
}

impl Counted {
    /// Logarithm of the integral of exp(b t), and mean and variance of t under that density.
    fn moments(&self, b: f64) -> (f64, f64, f64) {
        let (width, middle) = (self.end - self.start, 0.5 * (self.start + self.end));
        let x = 0.5 * b * width;
        let (log, shift, variance) = if x.abs() < 1e-3 {
            (x * x / 6.0, x / 3.0, 1.0 / 3.0 - x * x / 15.0)
        } else {
            let log = x.abs() + (-(-2.0 * x.abs()).exp_m1() / (2.0 * x.abs())).ln();
            let variance = if x.abs() > 300.0 { x.powi(-2) } else { x.powi(-2) - x.sinh().powi(-2) };
            (log, 1.0 / x.tanh() - 1.0 / x, variance)
        };
        let half = 0.5 * width;
        (width.ln() + b * middle + log, middle + half * shift, half * half * variance)
    }
}

/// A drift of the rate, common to both sides.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Drift {
    /// Change of the logarithm of the rate in a unit of time.
    pub slope: f64,
    /// Its standard error.
    pub error: f64,
    /// Two-sided chance of so large a slope among steady rates.
    pub chance: f64,
    /// Laplace's statistic, standard normal among steady rates.
    pub score: f64,
}

impl Drift {
    /// The same where counts scatter so many times more than those of independent episodes (quasi-likelihood).
    #[must_use]
    pub fn scaled(self, dispersion: f64) -> Self {
        let root = dispersion.max(1.0).sqrt();
        let score = self.score / root;
        Self { error: self.error * root, score, chance: 2.0 * normal_upper(score.abs()), ..self }
    }
}

/// A slope that steady rates show less often than this is taken for a drift.
pub const DRIFTS: f64 = 0.10;

/// The drift that the places of the episodes within the sides show; the step between the sides has no part in it.
/// `None` with fewer than four episodes.
///
/// # Source
/// Cox & Lewis 1966, The Statistical Analysis of Series of Events, ch. 3: a log-linear rate, conditional on the counts;
/// the chance is that of Laplace's test.
pub fn drift(sides: &[Watched<'_>]) -> Option<Drift> {
    let n: f64 = sides.iter().map(Watched::count).sum();
    if n < 4.0 {
        return None;
    }
    let sums = |b: f64| {
        sides.iter().fold((0.0, 0.0), |(score, information), side| {
            let (_, mean, variance) = side.counted().moments(b);
            let off: f64 = side.times.iter().map(|t| t - mean).sum();
            (score + off, information + side.count() * variance)
        })
    };
    let (score, information) = sums(0.0);
    let statistic = score / information.sqrt();
    let chance = 2.0 * normal_upper(statistic.abs());
    let longest = sides.iter().map(|side| side.end - side.start).fold(0.0, f64::max);
    let mut slope = 0.0;
    let mut error = information.sqrt().recip();
    for _ in 0..50 {
        let (score, information) = sums(slope);
        let step = (score / information).clamp(-3.0 / longest, 3.0 / longest);
        slope += step;
        error = information.sqrt().recip();
        if step.abs() < 1e-9 / longest {
            break;
        }
    }
    (slope.is_finite() && error.is_finite()).then_some(Drift { slope, error, chance, score: statistic })
}

/// The ratio where a drift was recognised: its interval holds that with the drift taken out and that without, since the
/// drift is not certain either.
pub fn ratio_with(steady: Ratio, before: Counted, after: Counted, drift: &Drift, confidence: f64) -> Ratio {
    let other = ratio_without(before, after, drift, confidence).interval;
    let interval =
        Interval { low: steady.interval.low.min(other.low), high: steady.interval.high.max(other.high) };
    Ratio { interval, ..steady }
}

/// The ratio before over after at one moment, the drift taken out; its interval holds the drift's own error.
pub fn ratio_without(before: Counted, after: Counted, drift: &Drift, confidence: f64) -> Ratio {
    let ((log1, mean1, _), (log2, mean2, _)) = (before.moments(drift.slope), after.moments(drift.slope));
    let (n1, n2) = (before.count, after.count);
    if n1 < 1.0 || n2 < 1.0 {
        let ratio = if n2 < 1.0 { f64::INFINITY } else { 0.0 };
        return Ratio { ratio, interval: Interval { low: 0.0, high: f64::INFINITY } };
    }
    let ratio = (n1.ln() - n2.ln() - log1 + log2).exp();
    let variance = 1.0 / n1 + 1.0 / n2 + ((mean2 - mean1) * drift.error).powi(2);
    let reach =
        (student_quantile((1.0 - confidence) / 2.0, (n1 + n2 - 3.0).max(1.0)) * variance.sqrt()).exp();
    Ratio { ratio, interval: Interval { low: ratio / reach, high: ratio * reach } }
}
