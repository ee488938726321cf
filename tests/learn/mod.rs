//! Learning: line shapes, keys and readings, frames, against generated truth and a reference library.

#![allow(clippy::unwrap_used, clippy::panic, clippy::print_stdout)]

#[allow(dead_code)] // the trials use more of it
mod dialect;
mod frames;
mod grouping; // the measure that mining is judged by
mod heard;
mod mining;
mod program;
mod skeleton;
mod stamps;
mod watch;
