//! Gaps with tails like a power of the time: Burr's, whose survival is (1 + (x/s)^c)^-k, and Pareto's, (m/x)^α beyond a
//! least gap m. Burr's are Lomax's at c = 1; above it short gaps are rare too. With a tail of power one or below there
//! is no mean, and quiet from an unrelated moment proves nothing.

use crate::analysis::laws::gaps::{Gaps, Weighed, prior};
use crate::analysis::special::{beta, ln_gamma};

/// Tail indices 1/α, evenly spread: from nearly exponential to a tail of which the mean just exists.
const INDICES: [f64; 10] = [0.05, 0.15, 0.25, 0.35, 0.45, 0.55, 0.65, 0.75, 0.85, 0.95];
/// Burr's c.
const POWERS: [f64; 2] = [1.0, 2.0];
/// Scales of Burr's laws, in mean gaps; evenly spread in the logarithm.
const SCALES: (f64, f64) = (0.02, 50.0);
const STEPS: u32 = 40;

/// With k = α/c the tail has the power α.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Burr {
    c: f64,
    k: f64,
    s: f64,
    least: f64,
}

impl Burr {
    pub(super) fn alpha(&self) -> f64 {
        self.c * self.k
    }

    fn log_survival(&self, x: f64) -> f64 {
        -self.k * ((x - self.least).max(0.0) / self.s).powf(self.c).ln_1p()
    }

    pub(super) fn lasts(&self, since: f64, t: f64) -> f64 {
        (self.log_survival(since + t) - self.log_survival(since)).exp()
    }

    /// The integral of the survival is an incomplete beta function of 1/(1 + (x/s)^c).
    pub(super) fn quiet(&self, t: f64) -> f64 {
        let x = ((t - self.least).max(0.0) / self.s).powf(self.c);
        beta(self.k - 1.0 / self.c, 1.0 / self.c, 1.0 / (1.0 + x))
    }

    pub(super) fn mean(&self) -> f64 {
        let (k, one) = (self.k, 1.0 / self.c);
        self.least + self.s * (ln_gamma(k - one) + ln_gamma(1.0 + one) - ln_gamma(k)).exp()
    }
}

/// # Source
/// Burr 1942, Ann. Math. Stat. 13:215 (type XII); Lomax 1954, JASA 49:847, which is the generalised Pareto law of
/// excesses over a limit (Pickands 1975, Ann. Stat. 3:119).
pub(super) fn burr(gaps: &Gaps) -> Weighed<Burr> {
    let n = gaps.count();
    let (low, high) = SCALES;
    let members = (INDICES.len() * POWERS.len()) as f64;
    let each = (prior::BURR / members).ln() + ((high / low).ln() / f64::from(STEPS)).ln();
    let mut found = Vec::with_capacity(INDICES.len() * POWERS.len() * STEPS as usize);
    for c in POWERS {
        let logs: f64 = gaps.whole.iter().map(|x| gaps.beyond(*x).max(1e-6).ln()).sum();
        for i in 0..=STEPS {
            let s = low * (high / low).powf(f64::from(i) / f64::from(STEPS));
            let log = |x: &f64| (gaps.beyond(*x) / s).powf(c).ln_1p();
            let whole: f64 = gaps.whole.iter().map(log).sum();
            let cut: f64 = gaps.cut.iter().map(log).sum();
            for index in INDICES {
                let k = 1.0 / (index * c);
                let likelihood =
                    n * (c * k).ln() + (c - 1.0) * logs - n * c * s.ln() - (k + 1.0) * whole - k * cut;
                found.push((each + likelihood, Burr { c, k, s, least: gaps.least }));
            }
        }
    }
    found
}

#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Pareto {
    alpha: f64,
    least: f64,
}

impl Pareto {
    pub(super) fn alpha(&self) -> f64 {
        self.alpha
    }

    pub(super) fn lasts(&self, since: f64, t: f64) -> f64 {
        (since.max(self.least) / (since + t).max(self.least)).powf(self.alpha)
    }

    pub(super) fn quiet(&self, t: f64) -> f64 {
        if t < self.least {
            1.0 - t / self.least * (1.0 - 1.0 / self.alpha)
        } else {
            (self.least / t).powf(self.alpha - 1.0) / self.alpha
        }
    }

    pub(super) fn mean(&self) -> f64 {
        self.least * self.alpha / (self.alpha - 1.0)
    }
}

/// The least gap has the prior dm/m and integrates to m^(nα)/nα at the shortest gap seen, near which it lies.
///
/// # Source
/// Arnold & Press 1983, J. Econometrics 21:287 (Bayesian inference for the Pareto law).
pub(super) fn pareto(gaps: &Gaps) -> Weighed<Pareto> {
    let n = gaps.count();
    let Some(shortest) = gaps.whole.first().copied() else { return Vec::new() };
    let whole: f64 = gaps.whole.iter().map(|x| (x / shortest).ln()).sum();
    let cut: f64 = gaps.cut.iter().map(|x| (x / shortest).ln().max(0.0)).sum();
    let logs: f64 = gaps.whole.iter().map(|x| x.ln()).sum();
    let each = (prior::PARETO / INDICES.len() as f64).ln();
    let member = |index: f64| {
        let alpha = 1.0 / index;
        let log = n * alpha.ln() - alpha * (whole + cut) - (n * alpha).ln() - logs;
        (each + log, Pareto { alpha, least: shortest })
    };
    INDICES.into_iter().map(member).collect()
}
