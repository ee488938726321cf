//! Replay: a journal as a source of bytes, over damage and torn tails.

pub use crate::journal::walk::Recovered;
use std::fs::File;
use std::io::Read;
use std::ops::Range;
use std::path::{Path, PathBuf};
use std::sync::Arc;

use crate::base::{Anchor, Error, Kind, Nanoseconds, Result};
use crate::journal::chain::{Chain, Opened};
use crate::journal::disk::{Files, SystemFiles};
use crate::journal::record::{OwnedRecord, RECORD_BYTES, RecordKind};
use crate::journal::walk::{Step, Walk};
use crate::source::{ByteSource, Chunk, Mark, Pulled, What};

/// Reads a journal from its beginning, at constant memory. Nothing is changed in the file.
///
/// As a [`ByteSource`] it gives the captured bytes with their arrival times and offsets, the marks of the
/// capture, a [`Pulled::Quiet`] wherever the source was silent, and marks of its own about damage and about a
/// torn tail.
pub struct Reader {
    walk: Walk<Box<dyn Read + Send>>,
    path: Option<PathBuf>,
    /// The segments behind this one, when the capture is a folder of segments.
    chain: Option<Chain>,
    /// Marks on the chain that are due, the next one last.
    marks: Vec<What>,
    /// Of the segments before this one.
    past: Recovered,
    recovered: Option<Recovered>,
    anchor: Option<Anchor>,
    origin: Option<String>,
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
    /// Opens a journal: a file, a packed file (its name ends in `.gz`), or a folder of segments.
    ///
    /// # Errors
    /// `Input` when it is missing or no journal, `System` when the disk fails.
    pub fn open(path: &Path) -> Result<Self> {
        if path.is_dir() {
            return Self::open_folder(Chain::new(Arc::new(SystemFiles), path));
        }
        let file = File::open(path).map_err(|error| Error::io("cannot open this journal", path, error))?;
        let input: Box<dyn Read + Send> = if path.extension().is_some_and(|ending| ending == "gz") {
            Box::new(flate2::read::MultiGzDecoder::new(std::io::BufReader::new(file)))
        } else {
            Box::new(file)
        };
        let mut reader = Self::new(input).map_err(|error| error.at(path))?;
        reader.path = Some(path.to_owned());
        Ok(reader)
    }

    /// Reads the segments of a folder one after another, on a disk of the caller's.
    ///
    /// # Errors
    /// As [`Reader::open`].
    pub fn open_on(files: Arc<dyn Files>, folder: &Path) -> Result<Self> {
        Self::open_folder(Chain::new(files, folder))
    }

    fn open_folder(mut chain: Chain) -> Result<Self> {
        let Some(Opened { input, path, mut marks }) = chain.next()? else {
            return Err(Error::input("this capture holds no segment").at(chain.folder()));
        };
        let mut reader = Self::new(input).map_err(|error| error.at(&path))?;
        marks.reverse();
        (reader.chain, reader.path, reader.marks) = (Some(chain), Some(path), marks);
        Ok(reader)
    }

    /// Reads a journal from anything.
    ///
    /// # Errors
    /// As [`Reader::open`].
    pub fn new(input: Box<dyn Read + Send>) -> Result<Self> {
        Ok(Self {
            walk: Walk::new(input)?,
            path: None,
            chain: None,
            marks: Vec::new(),
            past: Recovered::default(),
            recovered: None,
            anchor: None,
            origin: None,
        })
    }

    /// What the first record says of the source, as JSON; known after the first pull.
    pub fn origin(&self) -> Option<&str> {
        self.origin.as_deref().or(self.walk.origin.as_deref())
    }

    /// Whether the capture was ended in an orderly way; known at the end.
    pub fn is_closed(&self) -> bool {
        self.walk.closed
    }

    /// What was kept and what was cut; `None` before the end.
    pub fn recovered(&self) -> Option<Recovered> {
        self.recovered
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
    /// `System` when the disk fails.
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
        loop {
            if let Some(what) = self.marks.pop() {
                return Ok(Step::Mark(what));
            }
            let step = self.walk.step().map_err(|error| match &self.path {
                Some(path) => error.at(path),
                None => error,
            })?;
            match step {
                Step::End if self.next_segment()? => {}
                other => return Ok(other),
            }
        }
    }

    /// Goes on to the next segment; `false` when this was the last.
    fn next_segment(&mut self) -> Result<bool> {
        if self.recovered.is_some() {
            return Ok(false);
        }
        let here = self.walk.recovered.unwrap_or_default();
        let sum = Recovered {
            kept: self.past.kept + here.kept,
            cut: self.past.cut + here.cut,
            holes: self.past.holes + here.holes,
            damaged: self.past.damaged + here.damaged,
        };
        let opened = match &mut self.chain {
            Some(chain) => chain.next()?,
            None => None,
        };
        let Some(Opened { input, path, mut marks }) = opened else {
            self.marks = self.chain.as_mut().and_then(Chain::last_words).into_iter().collect();
            self.recovered = Some(sum);
            return Ok(!self.marks.is_empty());
        };
        self.past = sum;
        self.anchor = self.anchor.or(self.walk.anchor);
        self.origin = self.origin.take().or(self.walk.origin.take());
        let (t, offset) = (self.walk.t, self.walk.offset);
        match Walk::new(input) {
            Ok(walk) => self.walk = walk,
            // Zeros of a power cut, or a file that somebody put there: the others are not lost by it.
            Err(error) if error.kind() == Kind::Input => {
                let name = path.file_name().unwrap_or_default().to_string_lossy().into_owned();
                self.marks = vec![What::Damaged { text: format!("{name} is passed over: {}", error.what()) }];
                self.walk.recovered = Some(Recovered::default());
                return Ok(true);
            }
            Err(error) => return Err(error.at(&path)),
        }
        (self.walk.t, self.walk.offset) = (t, offset);
        marks.reverse();
        (self.path, self.marks) = (Some(path), marks);
        Ok(true)
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
                    let what = What::from_text(&String::from_utf8_lossy(record.payload));
                    return Ok(Piece::Mark(Mark { t: arrival, what }));
                }
                RecordKind::Typed => {
                    let what = serde_json::from_slice(record.payload)
                        .unwrap_or_else(|_| What::remark(String::from_utf8_lossy(record.payload)));
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
        self.anchor.or(self.walk.anchor)
    }
}
