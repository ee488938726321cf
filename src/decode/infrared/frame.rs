//! From bits to a frame of one format: which of the formats that fit is best, and how two parts are joined.

use crate::decode::infrared::Formats;
use crate::decode::infrared::coding::{Coding, Fit, Reading};
use crate::decode::infrared::format::{CHECKED_BITS, Format};
use crate::decode::infrared::formats::{Entry, Family, Start};
use crate::decode::infrared::held::Heard;
use crate::decode::infrared::layout::Word;
use crate::decode::infrared::near::{Failure, Near};

/// What came of all attempts at one place.
#[derive(Debug)]
pub(super) enum Trial {
    Found(Found),
    Near(Near),
    Nothing,
}

/// Which part of its format a frame is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Part {
    Whole,
    First,
    Second,
}

/// The best format at one place.
#[derive(Clone, Copy, Debug)]
pub(super) struct Found {
    pub(super) family: usize,
    pub(super) format: usize,
    pub(super) start: Start,
    pub(super) part: Part,
    pub(super) word: Word,
    pub(super) bits: u8,
    pub(super) pulses: usize,
    pub(super) fit: Fit,
    checked: bool,
    margin: f64,
}

/// Tries every entry of `candidates` on the marks and spaces from index 0 on.
pub(super) fn try_start(formats: &Formats, lengths: &[u32], before: u32, candidates: u64) -> Trial {
    let mut best: Option<Found> = None;
    let mut near: Option<Near> = None;
    // Entries whose frame cannot end here are left for later: they matter only when nothing else fits.
    let mut unlikely = 0;
    let mut rest = candidates;
    while rest != 0 {
        let index = rest.trailing_zeros() as usize;
        let bit = rest & rest.wrapping_neg();
        rest ^= bit;
        let Some(entry) = formats.entries.get(index) else { continue };
        if formats.leaderless & bit != 0 && !follows_quiet(formats, entry, before) {
            continue;
        }
        if let Start::Short { leader, bits } = entry.start {
            if let Some(found) = short(formats, entry, lengths, leader, bits) {
                keep(&mut best, found);
            }
        } else if ends_in_time(formats, entry, lengths) {
            whole(formats, entry, lengths, &mut best, &mut near);
        } else {
            unlikely |= bit;
        }
    }
    while best.is_none() && unlikely != 0 {
        let entry = formats.entries.get(unlikely.trailing_zeros() as usize);
        if let Some(entry) = entry.filter(|entry| !is_hopeless(formats, entry, lengths)) {
            whole(formats, entry, lengths, &mut best, &mut near);
        }
        unlikely &= unlikely - 1;
    }
    match (best, near) {
        (Some(found), _) => Trial::Found(found),
        (None, Some(near)) => Trial::Near(near),
        (None, None) => Trial::Nothing,
    }
}

fn follows_quiet(formats: &Formats, entry: &Entry, before: u32) -> bool {
    formats.families.get(entry.air).is_some_and(|family| before >= family.air.quiet)
}

/// Whether the line falls quiet where a frame of the family would end; `true` where that cannot be told from
/// the number of marks and spaces.
fn ends_in_time(formats: &Formats, entry: &Entry, lengths: &[u32]) -> bool {
    let Some(family) = formats.families.get(entry.air) else { return false };
    let Coding::Pair { end_mark, .. } = family.air.coding else { return true };
    let leader = if has_leader(entry, family) { 2 } else { 0 };
    family.bits.iter().any(|bits| {
        let last = leader + 2 * usize::from(bits - u8::from(!end_mark));
        let quiet = lengths.get(last + 1).copied().unwrap_or(u32::MAX);
        last < lengths.len() && quiet >= family.air.quiet
    })
}

/// Share of a frame that must be met to call it nearly one: without a leader much noise begins like a frame.
fn needed(entry: &Entry, family: &Family) -> f64 {
    if has_leader(entry, family) { 0.5 } else { 0.75 }
}

fn has_leader(entry: &Entry, family: &Family) -> bool {
    entry.start == Start::Whole && family.air.leader.is_some()
}

