//! One port on the disk thread: its buffer, its recording, its troubles.

use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};

use crate::base::{Anchor, Error, Nanoseconds, Result};
use crate::journal::group::signal::Signal;
use crate::journal::inbox::{Batch, Inbox, Lost};
use crate::journal::record::RecordKind;
use crate::journal::recording::Recording;
use crate::journal::writer::{Acknowledged, COMMIT_BYTES, Trouble};
use crate::source::{DiskTrouble, What};

/// After a failure the disk is tried again this often: 1 s.
const RETRY_AFTER: Nanoseconds = Nanoseconds::SECOND;

/// After a full disk the recording goes on when there is room for this much of what waits, 64 KiB: less would stop
/// it again with every few bytes of room.
const ENOUGH_BYTES: usize = 64 << 10;

/// What is left free of a disk that was full, for the blocks that a file system takes beside the bytes.
const SPARE_BYTES: usize = 8 << 10;

/// What a port is told of its recording.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub enum RecordingState {
    /// What is taken goes to the disk.
    #[default]
    Recording,
    /// The disk does not take it: the buffer fills, then bytes are lost. It is tried again every second.
    Stopped {
        /// Why, in the system's words.
        why: String,
        /// Whether the disk is full.
        full: bool,
    },
    /// The capture is complete.
    Closed,
}

/// Where a recording is in its life.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) enum Phase {
    #[default]
    Open,
    /// The port asked for the end; a close record is due.
    Closing,
    /// The port is gone without asking; what waits is written, no close record.
    Dropped,
    /// The port waits no longer for a disk that does not answer.
    Abandoned,
    /// The close record is on disk.
    Closed,
    /// Summed: nothing is left to do.
    Sealed,
    /// The disk thread has let go of it without a close.
    Gone,
}

/// What both ends see.
#[derive(Debug)]
pub(super) struct Inner {
    pub(super) inbox: Inbox,
    pub(super) acknowledged: Acknowledged,
    pub(super) state: RecordingState,
    pub(super) phase: Phase,
    /// Pushes of which every one is on disk, or told to be lost.
    pub(super) settled: u64,
    /// Somebody waits: do not let it rest for 50 ms.
    pub(super) hurry: bool,
    /// Failed attempts so far.
    pub(super) failures: u64,
    /// Why the sums could not be made.
    pub(super) unsealed: Option<String>,
}

/// The lock around it. It is never held during a call to the system.
#[derive(Debug)]
pub(super) struct Shared {
    inner: Mutex<Inner>,
    pub(super) changed: Condvar,
    pub(super) signal: Arc<Signal>,
}

impl Shared {
    pub(super) fn new(limit: usize, recording: &Recording, signal: Arc<Signal>) -> Self {
        let mut inbox = Inbox::new(limit);
        inbox.offset = recording.offset();
        let inner = Inner {
            inbox,
            acknowledged: recording.acknowledged(),
            state: RecordingState::Recording,
            phase: Phase::Open,
            settled: 0,
            hurry: false,
            failures: 0,
            unsealed: None,
        };
        Self { inner: Mutex::new(inner), changed: Condvar::new(), signal }
    }

    /// The lock; a thread that died while it held it has left nothing half done.
    pub(super) fn lock(&self) -> MutexGuard<'_, Inner> {
        self.inner.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// A stretch in which the disk took nothing.
#[derive(Clone, Debug)]
struct Stop {
    since: Nanoseconds,
    /// Wall clock when it began.
    wall: i64,
    next_try: Nanoseconds,
    trouble: Trouble,
    /// The remark on it is in the recording.
    marked: bool,
}

/// The disk thread's end.
pub(super) struct PortWriter {
    pub(super) shared: Arc<Shared>,
    pub(super) recording: Recording,
    batch: Batch,
    /// Lost behind the batch.
    lost: Option<Lost>,
    /// Pushes up to the end of the batch.
    pushed: u64,
    stop: Option<Stop>,
    due: Option<Nanoseconds>,
    /// Uncompressed bytes written, for the forecast.
    pub(super) written: u64,
    /// The disk thread is to tell of this: a stop or its end.
    pub(super) told: Vec<(String, bool)>,
}

/// How long records wait for others to share a sync with.
const GATHER: Nanoseconds = crate::journal::writer::COMMIT_AFTER;

impl PortWriter {
    pub(super) fn new(shared: Arc<Shared>, recording: Recording) -> Self {
        let written = recording.acknowledged().file;
        Self {
            shared,
            recording,
            batch: Batch::default(),
            lost: None,
            pushed: 0,
            stop: None,
            due: None,
            written,
            told: Vec::new(),
        }
    }

