//! Replay: a journal as a source of bytes, over damage and torn tails.

use std::fs::File;
use std::io::Read;
use std::ops::Range;
use std::path::{Path, PathBuf};

use super::record::{OwnedRecord, RECORD_BYTES, RecordKind};
use super::walk::{Step, Walk};
use crate::base::{Anchor, Error, Nanoseconds, Result};
use crate::source::{ByteSource, Chunk, Mark, Pulled};

/// What became of a journal that was opened after a crash.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Recovered {
    /// Bytes of the file up to the end of the last whole record.
    pub kept: u64,
    /// Bytes behind it that are no whole record: the torn tail, never acknowledged.
    pub cut: u64,
    /// Damaged stretches with whole records behind them.
    pub holes: u64,
    /// Bytes in those stretches.
    pub damaged: u64,
}

/// Reads a journal from its beginning, at constant memory. Nothing is changed in the file.
///
/// As a [`ByteSource`] it gives the captured bytes with their arrival times and offsets, the marks of the
/// capture, a [`Pulled::Quiet`] wherever the source was silent, and marks of its own about damage and about a
/// torn tail.
pub struct Reader {
    walk: Walk<Box<dyn Read + Send>>,
    path: Option<PathBuf>,
}

impl std::fmt::Debug for Reader {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Reader").field("path", &self.path).field("t", &self.walk.t).finish()
    }
}

/// What the next record is, without borrowing the reader.
enum Piece {
    Bytes { arrival: Nanoseconds, offset: u64, payload: Range<usize> },
    Mark(Mark),
    Quiet(Nanoseconds),
    End,
}

impl Reader {
    /// Opens a journal file.
    ///
    /// # Errors
    /// `Input` when it is missing or no journal, `Machine` when the disk fails.
    pub fn open(path: &Path) -> Result<Self> {
        let file = File::open(path).map_err(|error| Error::io("cannot open this journal", path, error))?;
        let mut reader = Self::new(Box::new(file)).map_err(|error| error.at(path))?;
        reader.path = Some(path.to_owned());
        Ok(reader)
    }

    /// Reads a journal from anything.
    ///
    /// # Errors
    /// As [`Reader::open`].
    pub fn new(input: Box<dyn Read + Send>) -> Result<Self> {
        Ok(Self { walk: Walk::new(input)?, path: None })
    }

    /// What the first record says of the source, as JSON; known after the first pull.
    pub fn origin(&self) -> Option<&str> {
        self.walk.origin.as_deref()
    }

    /// Whether the capture was ended in an orderly way; known at the end.
    pub fn is_closed(&self) -> bool {
        self.walk.closed
    }

    /// What was kept and what was cut; `None` before the end.
    pub fn recovered(&self) -> Option<Recovered> {
        self.walk.recovered
    }

    /// Capture time of the last record so far.
    pub fn now(&self) -> Nanoseconds {
        self.walk.t
    }

    /// Captured bytes so far.
    pub fn captured(&self) -> u64 {
        self.walk.offset
    }

    /// The next whole record of any kind, damage passed over; `None` at the end.
    ///
    /// # Errors
    /// `Machine` when the disk fails.
    pub fn next_record(&mut self) -> Result<Option<OwnedRecord>> {
        loop {
            match self.step()? {
                Step::Record(range) => return Ok(Some(self.walk.record(&range).to_owned())),
                Step::Mark(_) => {}
                Step::End => return Ok(None),
            }
        }
    }

    fn step(&mut self) -> Result<Step> {
        self.walk.step().map_err(|error| match &self.path {
            Some(path) => error.at(path),
            None => error,
        })
    }

    fn piece(&mut self) -> Result<Piece> {
        loop {
            let range = match self.step()? {
                Step::End => return Ok(Piece::End),
                Step::Mark(what) => return Ok(Piece::Mark(Mark { t: self.walk.t, what })),
                Step::Record(range) => range,
            };
            let record = self.walk.record(&range);
            let arrival = Nanoseconds(record.t);
            match record.kind {
                RecordKind::Bytes if !record.payload.is_empty() => {
                    let payload = range.start + RECORD_BYTES..range.end;
                    return Ok(Piece::Bytes { arrival, offset: record.offset, payload });
                }
                RecordKind::Mark => {
                    let what = String::from_utf8_lossy(record.payload).into_owned();
                    return Ok(Piece::Mark(Mark { t: arrival, what }));
                }
                RecordKind::Alive | RecordKind::Close => return Ok(Piece::Quiet(arrival)),
                _ => {}
            }
        }
    }
}

impl ByteSource for Reader {
    fn pull(&mut self) -> Result<Pulled<'_>> {
        Ok(match self.piece()? {
            Piece::Bytes { arrival, offset, payload } => {
                Pulled::Chunk(Chunk { arrival: Some(arrival), offset, bytes: self.walk.bytes(&payload) })
            }
            Piece::Mark(mark) => Pulled::Mark(mark),
            Piece::Quiet(t) => Pulled::Quiet(t),
            Piece::End => Pulled::End,
        })
    }

    /// From the head of the file; when that is damaged, from the first record.
    fn anchor(&self) -> Option<Anchor> {
        self.walk.anchor
    }
}
