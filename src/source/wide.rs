//! UTF-16 text as UTF-8, for logs, tables and dumps that a program of another world saved.
//!
//! # Source
//! RFC 2781 (February 2000): byte order marks, surrogate pairs. What is no pair becomes U+FFFD.

use std::io::{ErrorKind, Read, Result};

/// Characters without a byte order mark that tell the order.
const SURE: usize = 16;

/// Order of the two bytes of a unit.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Order {
    Little,
    Big,
}

/// The order of UTF-16 text by its first bytes; `None` for what is none.
pub(super) fn order(head: &[u8]) -> Option<Order> {
    match head {
        [0xff, 0xfe, ..] => return Some(Order::Little),
        [0xfe, 0xff, ..] => return Some(Order::Big),
        _ => {}
    }
    let units = head.get(..2 * SURE)?.as_chunks::<2>().0;
    let printed = |byte: u8| matches!(byte, b'\t' | b'\n' | b'\r' | b' '..=b'~');
    let little = units.iter().filter(|[low, high]| printed(*low) && *high == 0).count();
    let big = units.iter().filter(|[high, low]| printed(*low) && *high == 0).count();
    if 4 * little >= 3 * SURE {
        return Some(Order::Little);
    }
    (4 * big >= 3 * SURE).then_some(Order::Big)
}

/// Reads UTF-16, gives UTF-8.
pub(super) struct Wide<R> {
    inner: R,
    order: Order,
    /// The first byte of a unit whose second is not read yet.
    odd: Option<u8>,
    /// A high surrogate that waits for its low one.
    high: Option<u16>,
    ready: Vec<u8>,
    at: usize,
    ended: bool,
}

impl<R: Read> Wide<R> {
    pub(super) fn new(inner: R, order: Order) -> Self {
        Self { inner, order, odd: None, high: None, ready: Vec::new(), at: 0, ended: false }
    }

    fn put(&mut self, c: char) {
        let mut bytes = [0; 4];
        self.ready.extend_from_slice(c.encode_utf8(&mut bytes).as_bytes());
    }

    fn unit(&mut self, unit: u16) {
        let pair = self.high.take();
        match (pair, unit) {
            (Some(high), 0xdc00..=0xdfff) => {
                let code = 0x1_0000 + ((u32::from(high) - 0xd800) << 10) + (u32::from(unit) - 0xdc00);
                self.put(char::from_u32(code).unwrap_or(char::REPLACEMENT_CHARACTER));
                return;
            }
            (Some(_), _) => self.put(char::REPLACEMENT_CHARACTER),
            (None, _) => {}
        }
        match unit {
            0xd800..=0xdbff => self.high = Some(unit),
            unit => self.put(char::from_u32(u32::from(unit)).unwrap_or(char::REPLACEMENT_CHARACTER)),
        }
    }

    /// Reads and converts the next stretch.
    fn fill(&mut self) -> Result<()> {
        self.ready.clear();
        self.at = 0;
        let mut bytes = [0; 1 << 14];
        while self.ready.is_empty() && !self.ended {
            let count = match self.inner.read(&mut bytes) {
                Ok(count) => count,
                Err(error) if error.kind() == ErrorKind::Interrupted => continue,
                Err(error) => return Err(error),
            };
            if count == 0 {
                self.ended = true;
                if self.odd.take().is_some() | self.high.take().is_some() {
                    self.put(char::REPLACEMENT_CHARACTER);
                }
            }
            for byte in bytes.iter().take(count).copied() {
                match self.odd.take() {
                    None => self.odd = Some(byte),
                    Some(first) if self.order == Order::Little => {
                        self.unit(u16::from_le_bytes([first, byte]))
                    }
                    Some(first) => self.unit(u16::from_be_bytes([first, byte])),
                }
            }
        }
        Ok(())
    }
}

impl<R: Read> Read for Wide<R> {
    fn read(&mut self, into: &mut [u8]) -> Result<usize> {
        if self.at == self.ready.len() {
            self.fill()?;
        }
        let rest = self.ready.get(self.at..).unwrap_or_default();
        let count = rest.len().min(into.len());
        if let (Some(into), Some(rest)) = (into.get_mut(..count), rest.get(..count)) {
            into.copy_from_slice(rest);
        }
        self.at += count;
        Ok(count)
    }
}
