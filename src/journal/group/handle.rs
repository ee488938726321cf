//! The port's end of a recording.

use std::sync::{Arc, PoisonError};
use std::time::{Duration, Instant};

use crate::base::{Error, Nanoseconds, Result};
use crate::journal::group::port::{Inner, Phase, RecordingState, Shared};
use crate::journal::inbox::Head;
use crate::journal::record::{LARGEST_PAYLOAD, RecordKind};
use crate::journal::writer::{Acknowledged, COMMIT_BYTES, safe_words};

/// Takes what a port delivers; never waits for the disk, except in [`WriterHandle::flush`] and [`WriterHandle::close`].
///
/// When it is dropped without a close, what waits is still written, and the capture has no close record.
#[derive(Debug)]
pub struct WriterHandle(Arc<Shared>);

impl WriterHandle {
    pub(super) fn new(shared: Arc<Shared>) -> Self {
        Self(shared)
    }

    /// Takes a record. `false` when the buffer is full: the bytes are lost, are counted, and a remark in the
    /// recording will say so.
    ///
    /// `t` is capture time, `wall` the wall clock in nanoseconds since 1970. A remark or another payload that
    /// is no captured bytes is cut to [`LARGEST_PAYLOAD`].
    pub fn push(&self, kind: RecordKind, t: Nanoseconds, wall: i64, payload: &[u8]) -> bool {
        let payload = match kind {
            RecordKind::Bytes => payload,
            _ => payload.get(..payload.len().min(LARGEST_PAYLOAD)).unwrap_or_default(),
        };
        let mut inner = self.0.lock();
        let stopped = match &inner.state {
            RecordingState::Stopped { full, .. } => Some(*full),
            _ => None,
        };
        let before = inner.inbox.waiting();
        let head = Head { kind, t, wall, length: payload.len() };
        let taken = inner.inbox.push(head, payload, stopped);
        let after = inner.inbox.waiting();
        drop(inner);
        // The disk thread is woken twice for a batch: to start its clock, and when there is enough.
        if before == 0 || (before < COMMIT_BYTES && after >= COMMIT_BYTES) {
            self.0.signal.raise();
        }
        taken
    }

    /// Offset of the next captured byte: what its event is to carry. Lost bytes count.
    pub fn offset(&self) -> u64 {
        self.0.lock().inbox.offset
    }

    /// What is certainly on disk; `captured` is the stream offset up to which everything that was not told to
    /// be lost is there, `file` the uncompressed bytes of all segments.
    pub fn acknowledged(&self) -> Acknowledged {
        self.0.lock().acknowledged
    }

    /// How the recording is.
    pub fn state(&self) -> RecordingState {
        self.0.lock().state.clone()
    }

    /// Captured bytes lost so far for want of room in the buffer.
    pub fn lost(&self) -> u64 {
        self.0.lock().inbox.lost_bytes
    }

    /// Bytes that wait in the buffer.
    pub fn waiting(&self) -> usize {
        self.0.lock().inbox.waiting()
    }

    /// Waits until everything pushed so far is on disk or told there to be lost.
    ///
    /// # Errors
    /// `System` when the disk takes nothing now, or not within `wait`.
    pub fn flush(&self, wait: Duration) -> Result<Acknowledged> {
        let (pushed, failures) = {
            let mut inner = self.0.lock();
            inner.hurry = true;
            (inner.inbox.pushed, inner.failures)
        };
        self.0.signal.raise();
        let done = |inner: &Inner| {
            inner.settled >= pushed || inner.phase == Phase::Gone || inner.failures > failures
        };
        self.wait(wait, done, |inner| inner.settled >= pushed)
    }

    /// Ends the capture: everything pushed and a close record are on disk, and the sums are written, when this
    /// returns without an error.
    ///
    /// # Errors
    /// `System` when the disk takes nothing now, or not within `wait`. The recording is let go of then, and
    /// what was acknowledged stays; [`WriterHandle::is_gone`] says whether the disk thread has done so.
    pub fn close(&self, wait: Duration) -> Result<Acknowledged> {
        let failures = {
            let mut inner = self.0.lock();
            inner.phase = Phase::Closing;
            inner.failures
        };
        self.0.signal.raise();
        let done = self.wait(
            wait,
            |inner| matches!(inner.phase, Phase::Sealed | Phase::Gone) || inner.failures > failures,
            |inner| inner.phase == Phase::Sealed && inner.unsealed.is_none(),
        );
        if done.is_err() && self.0.lock().phase == Phase::Closing {
            self.0.lock().phase = Phase::Abandoned;
            self.0.signal.raise();
            // The error that counts is the first.
            let _ = self.wait(Duration::from_secs(1), |inner| inner.phase == Phase::Gone, |_| true);
        }
        done
    }

    /// Whether the disk thread has let go of the recording.
    pub fn is_gone(&self) -> bool {
        matches!(self.0.lock().phase, Phase::Gone | Phase::Sealed)
    }

    fn wait(
        &self,
        wait: Duration,
        done: impl Fn(&Inner) -> bool,
        good: impl Fn(&Inner) -> bool,
    ) -> Result<Acknowledged> {
        let until = Instant::now() + wait;
        let mut inner = self.0.lock();
        while !done(&inner) {
            let left = until.saturating_duration_since(Instant::now());
            if left.is_zero() {
                break;
            }
            inner = self.0.changed.wait_timeout(inner, left).unwrap_or_else(PoisonError::into_inner).0;
        }
        if good(&inner) {
            return Ok(inner.acknowledged);
        }
        let why = match (&inner.state, &inner.unsealed) {
            (RecordingState::Stopped { why, .. }, _) => why.clone(),
            (_, Some(why)) => why.clone(),
            _ if inner.phase == Phase::Gone => "the journals are stopped".to_owned(),
            _ => format!("no answer within {} s", wait.as_secs_f64()),
        };
        Err(Error::system(format!("the disk does not take the recording: {why}"))
            .help(format!("{}; make room on this disk or mend it", safe_words(inner.acknowledged.captured))))
    }
}

impl Drop for WriterHandle {
    fn drop(&mut self) {
        let mut inner = self.0.lock();
        if inner.phase == Phase::Open {
            inner.phase = Phase::Dropped;
            drop(inner);
            self.0.signal.raise();
        }
    }
}
