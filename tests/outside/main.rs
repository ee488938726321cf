//! What needs a program or data that is not of this project: circuit and logic simulators, Python, OpenSSL, real logs.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::print_stdout)]

#[allow(dead_code)]
#[path = "../locate/cases.rs"]
mod cases;
mod described;
mod export;
#[path = "../learn/grouping.rs"]
mod grouping;
#[allow(dead_code)]
#[path = "../locate/ladders.rs"]
mod ladders;
mod mining;
mod simulator;
mod spice;
#[allow(dead_code)] // each layer uses a part of it
#[path = "../support/mod.rs"]
mod support;
mod tls;
