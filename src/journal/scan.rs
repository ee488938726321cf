//! Walks the records of a journal at constant memory, over damage.

use std::io::Read;

use memchr::memmem;

use crate::base::{Error, Result};
use crate::journal::record::{
    HEADER_BYTES, Header, HeaderStatus, LARGEST_PAYLOAD, MARKER, RECORD_BYTES, Record, Status,
};

/// Size of the buffer; a whole record always fits, with room to read ahead.
const BUFFER_BYTES: usize = 256 << 10;
const _: () = assert!(BUFFER_BYTES >= 2 * (LARGEST_PAYLOAD + RECORD_BYTES));

/// What the head of the file said.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Head {
    /// Sound.
    Sound(Header),
    /// Damaged; the records behind it may be sound.
    Damaged,
    /// Cut off: the file was never finished being made. Its length.
    Torn(u64),
}

/// One step of the walk.
#[derive(Debug)]
pub(super) enum Found {
    /// A whole record, as a stretch of the scanner's buffer.
    Record(std::ops::Range<usize>),
    /// Damage with whole records behind it: where in the file, how many bytes.
    Hole { at: u64, length: u64 },
    /// The end of the file: how many bytes are kept, how many at the end are no whole record.
    End { kept: u64, cut: u64 },
}

/// The walk.
pub(super) struct Scanner<R> {
    input: R,
    buffer: Vec<u8>,
    start: usize,
    filled: usize,
    /// File offset of `start`.
    at: u64,
    ended: bool,
    /// File offset behind the last whole record (or the header).
    kept: u64,
}

impl<R: Read> Scanner<R> {
    pub(super) fn new(input: R) -> Self {
        Self { input, buffer: vec![0; BUFFER_BYTES], start: 0, filled: 0, at: 0, ended: false, kept: 0 }
    }

    /// A stretch of the buffer, as [`Found::Record`] gave it.
    pub(super) fn bytes(&self, range: &std::ops::Range<usize>) -> &[u8] {
        self.buffer.get(range.clone()).unwrap_or_default()
    }

    fn waiting(&self) -> &[u8] {
        self.buffer.get(self.start..self.filled).unwrap_or_default()
    }

    fn skip(&mut self, bytes: usize) {
        self.start = (self.start + bytes).min(self.filled);
        self.at += bytes as u64;
    }

    /// Makes at least `need` bytes wait, unless the file ends before.
    fn fill(&mut self, need: usize) -> Result<()> {
        if self.waiting().len() >= need || self.ended {
            return Ok(());
        }
        self.buffer.copy_within(self.start..self.filled, 0);
        self.filled -= self.start;
        self.start = 0;
        while self.filled < need {
            let room = self.buffer.get_mut(self.filled..).unwrap_or_default();
            match self.input.read(room) {
                Ok(0) => {
                    self.ended = true;
                    break;
                }
                Ok(n) => self.filled += n,
                Err(error) if error.kind() == std::io::ErrorKind::Interrupted => {}
                Err(error) => {
                    return Err(Error::system("cannot read this journal").offset(self.at).because(error));
                }
            }
        }
        Ok(())
    }

    /// Reads the file header; to be called once, first.
    pub(super) fn head(&mut self) -> Result<Head> {
        self.fill(HEADER_BYTES + MARKER.len())?;
        let head = match Header::read(self.waiting()) {
            HeaderStatus::Valid(header) => Head::Sound(header),
            HeaderStatus::Damaged => Head::Damaged,
            HeaderStatus::Torn => {
                let length = self.waiting().len();
                self.skip(length);
                return Ok(Head::Torn(length as u64));
            }
            HeaderStatus::Newer(version) => {
                return Err(Error::input(format!("this journal has format {version}, newer than format 1"))
                    .offset(8)
                    .help("it was written by a later straykey; read it with that one"));
            }
            HeaderStatus::Foreign => {
                return Err(Error::input("this is no journal of straykey").offset(0).help(
                    "a journal begins with the letters STRAYKEY; give a log, CSV or VCD file as it is",
                ));
            }
        };
        self.skip(HEADER_BYTES);
        self.kept = self.at;
        Ok(head)
    }

    /// The next step.
    pub(super) fn next(&mut self) -> Result<Found> {
        let hole_begins = self.at;
        loop {
            let status = Record::read(self.waiting());
            match status {
                Status::Valid(_, size) => {
                    if self.at > hole_begins {
                        return Ok(Found::Hole { at: hole_begins, length: self.at - hole_begins });
                    }
                    let range = self.start..self.start + size;
                    self.skip(size);
                    self.kept = self.at;
                    return Ok(Found::Record(range));
                }
                Status::Torn(need) if !self.ended => self.fill(need)?,
                Status::Torn(_) if self.waiting().is_empty() => {
                    return Ok(Found::End { kept: self.kept, cut: self.at - self.kept });
                }
                Status::Torn(_) | Status::Corrupt(_) => self.skip_to_marker(),
            }
        }
    }

    /// Goes on to where the next record may begin; leaves one byte that may be half a marker.
    fn skip_to_marker(&mut self) {
        let rest = self.waiting().get(1..).unwrap_or_default();
        let step = match memmem::find(rest, &MARKER) {
            Some(found) => 1 + found,
            None if rest.last() == MARKER.first() => rest.len(),
            None => 1 + rest.len(),
        };
        self.skip(step);
    }
}
