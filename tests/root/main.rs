//! What needs the rights of root: disks that are really full.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::print_stdout)]

mod job;
mod journal;
mod outgrown;
mod soak;
#[allow(dead_code)] // each layer uses a part of it
#[path = "../support/mod.rs"]
mod support;
