//! Wakes the disk thread.

use std::sync::{Condvar, Mutex, PoisonError};
use std::time::Duration;

/// A flag with a waiting room.
#[derive(Debug, Default)]
pub(super) struct Signal {
    raised: Mutex<bool>,
    changed: Condvar,
}

impl Signal {
    /// Wakes whoever waits, now or next.
    pub(super) fn raise(&self) {
        *self.raised.lock().unwrap_or_else(PoisonError::into_inner) = true;
        self.changed.notify_one();
    }

    /// Waits until it is raised, `wait` at most.
    pub(super) fn wait(&self, wait: Duration) {
        let raised = self.raised.lock().unwrap_or_else(PoisonError::into_inner);
        let (mut raised, _) = self
            .changed
            .wait_timeout_while(raised, wait, |raised| !*raised)
            .unwrap_or_else(PoisonError::into_inner);
        *raised = false;
    }
}
