//! The five operations on a file that a journal uses; tests replace them by a disk that fails.

use std::fs::{File, OpenOptions};
use std::io::{self, Write};
use std::os::unix::fs::FileExt;
use std::path::Path;

use crate::base::{Error, Result};

/// A file that is only appended to.
pub trait Disk: Send {
    /// Length in bytes.
    ///
    /// # Errors
    /// As the system gives them.
    fn length(&mut self) -> io::Result<u64>;

    /// Reads at most `into.len()` bytes at `offset`; 0 at the end.
    ///
    /// # Errors
    /// As the system gives them.
    fn read_at(&mut self, offset: u64, into: &mut [u8]) -> io::Result<usize>;

    /// Adds all of `bytes` at the end. After an error any part of them may be there.
    ///
    /// # Errors
    /// As the system gives them.
    fn append(&mut self, bytes: &[u8]) -> io::Result<()>;

    /// Returns once everything appended is safe.
    ///
    /// # Errors
    /// As the system gives them; what is on disk is unknown then.
    fn sync(&mut self) -> io::Result<()>;

    /// Shortens the file to `length` bytes.
    ///
    /// # Errors
    /// As the system gives them.
    fn cut(&mut self, length: u64) -> io::Result<()>;
}

/// A real file.
#[derive(Debug)]
pub struct FileDisk {
    file: File,
}

impl FileDisk {
    /// Makes a new file.
    ///
    /// # Errors
    /// `Machine` when it exists already or cannot be made.
    pub fn create(path: &Path) -> Result<Self> {
        let file = OpenOptions::new()
            .read(true)
            .append(true)
            .create_new(true)
            .open(path)
            .map_err(|error| Error::machine("cannot make this journal").at(path).because(error))?;
        Ok(Self { file })
    }

    /// Opens an existing file to append to it.
    ///
    /// # Errors
    /// `Input` when it is missing or not readable, else `Machine`.
    pub fn open(path: &Path) -> Result<Self> {
        let file = OpenOptions::new()
            .read(true)
            .append(true)
            .open(path)
            .map_err(|error| Error::io("cannot open this journal", path, error))?;
        Ok(Self { file })
    }
}

impl Disk for FileDisk {
    fn length(&mut self) -> io::Result<u64> {
        self.file.metadata().map(|data| data.len())
    }

    fn read_at(&mut self, offset: u64, into: &mut [u8]) -> io::Result<usize> {
        self.file.read_at(into, offset)
    }

    fn append(&mut self, bytes: &[u8]) -> io::Result<()> {
        self.file.write_all(bytes)
    }

    fn sync(&mut self) -> io::Result<()> {
        self.file.sync_data()
    }

    fn cut(&mut self, length: u64) -> io::Result<()> {
        self.file.set_len(length)
    }
}

/// Makes the names in a folder survive a power cut.
///
/// # Errors
/// `Machine` when the folder cannot be synced.
pub(crate) fn sync_folder(folder: &Path) -> Result<()> {
    let folder = if folder.as_os_str().is_empty() { Path::new(".") } else { folder };
    File::open(folder)
        .and_then(|folder| folder.sync_all())
        .map_err(|error| Error::machine("cannot sync this folder").at(folder).because(error))
}