    /// Whether the disk takes nothing now; `Some(true)` when it is full.
    pub(super) fn stopped(&self) -> Option<bool> {
        self.stop.as_ref().map(|stop| stop.trouble.full)
    }

    /// First half of a round at monotonic time `now`: what waits is handed to the system when it is time.
    /// `true` when [`PortWriter::second_half`] must follow.
    pub(super) fn first_half(&mut self, now: Nanoseconds) -> bool {
        if let Some(stop) = &self.stop {
            let inner = self.shared.lock();
            let hurry = inner.hurry || inner.phase != Phase::Open;
            drop(inner);
            if (now < stop.next_try && !hurry) || !self.try_again(now) {
                return false;
            }
        }
        if !self.is_due(now) {
            return false;
        }
        let result = self.gather().and_then(|()| self.recording.write_out());
        self.judge(result, now)
    }

    fn is_due(&mut self, now: Nanoseconds) -> bool {
        let inner = self.shared.lock();
        let unfinished = !self.batch.is_empty() || self.lost.is_some() || self.recording.waiting() > 0;
        let pressing = inner.hurry || inner.phase != Phase::Open || unfinished;
        if inner.inbox.is_empty() {
            self.due = None;
            return pressing;
        }
        let due = *self.due.get_or_insert(now.saturating_add(GATHER));
        pressing || now >= due || inner.inbox.waiting() >= COMMIT_BYTES
    }

    /// When the next round must be, at the latest.
    pub(super) fn next_due(&self) -> Option<Nanoseconds> {
        self.stop.as_ref().map(|stop| stop.next_try).or(self.due)
    }

    /// Moves everything that waits into the recording; commits in between when it is much.
    fn gather(&mut self) -> Result<()> {
        if self.batch.is_empty() && self.lost.is_none() {
            let mut inner = self.shared.lock();
            self.lost = inner.inbox.swap(&mut self.batch);
            self.pushed = inner.inbox.pushed;
            inner.hurry = false;
            self.due = None;
        }
        while let Some((head, payload)) = self.batch.first() {
            if self.recording.waiting() >= COMMIT_BYTES {
                self.recording.commit()?;
            }
            if self.recording.is_full(head.t) {
                self.recording.rotate(head.t, head.wall)?;
            }
            self.recording.add(head.kind, head.t, head.wall, payload)?;
            self.batch.advance();
        }
        if let Some(lost) = self.lost {
            let why = match lost.stopped {
                Some(true) => DiskTrouble::Full,
                Some(false) => DiskTrouble::Failed,
                None => DiskTrouble::Slow,
            };
            let (bytes, pieces) = (lost.bytes, lost.pieces);
            let what = What::NotRecorded { bytes, pieces, from: lost.from.0, to: lost.to.0, why };
            let payload = serde_json::to_vec(&what).unwrap_or_default();
            self.recording.skip(lost.bytes);
            self.recording.add(RecordKind::Typed, lost.to, lost.wall, &payload)?;
            self.told.push((what.to_string(), false));
            self.lost = None;
        }
        let inner = self.shared.lock();
        // What came while an earlier batch was written has its turn first.
        let last = inner.phase == Phase::Closing && inner.inbox.is_empty();
        drop(inner);
        if last && !self.recording.is_closed() {
            let close = serde_json::json!({ "captured": self.recording.offset() }).to_string();
            let wall = Anchor::now().unix_ns;
            self.recording.add(RecordKind::Close, self.recording.last(), wall, close.as_bytes())?;
        }
        Ok(())
    }

    /// Second half: syncs, and tells the port. `true` when a segment was closed.
    pub(super) fn second_half(&mut self, now: Nanoseconds) -> bool {
        let before = self.recording.number();
        let mut result = self.recording.sync_out();
        if result.is_ok() && self.recording.is_full(self.recording.last()) {
            result = self.recording.rotate(self.recording.last(), Anchor::now().unix_ns);
        }
        if self.judge(result, now) {
            self.settle();
        }
        self.recording.number() > before
    }

