//! The program as a user runs it.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod bench;
mod demo;
mod drawing;
mod export;
mod findings;
mod guide;
mod keycheck;
mod outputs;
mod program;
mod report;
mod statistics;
mod story;

mod next_test;

pub(crate) use program::straykey;
