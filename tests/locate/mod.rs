//! The ladder solved, faults fitted, places weighed, tests chosen.

mod cases; // the worked cases: voltages, codes, windows
mod fits; // what the fit makes of the worked cases
mod ladders; // the ladders that the tests share
mod tree; // the fault tree and the odds
