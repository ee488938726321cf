//! The program as a user runs it.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod bench;
mod coarse_stamps;
mod demo;
mod drawing;
mod export;
mod findings;
mod guide;
mod keycheck;
mod outputs;
pub(crate) mod program;
mod provoke;
mod provoked_again;
mod read_only;
mod report;
mod schemas;
mod statistics;
mod story;
mod two_causes;

mod next_test;

pub(crate) use program::straykey;
