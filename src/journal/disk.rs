//! Every call to the system that a journal makes; tests replace them by a disk that fails.
//!
//! [`Disk`] is what is done to one open file, [`Files`] what is done by name. Nothing else in this layer
//! touches a disk.

use std::fs::{self, File, OpenOptions};
use std::io::{self, Read, Seek, SeekFrom, Write};
use std::path::Path;

use crate::base::{Error, Result, system};

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

    /// Adds a first part of `bytes` at the end, and says how many that were.
    ///
    /// # Errors
    /// As the system gives them; `StorageFull` when the disk is full.
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize>;

    /// Returns once everything written is safe.
    ///
    /// # Errors
    /// As the system gives them; what is on disk is unknown then.
    fn sync(&mut self) -> io::Result<()>;

    /// Shortens the file to `length` bytes.
    ///
    /// # Errors
    /// As the system gives them.
    fn cut(&mut self, length: u64) -> io::Result<()>;

    /// Whether the file still has a name: one that was removed takes writes as before, and keeps nothing.
    ///
    /// # Errors
    /// As the system gives them.
    fn has_name(&mut self) -> io::Result<bool> {
        Ok(true)
    }

    /// Adds all of `bytes` at the end. After an error any part of them may be there.
    ///
    /// # Errors
    /// As [`Disk::write`]; `WriteZero` when the disk takes nothing.
    fn append(&mut self, mut bytes: &[u8]) -> io::Result<()> {
        while !bytes.is_empty() {
            match self.write(bytes) {
                Ok(0) => return Err(io::ErrorKind::WriteZero.into()),
                Ok(n) => bytes = bytes.get(n..).unwrap_or_default(),
                Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                Err(error) => return Err(error),
            }
        }
        Ok(())
    }
}

/// Room on a disk.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Room {
    /// Bytes that this user may still write.
    pub free: u64,
    /// Bytes of the whole disk.
    pub total: u64,
}

/// What is done to files by their names.
pub trait Files: Send + Sync {
    /// Makes a new file; fails when the name is taken.
    ///
    /// # Errors
    /// As the system gives them, here and below.
    fn create(&self, path: &Path) -> io::Result<Box<dyn Disk>>;

    /// Opens an existing file to append to it.
    fn open(&self, path: &Path) -> io::Result<Box<dyn Disk>>;

    /// Opens an existing file to read it from its beginning.
    fn read(&self, path: &Path) -> io::Result<Box<dyn Read + Send>>;

    /// Makes a folder; fails when the name is taken.
    fn make_folder(&self, path: &Path) -> io::Result<()>;

    /// Names and lengths of the files in a folder, in no order.
    fn list(&self, folder: &Path) -> io::Result<Vec<(String, u64)>>;

    /// Gives a file another name, in the place of one that has it.
    fn rename(&self, from: &Path, to: &Path) -> io::Result<()>;

    /// Removes a file.
    fn remove(&self, path: &Path) -> io::Result<()>;

    /// Returns once the names in a folder are safe.
    fn sync_folder(&self, folder: &Path) -> io::Result<()>;

    /// Room on the disk that holds a folder.
    fn room(&self, folder: &Path) -> io::Result<Room>;
}

/// A real file. It stands at its end but while it is read.
#[derive(Debug)]
pub struct FileDisk {
    file: File,
}

impl FileDisk {
    /// Makes a new file.
    ///
    /// # Errors
    /// `System` when it exists already or cannot be made.
    pub fn create(path: &Path) -> Result<Self> {
        Self::create_new(path)
            .map_err(|error| Error::system("cannot make this journal").at(path).because(error))
    }

    fn create_new(path: &Path) -> io::Result<Self> {
        let file = OpenOptions::new().read(true).write(true).create_new(true).open(path)?;
        Ok(Self { file })
    }

    /// Opens an existing file to append to it.
    ///
    /// # Errors
    /// `Input` when it is missing or not readable, else `System`.
    pub fn open(path: &Path) -> Result<Self> {
        Self::existing(path).map_err(|error| Error::io("cannot open this journal", path, error))
    }

    fn existing(path: &Path) -> io::Result<Self> {
        // To append alone would not do: Windows lets nobody cut such a file.
        let mut file = OpenOptions::new().read(true).write(true).open(path)?;
        file.seek(SeekFrom::End(0))?;
        Ok(Self { file })
    }
}

impl Disk for FileDisk {
    fn length(&mut self) -> io::Result<u64> {
        self.file.metadata().map(|data| data.len())
    }

    fn read_at(&mut self, offset: u64, into: &mut [u8]) -> io::Result<usize> {
        self.file.seek(SeekFrom::Start(offset))?;
        let read = self.file.read(into);
        self.file.seek(SeekFrom::End(0))?;
        read
    }

    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.file.write(bytes)
    }

    fn sync(&mut self) -> io::Result<()> {
        self.file.sync_data()
    }

    fn cut(&mut self, length: u64) -> io::Result<()> {
        self.file.set_len(length)?;
        self.file.seek(SeekFrom::End(0)).map(|_| ())
    }

    fn has_name(&mut self) -> io::Result<bool> {
        system::has_name(&self.file)
    }
}

/// The real disk.
#[derive(Clone, Copy, Debug, Default)]
pub struct SystemFiles;

impl Files for SystemFiles {
    fn create(&self, path: &Path) -> io::Result<Box<dyn Disk>> {
        Ok(Box::new(FileDisk::create_new(path)?))
    }

    fn open(&self, path: &Path) -> io::Result<Box<dyn Disk>> {
        Ok(Box::new(FileDisk::existing(path)?))
    }

    fn read(&self, path: &Path) -> io::Result<Box<dyn Read + Send>> {
        Ok(Box::new(File::open(path)?))
    }

    fn make_folder(&self, path: &Path) -> io::Result<()> {
        fs::create_dir(path)
    }

    fn list(&self, folder: &Path) -> io::Result<Vec<(String, u64)>> {
        let mut found = Vec::new();
        for entry in fs::read_dir(folder)? {
            let entry = entry?;
            // A file may be renamed or removed between the two calls.
            let length = entry.metadata().map_or(0, |data| data.len());
            found.push((entry.file_name().to_string_lossy().into_owned(), length));
        }
        Ok(found)
    }

    fn rename(&self, from: &Path, to: &Path) -> io::Result<()> {
        system::replace(from, to)
    }

    fn remove(&self, path: &Path) -> io::Result<()> {
        fs::remove_file(path)
    }

    fn sync_folder(&self, folder: &Path) -> io::Result<()> {
        crate::base::sync_folder(folder)
    }

    fn room(&self, folder: &Path) -> io::Result<Room> {
        let found = fs4::statvfs(folder)?;
        Ok(Room { free: found.available_space(), total: found.total_space() })
    }
}

/// Makes the names in a folder survive a power cut.
///
/// # Errors
/// `System` when the folder cannot be synced.
pub(crate) fn sync_folder(folder: &Path) -> Result<()> {
    SystemFiles
        .sync_folder(folder)
        .map_err(|error| Error::system("cannot sync this folder").at(folder).because(error))
}

/// Whether an error of the system says that the disk is full.
pub(super) fn is_full(error: &io::Error) -> bool {
    matches!(error.kind(), io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded)
}
