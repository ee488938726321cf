//! Evidence that stays valid however often one looks: e-processes for the ratio of two rates.

use super::rate::Count;
use super::special::ln_gamma;

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

/// ln of the marginal likelihood of a Poisson count k under a Gamma prior, the common factor T^k/k! left out:
/// a ln b - lnΓ(a) + lnΓ(a+k) - (a+k) ln(b+T); the count divided by its dispersion, 1 for independent events.
#[allow(clippy::cast_precision_loss)]
pub fn log_marginal_scaled(count: Count, dispersion: f64, prior: Prior) -> f64 {
    marginal(count.count as f64 / dispersion, count.exposure, prior)
}

fn marginal(k: f64, exposure: f64, prior: Prior) -> f64 {
    let Prior { shape: a, scale: b } = prior;
    a * b.ln() - ln_gamma(a) + ln_gamma(a + k) - (a + k) * (b + exposure).ln()
}

/// ln E against "the rate before is `ratio` times the rate after, whatever they are": the mixtures of both sides over the
/// best pair of rates with this ratio, λ and λ/ratio with λ = (k1 + k2)/(T1 + T2/ratio). Valid at any time of looking, and
/// slower than a fixed soak for it. The ratios of which E is below 1/α are a confidence sequence: at 1 - α all of them
/// together hold the true one at every look.
///
/// Counts of episodes that still cluster are divided by their dispersion; no theorem bounds E then, and the self-test
/// measures how often it is wrong.
///
/// # Source
/// Universal inference: Wasserman, Ramdas & Balakrishnan 2020, PNAS 117:16880. Quasi-likelihood as in
/// [`super::rate::compare_scaled`] (Wedderburn 1974, Biometrika 61:439).
#[allow(clippy::cast_precision_loss)]
pub fn log_e_ratio_scaled(before: Count, after: Count, ratio: f64, dispersion: f64, prior: Prior) -> f64 {
    let (k1, k2) = (before.count as f64 / dispersion, after.count as f64 / dispersion);
    let n = k1 + k2;
    let exposure = before.exposure + after.exposure / ratio;
    let best = if n > 0.0 { n * (n / exposure).ln() - n - k2 * ratio.ln() } else { 0.0 };
    marginal(k1, before.exposure, prior) + marginal(k2, after.exposure, prior) - best
}
