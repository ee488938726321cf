//! Files of a job: safe writing, copying with a checksum, and the lock.

use std::fs::{self, File, OpenOptions};
use std::io::{self, Read, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};
use std::time::Duration;

use ring::digest::{Context, SHA256};

use crate::base::{Anchor, Cause, Error, Nanoseconds, Result, quote, system};
use crate::journal::{hexadecimal, seal, sync_folder};

/// Size of the pieces in which files are copied and summed.
const PIECE_BYTES: usize = 1 << 20;

/// Writes a small file of the job so that either the old or the new content is there after a power cut. A job folder
/// may come from elsewhere, so no link in it is followed.
pub(super) fn write_whole(path: &Path, content: &[u8]) -> Result<()> {
    let folder = path.parent().unwrap_or(Path::new("."));
    let mut name = path.as_os_str().to_owned();
    name.push(".new");
    let new = PathBuf::from(name);
    // Left by a write that a power cut has ended.
    let _ = fs::remove_file(&new);
    let written = File::create_new(&new).and_then(|mut file| {
        file.write_all(content)?;
        file.sync_all()
    });
    written
        .and_then(|()| system::replace(&new, path))
        .map_err(|error| Error::system("cannot write this file").at(path).because(error))?;
    sync_folder(folder)
}

/// Makes a folder, and those above it, for this user alone: a capture may hold what is private, whoever makes the job
/// and with whatever mask.
pub(super) fn make_folder(path: &Path) -> io::Result<()> {
    system::make_private_folder(path)
}

/// A folder that grows beside the place that it is to have, `NAME.part`; removed when this is dropped.
pub(super) struct Part(pub(super) PathBuf);

impl Part {
    /// Makes room for it: what an earlier try has left is removed, a folder of somebody else's is not touched.
    pub(super) fn make(place: &Path) -> Result<Self> {
        let mut path = place.as_os_str().to_owned();
        path.push(".part");
        let path = PathBuf::from(path);
        if fs::symlink_metadata(&path).is_ok() {
            if !is_left_over(&path) {
                return Err(Error::usage("something stands where the job is put together")
                    .at(&path)
                    .help("move it away, or choose another place"));
            }
            fs::remove_dir_all(&path).map_err(|error| {
                Error::system("cannot remove what an earlier try has left").at(&path).because(error)
            })?;
        }
        make_folder(&path.join("raw"))
            .map_err(|error| Error::system("cannot make a folder to work in").at(&path).because(error))?;
        Ok(Self(path))
    }

    /// Gives it its place, which must be free for a job.
    pub(super) fn into_place(self, place: &Path) -> Result<()> {
        let failed = |error| Error::io("cannot make the folder of the job", place, error);
        if place.exists() {
            // Nothing but what a creation that was ended half way has made.
            fs::remove_dir_all(place).map_err(failed)?;
        }
        sync_folder(&self.0)?;
        fs::rename(&self.0, place).map_err(failed)?;
        sync_folder(place.parent().filter(|parent| !parent.as_os_str().is_empty()).unwrap_or(Path::new(".")))
    }
}

impl Drop for Part {
    fn drop(&mut self) {
        // Best effort; the next try removes it.
        let _ = fs::remove_dir_all(&self.0);
    }
}

/// Whether a folder holds only what a job is put together from.
fn is_left_over(path: &Path) -> bool {
    const OURS: [&str; 6] = ["raw", "job.lock", "job.toml", "job.toml.new", "straykey.db", "manifest.json"];
    fs::symlink_metadata(path).is_ok_and(|data| data.is_dir())
        && fs::read_dir(path).is_ok_and(|mut entries| {
            entries.all(|entry| entry.is_ok_and(|entry| OURS.iter().any(|name| entry.file_name() == *name)))
        })
}

/// Checksum and length of a file or of what was copied.
pub(super) struct Sum {
    pub(super) sha256: String,
    pub(super) bytes: u64,
}

/// SHA-256 in hexadecimal, as `sha256sum` prints it, and the length. For a folder of segments the sum is that
/// of its `SHA256SUMS`, and the length that of all segments, unpacked; segments without a sum get one.
pub(super) fn sum_of(path: &Path) -> Result<Sum> {
    if path.is_dir() {
        let sealed = seal(path)?;
        return Ok(Sum { sha256: sealed.sha256, bytes: sealed.bytes });
    }
    let file = File::open(path).map_err(|error| Error::io("cannot open this capture", path, error))?;
    pour(file, path, &mut io::sink(), path)
}

/// As [`sum_of`] for a file, with these bytes behind it.
pub(super) fn sum_with(path: &Path, behind: &[u8]) -> Result<Sum> {
    let file = File::open(path).map_err(|error| Error::io("cannot open this file", path, error))?;
    pour(file.chain(behind), path, &mut io::sink(), path)
}

/// Copies a capture unaltered to a new file and makes it safe; an unfinished copy is removed.
pub(super) fn copy_in(from: &Path, to: &Path) -> Result<Sum> {
    if from.is_dir() {
        return Err(Error::input("this is a folder, not a capture").at(from));
    }
    let file = File::open(from).map_err(|error| Error::io("cannot open this capture", from, error))?;
    let mut copy = OpenOptions::new()
        .write(true)
        .create_new(true)
        .open(to)
        .map_err(|error| Error::system("cannot make the copy of the capture").at(to).because(error))?;
    let done = pour(file, from, &mut copy, to).and_then(|sum| {
        copy.sync_all()
            .map_err(|error| Error::system("cannot sync the copy of the capture").at(to).because(error))?;
        Ok(sum)
    });
    if done.is_err() {
        // Best effort: what is left behind is reported as a stranger when the job is opened.
        let _ = fs::remove_file(to);
    }
    let sum = done?;
    protect(to);
    sync_folder(to.parent().unwrap_or(Path::new(".")))?;
    Ok(sum)
}