/// Whether the line falls quiet so early that it is not even a near-frame of the family.
fn is_hopeless(formats: &Formats, entry: &Entry, lengths: &[u32]) -> bool {
    let Some(family) = formats.families.get(entry.air) else { return true };
    let leader = if has_leader(entry, family) { 2 } else { 0 };
    let fewest = family.bits.iter().min().copied().unwrap_or_default();
    let bits = (f64::from(fewest) * needed(entry, family)) as usize;
    let mut spaces = lengths.iter().skip(leader + 1).step_by(2).take(bits);
    spaces.any(|space| *space >= family.air.quiet)
}

/// Error that no capture is free of, nanoseconds: below it formats fit equally well.
const FLOOR: f64 = 5e3;

/// Keeps the better of two and remembers how far the other was behind: one that proves itself goes before one
/// that does not, else the smaller timing error decides.
fn keep(best: &mut Option<Found>, found: Found) {
    let Some(other) = *best else {
        *best = Some(found);
        return;
    };
    let order = |found: &Found| (!found.checked, found.fit.rms);
    let better = order(&found) < order(&other);
    let (high, low) = if better { (found, other) } else { (other, found) };
    let behind = if high.checked && !low.checked {
        1.0
    } else {
        (1.0 - (high.fit.rms + FLOOR) / (low.fit.rms + FLOOR)).max(0.0)
    };
    *best = Some(Found { margin: high.margin.min(behind), ..high });
}

/// A short repeat frame: leader, the declared bits, a mark, quiet.
fn short(formats: &Formats, entry: &Entry, lengths: &[u32], leader: [f64; 2], bits: u8) -> Option<Found> {
    let family = formats.families.get(entry.air)?;
    let air = &family.air;
    let at = 2 + 2 * usize::from(bits);
    let mark = f64::from(*lengths.get(at)?);
    let quiet = lengths.get(at + 1).copied().unwrap_or(u32::MAX);
    if quiet < air.quiet || lengths.get(2..at)?.iter().any(|length| *length >= air.quiet) {
        return None;
    }
    let ([first, second, ..], Coding::Pair { zero, .. }) = (lengths, air.coding) else {
        return None;
    };
    let long = leader[0] + leader[1];
    let clock = (f64::from(*first) + f64::from(*second)) / long;
    // Two lengths carry the estimate, each with an error of its own.
    let doubt = 2.0 * air.tolerance / long;
    let error = (mark - zero[0] * clock).abs();
    let limit = air.tolerance + air.stretch[1];
    if (clock - 1.0).abs() > air.clock + doubt || error > limit {
        return None;
    }
    let stretch = mark - zero[0] * clock;
    let fit = Fit { clock, stretch, error: error / limit, rms: error };
    Some(Found {
        family: entry.air,
        format: *family.formats.first()?,
        start: entry.start,
        part: Part::Whole,
        word: 0,
        bits: 0,
        pulses: at + 1,
        fit,
        checked: false,
        margin: 1.0,
    })
}

/// Reads the bits once for all formats of the family, then lets each judge them.
fn whole(
    formats: &Formats,
    entry: &Entry,
    lengths: &[u32],
    best: &mut Option<Found>,
    near: &mut Option<Near>,
) {
    let Some(family) = formats.families.get(entry.air) else { return };
    let leader = has_leader(entry, family);
    let needed = needed(entry, family);
    let clock_error = match (leader, family.air.leader, lengths) {
        (true, Some([mark, space]), [first, second, ..]) => {
            ((f64::from(*first) + f64::from(*second)) / (mark + space) - 1.0).abs()
        }
        _ => 0.0,
    };
    let reading = match family.air.read(lengths, leader, family.most_bits) {
        Ok(reading) => reading,
        Err(miss) => {
            if best.is_none()
                && let Some((format, bits)) = shortest(formats, family)
                && f64::from(miss.bits) >= needed * f64::from(bits)
            {
                let (bits, word, pulses) = (miss.bits, miss.word, miss.pulse);
                let failure = Failure::Timing(miss);
                nearer(near, Near { format, bits, word, pulses, clock_error, failure });
            }
            return;
        }
    };
    for index in family.formats.iter().copied() {
        let Some(format) = formats.all().get(index) else { continue };
        match judge(format, reading.word, reading.bits) {
            Ok(part) => keep(best, Found::new(entry, (index, format), part, &reading)),
            // Fewer bits than this format has may be a frame cut short; more are none of its business.
            Err(Failure::Count) if reading.bits > format.layout.first_part => {}
            Err(Failure::Count) if f64::from(reading.bits) < needed * f64::from(format.layout.first_part) => {
            }
            Err(failure) => {
                let (bits, word, pulses) = (reading.bits, reading.word, reading.pulses);
                nearer(near, Near { format: index, bits, word, pulses, clock_error, failure });
            }
        }
    }
}

