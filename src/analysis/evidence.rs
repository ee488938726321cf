//! How likely a count is when its rate is not known: the marginal likelihood under a prior.

use crate::analysis::rate::Count;
use crate::analysis::special::ln_gamma;

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
    let (k, exposure) = (count.count as f64 / dispersion, count.exposure);
    let Prior { shape: a, scale: b } = prior;
    a * b.ln() - ln_gamma(a) + ln_gamma(a + k) - (a + k) * (b + exposure).ln()
}
