//! Text logs as a terminal saved them, and standard input: lines of any length in bounded memory.
//!
//! Enters: any reader. Leaves: the set's bytes, unaltered, without the host's time stamps. A stamped log
//! comes as one chunk a line (with its line end), the arrival being the stamp less the first one; a log
//! without stamps comes in large chunks of unknown arrival. Line ends, encodings and escape sequences are
//! left to the decoder. A line longer than 1 MiB comes in pieces of one arrival.

mod stamp;

use crate::source::text::stamp::LINES;
use std::io::Read;

pub use self::stamp::Stamp;
use self::stamp::{DAY, YEAR};
use crate::base::{Anchor, FORM_FEED, Nanoseconds, Result};
use crate::source::block::Block;
use crate::source::{ByteSource, Chunk, Mark, Pulled, What};

/// Bytes from which the stamps are recognised.
const HEAD: usize = 1 << 16;

/// A stamp that is earlier than its forerunner by less than this is two lines out of order; by more, the
/// host's clock was set. Common practice, no source.
const DISORDER: i64 = 1_000_000_000;

/// A text log.
pub struct TextLog {
    block: Block,
    reader: stamp::Reader,
    clock: HostClock,
    /// In the middle of a line that did not fit.
    inside: bool,
    first: bool,
}

impl TextLog {
    /// Reads the first lines and recognises the host's stamps.
    ///
    /// # Errors
    /// `System` when reading fails, `Input` for damaged compressed data.
    pub fn new(reader: Box<dyn Read + Send>) -> Result<Self> {
        Self::fitting(reader, &mut |_| 0)
    }

    /// The same for one who knows what the set prints: `fits` says how many of some lines are of the set. Stamps are
    /// left in the lines where more of them fit so.
    ///
    /// # Errors
    /// As [`TextLog::new`].
    pub fn fitting(reader: Box<dyn Read + Send>, fits: &mut dyn FnMut(&[u8]) -> u64) -> Result<Self> {
        let mut block = Block::new(reader);
        while !block.ended() && block.bytes().len() < HEAD && count_lines(block.bytes()) < LINES {
            block.fill()?;
        }
        let head = first_lines(block.bytes());
        let mut reader = stamp::Reader::recognise(head);
        if reader.stamp != Stamp::None && fits(head) > fits(&without(&reader, head)) {
            reader = stamp::Reader::none();
        }
        let clock = HostClock::new(reader.stamp);
        Ok(Self { block, reader, clock, inside: false, first: true })
    }

    /// How the host stamped the lines.
    pub fn stamp(&self) -> Stamp {
        self.reader.stamp
    }

    /// The next line or piece of a line: how many bytes to skip, and how many follow.
    fn next_line(&mut self) -> Result<Option<usize>> {
        let mut searched = 0;
        loop {
            let bytes = self.block.bytes();
            if let Some(end) = memchr::memchr2(b'\n', FORM_FEED, bytes.get(searched..).unwrap_or_default()) {
                return Ok(Some(searched + end + 1));
            }
            searched = bytes.len();
            if self.block.full() || (self.block.ended() && searched > 0) {
                return Ok(Some(searched));
            }
            if self.block.ended() {
                return Ok(None);
            }
            self.block.fill()?;
        }
    }

