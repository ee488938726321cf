//! What SQLite says when it fails, in our words.

use crate::base::{Cause, Error};
use rusqlite::ErrorCode;
use std::path::Path;

/// What a flipped byte makes of a file: no database, a broken page, a value of another type.
pub(crate) fn is_damage(error: &rusqlite::Error) -> bool {
    use rusqlite::Error as E;
    let broken =
        matches!(error.sqlite_error_code(), Some(ErrorCode::NotADatabase | ErrorCode::DatabaseCorrupt));
    broken
        || matches!(
            error,
            E::InvalidColumnType(..)
                | E::FromSqlConversionFailure(..)
                | E::IntegralValueOutOfRange(..)
                | E::Utf8Error(..)
        )
        || matches!(error, E::SqliteFailure(cause, _) if cause.extended_code == 1)
}

/// An index that holds what it cannot.
pub(crate) fn damaged(path: &Path) -> Error {
    Error::system("the index of the job is damaged")
        .at(path)
        .help("`straykey job show JOB --rebuild` rebuilds it from the raw captures, which are not touched")
}

/// An error of the database for people.
pub(crate) fn failed(path: &Path, error: rusqlite::Error) -> Error {
    if is_damage(&error) {
        return damaged(path).because(error);
    }
    let help = match error.sqlite_error_code() {
        Some(ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked) => {
            "another process uses it: end that one first"
        }
        Some(ErrorCode::DiskFull) => "make room on this disk; the raw captures are not touched",
        Some(ErrorCode::ReadOnly | ErrorCode::PermissionDenied | ErrorCode::CannotOpen) => {
            "give this user the right to write there, or copy the job to a place where he has it"
        }
        Some(ErrorCode::SystemIoFailure) => {
            "check the disk and its cable; copy the raw captures elsewhere first"
        }
        _ => "`straykey job show JOB --rebuild` rebuilds it from the raw captures, which are not touched",
    };
    let closed = matches!(
        error.sqlite_error_code(),
        Some(ErrorCode::ReadOnly | ErrorCode::PermissionDenied | ErrorCode::CannotOpen)
    );
    let failed = Error::system("the index of the job does not work").at(path).because(error).help(help);
    if closed { failed.means(Cause::ReadOnly) } else { failed }
}
