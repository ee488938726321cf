//! The tables, their version, and how the file is opened.

use std::path::Path;
use std::time::Duration;

use rusqlite::{Connection, ErrorCode};

use crate::base::{Error, Result};

/// Version of the tables, in the file as `user_version`. An index of another version is made anew.
pub const SCHEMA_VERSION: i64 = 4;

const TABLES: &str = "
CREATE TABLE IF NOT EXISTS stages (number INTEGER PRIMARY KEY, text TEXT NOT NULL);
CREATE TABLE IF NOT EXISTS steps (
    stage INTEGER PRIMARY KEY, text TEXT NOT NULL, kind TEXT NOT NULL, parts TEXT NOT NULL);
CREATE TABLE IF NOT EXISTS captures (
    name TEXT PRIMARY KEY, stage INTEGER NOT NULL, file TEXT NOT NULL, hands TEXT NOT NULL,
    sha256 TEXT, bytes INTEGER, start_ns INTEGER, end_ns INTEGER,
    decoders TEXT NOT NULL, events INTEGER NOT NULL);
CREATE TABLE IF NOT EXISTS events (
    capture TEXT NOT NULL, n INTEGER NOT NULL, t_ns INTEGER NOT NULL,
    path TEXT NOT NULL, kind TEXT NOT NULL, key TEXT, json TEXT NOT NULL,
    input INTEGER NOT NULL, counts INTEGER,
    PRIMARY KEY (capture, n)) WITHOUT ROWID;
CREATE INDEX IF NOT EXISTS events_time ON events (capture, path, t_ns, input, counts);
CREATE INDEX IF NOT EXISTS events_acts ON events (capture, path, t_ns) WHERE kind <> 'reading';
CREATE INDEX IF NOT EXISTS events_order ON events (capture, n) WHERE kind <> 'reading';
CREATE TABLE IF NOT EXISTS readings (
    capture TEXT NOT NULL, part INTEGER NOT NULL, lines TEXT NOT NULL, packed BLOB NOT NULL,
    PRIMARY KEY (capture, part));
CREATE TABLE IF NOT EXISTS detail (
    capture TEXT NOT NULL, path TEXT NOT NULL, level INTEGER NOT NULL, bucket INTEGER NOT NULL,
    events INTEGER NOT NULL, inputs INTEGER NOT NULL, low INTEGER, high INTEGER,
    PRIMARY KEY (capture, path, level, bucket)) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS findings (
    about TEXT NOT NULL, kind TEXT NOT NULL, json TEXT NOT NULL, PRIMARY KEY (about, kind)) WITHOUT ROWID;
";

/// Empties every table.
pub(super) const CLEAR: &str = "BEGIN; DELETE FROM stages; DELETE FROM steps; DELETE FROM captures; \
     DELETE FROM events; DELETE FROM readings; DELETE FROM detail; DELETE FROM findings; COMMIT;";

/// Opens the file and makes the tables; `None` when it is damaged or of another version.
pub(super) fn open(path: &Path) -> Result<Option<Connection>> {
    match try_open(path) {
        Ok(found) => Ok(found),
        Err(error) => match error.sqlite_error_code() {
            Some(ErrorCode::NotADatabase | ErrorCode::DatabaseCorrupt) => Ok(None),
            _ => Err(failed(path, error)),
        },
    }
}

fn try_open(path: &Path) -> rusqlite::Result<Option<Connection>> {
    let connection = Connection::open(path)?;
    connection.busy_timeout(Duration::from_secs(5))?;
    let version: i64 = connection.pragma_query_value(None, "user_version", |row| row.get(0))?;
    let empty: bool = connection.query_row("SELECT count(*) = 0 FROM sqlite_master", [], |row| row.get(0))?;
    if version != SCHEMA_VERSION && !(version == 0 && empty) {
        return Ok(None);
    }
    // A rebuildable index may lose its last transactions in a power cut, so it need not sync for each.
    connection.pragma_update(None, "journal_mode", "WAL")?;
    connection.pragma_update(None, "synchronous", "NORMAL")?;
    connection.execute_batch(TABLES)?;
    connection.pragma_update(None, "user_version", SCHEMA_VERSION)?;
    Ok(Some(connection))
}

/// An error of the database for people.
pub(super) fn failed(path: &Path, error: rusqlite::Error) -> Error {
    let remedy = match error.sqlite_error_code() {
        Some(ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked) => {
            "another process uses it: end that one first"
        }
        Some(ErrorCode::DiskFull) => "make room on this disk; the raw captures are not touched",
        _ => "delete straykey.db; it is made anew from the raw captures",
    };
    Error::machine("the index of the job does not work").at(path).because(error).remedy(remedy)
}
