//! Files that the program writes for people: whole or not at all, and only plain files are replaced.

use std::fs::{self, File, OpenOptions};
use std::io;
use std::path::{Path, PathBuf};

use crate::base::{Error, Result, system};

/// Longest chain of symbolic links that is followed, as on Linux.
const MOST_LINKS: usize = 40;

/// Writes a file. `what` words the error.
///
/// A plain file, or one that is not there yet, is written beside its place, synced and renamed, and so is its folder: what
/// stands there is whole, survives a power cut, keeps its permissions, and after an error what stood there before still stands. Symbolic links are followed
/// and stay. A device, a pipe or a socket is written through, since a name in its place would cut off its readers.
///
/// # Errors
/// What `write` gives; `System` when the file cannot be made.
pub fn write_output<T>(path: &Path, what: &str, write: impl FnOnce(File) -> Result<T>) -> Result<T> {
    let because = |error, help: &str| Error::system(what).at(path).because(error).help(help);
    let failed =
        |error| because(error, "choose another place, which is there and can be written: --out FILE");
    // Windows keeps a file as it is while another program has it open.
    let kept_there = |error| {
        because(error, "close it where another program has it open, or choose another place: --out FILE")
    };
    let target = follow(path.to_owned()).map_err(failed)?;
    let there = match fs::metadata(&target) {
        Ok(there) => Some(there),
        Err(error) if error.kind() == io::ErrorKind::NotFound => None,
        Err(error) => return Err(failed(error)),
    };
    if there.as_ref().is_some_and(|there| !there.is_file()) {
        // The system refuses a folder here by itself.
        return OpenOptions::new().write(true).open(&target).map_err(failed).and_then(write);
    }
    let part = beside(&target);
    let written =
        OpenOptions::new().write(true).create_new(true).open(&part).map_err(failed).and_then(|file| {
            let kept = file.try_clone().map_err(failed)?;
            let value = write(file)?;
            if let Some(there) = there {
                kept.set_permissions(there.permissions()).map_err(failed)?;
            }
            kept.sync_all().map_err(failed)?;
            system::replace(&part, &target).map_err(kept_there)?;
            let folder = target.parent().unwrap_or(Path::new(""));
            match sync_folder(folder) {
                // A folder that may be written and not read cannot be synced.
                Err(error) if error.kind() != io::ErrorKind::PermissionDenied => Err(failed(error)),
                _ => Ok(value),
            }
        });
    if written.is_err() {
        let _ = fs::remove_file(&part);
    }
    written
}

/// Returns once the names in a folder survive a power cut; an empty path is the present folder.
///
/// # Errors
/// The system's, when the folder cannot be opened or synced.
pub fn sync_folder(folder: &Path) -> io::Result<()> {
    let folder = if folder.as_os_str().is_empty() { Path::new(".") } else { folder };
    system::sync_folder(folder)
}

/// Where a chain of symbolic links ends, whether something is there or not.
fn follow(mut path: PathBuf) -> io::Result<PathBuf> {
    for _ in 0..MOST_LINKS {
        match fs::symlink_metadata(&path) {
            Ok(there) if there.is_symlink() => {
                let next = fs::read_link(&path)?;
                // An absolute one takes the place of the whole path.
                path = path.parent().unwrap_or(Path::new("")).join(next);
            }
            _ => return Ok(path),
        }
    }
    Err(io::Error::other("too many symbolic links"))
}

/// A name in the same folder that nobody else uses.
fn beside(target: &Path) -> PathBuf {
    let name = target.file_name().unwrap_or_default().to_string_lossy();
    target.with_file_name(format!(".{name}.{}.part", std::process::id()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_cannot_be_put_in_its_place_says_so_and_leaves_nothing_beside() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("report.html");
        fs::write(&path, "old").unwrap();
        // A folder takes the file's place while it is written: no system renames a file over that.
        let error = write_output(&path, "cannot write the report", |_| {
            fs::remove_file(&path).unwrap();
            fs::create_dir(&path).unwrap();
            Ok(())
        })
        .unwrap_err();
        assert!(error.to_string().contains("cannot write the report"), "{error}");
        assert!(error.to_string().contains("close it where another program has it open"), "{error}");
        assert_eq!(fs::read_dir(folder.path()).unwrap().count(), 1);
    }
}
