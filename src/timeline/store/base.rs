//! The index of a job: one file of SQLite.

use rusqlite::Connection;
use std::path::PathBuf;

/// The index.
#[derive(Debug)]
pub struct Store {
    pub(crate) connection: Connection,
    pub(crate) path: PathBuf,
    pub(crate) made_anew: bool,
    pub(crate) damaged: bool,
    pub(crate) in_memory: bool,
}
