//! What the events mean: strays, patterns, verdicts, the place of the fault.

pub mod attribution;
mod baseline;
pub mod cause;
pub mod change;
pub mod compare;
pub mod dispersion;
pub mod drift;
pub mod episode;
pub mod evidence;
pub mod held;
pub mod keycheck;
pub mod ladder;
pub mod laws;
pub mod ledger;
pub mod level;
pub mod locate;
pub mod offtime;
pub mod pattern;
pub mod phase;
pub mod power;
pub mod presses;
pub mod quiet;
pub mod random;
pub mod rate;
pub mod ratio;
pub mod scatter;
pub mod sequential;
pub mod soak;
pub mod special;
pub mod spectrum;
pub mod stray;
pub mod train;

pub use compare::{CompareOptions, Comparison, Observation, Verdict, compare};
pub use pattern::{Class, Pattern, PatternOptions, Patterns};
pub use soak::{Soak, SoakState};
pub use train::{Occurrence, Symbol, Train};
