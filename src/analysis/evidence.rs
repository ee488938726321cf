//! Evidence that stays valid however often one looks: e-processes for a rate, and Wald's sequential test.

use super::rate::Count;
use super::special::{gamma_lower, ln_gamma};

/// Gamma prior of a rate: shape and inverse scale, the latter in the caller's unit of time.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Prior {
    /// Shape a.
    pub shape: f64,
    /// Inverse scale b.
    pub scale: f64,
}

impl Prior {
    /// a = 1/2, b = one minute, for times in minutes.
    pub const MINUTE: Self = Self { shape: 0.5, scale: 1.0 };
}

/// ln of the marginal likelihood of a Poisson count under a Gamma prior, the common factor T^k/k! left out:
/// a ln b - lnΓ(a) + lnΓ(a+k) - (a+k) ln(b+T).
#[allow(clippy::cast_precision_loss)]
pub fn log_marginal(count: Count, prior: Prior) -> f64 {
    marginal(count.count as f64, count.exposure, prior)
}

fn marginal(k: f64, exposure: f64, prior: Prior) -> f64 {
    let Prior { shape: a, scale: b } = prior;
    a * b.ln() - ln_gamma(a) + ln_gamma(a + k) - (a + k) * (b + exposure).ln()
}

/// ln E against "the rate is at least `rate`", mixing over smaller rates with the prior cut off at `rate`.
/// E reaches 1/α with chance α at most, at any time and however often it is looked at.
///
/// # Source
/// Ville 1939; Robbins 1970, Ann. Math. Stat. 41:1397; Howard, Ramdas, McAuliffe & Sekhon 2021, Ann. Stat.
/// 49:1055; Lindon & Malek 2022 (counting processes).
#[allow(clippy::cast_precision_loss)]
pub fn log_e_below(count: Count, rate: f64, prior: Prior) -> f64 {
    let Prior { shape: a, scale: b } = prior;
    let k = count.count as f64;
    log_marginal(count, prior) - k * rate.ln()
        + rate * count.exposure
        + gamma_lower(a + k, rate * (b + count.exposure)).ln()
        - gamma_lower(a, rate * b).ln()
}

/// The same without the cut-off: two-sided evidence against exactly `rate`.
#[allow(clippy::cast_precision_loss)]
pub fn log_e_other(count: Count, rate: f64, prior: Prior) -> f64 {
    log_marginal(count, prior) - count.count as f64 * rate.ln() + rate * count.exposure
}

/// ln E against "both rates are the same, whatever it is": the mixtures of both sides over the best single
/// rate. Valid at any time of looking, and slower than a fixed soak for it.
///
/// # Source
/// Universal inference: Wasserman, Ramdas & Balakrishnan 2020, PNAS 117:16880.
pub fn log_e_changed(before: Count, after: Count, prior: Prior) -> f64 {
    log_e_changed_scaled(before, after, 1.0, prior)
}

/// The same for episodes that still cluster: counts divided by their dispersion. With a dispersion of one it is
/// [`log_e_changed`] to the last bit. No theorem bounds it then; the self-test measures how often it is wrong.
///
/// # Source
/// Quasi-likelihood as in [`super::rate::compare_scaled`] (Wedderburn 1974, Biometrika 61:439).
#[allow(clippy::cast_precision_loss)]
pub fn log_e_changed_scaled(before: Count, after: Count, dispersion: f64, prior: Prior) -> f64 {
    let (k1, k2) = (before.count as f64 / dispersion, after.count as f64 / dispersion);
    let n = k1 + k2;
    let best = if n > 0.0 { n * (n / (before.exposure + after.exposure)).ln() - n } else { 0.0 };
    marginal(k1, before.exposure, prior) + marginal(k2, after.exposure, prior) - best
}

/// What Wald's test says so far.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Sequential {
    /// The rate has fallen to the share assumed or below.
    Fallen,
    /// The rate is what it was.
    Same,
    /// Not decided.
    Open,
}

/// Wald's sequential test of a Poisson rate: `rate` against `share` of it, 0 < `share` < 1.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Wald {
    /// Rate if nothing changed.
    pub rate: f64,
    /// Share of it that would count as repaired; a tenth by default, never zero, since one misread line would
    /// then weigh infinitely.
    pub share: f64,
    /// Chance of calling an unchanged set repaired.
    pub alpha: f64,
    /// Chance of calling a repaired set unchanged.
    pub beta: f64,
}

impl Wald {
    /// Log-likelihood ratio k ln ρ + (1-ρ) λ T.
    ///
    /// # Source
    /// Wald 1947, Sequential Analysis; Dvoretzky, Kiefer & Wolfowitz 1953, Ann. Math. Stat. 24:254.
    #[allow(clippy::cast_precision_loss)]
    pub fn log_ratio(&self, count: Count) -> f64 {
        count.count as f64 * self.share.ln() + (1.0 - self.share) * self.rate * count.exposure
    }

    /// Bounds at which it is decided: unchanged at or below the first, fallen at or above the second.
    pub fn bounds(&self) -> (f64, f64) {
        ((self.beta / (1.0 - self.alpha)).ln(), ((1.0 - self.beta) / self.alpha).ln())
    }

    /// Where it stands.
    pub fn state(&self, count: Count) -> Sequential {
        let (low, high) = self.bounds();
        let ratio = self.log_ratio(count);
        if ratio >= high {
            Sequential::Fallen
        } else if ratio <= low {
            Sequential::Same
        } else {
            Sequential::Open
        }
    }
}
