//! Append and group commit: acknowledged means on disk.

use std::io::{self, Read};
use std::path::{Path, PathBuf};

use crate::base::{Anchor, Error, Nanoseconds, Result};
use crate::journal::disk::{Disk, FileDisk, is_full, sync_folder};
use crate::journal::reader::Recovered;
use crate::journal::record::{
    HEADER_BYTES, Header, LARGEST_PAYLOAD, RECORD_BYTES, Record, RecordKind, Status,
};
use crate::journal::walk::{Step, Walk};

/// A commit is due when so many bytes wait: 256 KiB.
pub const COMMIT_BYTES: usize = 256 << 10;

/// A commit is due so long after the first waiting record: 50 ms.
pub const COMMIT_AFTER: Nanoseconds = Nanoseconds::from_millis(50);

/// What is certainly on disk.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Acknowledged {
    /// Records, those of earlier openings included when none of them was damaged.
    pub records: u64,
    /// Captured bytes.
    pub captured: u64,
    /// Length of the file.
    pub file: u64,
}

/// What is said of it.
const REMOVED: &str = "the file of this capture was removed while it was recorded";

/// Why a write failed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Trouble {
    /// In the system's words.
    pub(super) why: String,
    /// Whether the disk was full.
    pub(super) full: bool,
    /// Whether the file was removed while it was written.
    pub(super) removed: bool,
}

impl Trouble {
    /// From an error that a failing disk gave.
    pub(super) fn of(error: &Error) -> Self {
        let cause = std::error::Error::source(error);
        let full = cause.and_then(|cause| cause.downcast_ref::<io::Error>()).is_some_and(is_full);
        Self { why: cause.map_or_else(|| error.what().to_owned(), ToString::to_string), full, removed: false }
    }
}

/// Writes one journal.
///
/// After a failed write or sync it refuses everything: nobody knows what is on disk until the file is
/// opened again and looked through.
pub struct Writer {
    disk: Box<dyn Disk>,
    path: PathBuf,
    anchor: Anchor,
    waiting: Vec<u8>,
    waiting_since: Option<Nanoseconds>,
    sequence: u32,
    records: u64,
    offset: u64,
    last: Nanoseconds,
    acknowledged: Acknowledged,
    broken: Option<Trouble>,
    closed: bool,
}

impl std::fmt::Debug for Writer {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Writer")
            .field("path", &self.path)
            .field("acknowledged", &self.acknowledged)
            .field("broken", &self.broken)
            .finish_non_exhaustive()
    }
}

impl Writer {
    /// Makes a new journal; when this returns, the empty journal and its name are safe.
    ///
    /// `anchor` is the wall clock at capture time zero.
    ///
    /// # Errors
    /// `System` when the file exists already, or cannot be made or synced.
    pub fn create(path: &Path, anchor: Anchor) -> Result<Self> {
        let writer = Self::create_on(Box::new(FileDisk::create(path)?), path, anchor)?;
        sync_folder(path.parent().unwrap_or(Path::new(".")))?;
        Ok(writer)
    }

    /// As [`Writer::create`], on a disk of the caller's; `path` is for messages alone.
    ///
    /// # Errors
    /// `System` when the header cannot be written or synced.
    pub fn create_on(mut disk: Box<dyn Disk>, path: &Path, anchor: Anchor) -> Result<Self> {
        let header = Header { anchor: anchor.unix_ns }.write();
        disk.append(&header)
            .and_then(|()| disk.sync())
            .map_err(|error| cannot_write(path, &Acknowledged::default(), error))?;
        let mut writer = Self::on(disk, path, anchor);
        writer.acknowledged.file = HEADER_BYTES as u64;
        Ok(writer)
    }

    /// Opens a journal to append to it: looks it through, cuts a torn tail, and says what it found.
    ///
    /// # Errors
    /// `Input` when it is missing or no journal, `System` when the disk fails.
    pub fn open(path: &Path) -> Result<(Self, Recovered)> {
        Self::open_on(Box::new(FileDisk::open(path)?), path)
    }

