//! Frames of formats that no file declares: three that are alike, one after the other, are a remote's key.
//!
//! Nothing is guessed of a format but how its bits differ: by the length of spaces or of marks. A frame whose
//! elements have one length is a lamp or a carrier, and stays noise; so do one or two frames.

use crate::base::{ControlPath, Event, EventKind, Name, Nanoseconds};

/// Like frames that make a press. Ours: light does not repeat some dozen lengths three times.
const ALIKE: u32 = 3;
/// Fewest and most marks of a frame.
const MARKS: std::ops::RangeInclusive<usize> = 9..=128;
/// Longest time from one frame of a held key to the next, nanoseconds. The longest known period is 160 ms.
const APART: i64 = 250_000_000;
/// Elements of like frames differ by less than this share and this many nanoseconds together.
const SHARE: f64 = 0.1;
const ABSOLUTE: f64 = 100_000.0;
/// Long elements are at least so many times the short ones, and of one kind within this share of their mean.
const LONGER: f64 = 1.5;
const SPREAD: f64 = 0.3;

/// The last frame of no known format, and how often it came.
#[derive(Debug, Default)]
pub(super) struct Strangers {
    last: Option<Last>,
}

#[derive(Debug)]
struct Last {
    lengths: Vec<u32>,
    alike: u32,
    /// Start of the frame by which the press was told.
    press: i64,
    start: i64,
    end: i64,
    code: Option<(u8, Name)>,
}

/// Where a frame stands.
#[derive(Clone, Copy, Debug)]
pub(super) struct Place {
    pub(super) t: i64,
    pub(super) offset: u64,
    pub(super) end_offset: u64,
}

impl Strangers {
    /// Whether a held key has run out at `t`.
    #[inline]
    pub(super) fn is_due(&self, t: i64) -> bool {
        self.last.as_ref().is_some_and(|last| t - last.start > APART)
    }

    /// The release of a key that has run out at `t`.
    pub(super) fn advance(&mut self, t: i64, capture: &Name) -> Option<Event> {
        if !self.is_due(t) {
            return None;
        }
        let last = self.last.take()?;
        let end = last.start + APART;
        Self::release(&last, end, "by time-out", capture)
    }

    /// The capture has ended.
    pub(super) fn finish(&mut self, end: i64, capture: &Name) -> Option<Event> {
        let last = self.last.take()?;
        let until = end.max(last.end);
        Self::release(&last, until, "down until the capture ended", capture)
    }

    fn release(last: &Last, t: i64, how: &str, capture: &Name) -> Option<Event> {
        if last.alike < ALIKE {
            return None;
        }
        let mut event = event(t, EventKind::Release, last.code.as_ref(), capture);
        event.held = Some(Nanoseconds(last.end - last.press));
        event.note = Some(how.into());
        Some(event)
    }

    /// Takes a group of marks and spaces that is no frame of a known format, from its first mark to its last. Gives
    /// events where it is one of three like frames or more: what it is, and the release of another one before it.
    pub(super) fn take(&mut self, lengths: &[u32], place: Place, capture: &Name) -> [Option<Event>; 2] {
        let marks = lengths.len() / 2 + 1;
        if !MARKS.contains(&marks) || lengths.len().is_multiple_of(2) {
            return [None, None];
        }
        let end = place.t + lengths.iter().map(|length| i64::from(*length)).sum::<i64>();
        if let Some(last) = self.last.as_mut().filter(|last| are_alike(&last.lengths, lengths)) {
            last.alike = last.alike.saturating_add(1);
            (last.start, last.end) = (place.t, end);
            let kind = match last.alike {
                ..ALIKE => return [None, None],
                ALIKE => EventKind::Press,
                _ => EventKind::Repeat,
            };
            if kind == EventKind::Press {
                last.press = place.t;
            }
            let mut event = event(place.t, kind, last.code.as_ref(), capture);
            event.note = Some(
                match &last.code {
                    Some((bits, raw)) => format!("unknown format, {bits} bits 0x{raw}"),
                    None => format!("unknown format, {marks} marks"),
                }
                .into(),
            );
            event.offset = Some(place.offset);
            event.length = u32::try_from(place.end_offset.saturating_sub(place.offset)).ok();
            return [None, Some(event)];
        }
        let code = bits_of(lengths);
        if code.is_none() && !has_two_kinds(lengths) {
            return [None, None];
        }
        let before =
            self.last.take().and_then(|last| Self::release(&last, place.t, "by the next press", capture));
        self.last =
            Some(Last { lengths: lengths.to_vec(), alike: 1, press: place.t, start: place.t, end, code });
        [before, None]
    }
}