fn pour(mut from: impl Read, from_path: &Path, to: &mut dyn Write, to_path: &Path) -> Result<Sum> {
    let mut hash = Context::new(&SHA256);
    let mut bytes = 0u64;
    let mut piece = vec![0u8; PIECE_BYTES];
    loop {
        let n = match from.read(&mut piece) {
            Ok(0) => break,
            Ok(n) => n,
            Err(error) if error.kind() == io::ErrorKind::Interrupted => continue,
            Err(error) => return Err(Error::io("cannot read this capture", from_path, error)),
        };
        let part = piece.get(..n).unwrap_or_default();
        hash.update(part);
        bytes += n as u64;
        to.write_all(part).map_err(|error| {
            Error::system("cannot write the copy of the capture")
                .at(to_path)
                .because(error)
                .help("make room on this disk; the original was not touched")
        })?;
    }
    Ok(Sum { sha256: hexadecimal(hash.finish().as_ref()), bytes })
}

/// Takes the write permission away, so that no editor alters a capture by accident. Best effort: not every
/// file system knows permissions, and the checksum is what proves that nothing changed.
pub(super) fn protect(path: &Path) {
    // The segments of a folder may still be packed.
    if let Some(data) = fs::metadata(path).ok().filter(|data| !data.is_dir()) {
        let mut permissions = data.permissions();
        permissions.set_readonly(true);
        let _ = fs::set_permissions(path, permissions);
    }
}

/// Room that is kept free for the end of a recording, should the disk be full then: sums, and what the step log says.
const RESERVE_BYTES: u64 = 64 << 10;

fn reserve_file(folder: &Path) -> PathBuf {
    folder.join("job.reserve")
}

/// Takes the reserve; without it a recording begins all the same.
pub(super) fn take_reserve(folder: &Path) {
    let path = reserve_file(folder);
    let taken = OpenOptions::new().write(true).create_new(true).open(&path).and_then(|mut file| {
        // Not every file system takes room beforehand.
        let taken = fs4::FileExt::allocate(&file, RESERVE_BYTES);
        taken.or_else(|_| file.write_all(&vec![0; RESERVE_BYTES as usize]))
    });
    if taken.is_err() {
        free_reserve(folder);
    }
}

/// Gives the reserve back.
pub(super) fn free_reserve(folder: &Path) {
    let _ = fs::remove_file(reserve_file(folder));
}

/// The job is ours as long as this lives.
#[derive(Debug)]
pub(super) struct Lock {
    _file: File,
}

impl Lock {
    /// Locks the job or says who has it.
    pub(super) fn take(folder: &Path) -> Result<Self> {
        let path = folder.join("job.lock");
        // The lock is written into: a link in a job from elsewhere must not lead that to another file.
        let taken = try_for_a_moment(&path).map_err(|error| {
            Error::system("cannot lock the job")
                .at(&path)
                .because(error)
                .help("keep jobs on a local disk; some network disks cannot lock")
        })?;
        let Some(mut file) = taken else { return Err(held(folder, &path)) };
        let since = Anchor::now().wall(Nanoseconds::ZERO).unwrap_or_default();
        let who = format!("process {}, since {since}\n", std::process::id());
        file.set_len(0)
            .and_then(|()| file.seek(SeekFrom::Start(0)))
            .and_then(|_| file.write_all(who.as_bytes()))
            .map_err(|error| Error::system("cannot write the lock of the job").at(&path).because(error))?;
        Ok(Self { _file: file })
    }
}

/// A program that has just ended, or a child that is just being started, may hold the lock for a moment, so
/// it is tried for 200 ms.
fn try_for_a_moment(path: &Path) -> io::Result<Option<File>> {
    for _ in 0..10 {
        match system::open_lock(path) {
            Ok(None) => std::thread::sleep(Duration::from_millis(20)),
            done => return done,
        }
    }
    system::open_lock(path)
}

/// The error that names who has the job.
fn held(folder: &Path, lock: &Path) -> Error {
    let mut holder = String::new();
    // Without a name in it the message is shorter, no more.
    let _ = File::open(lock).and_then(|lock| lock.take(200).read_to_string(&mut holder));
    let holder = quote(holder.trim().as_bytes());
    let holder = if holder.is_empty() { "another process".to_owned() } else { holder };
    Error::system(format!("the job is open in {holder}"))
        .means(Cause::JobHeld)
        .at(folder)
        .help("end that one first; `straykey job show` works beside it")
}

/// A word made safe for a file's name: letters, digits, `.`, `_` and `-`, 40 characters at most.
pub(super) fn safe_word(word: &str) -> String {
    let mut safe: String = word
        .chars()
        .map(|c| if c.is_ascii_alphanumeric() || matches!(c, '.' | '_' | '-') { c } else { '-' })
        .take(40)
        .collect();
    while safe.starts_with(['.', '-']) {
        safe.remove(0);
    }
    if safe.is_empty() { "capture".to_owned() } else { safe }
}