    /// As [`Writer::open`], on a disk of the caller's; `path` is for messages alone.
    ///
    /// # Errors
    /// As [`Writer::open`].
    pub fn open_on(mut disk: Box<dyn Disk>, path: &Path) -> Result<(Self, Recovered)> {
        let mut walk = Walk::new(OnDisk { disk: &mut *disk, at: 0 }).map_err(|error| error.at(path))?;
        let mut records = 0u64;
        loop {
            match walk.step().map_err(|error| error.at(path))? {
                Step::Record(_) => records += 1,
                Step::Mark(_) => {}
                Step::End => break,
            }
        }
        let recovered = walk.recovered.unwrap_or_default();
        let (anchor, sequence, offset) = (walk.anchor, walk.sequence, walk.offset);
        let (last, closed) = (walk.t, walk.closed);
        if recovered.kept < HEADER_BYTES as u64 {
            return Err(Error::input("this journal was never finished being made, and holds nothing")
                .at(path)
                .help("remove the file and begin the capture again"));
        }
        let length = disk
            .length()
            .map_err(|error| Error::system("cannot look at this journal").at(path).because(error))?;
        if length != recovered.kept + recovered.cut {
            return Err(Error::system("this journal changes while it is read: another process writes it")
                .at(path)
                .help("end that process first"));
        }
        if recovered.cut > 0 {
            disk.cut(recovered.kept)
                .and_then(|()| disk.sync())
                .map_err(|error| Error::system("cannot cut the torn tail").at(path).because(error))?;
        }
        let mut writer = Self::on(disk, path, anchor.unwrap_or(Anchor { unix_ns: 0 }));
        writer.sequence = sequence;
        writer.records = records;
        writer.offset = offset;
        writer.last = last;
        writer.closed = closed;
        writer.acknowledged = Acknowledged { records, captured: offset, file: recovered.kept };
        Ok((writer, recovered))
    }

    fn on(disk: Box<dyn Disk>, path: &Path, anchor: Anchor) -> Self {
        Self {
            disk,
            path: path.to_owned(),
            anchor,
            waiting: Vec::new(),
            waiting_since: None,
            sequence: 0,
            records: 0,
            offset: 0,
            last: Nanoseconds::ZERO,
            acknowledged: Acknowledged::default(),
            broken: None,
            closed: false,
        }
    }

    /// Wall clock at capture time zero.
    pub fn anchor(&self) -> Anchor {
        self.anchor
    }

    /// What is certainly on disk.
    pub fn acknowledged(&self) -> Acknowledged {
        self.acknowledged
    }

    /// Capture time of the last record.
    pub fn last(&self) -> Nanoseconds {
        self.last
    }

    /// Captured bytes so far, the waiting ones included.
    pub fn captured(&self) -> u64 {
        self.offset
    }

    /// Whether the capture was ended in an orderly way.
    pub fn is_closed(&self) -> bool {
        self.closed
    }

    /// Adds a record; bytes longer than [`LARGEST_PAYLOAD`] become several. Commits when 256 KiB wait.
    ///
    /// `t` is capture time, `wall` the wall clock in nanoseconds since 1970.
    ///
    /// # Errors
    /// `Usage` for an entry, mark or origin longer than [`LARGEST_PAYLOAD`] and for anything after a close;
    /// `System` when a commit fails or an earlier one has.
    pub fn append(&mut self, kind: RecordKind, t: Nanoseconds, wall: i64, payload: &[u8]) -> Result<()> {
        self.add(kind, t, wall, payload)?;
        if self.waiting.len() >= COMMIT_BYTES { self.commit() } else { Ok(()) }
    }

