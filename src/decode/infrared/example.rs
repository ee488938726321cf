//! `[[example]]` blocks of format files: marks and spaces, and what they must decode to.

use serde::Deserialize;

use crate::base::Nanoseconds;
use crate::signal::Pulse;

/// One example of a format file.
#[derive(Clone, Debug, Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Example {
    /// The format whose file it stands in.
    #[serde(skip)]
    pub format: String,
    /// Where the marks and spaces and their meaning come from.
    pub source: String,
    /// Marks and spaces in microseconds, beginning and ending with a mark.
    pub pulses_us: Vec<f64>,
    /// Word of the event kind: `press` where absent and the format is checked, else `frame`.
    pub kind: Option<String>,
    /// Address that must come out.
    pub address: Option<u32>,
    /// Command that must come out.
    pub command: Option<u32>,
    /// Toggle that must come out.
    pub toggle: Option<bool>,
    /// The bits in air order, first on air most significant, hexadecimal.
    pub raw: Option<String>,
}

/// Lengths that alternate between mark and space, mark first, as pulses that begin at `start`.
pub fn pulses(start: Nanoseconds, lengths: &[Nanoseconds]) -> Vec<Pulse> {
    let mut t = start;
    let mut pulses = Vec::with_capacity(lengths.len());
    for (i, length) in lengths.iter().enumerate() {
        pulses.push(Pulse { t, mark: i % 2 == 0, length: *length, offset: i as u64 });
        t = t + *length;
    }
    pulses
}
