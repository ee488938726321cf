//! Weibull gaps, and exponential ones as those of shape one. The rate is integrated out in closed form.

use crate::analysis::laws::gaps::{Gaps, Weighed, prior};
use crate::analysis::special::{beta, ln_gamma};

/// Shapes: from gaps far more uneven than an exponential's to a worn clock's. Flat in the logarithm between them.
const SHAPES: (f64, f64) = (0.3, 12.0);
const STEPS: u32 = 36;

/// A shape, and the Gamma posterior (shape `a`, inverse scale `s`) of the rate λ of x^c.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Weibull {
    pub(super) c: f64,
    pub(super) a: f64,
    pub(super) s: f64,
}

impl Weibull {
    pub(super) fn lasts(&self, since: f64, t: f64) -> f64 {
        let more = (since + t).powf(self.c) - since.powf(self.c);
        (self.s / (self.s + more)).powf(self.a)
    }

    /// With G ~ Gamma(1/c) and λ's posterior, P(G > λ t^c) is the beta tail I(s/(s+t^c); a, 1/c).
    pub(super) fn quiet(&self, t: f64) -> f64 {
        beta(self.a, 1.0 / self.c, self.s / (self.s + t.powf(self.c)))
    }

    pub(super) fn mean(&self) -> f64 {
        (ln_gamma(1.0 + 1.0 / self.c) + (self.s / self.a).ln() / self.c).exp()
    }

    /// Log evidence of a shape and its posterior: whole gaps x > g have the density c λ x^(c-1) exp(-λ(x^c - g^c)),
    /// those cut off exp(-λ x^c); prior dλ/λ, which is ds/s of the scale once divided by c.
    pub(super) fn fit(gaps: &Gaps, c: f64) -> (f64, Self) {
        let power = |x: &f64| x.powf(c);
        let join = gaps.least.powf(c);
        let logs: f64 = gaps.whole.iter().map(|x| x.ln()).sum();
        let sum: f64 = gaps.whole.iter().map(|x| (power(x) - join).max(0.0)).sum();
        let s = (sum + gaps.cut.iter().map(power).sum::<f64>()).max(1e-300);
        let a = gaps.count();
        let log = (a - 1.0) * c.ln() + (c - 1.0) * logs + ln_gamma(a) - a * s.ln();
        (log, Self { c, a, s })
    }
}

pub(super) fn shapes() -> impl Iterator<Item = f64> {
    let (low, high) = SHAPES;
    (0..=STEPS).map(move |i| low * (high / low).powf(f64::from(i) / f64::from(STEPS)))
}

pub(super) fn weigh(gaps: &Gaps) -> Weighed<Weibull> {
    let (log, one) = Weibull::fit(gaps, 1.0);
    let mut found = vec![(prior::EXPONENTIAL.ln() + log, one)];
    let each = (prior::WEIBULL / f64::from(STEPS + 1)).ln();
    for c in shapes() {
        let (log, law) = Weibull::fit(gaps, c);
        found.push((each + log, law));
    }
    found
}

/// Mean shape over these laws.
pub(super) fn mean_shape(found: &Weighed<Weibull>) -> f64 {
    let top = found.iter().map(|(log, _)| *log).fold(f64::NEG_INFINITY, f64::max);
    let (mut sum, mut weight) = (0.0, 0.0);
    for (log, law) in found {
        sum += (log - top).exp() * law.c;
        weight += (log - top).exp();
    }
    sum / weight
}
