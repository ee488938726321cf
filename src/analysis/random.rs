//! Seeded random numbers for surrogates and permutations: the same seed gives the same report, and a job keeps the seed of
//! a plan that was drawn. The simulated set has a generator of its own, which the samples in `captures/` hold.

use rand_pcg::Pcg64Mcg;
use rand_pcg::rand_core::Rng as _;

/// A seeded generator.
///
/// # Source
/// O'Neill 2014, PCG, HMC-CS-2014-0905; index by multiply and shift, Lemire 2019, ACM TOMACS 29:3.
#[derive(Clone, Debug)]
pub struct Random(Pcg64Mcg);

impl Random {
    /// Generator with this seed.
    pub fn new(seed: u64) -> Self {
        // Neighbouring seeds must not give neighbouring streams: spread by the golden ratio.
        let spread = (u128::from(seed) + 1).wrapping_mul(0x9e37_79b9_7f4a_7c15_f39c_c060_5ced_c835);
        let mut random = Self(Pcg64Mcg::new(spread));
        random.bits();
        random.bits();
        random
    }

    /// 64 random bits.
    pub fn bits(&mut self) -> u64 {
        self.0.next_u64()
    }

    /// Uniform index below `n`; zero for `n = 0`.
    #[allow(clippy::cast_possible_truncation)]
    pub fn below(&mut self, n: usize) -> usize {
        ((u128::from(self.bits()) * n as u128) >> 64) as usize
    }

    /// Uniform in the open interval (0, 1).
    #[allow(clippy::cast_precision_loss)]
    pub fn unit(&mut self) -> f64 {
        ((self.bits() >> 12) as f64 + 0.5) / (1u64 << 52) as f64
    }

    /// Exponential with mean one.
    pub fn exponential(&mut self) -> f64 {
        -self.unit().ln()
    }

    /// Standard normal, Box & Muller 1958.
    pub fn normal(&mut self) -> f64 {
        let radius = (2.0 * self.exponential()).sqrt();
        radius * (std::f64::consts::TAU * self.unit()).cos()
    }

    /// Shuffles in place, Fisher & Yates.
    pub fn shuffle<T>(&mut self, values: &mut [T]) {
        for i in (1..values.len()).rev() {
            let other = self.below(i + 1);
            values.swap(i, other);
        }
    }
}
