//! The bounded buffer between a port and the disk thread.
//!
//! Taking never waits for the disk: the lock is held for a copy or a swap. What does not fit is counted and
//! left out, from there to the next emptying, so that a loss is one gap and not many.

use crate::base::Nanoseconds;
use crate::journal::record::RecordKind;

/// What a record costs besides its payload.
const HEAD_BYTES: usize = 40;

/// A buffer that has grown beyond this is given back when it is empty.
const KEPT_BYTES: usize = 64 << 10;

/// Head of one waiting record.
#[derive(Clone, Copy, Debug)]
pub(super) struct Head {
    pub(super) kind: RecordKind,
    pub(super) t: Nanoseconds,
    pub(super) wall: i64,
    pub(super) length: usize,
}

/// What did not fit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Lost {
    /// Captured bytes.
    pub(super) bytes: u64,
    /// Pieces, remarks included.
    pub(super) pieces: u64,
    pub(super) from: Nanoseconds,
    pub(super) to: Nanoseconds,
    /// Wall clock of the first.
    pub(super) wall: i64,
    /// Whether the disk was full, or failed, while they came; `None` when it was slow.
    pub(super) stopped: Option<bool>,
}

/// Records in the order in which they came.
#[derive(Debug, Default)]
pub(super) struct Batch {
    heads: Vec<Head>,
    bytes: Vec<u8>,
    next: usize,
    at: usize,
}

impl Batch {
    fn push(&mut self, head: Head, payload: &[u8]) {
        self.heads.push(head);
        self.bytes.extend_from_slice(payload);
    }

    /// The first record that was not taken yet.
    pub(super) fn first(&self) -> Option<(Head, &[u8])> {
        let head = *self.heads.get(self.next)?;
        Some((head, self.bytes.get(self.at..self.at + head.length).unwrap_or_default()))
    }

    /// Goes on to the next record.
    pub(super) fn advance(&mut self) {
        if let Some(head) = self.heads.get(self.next) {
            self.at += head.length;
            self.next += 1;
        }
    }

    pub(super) fn is_empty(&self) -> bool {
        self.next >= self.heads.len()
    }

    /// Bytes of what was not taken yet, heads included.
    pub(super) fn cost(&self) -> usize {
        self.bytes.len() - self.at + (self.heads.len() - self.next) * HEAD_BYTES
    }

    fn clear(&mut self) {
        self.heads.clear();
        self.bytes.clear();
        (self.next, self.at) = (0, 0);
        self.bytes.shrink_to(KEPT_BYTES);
        self.heads.shrink_to(KEPT_BYTES / HEAD_BYTES);
    }
}

/// The buffer.
#[derive(Debug)]
pub(super) struct Inbox {
    batch: Batch,
    lost: Option<Lost>,
    limit: usize,
    /// Offset of the next captured byte, lost ones included.
    pub(super) offset: u64,
    /// Captured bytes lost so far.
    pub(super) lost_bytes: u64,
    /// Number of pushes so far, for a flush.
    pub(super) pushed: u64,
}

impl Inbox {
    pub(super) fn new(limit: usize) -> Self {
        Self { batch: Batch::default(), lost: None, limit, offset: 0, lost_bytes: 0, pushed: 0 }
    }

    /// Takes a record, or counts it as lost: `false`. `stopped` says whether the disk takes nothing now, and
    /// whether it is full.
    pub(super) fn push(&mut self, head: Head, payload: &[u8], stopped: Option<bool>) -> bool {
        let Head { kind, t, wall, .. } = head;
        let captured = if kind == RecordKind::Bytes { payload.len() as u64 } else { 0 };
        self.offset += captured;
        self.pushed += 1;
        let fits = self.waiting() + payload.len() + HEAD_BYTES <= self.limit;
        if self.lost.is_none() && fits {
            self.batch.push(Head { length: payload.len(), ..head }, payload);
            return true;
        }
        self.lost_bytes += captured;
        let lost = self.lost.get_or_insert(Lost { bytes: 0, pieces: 0, from: t, to: t, wall, stopped });
        lost.stopped = lost.stopped.or(stopped);
        lost.bytes += captured;
        lost.pieces += 1;
        lost.to = t;
        false
    }

    /// Bytes that wait, heads included.
    pub(super) fn waiting(&self) -> usize {
        self.batch.cost()
    }

    pub(super) fn is_empty(&self) -> bool {
        self.batch.is_empty() && self.lost.is_none()
    }

    /// Gives everything that waits in exchange for an empty batch, and what was lost behind it.
    pub(super) fn swap(&mut self, empty: &mut Batch) -> Option<Lost> {
        empty.clear();
        std::mem::swap(&mut self.batch, empty);
        self.lost.take()
    }
}
