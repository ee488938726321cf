//! One capture in segments: rotation, and going on after a failure of the disk.
//!
//! # What a crash leaves at a rotation, moment by moment
//!
//! | moment | in the folder | what an opening does |
//! | --- | --- | --- |
//! | old segment committed | 1 … n | nothing is missing |
//! | next one being made | n+1 without a whole record | removes it: nothing in it was acknowledged |
//! | next one made | n+1 with its origin record | goes on |
//!
//! A segment is a whole journal of version 1 of its own: the same anchor, sequence numbers from 0, an origin
//! record that also says which segment it is, and offsets that go on from the segment before.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use crate::base::{Anchor, Error, Nanoseconds, Result};
use crate::journal::disk::{Files, Room};
use crate::journal::record::RecordKind;
use crate::journal::segment;
use crate::journal::writer::{Acknowledged, Trouble, Writer};

/// When a segment is full.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Rotation {
    /// At so many bytes.
    pub(super) bytes: u64,
    /// At so much capture time.
    pub(super) age: Nanoseconds,
}

/// What every segment of a capture says of it.
#[derive(Clone, Debug)]
pub(super) struct Head {
    pub(super) folder: PathBuf,
    pub(super) anchor: Anchor,
    /// JSON of the origin record.
    pub(super) origin: String,
}

/// Where the next segment begins.
#[derive(Clone, Copy, Debug)]
pub(super) struct Place {
    pub(super) number: u32,
    pub(super) offset: u64,
    pub(super) t: Nanoseconds,
    pub(super) wall: i64,
}

/// The capture.
pub(super) struct Recording {
    files: Arc<dyn Files>,
    head: Head,
    rotation: Rotation,
    /// Absent after a rotation whose new segment could not be made yet.
    writer: Option<Writer>,
    number: u32,
    begun: Nanoseconds,
    offset: u64,
    last: Nanoseconds,
    /// Of the segments before this one.
    past: Acknowledged,
    trouble: Option<Trouble>,
    closed: bool,
}

impl Recording {
    /// Makes the folder and its first segment; both and their names are safe when this returns.
    pub(super) fn create(files: Arc<dyn Files>, head: Head, rotation: Rotation, wall: i64) -> Result<Self> {
        let folder = head.folder.clone();
        let failed =
            |error| Error::system("cannot make the folder of this capture").at(&folder).because(error);
        files.make_folder(&folder).map_err(failed)?;
        let parent = folder.parent().unwrap_or(Path::new("."));
        files.sync_folder(parent).map_err(failed)?;
        Self::begin_at(files, head, rotation, Place { number: 1, offset: 0, t: Nanoseconds::ZERO, wall })
    }

    /// Begins with a new segment at a place.
    pub(super) fn begin_at(
        files: Arc<dyn Files>,
        head: Head,
        rotation: Rotation,
        place: Place,
    ) -> Result<Self> {
        let mut recording = Self {
            files,
            head,
            rotation,
            writer: None,
            number: place.number,
            begun: place.t,
            offset: place.offset,
            last: place.t,
            past: Acknowledged { captured: place.offset, ..Acknowledged::default() },
            trouble: None,
            closed: false,
        };
        recording.make_segment(place.t, place.wall)?;
        Ok(recording)
    }

    /// Makes segment `number`; on an error nothing of it counts, and it may be tried again.
    fn make_segment(&mut self, t: Nanoseconds, wall: i64) -> Result<()> {
        let path = self.head.folder.join(segment::name(self.number));
        let disk = match self.files.create(&path) {
            // Left by an attempt that failed; this process alone makes segments in this folder.
            Err(error) if error.kind() == std::io::ErrorKind::AlreadyExists => {
                self.files.remove(&path).and_then(|()| self.files.create(&path))
            }
            made => made,
        };
        let made = disk.map_err(|error| {
            Error::system("cannot make the next segment of this capture").at(&path).because(error)
        });
        let writer = made.and_then(|disk| Writer::create_on(disk, &path, self.head.anchor));
        let writer = writer.and_then(|mut writer| {
            writer.go_on_at(self.offset);
            let origin = with_segment(&self.head.origin, self.number);
            writer.add(RecordKind::Origin, t, wall, origin.as_bytes())?;
            writer.commit()?;
            self.files.sync_folder(&self.head.folder).map_err(|error| {
                Error::system("cannot sync this folder").at(&self.head.folder).because(error)
            })?;
            Ok(writer)
        });
        match writer {
            Ok(writer) => {
                (self.writer, self.trouble, self.begun) = (Some(writer), None, t);
                Ok(())
            }
            Err(error) => {
                self.trouble = Some(Trouble::of(&error));
                // Best effort; else the next attempt removes it.
                let _ = self.files.remove(&path);
                Err(error)
            }
        }
    }