    /// As [`Writer::append`], into memory alone: all of it is taken, or nothing.
    pub(super) fn add(&mut self, kind: RecordKind, t: Nanoseconds, wall: i64, payload: &[u8]) -> Result<()> {
        self.check()?;
        if self.closed {
            return Err(Error::usage("this capture is closed; nothing can be added to it").at(&self.path));
        }
        if kind != RecordKind::Bytes && payload.len() > LARGEST_PAYLOAD {
            return Err(Error::usage(format!(
                "an entry of {} bytes does not fit into the journal; {LARGEST_PAYLOAD} at most",
                payload.len()
            ))
            .at(&self.path));
        }
        let (first, mut rest) = payload.split_at(payload.len().min(LARGEST_PAYLOAD));
        self.put(kind, t, wall, first);
        while !rest.is_empty() {
            let (next, after) = rest.split_at(rest.len().min(LARGEST_PAYLOAD));
            self.put(kind, t, wall, next);
            rest = after;
        }
        self.closed = kind == RecordKind::Close;
        Ok(())
    }

    /// The bytes that the next record would be on disk: what [`Writer::append`] writes when nothing waits.
    pub fn next_bytes(&self, kind: RecordKind, t: Nanoseconds, wall: i64, payload: &[u8]) -> Vec<u8> {
        let mut bytes = Vec::new();
        let (sequence, offset) = (self.sequence, self.offset);
        Record { kind, source: 0, sequence, offset, t: t.0, wall, payload }.write(&mut bytes);
        bytes
    }

    fn put(&mut self, kind: RecordKind, t: Nanoseconds, wall: i64, payload: &[u8]) {
        let record =
            Record { kind, source: 0, sequence: self.sequence, offset: self.offset, t: t.0, wall, payload };
        record.write(&mut self.waiting);
        self.sequence = self.sequence.wrapping_add(1);
        self.records += 1;
        if kind == RecordKind::Bytes {
            self.offset += payload.len() as u64;
        }
        self.last = t;
        self.waiting_since.get_or_insert(t);
    }

    /// Commits if records have waited for 50 ms of capture time; `now` is the present capture time.
    /// `true` when it did.
    ///
    /// # Errors
    /// As [`Writer::commit`].
    pub fn commit_if_due(&mut self, now: Nanoseconds) -> Result<bool> {
        match self.waiting_since {
            Some(since) if now.saturating_sub(since) >= COMMIT_AFTER => self.commit().map(|()| true),
            _ => Ok(false),
        }
    }

    /// Writes and syncs all waiting records; they are acknowledged when this returns without an error.
    ///
    /// # Errors
    /// `System` when the disk is full or fails, now or earlier. What was acknowledged before stays safe.
    pub fn commit(&mut self) -> Result<()> {
        self.write_out()?;
        self.sync_out()
    }

    /// First half of a commit: hands what waits to the system. [`Writer::sync_out`] must follow before
    /// anything is added.
    pub(super) fn write_out(&mut self) -> Result<()> {
        self.check()?;
        self.guard(|disk, waiting| if waiting.is_empty() { Ok(()) } else { disk.append(waiting) })
    }

    /// Second half: what was handed over is safe when this returns without an error.
    pub(super) fn sync_out(&mut self) -> Result<()> {
        self.check()?;
        if self.waiting.is_empty() {
            return Ok(());
        }
        self.guard(|disk, _| disk.sync())?;
        self.check_name()?;
        self.acknowledged = Acknowledged {
            records: self.records,
            captured: self.offset,
            file: self.acknowledged.file + self.waiting.len() as u64,
        };
        self.waiting.clear();
        self.waiting_since = None;
        Ok(())
    }

    /// What was written to a file that somebody has removed is not there: nothing of it is acknowledged any more.
    fn check_name(&mut self) -> Result<()> {
        if self.disk.has_name().unwrap_or(true) {
            return Ok(());
        }
        self.acknowledged = Acknowledged::default();
        self.broken = Some(Trouble { why: REMOVED.to_owned(), full: false, removed: true });
        Err(Error::system(REMOVED).at(&self.path).help("begin the capture again; what came before is lost"))
    }

