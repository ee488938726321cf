//! Learning: line shapes, keys and readings, frames, against generated truth and a reference library.

#![allow(clippy::unwrap_used, clippy::panic, clippy::print_stdout)]

mod dialect;
mod frames;
mod keys;
mod mining;
mod program;
mod skeleton;
mod stamps;
mod watch;
