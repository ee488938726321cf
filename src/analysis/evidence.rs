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

/// ln of the marginal likelihood of a Poisson count under a Gamma prior, the common factor T^k/k! left out:
/// a ln b - lnΓ(a) + lnΓ(a+k) - (a+k) ln(b+T).
#[allow(clippy::cast_precision_loss)]
pub fn log_marginal(count: Count, prior: Prior) -> f64 {
    marginal(count.count as f64, count.exposure, prior)
}

/// The same with the count divided by its dispersion; at one it is [`log_marginal`] to the last bit.
#[allow(clippy::cast_precision_loss)]
pub fn log_marginal_scaled(count: Count, dispersion: f64, prior: Prior) -> f64 {
    marginal(count.count as f64 / dispersion, count.exposure, prior)
}

fn marginal(k: f64, exposure: f64, prior: Prior) -> f64 {
    let Prior { shape: a, scale: b } = prior;
    a * b.ln() - ln_gamma(a) + ln_gamma(a + k) - (a + k) * (b + exposure).ln()
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
pub fn log_e_changed_scaled(before: Count, after: Count, dispersion: f64, prior: Prior) -> f64 {
    log_e_ratio_scaled(before, after, 1.0, dispersion, prior)
}

/// ln E against "the rate before is `ratio` times the rate after, whatever they are"; counts divided by `dispersion`.
/// The ratios of which E is below 1/α are a confidence sequence: at 1 - α all of them together hold the true one at
/// every look. With a ratio of one it is [`log_e_changed_scaled`] to the last bit.
///
/// # Source
/// As [`log_e_changed`]: the best pair of rates with this ratio is λ and λ/ratio, λ = (k1 + k2)/(T1 + T2/ratio).
#[allow(clippy::cast_precision_loss)]
pub fn log_e_ratio_scaled(before: Count, after: Count, ratio: f64, dispersion: f64, prior: Prior) -> f64 {
    let (k1, k2) = (before.count as f64 / dispersion, after.count as f64 / dispersion);
    let n = k1 + k2;
    let exposure = before.exposure + after.exposure / ratio;
    let best = if n > 0.0 { n * (n / exposure).ln() - n - k2 * ratio.ln() } else { 0.0 };
    marginal(k1, before.exposure, prior) + marginal(k2, after.exposure, prior) - best
}
