//! Where bytes and samples come from.
//!
//! Two shapes of source: a [`ByteSource`] delivers the bytes of a debug UART (live port, text log,
//! journal), a [`SampleSource`] delivers level changes on named channels (logic and analog exports).
//! Both are pulled, both run at constant memory, neither decodes anything.

mod block;
pub mod csv;
mod digits;
mod mark;
mod recognise;
pub mod serial;
pub mod text;
pub mod vcd;
mod wide;

pub use mark::{DiskTrouble, Mark, What};
pub use recognise::{FileKind, HEAD, open, open_wired, recognise, table_channels, text_remark};

use crate::base::{Anchor, Nanoseconds, Result};

/// A stretch of bytes from one source.
#[derive(Clone, Copy, Debug)]
pub struct Chunk<'a> {
    /// When the first byte arrived on the capture clock; `None` when the source does not know.
    pub arrival: Option<Nanoseconds>,
    /// Where the first byte stands in the raw capture.
    pub offset: u64,
    /// The bytes, never empty.
    pub bytes: &'a [u8],
}

/// What one pull gave.
#[derive(Debug)]
pub enum Pulled<'a> {
    /// Bytes.
    Chunk(Chunk<'a>),
    /// A remark on the capture.
    Mark(Mark),
    /// Nothing within the source's time-out; a live source is still there. The instant is "now".
    Quiet(Nanoseconds),
    /// The source has ended.
    End,
}

/// A source of bytes.
pub trait ByteSource {
    /// The next piece. The returned chunk borrows the source's own buffer.
    ///
    /// # Errors
    /// `Input` for a damaged file, `System` for a failing disk or port. What was delivered before stays
    /// good.
    fn pull(&mut self) -> Result<Pulled<'_>>;

    /// Wall clock at capture time zero, once known.
    fn anchor(&self) -> Option<Anchor>;

    /// Arrivals are whole multiples of it, rounded down; zero where they are as fine as they can be.
    fn quantum(&self) -> Nanoseconds {
        Nanoseconds::ZERO
    }

    /// Receives nothing more. `true` when what was received and not yet pulled comes to an end: [`Pulled::End`].
    fn stop(&mut self) -> bool {
        false
    }
}

/// The value that a channel takes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Value {
    /// Logic low.
    Low,
    /// Logic high.
    High,
    /// Not a level (`x` or `z`).
    Unknown,
    /// An analog sample in volts.
    Volts(f32),
}

/// One channel takes a value.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Change {
    /// When, on the capture clock.
    pub t: Nanoseconds,
    /// Index into [`SampleSource::channels`].
    pub channel: u16,
    /// The new value. Logic channels report changes only; analog channels report every sample.
    pub value: Value,
    /// Byte offset of the row in the raw capture.
    pub offset: u64,
}

/// One channel of a sample source.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Channel {
    /// Name as the file gives it.
    pub name: String,
    /// Whether it carries volts rather than levels.
    pub analog: bool,
}

/// A source of samples.
pub trait SampleSource {
    /// The channels, in file order.
    fn channels(&self) -> &[Channel];

    /// Appends the next batch of changes in time order; `false` once the source has ended.
    ///
    /// # Errors
    /// `Input` with line and column for a damaged row, `System` for a failing disk.
    fn pull(&mut self, out: &mut Vec<Change>) -> Result<bool>;

    /// First and last instant of the file so far, including stretches in which nothing changed.
    fn span(&self) -> Option<crate::base::Span>;

    /// Time between two samples, where they are taken at a steady rate; `None` where a value stands for a change
    /// and holds until the next.
    fn step(&self) -> Option<Nanoseconds> {
        None
    }

    /// The unit of all times so far, where it is coarser than a nanosecond: nothing shorter can be told.
    fn tick(&self) -> Option<Nanoseconds> {
        None
    }

    /// Whether the times were taken as seconds though nothing says so.
    fn is_assumed(&self) -> bool {
        false
    }

    /// Wall clock at capture time zero, when the file tells.
    fn anchor(&self) -> Option<Anchor> {
        None
    }

    /// What a reader of the results should know (rows that were odd, rounding), in plain words.
    fn remarks(&self) -> Vec<String> {
        Vec::new()
    }
}
