//! Binary debug protocols: bytes to frames, by the declaration of a chassis file.
//!
//! A frame is sought at every place where the sync bytes stand. One that is too long, ends wrongly or fails
//! its check is given up, and the search goes on one byte behind its first sync byte: a false sync inside a
//! damaged frame costs nothing. What lies between two good frames is one gap, with its length and the first
//! reason. At most two longest frames are held, at any chunking.

mod checksum;
mod field;
mod layout;
mod order;

pub use checksum::{CheckKind, Checksum};
pub use layout::{Field, FieldForm, FrameFile, LONGEST_FRAME, Length, Order, Packet, Stuffing};

use std::collections::VecDeque;

use crate::base::Nanoseconds;

/// Longest gap that is reported as one, bytes.
const LONGEST_GAP: u64 = 65_536;

/// A `[frame]` made ready.
#[derive(Clone, Debug)]
pub struct Layout {
    pub(crate) sync: Vec<u8>,
    pub(crate) length: Length,
    pub(crate) longest: usize,
    pub(crate) stuffing: Option<Stuffing>,
    pub(crate) checksum: Option<Checksum>,
    /// [`Checksum::step`] of every byte.
    pub(crate) steps: Box<[u32; 256]>,
}

/// What the framer found.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Found<'a> {
    /// A frame that met its check: the bytes behind the sync bytes, stuffing undone, without the check.
    Frame {
        /// Place of its first sync byte in the capture.
        offset: u64,
        /// Bytes that it takes in the capture.
        length: u32,
        /// When its first byte arrived.
        arrival: Option<Nanoseconds>,
        /// Its bytes.
        bytes: &'a [u8],
    },
    /// Bytes that are no frame.
    Gap {
        /// Place of the first.
        offset: u64,
        /// How many.
        length: u32,
        /// When the first arrived.
        arrival: Option<Nanoseconds>,
        /// Why the first candidate in it was given up; `None` when there was none.
        why: Option<&'static str>,
    },
}

/// What became of one candidate.
enum Attempt {
    /// At least this many raw bytes are needed before it is worth another look.
    Wait(usize),
    /// A frame of this many raw bytes.
    Frame(usize),
    /// Nothing between two flags that each end one frame and begin the next: skip this many bytes, no harm done.
    Empty(usize),
    /// No frame.
    Bad(&'static str),
}

#[derive(Clone, Copy, Debug)]
struct Gap {
    offset: u64,
    length: u64,
    arrival: Option<Nanoseconds>,
    why: Option<&'static str>,
}

/// Cuts a stream of bytes into frames.
#[derive(Debug)]
pub struct Framer {
    layout: Layout,
    /// Raw bytes not yet decided; `raw[from..]`, the first at `offset` of the capture.
    raw: Vec<u8>,
    from: usize,
    offset: u64,
    /// Raw bytes that are needed before another look.
    need: usize,
    /// `(place, arrival)` of the pieces that the held bytes came in.
    arrivals: VecDeque<(u64, Option<Nanoseconds>)>,
    gap: Option<Gap>,
    plain: Vec<u8>,
    skipped: u64,
}

impl Framer {
    /// A framer at the start of a capture.
    pub fn new(layout: Layout) -> Self {
        let need = layout.sync.len();
        Self {
            layout,
            raw: Vec::new(),
            from: 0,
            offset: 0,
            need,
            arrivals: VecDeque::new(),
            gap: None,
            plain: Vec::new(),
            skipped: 0,
        }
    }

