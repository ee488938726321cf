//! Learning: line shapes, keys and readings, frames, against generated truth and a reference library.

mod dialect;
mod frames;
mod keys;
mod mining;
mod program;
mod skeleton;
mod stamps;
