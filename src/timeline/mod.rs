//! One job, all sources, one clock.

pub mod clock;
pub mod job;
pub mod store;
