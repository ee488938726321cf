//! From edges to messages.
//!
//! A bit is known when the line rises again, its period when the line falls next. What lies outside the
//! standard's windows is named: a low that belongs to no bit ends the frame with a `fault`, a period that is
//! off lowers the quality of the frame and is said in its note. Lows too short for any bit, outside frames,
//! are counted and summarised.

use crate::base::{ControlPath, Event, EventKind, Name, Nanoseconds, Result};
use crate::decode::Counters;
use crate::decode::cec::bus::{Bus, Timing, Window};
use crate::decode::cec::keys::{Keys, remark};
use crate::decode::cec::message::{MOST_BLOCKS, message};
use crate::signal::{Edge, Level};

/// Longest stretch that one summary of glitches covers, nanoseconds.
const WINDOW: i64 = 10_000_000_000;
/// Times beyond this (73 years) are taken for it, so that no sum or difference of two can overflow.
const FAR: i64 = 1 << 61;
/// Bit periods that the line must be free before another frame of the same initiator for a retransmission,
/// the shortest of the three (Linux include/media/cec.h).
const FREE_BITS: f64 = 3.0;
/// Mean excess of the lows beyond which a slow rise is said, microseconds: half of what a 1 may be long.
const SLOW_RISE: f64 = 100.0;

/// How far outside its window in the standard, in microseconds, a low is still read, with a remark: a slow rise
/// adds to every low, and real clocks are off by up to a tenth. Ours; a 0 and a 1 stay 200 µs apart.
const BEYOND: f64 = 450.0;
/// The same between a 1 and a 0.
const BETWEEN: f64 = 150.0;

/// What a low means.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Low {
    Start,
    Zero,
    One,
}

/// The kind of a low by its length in nanoseconds; `None` where it could be two, or is none.
fn low_kind(timing: &Timing, low: i64) -> Option<Low> {
    let micros = low as f64 / 1e3;
    let within = |least: f64, most: f64| (least..=most).contains(&micros);
    if within(timing.start_low.least - BEYOND, timing.start_low.most + BEYOND) {
        Some(Low::Start)
    } else if within(timing.zero_low.least - BETWEEN, timing.zero_low.most + BEYOND) {
        Some(Low::Zero)
    } else if within(timing.one_low.least - BETWEEN, timing.one_low.most + BETWEEN) {
        Some(Low::One)
    } else {
        None
    }
}

/// Decodes one CEC line.
#[derive(Debug)]
pub struct Decoder {
    bus: &'static Bus,
    capture: Name,
    /// Start of the low that is under way, and its place.
    low: Option<(i64, u64)>,
    frame: Option<Frame>,
    /// Fall that began the last bit on the line.
    last_fall: Option<i64>,
    /// End of the last whole frame.
    free_since: Option<i64>,
    keys: Keys,
    glitches: Option<Glitches>,
    counters: Counters,
}

#[derive(Debug)]
struct Frame {
    t: i64,
    offset: u64,
    end_offset: u64,
    blocks: Vec<Block>,
    bits: u8,
    value: u16,
    /// Squares of the timing errors, 1 at a window's end, and their number.
    square: f64,
    count: f64,
    /// Sum of the lows' excess in microseconds.
    excess: f64,
    remarks: Vec<String>,
    /// The last bit's acknowledgement ended the frame.
    whole: bool,
}

#[derive(Clone, Copy, Debug)]
struct Block {
    value: u8,
    last: bool,
    acknowledged: bool,
}

#[derive(Debug)]
struct Glitches {
    since: i64,
    count: u64,
    shortest: i64,
    longest: i64,
    offset: u64,
    end_offset: u64,
}

impl Frame {
    fn new(t: i64, offset: u64) -> Self {
        Self {
            t,
            offset,
            end_offset: offset,
            blocks: Vec::new(),
            bits: 0,
            value: 0,
            square: 0.0,
            count: 0.0,
            excess: 0.0,
            remarks: Vec::new(),
            whole: false,
        }
    }

    fn is_started(&self) -> bool {
        self.bits > 0 || !self.blocks.is_empty()
    }

