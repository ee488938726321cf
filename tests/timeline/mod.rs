//! Jobs, steps, clock, index.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::print_stdout)]

mod close;
mod index;
mod job;
mod keypad_wire;
mod locked;
mod manifest;
mod old_jobs;
mod pack;
mod private;
mod seen;
mod segments;
mod store;
mod wired;

pub(crate) use crate::support::jobs::{hands_off, log_file, small_job, step};