    fn pull_stamped(&mut self) -> Result<Pulled<'_>> {
        loop {
            let Some(length) = self.next_line()? else { return Ok(Pulled::End) };
            let line = self.block.bytes().get(..length).unwrap_or_default();
            let ends = matches!(line.last(), Some(&b'\n' | &FORM_FEED));
            let mut skip = 0;
            if !self.inside {
                if std::mem::take(&mut self.first) && line.starts_with(b"\xef\xbb\xbf") {
                    skip = 3;
                }
                if let Some((read, text)) = self.reader.read(line.get(skip..).unwrap_or_default()) {
                    if let Some(mark) = self.clock.set(read.ns) {
                        return Ok(Pulled::Mark(mark));
                    }
                    self.clock.zone &= read.zone;
                    skip += text;
                }
            }
            self.inside = !ends;
            self.block.consume(length);
            if skip == length {
                continue;
            }
            let offset = self.block.offset() - (length - skip) as u64;
            let bytes = self.block.consumed(length - skip);
            let arrival = (self.reader.stamp != Stamp::Priority).then_some(self.clock.now);
            return Ok(Pulled::Chunk(Chunk { arrival, offset, bytes }));
        }
    }

    fn pull_plain(&mut self) -> Result<Pulled<'_>> {
        if std::mem::take(&mut self.first) && self.block.bytes().starts_with(b"\xef\xbb\xbf") {
            self.block.consume(3);
        }
        while self.block.bytes().is_empty() {
            if self.block.ended() {
                return Ok(Pulled::End);
            }
            self.block.fill()?;
        }
        let length = self.block.bytes().len();
        let offset = self.block.offset();
        self.block.consume(length);
        Ok(Pulled::Chunk(Chunk { arrival: None, offset, bytes: self.block.consumed(length) }))
    }
}

impl ByteSource for TextLog {
    fn pull(&mut self) -> Result<Pulled<'_>> {
        if self.reader.stamp == Stamp::None { self.pull_plain() } else { self.pull_stamped() }
    }

    /// Known from stamps that carry date and zone; others do not say when on the wall clock.
    fn anchor(&self) -> Option<Anchor> {
        let known = self.clock.zone && matches!(self.reader.stamp, Stamp::Date { zone: true } | Stamp::Epoch);
        self.clock.first.filter(|_| known).map(|unix_ns| Anchor { unix_ns })
    }

    fn quantum(&self) -> Nanoseconds {
        self.reader.quantum
    }
}

/// Lines without their stamps.
fn without(reader: &stamp::Reader, lines: &[u8]) -> Vec<u8> {
    let text = |line| reader.read(line).map_or(line, |(_, at)| line.get(at..).unwrap_or_default());
    lines.split_inclusive(|byte| matches!(*byte, b'\n' | FORM_FEED)).flat_map(text).copied().collect()
}

/// The lines that are looked at: the same ones however the reader delivers.
fn first_lines(bytes: &[u8]) -> &[u8] {
    let head = bytes.get(..HEAD).unwrap_or(bytes);
    let end = memchr::memchr2_iter(b'\n', FORM_FEED, head).take(LINES).last();
    end.and_then(|end| head.get(..=end)).unwrap_or(head)
}

fn count_lines(bytes: &[u8]) -> usize {
    memchr::memchr2_iter(b'\n', FORM_FEED, bytes).count()
}

/// Stamps to a time that starts at zero and never falls.
struct HostClock {
    stamp: Stamp,
    first: Option<i64>,
    last: i64,
    /// Added to a stamp to get capture time.
    shift: i64,
    now: Nanoseconds,
    zone: bool,
}

impl HostClock {
    fn new(stamp: Stamp) -> Self {
        Self { stamp, first: None, last: 0, shift: 0, now: Nanoseconds::ZERO, zone: true }
    }

    /// Takes the stamp of a line; a mark when the host's clock was set back (once, then time goes on).
    fn set(&mut self, stamp: i64) -> Option<Mark> {
        if self.first.is_none() {
            self.first = Some(stamp);
            self.last = stamp;
            self.shift = stamp.saturating_neg();
            return None;
        }
        let back = self.last.saturating_sub(stamp);
        let mut mark = None;
        // What begins again after its last instant: midnight, or New Year.
        let round = match self.stamp {
            Stamp::Clock => Some(DAY),
            Stamp::Yearless => Some(YEAR * DAY),
            _ => None,
        };
        if let Some(round) = round.filter(|round| back > round / 2) {
            self.shift = self.shift.saturating_add(round);
        } else if back >= DISORDER {
            self.shift = self.now.0.saturating_sub(stamp);
            mark = Some(Mark { t: self.now, what: What::ClockBack { ns: back } });
        } else if back > 0 {
            return None;
        }
        self.last = stamp;
        self.now = self.now.max(Nanoseconds(stamp.saturating_add(self.shift)));
        mark
    }
}
