//! A live capture that is being recorded.

use std::path::{Path, PathBuf};
use std::time::Duration;

use crate::base::{Anchor, Error, Nanoseconds, Result, Span};
use crate::journal::{Acknowledged, RecordKind, RecordingState, Writer, WriterHandle};
use crate::source::{Mark, Pulled};

/// A silent source leaves a sign of life in the journal this often: 10 s. A crash shortens a quiet soak by
/// no more than that.
pub const ALIVE_EVERY: Nanoseconds = Nanoseconds(10_000_000_000);

/// The end of a capture waits so long for a disk thread: 10 s.
const END_WITHIN: Duration = Duration::from_secs(10);

/// Who writes.
#[derive(Debug)]
enum Recorder {
    /// This thread, one file.
    Own(Writer),
    /// A disk thread, a folder of segments.
    Group(WriterHandle),
}

/// Records what a live source delivers. Ends by [`Job::end_capture`](crate::timeline::job::Job::end_capture); when it is
/// dropped instead, the job closes the capture the next time it is opened.
#[derive(Debug)]
pub struct CaptureWriter {
    recorder: Recorder,
    name: String,
    path: PathBuf,
    now: Nanoseconds,
    /// When the last record was made.
    last: Nanoseconds,
}

impl CaptureWriter {
    pub(super) fn new(journal: Writer, name: String, path: PathBuf) -> Self {
        Self::with(Recorder::Own(journal), name, path)
    }

    pub(super) fn in_group(writer: WriterHandle, name: String, path: PathBuf) -> Self {
        Self::with(Recorder::Group(writer), name, path)
    }

    fn with(recorder: Recorder, name: String, path: PathBuf) -> Self {
        Self { recorder, name, path, now: Nanoseconds::ZERO, last: Nanoseconds::ZERO }
    }

    /// Name of the capture in the job.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// The file that is written, or the folder of segments.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// What is certainly on disk.
    pub fn acknowledged(&self) -> Acknowledged {
        match &self.recorder {
            Recorder::Own(journal) => journal.acknowledged(),
            Recorder::Group(writer) => writer.acknowledged(),
        }
    }

    /// How the recording is: a disk thread goes on by itself after a stop; without one an error says it.
    pub fn recording_state(&self) -> RecordingState {
        match &self.recorder {
            Recorder::Own(_) => RecordingState::Recording,
            Recorder::Group(writer) => writer.state(),
        }
    }

    /// Captured bytes lost so far, because the disk took nothing for longer than the buffer holds.
    pub fn lost(&self) -> u64 {
        match &self.recorder {
            Recorder::Own(_) => 0,
            Recorder::Group(writer) => writer.lost(),
        }
    }

    /// Captured bytes so far, the lost ones too.
    pub(super) fn captured(&self) -> u64 {
        match &self.recorder {
            Recorder::Own(journal) => journal.captured(),
            Recorder::Group(writer) => writer.offset(),
        }
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
    /// With a disk thread it never waits for the disk. Gives the time of the record that was made, if one was.
    ///
    /// # Errors
    /// `System` when the disk fails; what was acknowledged stays. With a disk thread none: see
    /// [`CaptureWriter::recording_state`].
    pub fn take(&mut self, pulled: &Pulled<'_>) -> Result<Option<Nanoseconds>> {
        match pulled {
            Pulled::Chunk(chunk) => {
                self.now = self.now.max(chunk.arrival.unwrap_or(self.now));
                self.append(RecordKind::Bytes, self.now, chunk.bytes)?;
            }
            Pulled::Mark(mark) => self.mark(mark)?,
            Pulled::Quiet(now) => {
                self.now = self.now.max(*now);
                if self.now - self.last < ALIVE_EVERY {
                    return Ok(None);
                }
                self.append(RecordKind::Alive, self.now, &[])?;
            }
            Pulled::End => return Ok(None),
        }
        Ok(Some(self.now))
    }

    /// Takes a remark on the capture.
    ///
    /// # Errors
    /// `System` when the disk fails.
    pub fn mark(&mut self, mark: &Mark) -> Result<()> {
        self.now = self.now.max(mark.t);
        let payload = serde_json::to_vec(&mark.what)
            .map_err(|error| Error::system("cannot write down a mark").at(&self.path).because(error))?;
        self.append(RecordKind::Typed, self.now, &payload)
    }

    fn append(&mut self, kind: RecordKind, t: Nanoseconds, payload: &[u8]) -> Result<()> {
        self.last = t;
        let wall = Anchor::now().unix_ns;
        match &mut self.recorder {
            Recorder::Own(journal) => journal.append(kind, t, wall, payload),
            Recorder::Group(writer) => {
                // What does not fit is counted there, and becomes a record.
                writer.push(kind, t, wall, payload);
                Ok(())
            }
        }
    }

    /// Commits when records have waited for 50 ms; to be called after every pull.
    ///
    /// # Errors
    /// `System` when the disk fails; what was acknowledged stays.
    pub fn commit_if_due(&mut self) -> Result<bool> {
        match &mut self.recorder {
            Recorder::Own(journal) => journal.commit_if_due(self.now),
            Recorder::Group(_) => Ok(false),
        }
    }

    /// Commits at once.
    ///
    /// # Errors
    /// As [`CaptureWriter::commit_if_due`].
    pub fn commit(&mut self) -> Result<()> {
        match &mut self.recorder {
            Recorder::Own(journal) => journal.commit(),
            Recorder::Group(writer) => writer.flush(END_WITHIN).map(|_| ()),
        }
    }

    /// Closes the journal; gives the observed stretch. `busy` is set when a disk thread hangs and still holds
    /// the recording after an error.
    pub(super) fn finish(&mut self, busy: &mut bool) -> Result<Span> {
        if let Recorder::Own(journal) = &self.recorder {
            let close = serde_json::json!({ "captured": journal.captured() }).to_string();
            self.append(RecordKind::Close, self.now, close.as_bytes())?;
            self.commit()?;
            return Ok(self.span());
        }
        // A sign of life, so that the recording is as long as the observation.
        self.append(RecordKind::Alive, self.now, &[])?;
        if let Recorder::Group(writer) = &self.recorder {
            let closed = writer.close(END_WITHIN).map_err(|error| error.at(&self.path));
            *busy = !writer.is_gone();
            closed?;
        }
        Ok(self.span())
    }
}
