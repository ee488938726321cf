//! The tables, their version, and how the file is opened.

use crate::timeline::store::failure::is_damage;
pub(crate) use crate::timeline::store::failure::{damaged, failed};
use std::path::Path;
use std::time::Duration;

use rusqlite::{Connection, OpenFlags};

use crate::base::{Result, system};
use crate::timeline::store::{blocks, detail, readings};

/// Version of the tables, in the file as `user_version`. An index of another version is rebuilt.
pub const SCHEMA_VERSION: i64 = 7;

const TABLES: &str = "
CREATE TABLE IF NOT EXISTS stages (number INTEGER PRIMARY KEY, text TEXT NOT NULL);
CREATE TABLE IF NOT EXISTS steps (
    stage INTEGER PRIMARY KEY, text TEXT NOT NULL, kind TEXT NOT NULL, parts TEXT NOT NULL);
CREATE TABLE IF NOT EXISTS captures (
    name TEXT PRIMARY KEY, stage INTEGER NOT NULL, file TEXT NOT NULL, hands TEXT NOT NULL,
    sha256 TEXT, bytes INTEGER, start_ns INTEGER, end_ns INTEGER,
    decoders TEXT NOT NULL, events INTEGER NOT NULL, sum INTEGER NOT NULL);
CREATE TABLE IF NOT EXISTS events (
    capture TEXT NOT NULL, path TEXT NOT NULL, reading INTEGER NOT NULL, part INTEGER NOT NULL,
    t_low INTEGER NOT NULL, t_high INTEGER NOT NULL, events INTEGER NOT NULL, inputs INTEGER NOT NULL,
    sum INTEGER NOT NULL, packed BLOB NOT NULL, PRIMARY KEY (capture, path, reading, part));
CREATE TABLE IF NOT EXISTS readings (
    capture TEXT NOT NULL, part INTEGER NOT NULL, lines TEXT NOT NULL, packed BLOB NOT NULL,
    sum INTEGER NOT NULL, PRIMARY KEY (capture, part));
CREATE TABLE IF NOT EXISTS detail (
    capture TEXT NOT NULL, path TEXT NOT NULL, level INTEGER NOT NULL, part INTEGER NOT NULL,
    low INTEGER NOT NULL, high INTEGER NOT NULL, sum INTEGER NOT NULL, packed BLOB NOT NULL,
    PRIMARY KEY (capture, path, level, part));
CREATE TABLE IF NOT EXISTS findings (
    about TEXT NOT NULL, kind TEXT NOT NULL, json TEXT NOT NULL, sum INTEGER NOT NULL,
    PRIMARY KEY (about, kind)) WITHOUT ROWID;
";

fn connect(path: &Path) -> rusqlite::Result<Connection> {
    match system::SQLITE_LONG_PATHS {
        Some(way) => Connection::open_with_flags_and_vfs(path, OpenFlags::default(), way),
        None => Connection::open(path),
    }
}

/// Empties every table.
pub(super) const CLEAR: &str = "BEGIN; DELETE FROM stages; DELETE FROM steps; DELETE FROM captures; \
     DELETE FROM events; DELETE FROM readings; DELETE FROM detail; DELETE FROM findings; COMMIT;";

/// Opens the file and makes the tables; `None` when it is damaged or of another version.
pub(super) fn open(path: &Path, look_through: bool) -> Result<Option<Connection>> {
    match try_open(path, look_through) {
        Ok(found) => Ok(found),
        Err(error) if is_damage(&error) => Ok(None),
        Err(error) => Err(failed(path, error)),
    }
}

/// Whether a file is an index of another version, as an earlier or later program leaves it.
pub(super) fn has_other_version(path: &Path) -> bool {
    let look = || -> rusqlite::Result<i64> {
        connect(path)?.pragma_query_value(None, "user_version", |row| row.get(0))
    };
    look().is_ok_and(|version| version != SCHEMA_VERSION)
}

/// Up to this length an index is looked through whenever it is opened: 32 MiB, which holds two million events. What is
/// longer is told to be damaged when the place is met.
const LOOKED_THROUGH: u64 = 32 << 20;

/// Whether pages and rows are as they were written.
fn is_whole(connection: &Connection) -> rusqlite::Result<bool> {
    let told: String = connection.query_row("PRAGMA quick_check(1)", [], |row| row.get(0))?;
    let rows = [blocks::check, readings::check, detail::check, crate::timeline::store::check];
    rows.into_iter().try_fold(told == "ok", |whole, check| Ok(whole && check(connection)?))
}

/// An index that is gone when it is closed.
pub(super) fn in_memory() -> rusqlite::Result<Connection> {
    let connection = Connection::open_in_memory()?;
    connection.execute_batch(TABLES)?;
    Ok(connection)
}

fn try_open(path: &Path, look_through: bool) -> rusqlite::Result<Option<Connection>> {
    let connection = connect(path)?;
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
    let length = std::fs::metadata(path).map_or(0, |data| data.len());
    if look_through && !empty && length <= LOOKED_THROUGH && !is_whole(&connection)? {
        return Ok(None);
    }
    Ok(Some(connection))
}
