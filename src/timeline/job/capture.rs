//! A live capture that is being recorded.

use std::path::{Path, PathBuf};

use crate::base::{Anchor, Nanoseconds, Result, Span};
use crate::journal::{Acknowledged, RecordKind, Writer};
use crate::source::{Mark, Pulled};

/// A silent source leaves a sign of life in the journal this often: 10 s. A crash shortens a quiet soak by
/// no more than that.
pub const ALIVE_EVERY: Nanoseconds = Nanoseconds(10_000_000_000);

/// Records what a live source delivers. Ends by [`Job::end_capture`](super::Job::end_capture); when it is
/// dropped instead, the job closes the capture the next time it is opened.
#[derive(Debug)]
pub struct CaptureWriter {
    journal: Writer,
    name: String,
    path: PathBuf,
    now: Nanoseconds,
}

impl CaptureWriter {
    pub(super) fn new(journal: Writer, name: String, path: PathBuf) -> Self {
        Self { journal, name, path, now: Nanoseconds::ZERO }
    }

    /// Name of the capture in the job.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// The file that is written.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// What is certainly on disk.
    pub fn acknowledged(&self) -> Acknowledged {
        self.journal.acknowledged()
    }

    /// The stretch recorded so far.
    pub fn span(&self) -> Span {
        Span { start: Nanoseconds::ZERO, end: self.now }
    }

    /// Takes what a pull gave into memory; nothing is written to the disk yet unless 256 KiB wait.
    ///
    /// Call it before decoding, and [`CaptureWriter::commit_if_due`] after the events were shown: then a slow
    /// disk does not make the display late.
    ///
    /// # Errors
    /// `Machine` when the disk fails; what was acknowledged stays.
    pub fn take(&mut self, pulled: &Pulled<'_>) -> Result<()> {
        match pulled {
            Pulled::Chunk(chunk) => {
                self.now = self.now.max(chunk.arrival.unwrap_or(self.now));
                self.append(RecordKind::Bytes, self.now, chunk.bytes)
            }
            Pulled::Mark(mark) => self.mark(mark),
            Pulled::Quiet(now) => {
                self.now = self.now.max(*now);
                if self.now - self.journal.last() >= ALIVE_EVERY {
                    self.append(RecordKind::Alive, self.now, &[])?;
                }
                Ok(())
            }
            Pulled::End => Ok(()),
        }
    }

    /// Takes a remark on the capture.
    ///
    /// # Errors
    /// `Machine` when the disk fails.
    pub fn mark(&mut self, mark: &Mark) -> Result<()> {
        self.now = self.now.max(mark.t);
        self.append(RecordKind::Mark, self.now, mark.what.as_bytes())
    }

    fn append(&mut self, kind: RecordKind, t: Nanoseconds, payload: &[u8]) -> Result<()> {
        self.journal.append(kind, t, Anchor::now().unix_ns, payload)
    }

    /// Commits when records have waited for 50 ms; to be called after every pull.
    ///
    /// # Errors
    /// `Machine` when the disk fails; what was acknowledged stays.
    pub fn commit_if_due(&mut self) -> Result<bool> {
        self.journal.commit_if_due(self.now)
    }

    /// Commits at once.
    ///
    /// # Errors
    /// As [`CaptureWriter::commit_if_due`].
    pub fn commit(&mut self) -> Result<()> {
        self.journal.commit()
    }

    /// Closes the journal; gives the observed stretch.
    pub(super) fn finish(mut self) -> Result<Span> {
        let close = serde_json::json!({ "captured": self.journal.captured() }).to_string();
        self.append(RecordKind::Close, self.now, close.as_bytes())?;
        self.journal.commit()?;
        Ok(self.span())
    }
}
