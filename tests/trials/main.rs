//! Long trials: simulated sets by the hundred, captures rewritten by the thousand.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::print_stdout)]

mod demo;
#[allow(dead_code)]
#[path = "../learn/dialect.rs"]
mod dialect;
mod identify;
mod keys;
mod recognition;
mod rewriting;
mod selftest;
mod sequences;
#[path = "../analysis/simulate.rs"]
mod simulate;
#[allow(dead_code)] // each layer uses a part of it
#[path = "../locate/simulation.rs"]
mod simulation;
#[allow(dead_code)] // each layer uses a part of it
#[path = "../support/mod.rs"]
mod support;
