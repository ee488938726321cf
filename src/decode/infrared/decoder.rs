//! Marks and spaces to events: pulses are kept until a frame is whole, then every format that may begin
//! there is tried.

use std::sync::Arc;

use crate::base::{ControlPath, Event, EventKind, Name, Nanoseconds};
use crate::decode::Counters;
use crate::decode::infrared::Formats;
use crate::decode::infrared::formats::Start;
use crate::decode::infrared::frame::{Found, Halves, Trial, try_start};
use crate::decode::infrared::held::{HeardShort, Held};
use crate::decode::infrared::near::Near;
use crate::decode::infrared::noise::Noise;
use crate::decode::infrared::stranger::{Place, Strangers};
use crate::signal::Pulse;

/// Marks and spaces decoded in one go when no gap comes: keeps the buffer in the processor's first cache.
const BATCH: usize = 2048;
/// Times beyond this (73 years) are taken for it, so that no sum or difference of two can overflow.
const FAR: i64 = 1 << 61;
/// How long after the present moment of a live line a mark may still be under way, nanoseconds; longer than
/// any leader.
const UNDER_WAY: i64 = 20_000_000;

/// Decodes one infrared line.
#[derive(Debug)]
pub struct Decoder {
    formats: Arc<Formats>,
    capture: Name,
    /// Marks at even, spaces at odd places, nanoseconds.
    lengths: Vec<u32>,
    /// Start and place in the capture of each mark.
    places: Vec<(i64, u64)>,
    /// The space before the first mark.
    before: u32,
    halves: Halves,
    held: Held,
    noise: Noise,
    strangers: Strangers,
    counters: Counters,
}

impl Decoder {
    /// A decoder that runs all of `formats` at once; `capture` names the capture in its events.
    pub fn new(formats: Arc<Formats>, capture: Name) -> Self {
        Self {
            held: Held::new(Arc::clone(&formats), capture.clone()),
            halves: Halves::new(),
            noise: Noise::new(),
            strangers: Strangers::default(),
            lengths: Vec::with_capacity(BATCH + 4),
            places: Vec::with_capacity(BATCH / 2 + 4),
            // Nothing is known of the line before the capture; it is taken as quiet.
            before: u32::MAX,
            counters: Counters::default(),
            formats,
            capture,
        }
    }

    /// Takes the next mark or space. Two of the same kind in a row count as one. Events go to `out` in the
    /// order of time.
    #[inline]
    pub fn push(&mut self, pulse: Pulse, out: &mut Vec<Event>) {
        let length = u32::try_from(pulse.length.0.max(0)).unwrap_or(u32::MAX);
        if pulse.mark == self.lengths.len().is_multiple_of(2) {
            self.lengths.push(length);
            if pulse.mark {
                self.places.push((pulse.t.0.clamp(-FAR, FAR), pulse.offset));
            }
        } else if let Some(last) = self.lengths.last_mut() {
            *last = last.saturating_add(length);
        } else {
            self.before = length;
            return;
        }
        if !pulse.mark && length >= self.formats.gap || self.lengths.len() >= BATCH {
            let closed = !pulse.mark && length >= self.formats.gap;
            self.decode(closed, out);
        }
    }

    /// Tells a live line that time has gone on to `now` without a new edge.
    pub fn tick(&mut self, now: Nanoseconds, out: &mut Vec<Event>) {
        let now = now.0.clamp(-FAR, FAR);
        if self.lengths.len() % 2 == 1
            && let (Some(length), Some((t, _))) = (self.lengths.last(), self.places.last())
        {
            let end = t + i64::from(*length);
            if now - end >= i64::from(self.formats.gap) {
                self.decode(true, out);
            }
        }
        let reached = (now - UNDER_WAY).min(self.places.first().map_or(i64::MAX, |place| place.0));
        self.advance(reached);
        self.held.flush(reached, self.halves.since(), out);
    }