    /// The bit under way, in words.
    fn place(&self) -> String {
        match self.bits {
            8 => format!("block {}, end-of-message bit", self.blocks.len() + 1),
            9 => format!("block {}, acknowledge bit", self.blocks.len() + 1),
            bit => format!("block {}, bit {}", self.blocks.len() + 1, bit + 1),
        }
    }

    fn judge(&mut self, error: f64) {
        self.square += error * error;
        self.count += 1.0;
    }

    /// Says that a low is not as the standard has it, though plain enough to be read.
    fn say_low(&mut self, place: &str, low: i64, window: Window) {
        if !window.holds(low) {
            self.say(format!(
                "{place}: low for {} µs, allowed {} to {}",
                low / 1000,
                window.least,
                window.most
            ));
        }
    }

    fn say(&mut self, remark: String) {
        // A few are enough to see what is wrong.
        if self.remarks.len() < 4 {
            self.remarks.push(remark);
        }
    }

    /// Takes a bit; `true` when it was the last of the frame.
    fn bit(&mut self, one: bool) -> bool {
        self.value = self.value << 1 | u16::from(one);
        self.bits += 1;
        if self.bits < 10 {
            return false;
        }
        let value = (self.value >> 2 & 0xff) as u8;
        let to_all = self.blocks.first().map_or(value, |header| header.value) & 15 == 15;
        let last = self.value & 2 != 0;
        // To all the sense of the bit is opposite.
        let acknowledged = (self.value & 1 == 0) != to_all;
        self.blocks.push(Block { value, last, acknowledged });
        self.bits = 0;
        self.value = 0;
        last
    }
}

impl Decoder {
    /// A decoder for one line; `capture` names the capture in its events.
    ///
    /// # Errors
    /// `Input` if the shipped bus file is wrong, which the tests exclude.
    pub fn new(capture: Name) -> Result<Self> {
        Ok(Self {
            bus: Bus::shipped()?,
            capture,
            low: None,
            frame: None,
            last_fall: None,
            free_since: None,
            keys: Keys::new(),
            glitches: None,
            counters: Counters::default(),
        })
    }

    /// Takes the next edge. Events go to `out` in the order in which they are known: a frame bears the time
    /// of its start bit.
    pub fn push(&mut self, edge: Edge, out: &mut Vec<Event>) {
        let t = edge.t.0.clamp(-FAR, FAR);
        match edge.level {
            Level::Low if self.low.is_none() => {
                self.fall(t, edge.offset, out);
                self.low = Some((t, edge.offset));
            }
            Level::High => {
                if let Some((fall, offset)) = self.low.take() {
                    self.rise(fall, t, offset, edge.offset, out);
                }
            }
            Level::Low => {}
        }
    }

    /// Tells a live line that time has gone on to `now` without a new edge.
    pub fn tick(&mut self, now: Nanoseconds, out: &mut Vec<Event>) {
        if self.low.is_none() {
            self.give_up(now.0, out);
            self.keys.advance(now, out);
        }
    }

    /// Decodes what is left; `end` is the end of the capture.
    pub fn finish(&mut self, end: Nanoseconds, out: &mut Vec<Event>) {
        if let Some((fall, offset)) = self.low.take() {
            self.abandon("the line fell and did not rise again", out);
            self.fault(fall, (offset, offset), &held_low(end.0.clamp(-FAR, FAR) - fall), None, out);
        }
        self.give_up(i64::MAX, out);
        self.keys.finish(end, out);
        self.close_glitches(out);
    }

    /// Frames so far: `damaged` ended with a fault, `not_mine` lows that are no bit.
    pub fn counters(&self) -> Counters {
        self.counters
    }

    fn fall(&mut self, t: i64, offset: u64, out: &mut Vec<Event>) {
        self.give_up(t, out);
        if self.glitches.as_ref().is_some_and(|glitches| t - glitches.since >= WINDOW) {
            self.close_glitches(out);
        }
        let timing = &self.bus.timing;
        let (Some(frame), Some(last)) = (&mut self.frame, self.last_fall) else { return };
        frame.end_offset = offset;
        let total = t - last;
        let window = if frame.is_started() { timing.bit_total } else { timing.start_total };
        frame.judge(window.error(total).clamp(-3.0, 3.0));
        if !window.holds(total) {
            let what = if frame.is_started() { frame.place() } else { String::from("start bit") };
            frame.say(format!(
                "period {} µs before {what}, allowed {} to {}",
                total / 1000,
                window.least,
                window.most
            ));
        }
    }

