//! All that differs between systems: folders and permissions, clocks, port names, memory, signals, the local socket.
//!
//! Unix and Windows offer the same names; nothing else in the house asks which of them it runs on (`tests/house.rs`).

#[cfg(unix)]
mod unix;
#[cfg(windows)]
mod windows;

use std::io;
use std::path::{Path, PathBuf};
use std::sync::OnceLock;
use std::time::Instant;

#[cfg(unix)]
pub(crate) use unix::*;
#[cfg(windows)]
pub(crate) use windows::*;

use crate::base::Nanoseconds;

/// What a service reports to its manager.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Moment {
    /// It does its work.
    Ready,
    /// It reads its configuration again.
    Reloading,
    /// It is not stuck.
    Alive,
    /// It ends.
    Stopping,
}

/// The two ends of a pseudo-terminal.
pub(crate) struct PseudoTerminal {
    /// The end that a program drives; writing to it does not wait.
    pub(crate) near: std::fs::File,
    /// The end that is opened by its name, in raw mode.
    pub(crate) far: std::fs::File,
    /// The name.
    pub(crate) path: PathBuf,
}

/// Time since this process first asked, on a clock that stands still where the computer sleeps, if the system has one.
pub(crate) fn running() -> Nanoseconds {
    static BORN: OnceLock<Instant> = OnceLock::new();
    let born = *BORN.get_or_init(Instant::now);
    Nanoseconds(i64::try_from(born.elapsed().as_nanos()).unwrap_or(i64::MAX))
}

/// An existing path in full, links followed, as people write it.
pub(crate) fn full_path(path: &Path) -> io::Result<PathBuf> {
    dunce::canonicalize(path)
}

/// Memory that this process has in use, bytes; 0 where the system does not tell.
pub(crate) fn memory_bytes() -> u64 {
    memory_stats::memory_stats().map_or(0, |memory| memory.physical_mem as u64)
}

fn variable(name: &str) -> Option<PathBuf> {
    std::env::var_os(name).filter(|value| !value.is_empty()).map(PathBuf::from)
}