    /// Decodes what is left; `end` is the end of the capture.
    pub fn finish(&mut self, end: Nanoseconds, out: &mut Vec<Event>) {
        let end = end.0.clamp(-FAR, FAR);
        self.decode(true, out);
        if let Some(heard) = self.halves.expire(i64::MAX, &self.formats) {
            self.counters.decoded += 1;
            self.held.frame(heard);
        }
        self.advance(end);
        if let Some(event) = self.strangers.finish(end, &self.capture) {
            self.held.emit(event);
        }
        if let Some(event) = self.noise.finish(end, &self.capture) {
            self.held.emit(event);
        }
        self.held.finish(end, out);
    }

    /// Frames and near-frames so far: `damaged` are near-frames, `not_mine` bursts that are no frame.
    pub fn counters(&self) -> Counters {
        self.counters
    }

    /// Decodes the buffer: all of it when `closed`, else as far as the longest frame can be seen.
    fn decode(&mut self, closed: bool, out: &mut Vec<Event>) {
        let mut at = 0;
        let limit = self.lengths.len();
        while at < limit && (closed || limit - at >= self.formats.lookahead) {
            at += self.step(at);
        }
        let reached = self.places.last().map_or(i64::MIN, |place| place.0);
        let reached = self.places.get(at / 2).map_or(reached, |place| place.0);
        self.held.flush(reached, self.halves.since(), out);
        if at >= limit {
            self.before = if limit.is_multiple_of(2) {
                self.lengths.last().copied().unwrap_or(self.before)
            } else {
                self.formats.gap
            };
            self.lengths.clear();
            self.places.clear();
        } else if at > 0 {
            self.before = self.lengths.get(at - 1).copied().unwrap_or(self.before);
            self.lengths.drain(..at);
            self.places.drain(..at / 2);
        }
    }

    /// Decodes what begins with the mark at `at`; returns how many marks and spaces are done with.
    #[inline]
    fn step(&mut self, at: usize) -> usize {
        let Some((&mark, &(t, offset))) = self.lengths.get(at).zip(self.places.get(at / 2)) else { return 2 };
        let space = self.lengths.get(at + 1).copied().unwrap_or(u32::MAX);
        let before = match at {
            0 => self.before,
            _ => self.lengths.get(at - 1).copied().unwrap_or_default(),
        };
        let candidates = self.formats.candidates(mark, space);
        if candidates != 0 {
            let lengths = self.lengths.get(at..).unwrap_or_default();
            match try_start(&self.formats, lengths, before, candidates) {
                Trial::Found(found) => {
                    if let Some(done) = self.found(at, before, (t, offset), &found) {
                        return done;
                    }
                }
                Trial::Near(near) => {
                    return match self.stranger(at, before) {
                        Some(done) => done,
                        None => self.near(at, t, offset, &near),
                    };
                }
                Trial::Nothing => {}
            }
        }
        if let Some(done) = self.stranger(at, before) {
            return done;
        }
        if self.noise.is_due(t) || self.held.is_due(t) || self.strangers.is_due(t) {
            self.advance(t);
        }
        self.noise.add(t, mark, before, offset);
        self.counters.not_mine += 1;
        2
    }

    /// Looks at a group between two gaps that is no frame of a known format; `None` where it is noise to us.
    #[inline]
    fn stranger(&mut self, at: usize, before: u32) -> Option<usize> {
        if before < self.formats.gap {
            return None;
        }
        let lengths = self.lengths.get(at..)?;
        let gap = self.formats.gap;
        let end = lengths.iter().skip(1).step_by(2).position(|space| *space >= gap);
        let count = end.map_or(lengths.len(), |end| 2 * end + 1);
        // The last mark of a group that is not closed yet may go on.
        if end.is_none() && count.is_multiple_of(2) {
            return None;
        }
        let (t, offset) = *self.places.get(at / 2)?;
        let (_, end_offset) = *self.places.get((at + count - 1) / 2)?;
        self.advance(t);
        let group = self.lengths.get(at..at + count)?;
        let [released, seen] = self.strangers.take(group, Place { t, offset, end_offset }, &self.capture);
        if let Some(event) = released {
            self.held.emit(event);
        }
        let event = seen?;
        self.held.emit(event);
        self.counters.records += 1;
        self.counters.decoded += 1;
        Some(count + 1)
    }

