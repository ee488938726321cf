//! straykey finds the key press that nobody made.
//!
//! It records what a television believes its controls are doing, finds the input that no hand gave, says
//! which control path makes it, and proves whether a repair step stopped it.
//!
//! The layers stand in the order in which the data flows; each imports only from those above it:
//!
//! 1. [`base`]: time, units, keys, the event, errors
//! 2. [`source`]: serial ports and capture files, as bytes and samples
//! 3. [`journal`]: what was delivered, kept for ever
//! 4. [`signal`]: samples to edges, pulses, bytes, levels
//! 5. [`decode`]: bytes and pulses to events, by protocol files
//! 6. [`timeline`]: one job, all sources, one clock
//! 7. [`analysis`]: strays, patterns, verdicts, the place of the fault
//! 8. [`face`]: command line, report, demo

pub mod analysis;
pub mod base;
pub mod decode;
pub mod face;
pub mod journal;
pub mod signal;
pub mod source;
pub mod timeline;
