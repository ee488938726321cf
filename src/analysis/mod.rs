//! What the events mean: strays, patterns, verdicts, the place of the fault.

pub mod ladder;
pub mod locate;