    fn advance(&mut self, t: i64) {
        if let Some(event) = self.strangers.advance(t, &self.capture) {
            self.held.emit(event);
        }
        if let Some(heard) = self.halves.expire(t, &self.formats) {
            self.counters.decoded += 1;
            self.held.frame(heard);
        }
        while let Some(event) = self.noise.close_due(t, &self.capture) {
            self.held.emit(event);
        }
        self.held.advance(t);
    }

    /// End of the last mark of `pulses` marks and spaces from `at`, and its place: the place of the next one
    /// is not known yet where a live line has fallen quiet, and events must not depend on that.
    fn end(&self, at: usize, pulses: usize) -> (i64, u64) {
        let last = at + pulses.max(1) - 1;
        let (t, offset) = self.places.get(last / 2).copied().unwrap_or_default();
        let length = self.lengths.get(last & !1).copied().unwrap_or_default();
        (t + i64::from(length), offset)
    }

    fn found(&mut self, at: usize, before: u32, place: (i64, u64), found: &Found) -> Option<usize> {
        let (t, offset) = place;
        self.advance(t);
        let (end, end_offset) = self.end(at, found.pulses);
        if let Start::Short { .. } = found.start {
            if !self.held.short(HeardShort { family: found.family, t, end, offset, end_offset, before }) {
                return None;
            }
            self.counters.records += 1;
            self.counters.decoded += 1;
        } else {
            self.counters.records += 1;
            let heard = found.heard(&self.formats, (t, end), (offset, end_offset));
            match self.halves.join(heard, found.part, &self.formats) {
                Ok(heard) => {
                    for heard in heard.into_iter().flatten() {
                        self.counters.decoded += 1;
                        self.held.frame(heard);
                    }
                }
                Err((near, t, offset)) => {
                    self.note_near(t, (offset, end_offset), &near);
                }
            }
        }
        // The space after the last mark goes with the frame.
        Some(found.pulses + 1)
    }

    fn near(&mut self, at: usize, t: i64, offset: u64, near: &Near) -> usize {
        self.advance(t);
        self.counters.records += 1;
        let (_, end_offset) = self.end(at, near.pulses);
        self.note_near(t, (offset, end_offset), near);
        // What is left of it goes with it, up to a gap or to a mark that may begin a frame with a leader.
        let mut done = (near.pulses + 1).max(2) & !1;
        while let Some(mark) = self.lengths.get(at + done) {
            let before = self.lengths.get(at + done - 1).copied().unwrap_or(u32::MAX);
            let space = self.lengths.get(at + done + 1).copied().unwrap_or(u32::MAX);
            let leaders = self.formats.candidates(*mark, space) & !self.formats.leaderless;
            if before >= self.formats.gap || leaders != 0 {
                break;
            }
            done += 2;
        }
        done
    }

    fn note_near(&mut self, t: i64, offsets: (u64, u64), near: &Near) {
        self.counters.damaged += 1;
        if !self.noise.add_near(t, offsets.0) {
            return;
        }
        let Some(format) = self.formats.all().get(near.format) else { return };
        let mut event = Event::new(Nanoseconds(t), ControlPath::Infrared, EventKind::Noise);
        event.format = Some(format.name.clone());
        event.decoder = Some(format.decoder.clone());
        event.bits = Some(near.bits);
        event.note = Some(near.describe(format).into());
        event.capture = Some(self.capture.clone());
        event.offset = Some(offsets.0);
        event.length = u32::try_from(offsets.1.saturating_sub(offsets.0)).ok();
        self.held.emit(event);
    }
}