    /// Ends a frame after which the line stays high.
    fn give_up(&mut self, now: i64, out: &mut Vec<Event>) {
        let timing = &self.bus.timing;
        let (Some(frame), Some(last)) = (&self.frame, self.last_fall) else { return };
        let patience = if frame.is_started() { timing.give_up_bit } else { timing.give_up_start } * 1e3;
        if now.saturating_sub(last) as f64 > patience {
            self.close(out);
        }
    }

    fn rise(&mut self, fall: i64, t: i64, offset: u64, end_offset: u64, out: &mut Vec<Event>) {
        let timing = &self.bus.timing;
        let low = t - fall;
        let error = self.frame.as_ref().is_some_and(Frame::is_started) && timing.line_error.holds(low);
        if error {
            self.abandon("a follower held the line low: line error reported", out);
            return;
        }
        let kind = low_kind(timing, low);
        if kind == Some(Low::Start) {
            if self.frame.is_some() {
                self.abandon("a new start bit came", out);
            }
            let mut frame = Frame::new(fall, offset);
            frame.judge(timing.start_low.error(low).clamp(-3.0, 3.0));
            frame.say_low("start bit", low, timing.start_low);
            self.check_free_time(&mut frame, timing);
            self.frame = Some(frame);
            self.last_fall = Some(fall);
            return;
        }
        let one = match kind {
            Some(Low::One) => true,
            Some(Low::Zero) => false,
            _ => return self.bad_low(fall, low, (offset, end_offset), out),
        };
        self.last_fall = Some(fall);
        let Some(frame) = &mut self.frame else {
            // The capture began within a frame, or its start bit was damaged.
            self.counters.not_mine += 1;
            return;
        };
        let window = if one { timing.one_low } else { timing.zero_low };
        frame.judge(window.error(low).clamp(-3.0, 3.0));
        let place = frame.place();
        frame.say_low(&place, low, window);
        frame.excess += low as f64 / 1e3 - window.nominal;
        frame.end_offset = end_offset;
        if frame.bit(one) {
            frame.whole = true;
            self.free_since = Some(fall + (timing.bit_total.nominal * 1e3) as i64);
            self.close(out);
        } else if frame.blocks.len() >= MOST_BLOCKS {
            self.abandon("it goes on after 16 blocks", out);
        }
    }

    fn check_free_time(&self, frame: &mut Frame, timing: &Timing) {
        let Some(since) = self.free_since else { return };
        let free = (frame.t - since) as f64 / 1e3;
        let least = FREE_BITS * timing.bit_total.nominal;
        if free < least - timing.bit_total.nominal / 2.0 {
            frame.say(format!("line free for {:.1} ms before it, at least {:.1}", free / 1e3, least / 1e3));
        }
    }

    /// A low that belongs to no bit.
    fn bad_low(&mut self, fall: i64, low: i64, offsets: (u64, u64), out: &mut Vec<Event>) {
        let timing = &self.bus.timing;
        let micros = low as f64 / 1e3;
        if micros > timing.start_low.most + BEYOND {
            self.abandon("the line was held low", out);
            self.fault(fall, offsets, &held_low(low), None, out);
            return;
        }
        if self.frame.is_some() {
            let frame = self.frame.as_ref();
            let place = frame.map(Frame::place).unwrap_or_default();
            let kind = if micros < timing.one_low.least {
                format!("glitch: low for {micros:.0} µs, a bit is {} at least", timing.one_low.least)
            } else if micros < timing.zero_low.least {
                format!(
                    "low for {micros:.0} µs belongs to neither bit ({} to {}, {} to {})",
                    timing.one_low.least, timing.one_low.most, timing.zero_low.least, timing.zero_low.most
                )
            } else {
                format!("low for {micros:.0} µs is too long for a bit ({} at most)", timing.zero_low.most)
            };
            self.abandon(&format!("{place}: {kind}"), out);
            return;
        }
        self.counters.not_mine += 1;
        let glitches = self.glitches.get_or_insert(Glitches {
            since: fall,
            count: 0,
            shortest: low,
            longest: low,
            offset: offsets.0,
            end_offset: offsets.1,
        });
        glitches.count += 1;
        glitches.shortest = glitches.shortest.min(low);
        glitches.longest = glitches.longest.max(low);
        glitches.end_offset = offsets.1;
    }

