//! What the reading thread hands over: bounded, in order, and honest about what did not fit.

use std::collections::VecDeque;
use std::fmt;
use std::sync::{Condvar, Mutex, MutexGuard, PoisonError, Weak};
use std::time::{Duration, Instant};

use crate::base::Nanoseconds;
use crate::source::{Mark, What};

/// Most bytes that wait for the consumer: 4 MiB, which is 45 seconds at 921600 baud.
pub const QUEUE_BYTES: usize = 4 << 20;

/// From this many waiting lumps on, new bytes join the last lump, so that one-byte reads cannot fill the
/// memory with bookkeeping. Their own arrival time is lost then; the consumer is seconds behind anyway.
const MANY_LUMPS: usize = 4096;

/// Largest lump that is made by joining.
const LARGEST_LUMP: usize = 64 << 10;

/// One thing that waits.
pub(super) enum Entry {
    /// Bytes that arrived together.
    Lump(Nanoseconds, Vec<u8>),
    /// Bytes that did not fit, counted from this instant on.
    Lost(Nanoseconds, u64),
    /// A remark on the port.
    Mark(Mark),
}

/// What a pull gave.
pub(super) enum Next {
    /// The oldest entry.
    Entry(Entry),
    /// Nothing within the time-out.
    Nothing,
    /// Closed and empty.
    Closed,
}

#[derive(Default)]
struct State {
    entries: VecDeque<Entry>,
    bytes: usize,
    closed: bool,
    stop: bool,
    nudged: bool,
}

/// Queue between the reading thread and the consumer.
#[derive(Default)]
pub(super) struct Queue {
    state: Mutex<State>,
    changed: Condvar,
}

impl Queue {
    /// A thread that panicked while holding the lock leaves whole entries behind: go on with them.
    fn state(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Adds bytes; what does not fit is counted where it is missing.
    pub(super) fn push(&self, t: Nanoseconds, bytes: &[u8]) {
        let mut state = self.state();
        if state.bytes + bytes.len() > QUEUE_BYTES {
            match state.entries.back_mut() {
                Some(Entry::Lost(_, lost)) => *lost += bytes.len() as u64,
                _ => state.entries.push_back(Entry::Lost(t, bytes.len() as u64)),
            }
        } else {
            state.bytes += bytes.len();
            let crowded = state.entries.len() >= MANY_LUMPS;
            match state.entries.back_mut() {
                Some(Entry::Lump(_, last)) if crowded && last.len() + bytes.len() <= LARGEST_LUMP => {
                    last.extend_from_slice(bytes);
                }
                _ => state.entries.push_back(Entry::Lump(t, bytes.to_vec())),
            }
        }
        drop(state);
        self.changed.notify_all();
    }

    /// Adds a remark.
    pub(super) fn mark(&self, t: Nanoseconds, what: What) {
        self.state().entries.push_back(Entry::Mark(Mark { t, what }));
        self.changed.notify_all();
    }

    /// Nothing more will come.
    pub(super) fn close(&self) {
        self.state().closed = true;
        self.changed.notify_all();
    }

    /// Tells the reading thread to end.
    pub(super) fn stop(&self) {
        self.state().stop = true;
        self.changed.notify_all();
    }

    /// Ends the wait of a pull, or of the next one.
    fn nudge(&self) {
        self.state().nudged = true;
        self.changed.notify_all();
    }

    /// Whether the reading thread shall end.
    pub(super) fn is_stopped(&self) -> bool {
        self.state().stop
    }

    /// Waits until told to stop, at most for `time`; `true` when told.
    pub(super) fn wait_for_stop(&self, time: Duration) -> bool {
        let state = self.state();
        let (state, _) = self
            .changed
            .wait_timeout_while(state, time, |state| !state.stop)
            .unwrap_or_else(PoisonError::into_inner);
        state.stop
    }

    /// The oldest entry, waiting for one at most for `time`.
    pub(super) fn pull(&self, time: Duration) -> Next {
        let until = Instant::now() + time;
        let mut state = self.state();
        loop {
            if let Some(entry) = state.entries.pop_front() {
                if let Entry::Lump(_, bytes) = &entry {
                    state.bytes -= bytes.len();
                }
                return Next::Entry(entry);
            }
            if state.closed {
                return Next::Closed;
            }
            let left = until.saturating_duration_since(Instant::now());
            if std::mem::take(&mut state.nudged) || left.is_zero() {
                return Next::Nothing;
            }
            state = self.changed.wait_timeout(state, left).unwrap_or_else(PoisonError::into_inner).0;
        }
    }
}

/// Ends the wait of whoever pulls from a port, for one who has something else for it to do.
#[derive(Clone)]
pub struct Nudge(pub(super) Weak<Queue>);

impl Nudge {
    /// The pull that waits now, or else the next one, comes back at once. Does nothing when the port is closed.
    pub fn now(&self) {
        if let Some(queue) = self.0.upgrade() {
            queue.nudge();
        }
    }
}

impl fmt::Debug for Nudge {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("Nudge")
    }
}

