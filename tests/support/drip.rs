//! A reader that gives at most so many bytes at a time, as a pipe may do.

use std::io::Read;

pub(crate) struct Drip {
    bytes: Vec<u8>,
    at: usize,
    most: usize,
}

/// `most` of 0 gives all at once.
pub(crate) fn drip(bytes: &[u8], most: usize) -> Box<dyn Read + Send> {
    let most = if most == 0 { usize::MAX } else { most };
    Box::new(Drip { bytes: bytes.to_vec(), at: 0, most })
}

impl Read for Drip {
    fn read(&mut self, into: &mut [u8]) -> std::io::Result<usize> {
        let rest = &self.bytes[self.at..];
        let count = rest.len().min(into.len()).min(self.most);
        into[..count].copy_from_slice(&rest[..count]);
        self.at += count;
        Ok(count)
    }
}

/// The same line again and again, as far as asked: a gigantic file that needs no disk.
pub(crate) struct Endless {
    pub(crate) pattern: Vec<u8>,
    pub(crate) left: u64,
    pub(crate) at: usize,
}

impl Read for Endless {
    fn read(&mut self, into: &mut [u8]) -> std::io::Result<usize> {
        let count = into.len().min(usize::try_from(self.left).unwrap_or(usize::MAX));
        let mut filled = 0;
        while filled < count {
            let piece = &self.pattern[self.at..];
            let taken = piece.len().min(count - filled);
            into[filled..filled + taken].copy_from_slice(&piece[..taken]);
            filled += taken;
            self.at = (self.at + taken) % self.pattern.len();
        }
        self.left -= count as u64;
        Ok(count)
    }
}