    fn close_glitches(&mut self, out: &mut Vec<Event>) {
        let Some(glitches) = self.glitches.take() else { return };
        let mut event = Event::new(Nanoseconds(glitches.since), ControlPath::Cec, EventKind::Noise);
        event.note = Some(
            format!(
                "{} lows that are no bit, {} to {} µs",
                glitches.count,
                glitches.shortest / 1000,
                glitches.longest / 1000
            )
            .into(),
        );
        self.place(&mut event, glitches.offset, glitches.end_offset);
        out.push(event);
    }

    /// Ends the frame under way with a fault; nothing when there is none.
    fn abandon(&mut self, why: &str, out: &mut Vec<Event>) {
        let Some(frame) = self.frame.take() else { return };
        self.counters.records += 1;
        self.counters.damaged += 1;
        let header = frame.blocks.first().map(|header| header.value);
        let text = format!("frame damaged: {why}");
        self.fault(frame.t, (frame.offset, frame.end_offset), &text, header, out);
    }

    fn fault(&mut self, t: i64, offsets: (u64, u64), what: &str, header: Option<u8>, out: &mut Vec<Event>) {
        let mut event = Event::new(Nanoseconds(t), ControlPath::Cec, EventKind::Fault);
        event.initiator = header.map(|header| header >> 4);
        event.destination = header.map(|header| header & 15);
        event.note = Some(what.into());
        event.decoder = Some(self.bus.decoder.clone());
        self.place(&mut event, offsets.0, offsets.1);
        out.push(event);
    }

    /// Ends the frame under way in good order, or as far as it went.
    fn close(&mut self, out: &mut Vec<Event>) {
        let Some(mut frame) = self.frame.take() else { return };
        self.last_fall = None;
        if frame.blocks.is_empty() {
            let why = match frame.bits {
                0 => "no bit follows the start bit",
                1..=4 => "it stops in the initiator's address, as when arbitration is lost",
                _ => "it stops in its first block",
            };
            self.frame = Some(frame);
            self.abandon(why, out);
            return;
        }
        if frame.bits > 0 {
            let why = format!("it stops before {}", frame.place());
            self.frame = Some(frame);
            self.abandon(&why, out);
            return;
        }
        self.counters.records += 1;
        self.counters.decoded += 1;
        let bytes: Vec<u8> = frame.blocks.iter().map(|block| block.value).collect();
        let mut event = message(&bytes, Nanoseconds(frame.t));
        let acknowledged = frame.blocks.iter().all(|block| block.acknowledged);
        event.ack = Some(acknowledged);
        if !frame.whole && frame.blocks.last().is_some_and(|block| !block.last) {
            let why = if acknowledged { "no end of message" } else { "not acknowledged, so it ends early" };
            frame.say(why.to_owned());
        }
        let slow = frame.excess / (10.0 * bytes.len() as f64);
        if slow.abs() > SLOW_RISE {
            let why = if slow > 0.0 { "slow rise" } else { "early rise" };
            frame.say(format!("lows {slow:+.0} µs on average: {why}"));
        }
        for text in &frame.remarks {
            remark(&mut event, text);
        }
        let error = (frame.square / frame.count.max(1.0)).sqrt();
        event.quality = Some((1.0 - error).clamp(0.0, 1.0) as f32);
        self.place(&mut event, frame.offset, frame.end_offset);
        self.keys.push(event, out);
    }

    fn place(&self, event: &mut Event, offset: u64, end_offset: u64) {
        event.capture = Some(self.capture.clone());
        event.offset = Some(offset);
        event.length = u32::try_from(end_offset.saturating_sub(offset)).ok();
    }
}

fn held_low(length: i64) -> String {
    let millis = length as f64 / 1e6;
    format!(
        "line held low for {millis:.1} ms: a short, a stuck output, or a box without power that pulls it down"
    )
}
