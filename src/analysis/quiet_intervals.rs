//! How uneven the off-times of a fault are, as far as the intervals seen can tell, and how counts scatter for it.
//!
//! The quiet intervals are taken as a renewal process with Weibull gaps whose shape is *not known*: every shape is
//! weighed by how well it explains them.

use crate::analysis::special::{gamma_upper, ln_gamma, log_sum_exp};

/// Shapes considered: from off-times far more uneven than an exponential's to a worn clock's. Flat in its
/// logarithm between them; a rule of our own where it ends.
const SHAPES: (f64, f64) = (0.25, 3.0);
const STEPS: u32 = 30;
/// Fewest whole intervals that say anything about a shape.
const FEWEST: usize = 2;
/// Most intervals that enter; of more, every n-th does.
const MOST: usize = 5000;

/// Quiet intervals of one side, seconds.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct QuietIntervals {
    /// From one episode to the next.
    pub whole: Vec<f64>,
    /// From the start of a capture to its first episode.
    pub leading: Vec<f64>,
    /// From the last episode of a capture to its end.
    pub trailing: Vec<f64>,
    /// No interval between episodes is shorter: the gap below which presses were joined, 0 without one.
    pub least: f64,
}

impl QuietIntervals {
    fn scale(&self) -> f64 {
        let (mut sum, mut count) = (0.0, 0.0f64);
        for gap in self.whole.iter().chain(&self.leading).chain(&self.trailing) {
            sum += gap;
            count += 1.0;
        }
        (sum / count.max(1.0)).max(1e-9)
    }

    /// Of very many, every n-th, so that the cost stays bounded.
    fn thinned(&self) -> impl Iterator<Item = f64> + '_ {
        let step = (self.whole.len() / MOST).max(1);
        // A zero gap has no density: stamps are no finer than a millisecond.
        self.whole.iter().step_by(step).map(|gap| gap.max(1e-3).max(self.least))
    }
}

/// Logarithms of the intervals of one side in units of their mean: each shape takes other powers of the same.
struct Logs {
    /// The gap below which presses were joined, in the same units; not its logarithm.
    least: f64,
    whole: Vec<f64>,
    /// Sum of the logarithms of whole intervals.
    sum: f64,
    ends: Vec<f64>,
    leading: f64,
}

impl Logs {
    #[allow(clippy::cast_precision_loss)]
    fn of(side: &QuietIntervals) -> Self {
        let scale = side.scale();
        let log = |gap: f64| (gap / scale).ln();
        let whole: Vec<f64> = side.thinned().map(log).collect();
        Self {
            least: side.least / scale,
            sum: whole.iter().sum(),
            whole,
            ends: side.leading.iter().chain(&side.trailing).copied().map(log).collect(),
            leading: side.leading.len() as f64,
        }
    }

    /// Log evidence of one shape and its posterior.
    ///
    /// Whole gaps x > g: c λ x^(c-1) exp(-λ(x^c - g^c)); a leading interval (watch begun at an unrelated moment):
    /// λ^(1/c)/Γ(1+1/c) exp(-λ x^c); a trailing one exp(-λ x^c). Prior db/b of the Weibull scale, flat in ln c.
    #[allow(clippy::cast_precision_loss)]
    fn weigh(&self, c: f64) -> (f64, f64, f64) {
        let power = |log: &f64| (c * log).exp();
        let join = power(&self.least.ln());
        let whole: f64 = self.whole.iter().map(|log| (power(log) - join).max(0.0)).sum();
        let s = (whole + self.ends.iter().map(power).sum::<f64>()).max(1e-300);
        let n = self.whole.len() as f64;
        let a = n + self.leading / c;
        let evidence = (n - 1.0) * c.ln() + (c - 1.0) * self.sum - self.leading * ln_gamma(1.0 + 1.0 / c)
            + ln_gamma(a)
            - a * s.ln();
        (evidence, a, s)
    }
}

fn shapes() -> impl Iterator<Item = f64> {
    let (low, high) = SHAPES;
    (0..=STEPS).map(move |i| low * (high / low).powf(f64::from(i) / f64::from(STEPS)))
}

/// Variance to mean of episode counts, from the intervals of all sides: one shape for all, a rate for each; the
/// mean over the shapes of the squared variation of what gaps reach beyond the joining gap. At least one. Independent episodes
/// (a shape of one) are as likely beforehand as all other shapes together: else few gaps of theirs would pass for uneven.
///
/// # Source
/// The prior db/b · dc/c is the right Haar measure of ln x as a location-scale family (Severini, Mukerjee & Ghosh 2002,
/// Biometrika 89:952). The variance of a renewal count grows as its mean times the squared variation of the gaps: Cox 1962, ch. 4.
pub fn dispersion(sides: &[QuietIntervals]) -> f64 {
    let sides: Vec<Logs> = sides.iter().filter(|side| side.whole.len() >= FEWEST).map(Logs::of).collect();
    if sides.is_empty() {
        return 1.0;
    }
    let mut logs = Vec::new();
    let mut variations = Vec::new();
    #[allow(clippy::cast_precision_loss)]
    let others = (shapes().count() as f64).ln();
    for (c, prior) in shapes().map(|c| (c, 0.0)).chain([(1.0, others)]) {
        let (mut log, mut weighted, mut gaps) = (prior, 0.0, 0.0);
        for side in &sides {
            let (evidence, a, s) = side.weigh(c);
            log += evidence;
            weighted += a * variation(c, a / s, side.least);
            gaps += a;
        }
        logs.push(log);
        variations.push(weighted / gaps);
    }
    let whole = log_sum_exp(&logs);
    let mean: f64 = logs.iter().zip(&variations).map(|(log, v)| (log - whole).exp() * v).sum();
    if mean.is_finite() { mean.clamp(1.0, 20.0) } else { 1.0 }
}

/// Squared variation of x - g given x > g, for a Weibull gap of shape `c` and rate `rate` of x^c.
fn variation(c: f64, rate: f64, least: f64) -> f64 {
    let y = rate * least.powf(c);
    // E[x^k | x > g] = λ^(-k/c) e^y Γ(1 + k/c, y); beyond this the gap is longer than nearly all.
    if y > 200.0 {
        return 1.0;
    }
    let moment = |k: f64| {
        let s = 1.0 + k / c;
        (ln_gamma(s) + y).exp() * gamma_upper(s, y) * rate.powf(-k / c)
    };
    let (one, two) = (moment(1.0), moment(2.0));
    let excess = one - least;
    if excess <= 1e-9 * one {
        1.0
    } else {
        (two - 2.0 * least * one + least * least) / (excess * excess) - 1.0
    }
}