    /// What is certainly on disk; `file` counts the uncompressed bytes of all segments.
    pub(super) fn acknowledged(&self) -> Acknowledged {
        let Some(writer) = &self.writer else { return self.past };
        let here = writer.acknowledged();
        Acknowledged {
            records: self.past.records + here.records,
            captured: here.captured,
            file: self.past.file + here.file,
        }
    }

    /// Offset of the next byte.
    pub(super) fn offset(&self) -> u64 {
        self.offset
    }

    /// Capture time of the last record.
    pub(super) fn last(&self) -> Nanoseconds {
        self.last
    }

    /// Number of the segment that is written, or to be made next.
    pub(super) fn number(&self) -> u32 {
        self.number
    }

    /// Room on its disk, when the system tells.
    pub(super) fn room(&self) -> Option<Room> {
        self.files.room(&self.head.folder).ok()
    }

    pub(super) fn folder(&self) -> &Path {
        &self.head.folder
    }

    /// Bytes of records that wait for a commit.
    pub(super) fn waiting(&self) -> usize {
        self.writer.as_ref().map_or(0, Writer::waiting)
    }

    /// Why nothing can be written now.
    pub(super) fn trouble(&self) -> Option<&Trouble> {
        self.writer.as_ref().and_then(Writer::trouble).or(self.trouble.as_ref())
    }

    fn writer(&mut self) -> Result<&mut Writer> {
        let folder = &self.head.folder;
        self.writer
            .as_mut()
            .ok_or_else(|| Error::system("the next segment of this capture is not made yet").at(folder))
    }

    /// Takes a record into memory, all of it or nothing.
    pub(super) fn add(&mut self, kind: RecordKind, t: Nanoseconds, wall: i64, payload: &[u8]) -> Result<()> {
        let writer = self.writer()?;
        writer.add(kind, t, wall, payload)?;
        self.offset = writer.captured();
        self.last = t;
        self.closed |= kind == RecordKind::Close;
        Ok(())
    }

    /// Captured bytes that will never be written: the next one stands so much further on.
    pub(super) fn skip(&mut self, bytes: u64) {
        self.offset += bytes;
        if let Some(writer) = &mut self.writer {
            writer.go_on_at(self.offset);
        }
    }

    /// First half of a commit.
    pub(super) fn write_out(&mut self) -> Result<()> {
        self.writer()?.write_out()
    }

    /// Second half of a commit.
    pub(super) fn sync_out(&mut self) -> Result<()> {
        let done = self.writer()?.sync_out();
        self.told(done)
    }

    /// Both halves.
    pub(super) fn commit(&mut self) -> Result<()> {
        let done = self.writer()?.commit();
        self.told(done)
    }

    /// A segment that was removed is let go of: the next attempt rebuilds it, where its folder is still there.
    fn told(&mut self, done: Result<()>) -> Result<()> {
        let trouble = self.writer.as_ref().and_then(Writer::trouble);
        if let Some(trouble) = trouble.filter(|trouble| trouble.removed).cloned() {
            self.trouble = Some(trouble);
            self.writer = None;
            if self.files.list(&self.head.folder).is_err() {
                self.past = Acknowledged::default();
            }
        }
        done
    }

    /// Whether the segment is full at capture time `t`.
    pub(super) fn is_full(&self, t: Nanoseconds) -> bool {
        let Some(writer) = &self.writer else { return false };
        let old = t.saturating_sub(self.begun) >= self.rotation.age;
        !self.closed && (old || writer.acknowledged().file >= self.rotation.bytes)
    }

    /// Commits, and begins the next segment at capture time `t`.
    pub(super) fn rotate(&mut self, t: Nanoseconds, wall: i64) -> Result<()> {
        self.commit()?;
        self.past = self.acknowledged();
        self.writer = None;
        self.number += 1;
        self.make_segment(t, wall)
    }

    /// After a failure: takes up where the last acknowledged byte stands, and commits what waits, as far as it fits
    /// into `room`.
    pub(super) fn mend(&mut self, wall: i64, room: usize) -> Result<()> {
        match &mut self.writer {
            Some(writer) => {
                let done = writer.mend().and_then(|()| writer.commit_within(room));
                self.told(done)?;
            }
            None => self.make_segment(self.last, wall)?,
        }
        self.trouble = None;
        Ok(())
    }

    pub(super) fn is_closed(&self) -> bool {
        self.closed
    }
}

/// The origin with the number of the segment in it.
fn with_segment(origin: &str, number: u32) -> String {
    match serde_json::from_str(origin) {
        Ok(serde_json::Value::Object(mut object)) => {
            object.insert("segment".to_owned(), number.into());
            serde_json::Value::Object(object).to_string()
        }
        _ => serde_json::json!({ "source": origin, "segment": number }).to_string(),
    }
}
