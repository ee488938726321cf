//! The second thread: sums and packs what is closed, so that the disk thread need not.

use std::collections::VecDeque;
use std::path::PathBuf;
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError};

use crate::journal::disk::Files;
use crate::journal::group::notes::Notes;
use crate::journal::group::port::{Phase, Shared};
use crate::journal::pack;

/// What is to be done, in order.
pub(super) enum Work {
    /// Segments below a number are closed.
    Closed(PathBuf, u32),
    /// The whole capture is closed.
    Finish(PathBuf, Arc<Shared>),
}

#[derive(Default)]
struct Inner {
    waiting: VecDeque<Work>,
    stop: bool,
}

/// Work between the two threads.
#[derive(Default)]
pub(super) struct WorkQueue {
    inner: Mutex<Inner>,
    changed: Condvar,
    /// Held while names in a folder change, so that no segment is removed while it is packed.
    names: Mutex<()>,
}

impl WorkQueue {
    fn lock(&self) -> MutexGuard<'_, Inner> {
        self.inner.lock().unwrap_or_else(PoisonError::into_inner)
    }

    pub(super) fn put(&self, work: Work) {
        self.lock().waiting.push_back(work);
        self.changed.notify_one();
    }

    /// Ends the thread once it has sealed what is closed; packing may be left for later.
    pub(super) fn stop(&self) {
        self.lock().stop = true;
        self.changed.notify_one();
    }

    /// Runs `task` unless names change just now.
    pub(super) fn while_quiet<T>(&self, task: impl FnOnce() -> T) -> Option<T> {
        let guard = self.names.try_lock().ok()?;
        let done = task();
        drop(guard);
        Some(done)
    }

    /// The next piece of work and whether the end was asked for; `None` at the end.
    fn next(&self) -> Option<(Work, bool)> {
        let inner = self.lock();
        let mut inner = self
            .changed
            .wait_while(inner, |inner| inner.waiting.is_empty() && !inner.stop)
            .unwrap_or_else(PoisonError::into_inner);
        let stop = inner.stop;
        inner.waiting.pop_front().map(|work| (work, stop))
    }

    /// Works until [`WorkQueue::stop`].
    pub(super) fn run(&self, files: &dyn Files, packing: bool, notes: &Notes) {
        while let Some((work, stop)) = self.next() {
            let (folder, below) = match &work {
                Work::Closed(folder, below) => (folder, *below),
                Work::Finish(folder, _) => (folder, u32::MAX),
            };
            let guard = self.names.lock().unwrap_or_else(PoisonError::into_inner);
            let summed = pack::sum_closed(files, folder, below);
            drop(guard);
            if let Err(error) = &summed {
                notes.put(error.to_string(), None);
            }
            if let Work::Finish(_, shared) = &work {
                let mut inner = shared.lock();
                (inner.phase, inner.unsealed) =
                    (Phase::Sealed, summed.as_ref().err().map(ToString::to_string));
                drop(inner);
                shared.changed.notify_all();
            }
            if packing && !stop && summed.is_ok() {
                self.pack_all(files, folder, below, notes);
            }
        }
    }

    fn pack_all(&self, files: &dyn Files, folder: &std::path::Path, below: u32, notes: &Notes) {
        for number in pack::unpacked(files, folder, below).unwrap_or_default() {
            let guard = self.names.lock().unwrap_or_else(PoisonError::into_inner);
            let packed = pack::pack(files, folder, number);
            drop(guard);
            if let Err(error) = packed {
                let help = "the segment stays as it is; it is tried again when the next one is closed";
                notes.put(error.to_string(), Some(help));
                return;
            }
            if self.lock().stop {
                return;
            }
        }
    }
}
