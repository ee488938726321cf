//! A reader in large blocks: what was not used yet moves to the front, the rest is read behind it.

use std::io::{ErrorKind, Read};

use crate::base::{Error, Result};

/// Bytes read at a time. From the page cache a block of this size moves at several GB/s, and it is the
/// most that a source holds of its file.
pub(crate) const BLOCK: usize = 1 << 20;

/// Bytes asked for at a time.
const PIECE: usize = 1 << 17;

/// Unread bytes of a file and the place where they stand in it.
pub(crate) struct Block {
    reader: Box<dyn Read + Send>,
    buffer: Vec<u8>,
    start: usize,
    end: usize,
    offset: u64,
    ended: bool,
}

impl Block {
    pub(crate) fn new(reader: Box<dyn Read + Send>) -> Self {
        Self { reader, buffer: vec![0; BLOCK], start: 0, end: 0, offset: 0, ended: false }
    }

    /// What is read and not consumed.
    pub(crate) fn bytes(&self) -> &[u8] {
        self.buffer.get(self.start..self.end).unwrap_or_default()
    }

    /// The last `length` bytes that were consumed; they stand until the next read.
    pub(crate) fn consumed(&self, length: usize) -> &[u8] {
        self.buffer.get(self.start.saturating_sub(length)..self.start).unwrap_or_default()
    }

    /// Where the first unread byte stands in the file.
    pub(crate) fn offset(&self) -> u64 {
        self.offset
    }

    /// Whether the reader has nothing more to give.
    pub(crate) fn ended(&self) -> bool {
        self.ended
    }

    /// Whether no more can be read before something is consumed.
    pub(crate) fn full(&self) -> bool {
        self.end - self.start == self.buffer.len()
    }

    /// Marks the first `length` bytes as used.
    pub(crate) fn consume(&mut self, length: usize) {
        let length = length.min(self.end - self.start);
        self.start += length;
        self.offset += length as u64;
    }

    /// Reads once more behind the unread bytes; at the end of the file sets [`Block::ended`].
    pub(crate) fn fill(&mut self) -> Result<()> {
        if self.start > 0 {
            self.buffer.copy_within(self.start..self.end, 0);
            self.end -= self.start;
            self.start = 0;
        }
        let most = self.buffer.len().min(self.end + PIECE);
        let Some(space) = self.buffer.get_mut(self.end..most).filter(|space| !space.is_empty()) else {
            return Ok(());
        };
        loop {
            match self.reader.read(space) {
                Ok(0) => {
                    self.ended = true;
                    return Ok(());
                }
                Ok(read) => {
                    self.end += read;
                    return Ok(());
                }
                Err(error) if error.kind() == ErrorKind::Interrupted => {}
                Err(error) => return Err(unreadable(error, self.offset)),
            }
        }
    }

    /// Reads until the block is full or the file ends, for parsers that gain from long stretches.
    pub(crate) fn fill_up(&mut self) -> Result<()> {
        while !self.ended && !self.full() {
            self.fill()?;
        }
        Ok(())
    }

    /// Gives up the block: unread bytes and the reader behind them.
    pub(crate) fn into_rest(self) -> (Vec<u8>, Box<dyn Read + Send>) {
        (self.bytes().to_vec(), self.reader)
    }
}

/// A failed read: damaged compressed data is bad input, anything else is the machine.
pub(crate) fn unreadable(error: std::io::Error, offset: u64) -> Error {
    match error.kind() {
        ErrorKind::InvalidData | ErrorKind::InvalidInput | ErrorKind::UnexpectedEof => {
            Error::input("the compressed file is damaged or cut short")
                .because(error)
                .help("unpack it with another program to see what is left of it, or export it again")
        }
        _ => Error::system("cannot read on").offset(offset).because(error),
    }
}