/// The format of a family with the fewest bits in its first part, and how many.
fn shortest(formats: &Formats, family: &Family) -> Option<(usize, u8)> {
    let bits = |index: usize| formats.all().get(index).map(|format| (index, format.layout.first_part));
    family.formats.iter().filter_map(|index| bits(*index)).min_by_key(|(_, bits)| *bits)
}

/// Keeps the attempt that read more bits; of two that read the same, the one whose leader fits better; of two
/// formats of one family the first, which has the most redundancy.
fn nearer(near: &mut Option<Near>, other: Near) {
    let better = |near: &Near| {
        other.bits > near.bits || other.bits == near.bits && other.clock_error < near.clock_error
    };
    if near.as_ref().is_none_or(better) {
        *near = Some(other);
    }
}

/// Whether bits are a frame of a format, or one part of it.
fn judge(format: &Format, word: Word, bits: u8) -> Result<Part, Failure> {
    let layout = &format.layout;
    let second_part = layout.bits - layout.first_part;
    if second_part == 0 {
        if bits != layout.bits {
            return Err(Failure::Count);
        }
        let wrong = layout.wrong_constants(word);
        if wrong != 0 {
            return Err(Failure::Constant(wrong));
        }
        return match format.checks.iter().position(|check| !check.holds(layout, word)) {
            Some(check) => Err(Failure::Check(check)),
            None => Ok(Part::Whole),
        };
    }
    let as_first = layout.wrong_constants(word << second_part) >> second_part;
    if bits == layout.first_part && as_first == 0 {
        return Ok(Part::First);
    }
    let as_second = layout.wrong_constants(word) & crate::decode::infrared::layout::ones(second_part);
    if bits == second_part && as_second == 0 {
        return Ok(Part::Second);
    }
    if bits == layout.first_part {
        Err(Failure::Constant(as_first << second_part))
    } else {
        Err(Failure::Count)
    }
}

impl Found {
    fn new(entry: &Entry, format: (usize, &Format), part: Part, reading: &Reading) -> Self {
        Self {
            family: entry.air,
            format: format.0,
            start: entry.start,
            part,
            word: reading.word,
            bits: reading.bits,
            pulses: reading.pulses,
            fit: reading.fit,
            checked: format.1.is_checked(),
            margin: 1.0,
        }
    }

    /// The frame with its meaning; `span` is start and end, `offsets` the place in the capture.
    pub(super) fn heard(&self, formats: &Formats, span: (i64, i64), offsets: (u64, u64)) -> Heard {
        let mut heard = Heard {
            format: self.format,
            word: self.word,
            bits: self.bits,
            t: span.0,
            end: span.1,
            offset: offsets.0,
            end_offset: offsets.1,
            fit: self.fit,
            margin: self.margin,
            address: None,
            command: 0,
            toggle: None,
            trusted: false,
            doubted: false,
            bare: self.start == Start::Bare,
            remark: None,
        };
        if let Some(format) = formats.all().get(self.format).filter(|_| self.part == Part::Whole) {
            interpret(&mut heard, format, format.is_checked());
        }
        heard
    }
}

/// Fills in what the bits mean.
fn interpret(heard: &mut Heard, format: &Format, checked: bool) {
    let layout = &format.layout;
    // Operands hold 32 bits at most.
    heard.address = format.address.as_ref().map(|address| address.value(layout, heard.word) as u32);
    heard.command = format.command.value(layout, heard.word) as u32;
    heard.toggle = format.toggle.map(|toggle| layout.value(heard.word, toggle) == 1);
    heard.trusted = checked;
    if !format.one_of.is_empty() {
        match format.one_of.iter().find(|check| check.holds(layout, heard.word)) {
            // Each further form that would have done makes a chance hit likelier.
            Some(check) => {
                let forms = format.one_of.len() as u32;
                let bits = format.redundancy() + check.strength(layout) + 1;
                heard.trusted |= bits >= CHECKED_BITS + forms;
            }
            None => {
                heard.trusted = false;
                heard.remark = Some("the form of the check byte is not known");
            }
        }
    }
    if format.doubts.iter().any(|doubt| doubt.holds(layout, heard.word)) {
        heard.trusted = false;
        heard.doubted = true;
        heard.remark = Some("one bit from a frame of the kin format");
    }
    if !heard.trusted && heard.remark.is_none() {
        heard.remark = Some("unchecked format");
    }
}

