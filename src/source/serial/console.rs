//! The only way by which anything is ever written to a set.

use std::io::Write;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use crate::base::{Error, Result};
use crate::source::serial::wire::Wire;

/// Largest console command, in bytes.
pub const LARGEST_COMMAND: usize = 1024;

/// A handle to write to an open port. Whoever uses it warns the technician first and records what was sent.
#[derive(Clone, Default)]
pub struct Console {
    port: Arc<Mutex<Option<Wire>>>,
}

impl std::fmt::Debug for Console {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Console").field("open", &self.lock().is_some()).finish()
    }
}

impl Console {
    // The lock is held for single assignments and writes; what a panicked thread left is whole.
    fn lock(&self) -> MutexGuard<'_, Option<Wire>> {
        self.port.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// The port is open (again), or gone.
    pub(super) fn set(&self, port: Option<Wire>) {
        *self.lock() = port;
    }

    /// Writes a command to the set; gives the number of bytes.
    ///
    /// # Errors
    /// `Usage` for an empty or too long command; `System` when the port is gone or does not take it.
    pub fn send(&self, command: &[u8]) -> Result<usize> {
        if command.is_empty() || command.len() > LARGEST_COMMAND {
            return Err(Error::usage(format!(
                "a console command has 1 to {LARGEST_COMMAND} bytes, not {}",
                command.len()
            )));
        }
        let mut port = self.lock();
        let Some(port) = port.as_mut() else {
            return Err(Error::system("the port is gone; nothing was written to the set"));
        };
        port.write_all(command).and_then(|()| port.flush()).map_err(|error| {
            Error::system("the port did not take the command; part of it may have been written")
                .because(error)
        })?;
        Ok(command.len())
    }
}
