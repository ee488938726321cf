//! What the events mean: strays, patterns, verdicts, the place of the fault.

pub mod compare;
pub mod episode;
pub mod ladder;
pub mod locate;
pub mod quiet;
pub mod random;
pub mod rate;
pub mod special;
pub mod train;

pub use compare::{CompareOptions, Comparison, Observation, Verdict, compare};
pub use train::{Occurrence, Symbol, Train};
