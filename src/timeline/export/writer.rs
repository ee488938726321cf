//! What writes events in one form.

use crate::base::{Anchor, Error, Event, Result};
use crate::source::{Change, Channel};

/// Where an event comes from, beside what it says itself.
#[derive(Clone, Copy, Debug, Default)]
pub struct Place {
    /// Stage of the job, counted from 1; `None` for a capture file.
    pub stage: Option<usize>,
    /// Wall clock at time zero of the capture, when it is known.
    pub anchor: Option<Anchor>,
}

/// Takes events in order of time, capture after capture.
pub trait Export {
    /// A capture begins.
    ///
    /// # Errors
    /// `System` when writing fails.
    fn begin(&mut self, place: Place, channels: &[Channel]) -> Result<()>;

    /// An event of the capture.
    ///
    /// # Errors
    /// `System` when writing fails.
    fn event(&mut self, event: &Event) -> Result<()>;

    /// A recorded channel changed; only dumps keep it.
    ///
    /// # Errors
    /// `System` when writing fails.
    fn change(&mut self, _change: &Change) -> Result<()> {
        Ok(())
    }

    /// Writes what is held back and ends the file.
    ///
    /// # Errors
    /// `System` when writing fails.
    fn finish(self: Box<Self>) -> Result<()>;
}

pub(crate) fn unwritable(error: impl std::error::Error + Send + Sync + 'static) -> Error {
    Error::system("cannot write the export").because(error).help("check that the disk is not full")
}
