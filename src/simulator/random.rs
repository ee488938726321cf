//! Seeded random numbers for the simulated set.

use rand_pcg::Lcg64Xsh32;
use rand_pcg::rand_core::Rng as _;

/// A documented, portable stream of random numbers (PCG XSH RR 64/32).
///
/// Separate streams of one seed are independent, so that, say, the moisture does not change when the
/// firmware prints one line more.
///
/// # Source
/// O'Neill, M. (2014), "PCG: A family of simple fast space-efficient statistically good algorithms for random
/// number generation", Harvey Mudd College HMC-CS-2014-0905 (cited from memory).
#[derive(Clone, Debug)]
pub struct Random(Lcg64Xsh32);

impl Random {
    /// Stream `stream` of seed `seed`.
    pub fn new(seed: u64, stream: u64) -> Self {
        Self(Lcg64Xsh32::new(seed, stream))
    }

    /// Uniform in [0, 1), 32 bits fine.
    pub fn uniform(&mut self) -> f64 {
        f64::from(self.0.next_u32()) / 4_294_967_296.0
    }

    /// Uniform in 0 .. `bound`; 0 when `bound` is 0. By multiply and shift: the bias is below `bound` / 2^32.
    pub fn below(&mut self, bound: u32) -> u32 {
        let product = u64::from(self.0.next_u32()) * u64::from(bound);
        u32::try_from(product >> 32).unwrap_or_default()
    }

    /// Normal with mean 0 and standard deviation 1.
    ///
    /// # Source
    /// Box, G. E. P. and Muller, M. E. (1958), "A note on the generation of random normal deviates", Annals of
    /// Mathematical Statistics 29 (cited from memory).
    pub fn normal(&mut self) -> f64 {
        // 1 - u lies in (0, 1], so that the logarithm is finite.
        let radius = (-2.0 * (1.0 - self.uniform()).ln()).sqrt();
        radius * (std::f64::consts::TAU * self.uniform()).cos()
    }

    /// Exponential with this mean.
    pub fn exponential(&mut self, mean: f64) -> f64 {
        -mean * (1.0 - self.uniform()).ln()
    }
}
