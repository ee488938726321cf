//! Words between white space, however the reader delivers them.

use crate::base::{Error, Result};
use crate::source::block::Block;

/// A dump as a stream of words; line ends mean nothing but serve for messages.
pub(super) struct Tokens {
    pub(super) block: Block,
    /// Line of the first unread byte, from 1.
    pub(super) line: u64,
}

impl Tokens {
    pub(super) fn new(block: Block) -> Self {
        Self { block, line: 1 }
    }

    /// Marks bytes as used and counts their lines.
    pub(super) fn consume(&mut self, length: usize) {
        let used = self.block.bytes().get(..length).unwrap_or_default();
        self.line += memchr::memchr_iter(b'\n', used).count() as u64;
        self.block.consume(length);
    }

    /// The next word, for declarations; `None` at the end of the file.
    pub(super) fn next_word(&mut self) -> Result<Option<Vec<u8>>> {
        loop {
            let bytes = self.block.bytes();
            let start = bytes.iter().position(|byte| !is_space(*byte)).unwrap_or(bytes.len());
            let rest = bytes.get(start..).unwrap_or_default();
            match rest.iter().position(|byte| is_space(*byte)) {
                Some(length) => {
                    let word = rest.get(..length).unwrap_or_default().to_vec();
                    // The space behind the word stays, so that its line is the one that messages name.
                    self.consume(start + length);
                    return Ok(Some(word));
                }
                None if self.block.ended() => {
                    let word = rest.to_vec();
                    self.consume(bytes.len());
                    return Ok((!word.is_empty()).then_some(word));
                }
                None => {
                    self.consume(start);
                    if self.block.full() {
                        return Err(self.endless());
                    }
                    self.block.fill()?;
                }
            }
        }
    }

    pub(super) fn endless(&self) -> Error {
        self.error("a word does not end within 1 MiB").help("this is no value change dump, or a damaged one")
    }

    pub(super) fn error(&self, what: impl Into<String>) -> Error {
        self.place(Error::input(what))
    }

    pub(super) fn place(&self, error: Error) -> Error {
        error.line(self.line, None).offset(self.block.offset())
    }
}

#[inline]
pub(super) fn is_space(byte: u8) -> bool {
    matches!(byte, b' ' | b'\n' | b'\r' | b'\t' | 0x0b | 0x0c)
}

/// Length of the first word; `None` when it may go on behind the bytes.
#[inline]
pub(super) fn word(bytes: &[u8], ended: bool) -> Option<usize> {
    match bytes.iter().position(|byte| is_space(*byte)) {
        Some(length) => Some(length),
        None => ended.then_some(bytes.len()),
    }
}

/// Whether these bytes are no more than one change that may be cut: a word without space behind it, or a
/// vector without its whole code.
pub(super) fn is_last(rest: &[u8]) -> bool {
    let words = rest.split(|byte| is_space(*byte)).filter(|word| !word.is_empty()).take(3).count();
    let open = rest.last().is_some_and(|byte| !is_space(*byte));
    let long = matches!(rest.first(), Some(b'b' | b'B' | b'r' | b'R' | b's' | b'S'));
    (words <= 1 && (open || long)) || (words == 2 && open && long)
}