    /// As [`Writer::commit`] on a disk that is nearly full: whole records within `room` bytes, the others wait on.
    ///
    /// # Errors
    /// As [`Writer::commit`]; `System` with a full disk as its cause when something waits still.
    pub(super) fn commit_within(&mut self, room: usize) -> Result<()> {
        if self.waiting.len() <= room {
            return self.commit();
        }
        self.check()?;
        let (mut fits, mut count, mut captured) = (0, 0, self.acknowledged.captured);
        while let Status::Valid(record, length) = Record::read(self.waiting.get(fits..).unwrap_or_default()) {
            if fits + length > room {
                break;
            }
            (fits, count) = (fits + length, count + 1);
            captured = record.offset;
            if record.kind == RecordKind::Bytes {
                captured += record.payload.len() as u64;
            }
        }
        if fits > 0 {
            self.guard(|disk, waiting| {
                disk.append(waiting.get(..fits).unwrap_or_default())?;
                disk.sync()
            })?;
            let Acknowledged { records, file, .. } = self.acknowledged;
            self.acknowledged = Acknowledged { records: records + count, captured, file: file + fits as u64 };
            self.waiting.drain(..fits);
        }
        Err(cannot_write(&self.path, &self.acknowledged, io::ErrorKind::StorageFull.into()))
    }

    fn guard(&mut self, run: impl FnOnce(&mut dyn Disk, &[u8]) -> io::Result<()>) -> Result<()> {
        run(&mut *self.disk, &self.waiting).map_err(|error| {
            self.broken = Some(Trouble { why: error.to_string(), full: is_full(&error), removed: false });
            cannot_write(&self.path, &self.acknowledged, error)
        })
    }

    /// After a failure: takes the file back to what was acknowledged. Nothing is believed of what a failed
    /// write or sync has left behind it; the records still waiting are written again by the next commit.
    ///
    /// # Errors
    /// `System` when the disk still fails; it may be tried again.
    pub(super) fn mend(&mut self) -> Result<()> {
        if self.broken.is_none() {
            return Ok(());
        }
        self.disk
            .cut(self.acknowledged.file)
            .and_then(|()| self.disk.sync())
            .map_err(|error| cannot_write(&self.path, &self.acknowledged, error))?;
        self.broken = None;
        Ok(())
    }

    /// Why the last write failed, when it did.
    pub(super) fn trouble(&self) -> Option<&Trouble> {
        self.broken.as_ref()
    }

    /// Bytes of records that wait for a commit.
    pub(super) fn waiting(&self) -> usize {
        self.waiting.len()
    }

    /// The captured bytes go on at `offset`: those between were lost, or stand in an earlier segment.
    pub(super) fn go_on_at(&mut self, offset: u64) {
        self.offset = offset;
        if self.waiting.is_empty() {
            self.acknowledged.captured = offset;
        }
    }

    fn check(&self) -> Result<()> {
        match &self.broken {
            None => Ok(()),
            Some(Trouble { why, .. }) => {
                Err(Error::system(format!("the journal takes nothing more: an earlier write failed ({why})"))
                    .at(&self.path)
                    .help("mend the disk, then open the job again; what was acknowledged is kept"))
            }
        }
    }
}

/// How much is on disk, for people.
pub(super) fn safe_words(captured: u64) -> String {
    match captured {
        0 => "nothing of this capture is on disk".to_owned(),
        captured => format!("{captured} captured bytes are safe on disk"),
    }
}

fn cannot_write(path: &Path, acknowledged: &Acknowledged, error: io::Error) -> Error {
    let full = is_full(&error);
    let what = if full { "the disk is full: the journal cannot grow" } else { "cannot write the journal" };
    let safe = format!("{}; the rest of this capture is not recorded", safe_words(acknowledged.captured));
    let help = if full {
        format!("{safe}. Make room on this disk, then start the capture again")
    } else {
        format!("{safe}. Check the disk, then start the capture again")
    };
    Error::system(what).at(path).because(error).help(help)
}

/// A disk read from its beginning.
struct OnDisk<'a> {
    disk: &'a mut dyn Disk,
    at: u64,
}

impl Read for OnDisk<'_> {
    fn read(&mut self, into: &mut [u8]) -> io::Result<usize> {
        let n = self.disk.read_at(self.at, into)?;
        self.at += n as u64;
        Ok(n)
    }
}

const _: () = assert!(COMMIT_BYTES > LARGEST_PAYLOAD + RECORD_BYTES);
