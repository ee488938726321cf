//! What somebody should know of the disk, kept for whoever asks.

use std::collections::VecDeque;
use std::sync::{Mutex, PoisonError};

use crate::base::Anchor;

/// So many notes are kept.
const KEPT: usize = 256;

/// One of them.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Note {
    /// Counted from 0.
    pub number: u64,
    /// When.
    pub at: Anchor,
    /// What.
    pub what: String,
    /// What to do about it.
    pub remedy: Option<String>,
}

#[derive(Debug, Default)]
struct Inner {
    next: u64,
    notes: VecDeque<Note>,
}

/// The last ones.
#[derive(Debug, Default)]
pub(super) struct Notes(Mutex<Inner>);

impl Notes {
    pub(super) fn put(&self, what: String, remedy: Option<&str>) {
        let mut inner = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let number = inner.next;
        inner.next += 1;
        if inner.notes.len() == KEPT {
            inner.notes.pop_front();
        }
        inner.notes.push_back(Note { number, at: Anchor::now(), what, remedy: remedy.map(str::to_owned) });
    }

    /// Those from `from` on that are still kept.
    pub(super) fn since(&self, from: u64) -> Vec<Note> {
        let inner = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        inner.notes.iter().filter(|note| note.number >= from).cloned().collect()
    }

    pub(super) fn next(&self) -> u64 {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).next
    }
}