    fn settle(&mut self) {
        let acknowledged = self.recording.acknowledged();
        self.written = self.written.max(acknowledged.file);
        let mut inner = self.shared.lock();
        inner.acknowledged = acknowledged;
        inner.settled = self.pushed;
        inner.state = RecordingState::Recording;
        if inner.phase == Phase::Closing && self.recording.is_closed() {
            (inner.phase, inner.state) = (Phase::Closed, RecordingState::Closed);
        }
        drop(inner);
        self.shared.changed.notify_all();
    }

    /// Takes an error as a stop.
    fn judge(&mut self, result: Result<()>, now: Nanoseconds) -> bool {
        let Err(error) = result else { return true };
        let trouble = self.recording.trouble().cloned().unwrap_or_else(|| Trouble::of(&error));
        let next_try = now.saturating_add(RETRY_AFTER);
        match &mut self.stop {
            Some(stop) => (stop.next_try, stop.trouble) = (next_try, trouble),
            None => {
                let wall = Anchor::now().unix_ns;
                self.told.push((format!("recording stands still: {}", words(&error)), true));
                self.stop = Some(Stop { since: now, wall, next_try, trouble, marked: false });
            }
        }
        self.show_stop();
        false
    }

    fn show_stop(&mut self) {
        let Some(stop) = &self.stop else { return };
        let mut inner = self.shared.lock();
        inner.acknowledged = self.recording.acknowledged();
        inner.failures += 1;
        inner.state = RecordingState::Stopped { why: stop.trouble.why.clone(), full: stop.trouble.full };
        drop(inner);
        self.shared.changed.notify_all();
    }

    /// Tries to go on after a stop; `true` when it does. The remark on it is the next record.
    fn try_again(&mut self, now: Nanoseconds) -> bool {
        let Some(stop) = self.stop.clone() else { return true };
        let wall = Anchor::now().unix_ns;
        let text = format!(
            "the recording stood still for {} s: {}",
            now.saturating_sub(stop.since),
            match stop.trouble {
                Trouble { full: true, .. } => "the disk was full",
                Trouble { removed: true, .. } => "its file was removed, and what was recorded in it is lost",
                _ => "the disk failed",
            }
        );
        let result =
            self.room(stop.trouble.full).and_then(|room| self.recording.mend(wall, room)).and_then(|()| {
                if !stop.marked {
                    self.recording.add(
                        RecordKind::Mark,
                        self.recording.last(),
                        stop.wall,
                        text.as_bytes(),
                    )?;
                    if let Some(stop) = &mut self.stop {
                        stop.marked = true;
                    }
                }
                self.recording.commit()
            });
        if !self.judge(result, now) {
            return false;
        }
        self.stop = None;
        self.told.push((text, false));
        if self.batch.is_empty() && self.lost.is_none() {
            // Nothing may come for long: that it records again is told now.
            self.settle();
        }
        true
    }

    /// How much may be written at once after a stop; an error while a full disk has not room enough.
    fn room(&self, full: bool) -> Result<usize> {
        let Some(room) = self.recording.room().filter(|_| full) else { return Ok(usize::MAX) };
        let free = usize::try_from(room.free).unwrap_or(usize::MAX).saturating_sub(SPARE_BYTES);
        let waiting = self.shared.lock().inbox.waiting() + self.batch.cost() + self.recording.waiting();
        if free >= waiting.min(ENOUGH_BYTES) {
            return Ok(free);
        }
        let full = std::io::Error::from(std::io::ErrorKind::StorageFull);
        Err(Error::system("the disk is still full").at(self.recording.folder()).because(full))
    }

    /// Puts a remark into the recording and makes it safe.
    pub(super) fn remark(&mut self, text: &str, now: Nanoseconds) -> bool {
        if self.stop.is_some() {
            return false;
        }
        let wall = Anchor::now().unix_ns;
        let t = self.recording.last();
        let result = self
            .recording
            .add(RecordKind::Mark, t, wall, text.as_bytes())
            .and_then(|()| self.recording.commit());
        self.judge(result, now)
    }
}

fn words(error: &Error) -> String {
    match std::error::Error::source(error) {
        Some(cause) => format!("{} ({cause})", error.what()),
        None => error.what().to_owned(),
    }
}