fn event(t: i64, kind: EventKind, code: Option<&(u8, Name)>, capture: &Name) -> Event {
    let mut event = Event::new(Nanoseconds(t), ControlPath::Infrared, kind);
    event.format = Some("unknown".into());
    if let Some((bits, raw)) = code {
        event.bits = Some(*bits);
        event.raw = Some(raw.clone());
    }
    event.capture = Some(capture.clone());
    event
}

fn are_alike(one: &[u32], other: &[u32]) -> bool {
    let near = |(a, b): (&u32, &u32)| f64::from(a.abs_diff(*b)) <= ABSOLUTE + SHARE * f64::from(*a.max(b));
    one.len() == other.len() && one.iter().zip(other).all(near)
}

/// The lengths as bits, if they are of two kinds: which of them are long.
fn two_kinds(lengths: &[f64]) -> Option<Vec<bool>> {
    let least = lengths.iter().copied().fold(f64::INFINITY, f64::min);
    let most = lengths.iter().copied().fold(0.0, f64::max);
    if least <= 0.0 || most < LONGER * least {
        return None;
    }
    let border = (least * most).sqrt();
    let long: Vec<bool> = lengths.iter().map(|length| *length > border).collect();
    let tight = |kind: bool| {
        let of: Vec<f64> =
            lengths.iter().zip(&long).filter(|(_, long)| **long == kind).map(|(length, _)| *length).collect();
        let mean = of.iter().sum::<f64>() / of.len().max(1) as f64;
        of.iter().all(|length| (length / mean - 1.0).abs() <= SPREAD)
    };
    (tight(false) && tight(true)).then_some(long)
}

fn is_even(lengths: &[f64]) -> bool {
    let mean = lengths.iter().sum::<f64>() / lengths.len().max(1) as f64;
    lengths.iter().all(|length| (length / mean - 1.0).abs() <= SPREAD)
}

/// Bits and their hexadecimal digits in air order, where spaces or marks tell them; a leader is left out.
fn bits_of(lengths: &[u32]) -> Option<(u8, Name)> {
    let marks = || lengths.iter().step_by(2).map(|length| f64::from(*length));
    let spaces = || lengths.iter().skip(1).step_by(2).map(|length| f64::from(*length));
    [1, 0].into_iter().find_map(|leader| {
        let (marks, spaces): (Vec<f64>, Vec<f64>) =
            (marks().skip(leader).collect(), spaces().skip(leader).collect());
        let bits = if is_even(&marks) {
            two_kinds(&spaces)
        } else if is_even(&spaces) {
            two_kinds(&marks)
        } else {
            None
        }?;
        // As in every format: padded to whole digits in front.
        let padding = bits.len().next_multiple_of(4) - bits.len();
        let padded: Vec<bool> = std::iter::repeat_n(false, padding).chain(bits.iter().copied()).collect();
        let digit = |group: &[bool]| group.iter().fold(0u32, |sum, bit| sum << 1 | u32::from(*bit));
        let digits: String =
            padded.chunks(4).filter_map(|group| char::from_digit(digit(group), 16)).collect();
        Some((u8::try_from(bits.len()).ok()?, Name::from(digits)))
    })
}

/// Whether marks or spaces behind the first are of more than one length: two phases or another coding.
fn has_two_kinds(lengths: &[u32]) -> bool {
    let of = |from: usize| -> Vec<f64> {
        lengths.iter().skip(from).step_by(2).map(|length| f64::from(*length)).collect()
    };
    let uneven = |lengths: &[f64]| {
        let (least, most) = lengths
            .iter()
            .fold((f64::INFINITY, 0.0f64), |(low, high), length| (low.min(*length), high.max(*length)));
        most >= LONGER * least
    };
    uneven(&of(2)) && uneven(&of(3))
}