/// Joins the parts of formats that send their frame in two.
#[derive(Debug)]
pub(super) struct Halves {
    first: Option<Heard>,
}

impl Halves {
    pub(super) fn new() -> Self {
        Self { first: None }
    }

    /// Start of a first part that waits for its second.
    #[inline]
    pub(super) fn since(&self) -> Option<i64> {
        self.first.as_ref().map(|first| first.t)
    }

    /// Takes a part; gives the frames that are decided by it, or a near-frame with its start and place.
    pub(super) fn join(
        &mut self,
        heard: Heard,
        part: Part,
        formats: &Formats,
    ) -> Result<[Option<Heard>; 2], (Near, i64, u64)> {
        let Some(format) = formats.all().get(heard.format) else { return Ok([None, None]) };
        match part {
            Part::Whole => Ok([self.expire(i64::MAX, formats), Some(heard)]),
            Part::First => {
                let old = self.expire(i64::MAX, formats);
                self.first = Some(heard);
                Ok([old, None])
            }
            Part::Second => {
                let fits = |first: &Heard| {
                    let pause = heard.t - first.end;
                    first.format == heard.format && (pause - format.pause).abs() <= format.pause / 4
                };
                if !self.first.as_ref().is_some_and(fits) {
                    let old = self.expire(i64::MAX, formats);
                    return Ok([old, half(heard, format, Part::Second)]);
                }
                let Some(first) = self.first.take() else { return Ok([None, None]) };
                joined(first, &heard, format).map(|heard| [Some(heard), None])
            }
        }
    }

    /// The first part that waits, when its second can no longer come at `t`.
    pub(super) fn expire(&mut self, t: i64, formats: &Formats) -> Option<Heard> {
        let first = self.first.as_ref()?;
        let format = formats.all().get(first.format)?;
        if t != i64::MAX && t <= first.end + format.pause / 4 * 5 {
            return None;
        }
        half(self.first.take()?, format, Part::First)
    }
}

fn joined(mut first: Heard, second: &Heard, format: &Format) -> Result<Heard, (Near, i64, u64)> {
    let layout = &format.layout;
    let word = (first.word << second.bits) | second.word;
    let bits = layout.bits;
    if let Some(check) = format.checks.iter().position(|check| !check.holds(layout, word)) {
        let failure = Failure::Check(check);
        let near = Near { format: first.format, bits, word, pulses: 0, clock_error: 0.0, failure };
        return Err((near, first.t, first.offset));
    }
    first.word = word;
    first.bits = bits;
    first.end = second.end;
    first.end_offset = second.end_offset;
    first.margin = first.margin.min(second.margin);
    first.fit = Fit {
        clock: f64::midpoint(first.fit.clock, second.fit.clock),
        stretch: f64::midpoint(first.fit.stretch, second.fit.stretch),
        error: first.fit.error.max(second.fit.error),
        rms: first.fit.rms.max(second.fit.rms),
    };
    interpret(&mut first, format, format.is_checked());
    Ok(first)
}

/// One part by itself still carries the code; the other part is computed from it.
fn half(mut heard: Heard, format: &Format, part: Part) -> Option<Heard> {
    let layout = &format.layout;
    let second_part = layout.bits - layout.first_part;
    let (own_word, own_bits) = (heard.word, heard.bits);
    let split = |field: usize| layout.is_in_first_part(field);
    let mask = |first: bool| {
        (0..layout.fields.len())
            .filter(|field| split(*field) == first)
            .fold(0u64, |mask, field| mask | 1 << field)
    };
    let (mut word, mut known) = match part {
        Part::Second => (layout.blank() | heard.word, mask(false)),
        _ => (layout.blank() | heard.word << second_part, mask(true)),
    };
    for check in &format.checks {
        if let Some((completed, now)) = check.complete(layout, word, known) {
            (word, known) = (completed, now);
        }
    }
    heard.word = word;
    interpret(&mut heard, format, false);
    heard.word = own_word;
    heard.bits = own_bits;
    heard.trusted = false;
    heard.remark = Some("half a frame, unchecked");
    Some(heard)
}
