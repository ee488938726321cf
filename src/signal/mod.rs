//! From samples to the units of a wire: edges, pulses, bytes, levels.
//!
//! Everything here is pushed to and never waits: `push` takes one change, results go to the given vector,
//! `finish` says that nothing more will come.

pub mod carrier;
pub mod edge;
pub mod level;
pub mod pulse;
pub mod threshold;
pub mod uart;

use crate::base::Nanoseconds;

/// A logic level.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Level {
    /// Low.
    Low,
    /// High.
    High,
}

/// One channel changed level.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Edge {
    /// When, on the capture clock.
    pub t: Nanoseconds,
    /// The level from now on.
    pub level: Level,
    /// Byte offset in the raw capture.
    pub offset: u64,
}

/// A stretch of infrared carrier (mark) or of its absence (space).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Pulse {
    /// When it began.
    pub t: Nanoseconds,
    /// Mark or space.
    pub mark: bool,
    /// How long it lasted. The last space of a capture may be cut short by its end.
    pub length: Nanoseconds,
    /// Byte offset in the raw capture.
    pub offset: u64,
}

/// One UART character recovered from edges.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Character {
    /// When its start bit began.
    pub t: Nanoseconds,
    /// Data bits, least significant first on the wire.
    pub value: u16,
    /// What was wrong with it, in words (`framing error: stop bit low`); `None` when it was sound.
    pub fault: Option<&'static str>,
    /// Byte offset of its start bit in the raw capture.
    pub offset: u64,
}