#[cfg(test)]
mod tests {
    use std::sync::Arc;

    use super::*;

    #[test]
    fn a_nudge_ends_the_wait_of_one_pull() {
        let queue = Arc::new(Queue::default());
        let nudge = Nudge(Arc::downgrade(&queue));
        nudge.now();
        let begun = Instant::now();
        assert!(matches!(queue.pull(Duration::from_secs(60)), Next::Nothing));
        let other = std::thread::spawn(move || {
            std::thread::sleep(Duration::from_millis(20));
            nudge.now();
        });
        assert!(matches!(queue.pull(Duration::from_secs(60)), Next::Nothing));
        assert!(begun.elapsed() < Duration::from_secs(50));
        other.join().unwrap();
        assert!(matches!(queue.pull(Duration::from_millis(1)), Next::Nothing));
    }

    fn drain(queue: &Queue) -> (usize, u64, usize) {
        let (mut kept, mut lost, mut entries) = (0, 0, 0);
        while let Next::Entry(entry) = queue.pull(Duration::ZERO) {
            entries += 1;
            match entry {
                Entry::Lump(_, bytes) => kept += bytes.len(),
                Entry::Lost(_, n) => lost += n,
                Entry::Mark(_) => {}
            }
        }
        (kept, lost, entries)
    }

    #[test]
    fn what_does_not_fit_is_counted_where_it_is_missing() {
        let queue = Queue::default();
        let piece = vec![7u8; 1 << 20];
        for i in 0..6 {
            queue.push(Nanoseconds(i), &piece);
        }
        // Four fit, two do not; after one is taken the next fits again and stands behind the loss.
        assert!(matches!(queue.pull(Duration::ZERO), Next::Entry(Entry::Lump(Nanoseconds(0), _))));
        queue.push(Nanoseconds(6), b"after");
        for i in 1..4 {
            assert!(matches!(queue.pull(Duration::ZERO), Next::Entry(Entry::Lump(t, _)) if t.0 == i));
        }
        assert!(matches!(
            queue.pull(Duration::ZERO),
            Next::Entry(Entry::Lost(Nanoseconds(4), lost)) if lost == 2 << 20
        ));
        assert!(matches!(queue.pull(Duration::ZERO), Next::Entry(Entry::Lump(_, b)) if b == b"after"));
        assert!(matches!(queue.pull(Duration::ZERO), Next::Nothing));
    }

    #[test]
    fn single_bytes_do_not_make_endless_entries() {
        let queue = Queue::default();
        for i in 0..300_000 {
            queue.push(Nanoseconds(i), b"x");
        }
        let (kept, lost, entries) = drain(&queue);
        assert_eq!((kept, lost), (300_000, 0));
        assert!(entries < MANY_LUMPS + 10, "{entries}");
    }
}
