//! From bytes, marks and levels to events, by protocol files.
//!
//! Decoding is a pure function of (bytes, protocol file): the same input gives the same events on any
//! chunking. Decoders are pushed to, never wait, read no clock and open no file.

mod begin;
pub mod cec;
pub mod chassis;
pub mod check;
pub mod decoder;
pub mod example;
pub mod file;
pub mod folder;
pub mod frame;
mod index;
pub mod infrared;
pub mod ladder;
pub mod library;
pub mod nearest;
pub mod plain;
mod prefilter;
pub mod protocol;
pub mod recognise;
pub mod record;
pub mod report;
pub mod schema;
pub mod set_clock;
pub mod shape;
pub mod shipped;
pub mod show;
pub mod text;

/// What became of the records that a decoder saw.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, serde::Serialize, schemars::JsonSchema)]
pub struct Counters {
    /// Records (lines, frames) seen.
    pub records: u64,
    /// Records that became events or were recognised as having none.
    pub decoded: u64,
    /// Records of this protocol that were damaged.
    pub damaged: u64,
    /// Records of something else. Where records are found among pulses (infrared, CEC) these are the pulses that
    /// make none; they stand beside `records`, not within.
    pub not_mine: u64,
}
