//! straykey finds the key press that nobody made.
//!
//! It records what a television believes its controls are doing, finds the input that no hand gave, says
//! which control path makes it, and proves whether a repair step stopped it.
//!
//! # Decode bytes with a protocol file
//!
//! ```
//! use std::{path::Path, sync::Arc};
//! use straykey::decode::chassis::Chassis;
//!
//! # fn main() -> straykey::base::Result<()> {
//! # const FILE: &str = include_str!("../protocols/chassis/birch.toml");
//! # const BYTES: &[u8] = b"[    12.400000][  T101] keypad: key VOL-\n";
//! let chassis = Arc::new(Chassis::parse(Path::new("birch.toml"), FILE)?);
//! let mut decoder = chassis.begin("bench.log".into());
//! let mut events = Vec::new();
//! decoder.push(None, 0, BYTES, &mut events);
//! decoder.finish(&mut events);
//! for event in &events {
//!     println!("{:.3} s {} {:?}", event.t.seconds(), event.kind.word(), event.key);
//! }
//! # assert_eq!(events[0].key.map(|key| key.name()), Some("KEY_VOLUMEDOWN"));
//! # Ok(())
//! # }
//! ```
//!
//! `examples/decode.rs` is the same as a program; which parts of the interface are promised stands in `docs/library.md`.
//!
//! # Layers
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
//! 8. [`mod@bench`]: the floor on which a job is worked: evidence, stages, the state of a job; beside it [`learn`] (drafts of
//!    chassis files) and [`simulator`] (the set of the demo)
//! 9. [`face`]: command line, daemon and page, report

pub mod analysis;
pub mod base;
pub mod bench;
pub mod decode;
pub mod face;
pub mod journal;
pub mod learn;
pub mod signal;
pub mod simulator;
pub mod source;
pub mod timeline;
