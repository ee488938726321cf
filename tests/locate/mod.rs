//! The ladder solved, faults fitted, places weighed, tests chosen.

// Helpers of tests fail by panicking, as tests do.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod bench; // from events to readings to fits
mod cases; // the worked cases: voltages, codes, windows
mod fits; // what the fit makes of the worked cases
mod hum; // hum on the readings, key checks, the drawing
mod ladders; // the ladders that the tests share
mod lines; // lines of protocol files as networks
mod promises; // what is never proposed, never offered, never parted
mod scipy; // values and intervals by SciPy
#[allow(dead_code)] // each layer uses a part of it
mod simulation; // jobs made up with known faults; asserts nothing
mod tree; // the fault tree and the odds
