//! Locks around values that are whole at any time.

use std::sync::{Mutex, MutexGuard, PoisonError};

/// The value, also after a thread panicked that held it.
pub(crate) fn locked<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}
