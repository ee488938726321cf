//! A reader that gives at most so many bytes at a time.

use std::io::Read;

struct Drip {
    bytes: Vec<u8>,
    at: usize,
    most: usize,
}

pub fn drip(bytes: &[u8], most: usize) -> Box<dyn Read + Send> {
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