    /// Takes bytes in any pieces; calls `found` for each frame and each gap, in order.
    pub fn push(
        &mut self,
        arrival: Option<Nanoseconds>,
        offset: u64,
        bytes: &[u8],
        found: &mut impl FnMut(Found<'_>),
    ) {
        // Small bites keep the buffer small however large the piece.
        for (i, bite) in bytes.chunks(self.layout.longest.max(256)).enumerate() {
            let at = offset + (i * self.layout.longest.max(256)) as u64;
            if self.raw.len() == self.from {
                self.offset = at;
                self.arrivals.clear();
            }
            self.arrivals.push_back((at, arrival));
            self.raw.extend_from_slice(bite);
            self.search(found);
            self.raw.drain(..self.from);
            self.from = 0;
        }
    }

    /// Says that what is held does not go on: it is no frame.
    pub fn finish(&mut self, found: &mut impl FnMut(Found<'_>)) {
        let begun = self.held().starts_with(&self.layout.sync);
        let closed = self.layout.shares_flags() && self.held() == self.layout.sync;
        if !closed {
            self.skip(self.held_bytes(), begun.then_some("cut off by the end of the capture"), found);
        }
        self.close_gap(found);
        self.need = self.layout.sync.len();
    }

    /// Bytes so far that belong to no frame.
    pub fn skipped(&self) -> u64 {
        self.skipped
    }

    /// Raw bytes that are held.
    pub fn held_bytes(&self) -> usize {
        self.raw.len() - self.from
    }

    fn held(&self) -> &[u8] {
        self.raw.get(self.from..).unwrap_or_default()
    }

    fn search(&mut self, found: &mut impl FnMut(Found<'_>)) {
        while self.held_bytes() >= self.need {
            let sync = &self.layout.sync;
            // Behind a good frame the next one begins.
            let begins = self.held().starts_with(sync);
            match if begins { Some(0) } else { memchr::memmem::find(self.held(), sync) } {
                None => {
                    // The start of the sync bytes may stand at the very end.
                    let kept = (sync.len() - 1).min(self.held_bytes());
                    self.skip(self.held_bytes() - kept, None, found);
                    self.need = self.layout.sync.len();
                    return;
                }
                Some(before) if before > 0 => self.skip(before, None, found),
                Some(_) => match self.attempt() {
                    Attempt::Wait(need) => self.need = need,
                    Attempt::Bad(why) => self.skip(1, Some(why), found),
                    Attempt::Empty(length) => self.advance(length),
                    Attempt::Frame(length) => self.take(length, found),
                },
            }
        }
    }

    /// Looks at the candidate that begins at the first held byte; a frame's bytes go to `plain`.
    fn attempt(&mut self) -> Attempt {
        let mut plain = std::mem::take(&mut self.plain);
        plain.clear();
        let attempt = self.layout.read(self.held(), &mut plain);
        self.plain = plain;
        attempt
    }

    fn take(&mut self, length: usize, found: &mut impl FnMut(Found<'_>)) {
        self.close_gap(found);
        let arrival = self.arrival();
        found(Found::Frame { offset: self.offset, length: length as u32, arrival, bytes: &self.plain });
        self.advance(length);
    }

    /// Gives up bytes; `why` is kept if it is the gap's first reason.
    fn skip(&mut self, count: usize, why: Option<&'static str>, found: &mut impl FnMut(Found<'_>)) {
        let mut left = count;
        while left > 0 {
            let (offset, arrival) = (self.offset, self.arrival());
            let gap = self.gap.get_or_insert(Gap { offset, length: 0, arrival, why: None });
            gap.why = gap.why.or(why);
            let room = usize::try_from(LONGEST_GAP - gap.length).unwrap_or(usize::MAX);
            let part = left.min(room);
            gap.length += part as u64;
            let full = gap.length == LONGEST_GAP;
            self.skipped += part as u64;
            self.advance(part);
            left -= part;
            if full {
                self.close_gap(found);
            }
        }
    }

    fn close_gap(&mut self, found: &mut impl FnMut(Found<'_>)) {
        if let Some(gap) = self.gap.take() {
            found(Found::Gap {
                offset: gap.offset,
                length: gap.length as u32,
                arrival: gap.arrival,
                why: gap.why,
            });
        }
    }

    fn advance(&mut self, count: usize) {
        self.from += count;
        self.offset += count as u64;
        self.need = self.layout.sync.len();
        while self.arrivals.get(1).is_some_and(|(at, _)| *at <= self.offset) {
            self.arrivals.pop_front();
        }
    }

    fn arrival(&self) -> Option<Nanoseconds> {
        self.arrivals.front().and_then(|(_, arrival)| *arrival)
    }
}

impl Layout {
    /// Reads one frame from raw bytes that begin with the sync bytes.
    fn read(&self, raw: &[u8], plain: &mut Vec<u8>) -> Attempt {
        if let Some(bytes) = self.bare(raw) {
            plain.extend_from_slice(bytes);
            return self.judge(plain, self.sync.len() + bytes.len());
        }
        let mut total = self.length.fixed;
        let mut at = self.sync.len();
        loop {
            if total.is_some_and(|total| plain.len() >= total) {
                return self.judge(plain, at);
            }
            if let Some(end) = &self.length.end {
                let rest = raw.get(at..).unwrap_or_default();
                if rest.starts_with(end) {
                    return match (self.shares_flags(), plain.is_empty()) {
                        (true, true) => Attempt::Empty(at),
                        (true, false) => self.judge(plain, at),
                        (false, _) => self.judge(plain, at + end.len()),
                    };
                }
                if rest.len() < end.len() && end.starts_with(rest) {
                    return Attempt::Wait(raw.len() + 1);
                }
            }
            if plain.len() >= self.longest {
                return Attempt::Bad("longer than the longest frame");
            }
            let Some(byte) = raw.get(at) else { return Attempt::Wait(raw.len() + 1) };
            match self.undo(*byte, raw.get(at + 1).copied()) {
                Undone::Byte(byte, count) => {
                    plain.push(byte);
                    at += count;
                }
                Undone::Wait => return Attempt::Wait(raw.len() + 1),
                Undone::Bad => return Attempt::Bad("a byte that stuffing excludes"),
            }
            if total.is_none() {
                match self.declared(plain) {
                    Some(declared) if declared > self.longest => {
                        return Attempt::Bad("a length beyond the longest frame");
                    }
                    Some(declared) if declared < self.least() => {
                        return Attempt::Bad("a length shorter than its own header");
                    }
                    declared => total = declared,
                }
            }
        }
    }

    /// The bytes behind the sync bytes of a frame that is there to its end and hides none of them: most frames, which
    /// need not be read byte by byte.
    fn bare<'a>(&self, raw: &'a [u8]) -> Option<&'a [u8]> {
        let behind = raw.get(self.sync.len()..)?;
        let total = self.length.fixed.or_else(|| self.declared(behind))?;
        let bytes = behind.get(..total).filter(|_| (self.least()..=self.longest).contains(&total))?;
        let hides = self.stuffing.as_ref().is_some_and(|stuffing| {
            let marks = [stuffing.escape, self.sync.first().copied().unwrap_or(stuffing.escape)];
            bytes.iter().fold(false, |hides, byte| hides | (*byte == marks[0]) | (*byte == marks[1]))
        });
        (!hides).then_some(bytes)
    }

    fn undo(&self, byte: u8, next: Option<u8>) -> Undone {
        let Some(stuffing) = self.stuffing.as_ref() else { return Undone::Byte(byte, 1) };
        if byte != stuffing.escape {
            // With stuffing the first sync byte never stands inside a frame: a new frame has begun.
            let clash = self.sync.first() == Some(&byte);
            return if clash { Undone::Bad } else { Undone::Byte(byte, 1) };
        }
        let Some(next) = next else { return Undone::Wait };
        match (stuffing.pairs.iter().find(|(printed, _)| *printed == next), stuffing.xor) {
            (Some((_, meant)), _) => Undone::Byte(*meant, 2),
            (None, Some(xor)) => Undone::Byte(next ^ xor, 2),
            (None, None) => Undone::Bad,
        }
    }

    /// Bytes behind the sync bytes, as the length field says; `None` before it is there.
    fn declared(&self, plain: &[u8]) -> Option<usize> {
        let at = self.length.at?;
        let field = plain.get(at..at + self.length.bytes)?;
        let step = |value: usize, byte: &u8| value << 8 | usize::from(*byte);
        let value = match self.length.order {
            Order::Big => field.iter().fold(0, step),
            Order::Little => field.iter().rev().fold(0, step),
        };
        Some(value + self.length.plus)
    }

    /// Whether the bytes that end a frame begin the next one (HDLC-like flags).
    fn shares_flags(&self) -> bool {
        self.length.end.as_ref() == Some(&self.sync)
    }

    /// Fewest bytes behind the sync bytes: the length field and the check.
    fn least(&self) -> usize {
        self.length.at.map_or(0, |at| at + self.length.bytes) + self.check_bytes()
    }

    pub(crate) fn check_bytes(&self) -> usize {
        self.checksum.as_ref().map_or(0, Checksum::bytes)
    }

    /// Checks a whole frame and takes the check off.
    fn judge(&self, plain: &mut Vec<u8>, consumed: usize) -> Attempt {
        let Some(checksum) = self.checksum.as_ref() else { return Attempt::Frame(consumed) };
        let Some(body) = plain.len().checked_sub(checksum.bytes()) else {
            return Attempt::Bad("shorter than its checksum");
        };
        let (covered, check) = plain.split_at(body);
        let step = |value: u32, byte: &u8| value.wrapping_shl(8) | u32::from(*byte);
        let stated = match checksum.order {
            Order::Big => check.iter().fold(0, step),
            Order::Little => check.iter().rev().fold(0, step),
        };
        let sync = if checksum.with_sync { self.sync.as_slice() } else { &[] };
        let made = checksum.made([sync, covered], |high| self.steps[usize::from(high)]);
        if made != stated {
            return Attempt::Bad("checksum error");
        }
        plain.truncate(body);
        Attempt::Frame(consumed)
    }
}

/// One byte with its stuffing undone, and how many raw bytes it took.
enum Undone {
    Byte(u8, usize),
    Wait,
    Bad,
}
