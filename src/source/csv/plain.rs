//! Rows of plain numbers and of levels written `0` and `1`, read in one pass.
//!
//! Whatever is written otherwise takes the ordinary way, so that no mistake in a row can hide here; what both
//! read they read alike, to the last bit.

use crate::base::Nanoseconds;
use crate::source::csv::cell;
use crate::source::csv::fast_path::Place;
use crate::source::csv::layout::Role;
use crate::source::csv::part::{Part, Shape};
use crate::source::csv::rows::Rows;
use crate::source::digits::{self, Alike, Plain};
use crate::source::{Change, Value};

/// The bit that tells `0` from `1`, in each of them.
const LEVELS: u64 = u64::from_le_bytes([0, 1, 0, 1, 0, 1, 0, 1]);

/// Bytes from which a number is read, and those of the levels behind it.
const NUMBER: usize = 16;
const LEVEL_BYTES: usize = size_of::<u64>();

impl Rows {
    /// Takes rows of the shape of the last one, which is so long, as long as each changes a level and `limit` changes
    /// are not reached; returns how many bytes they are. Where a row begins does not hang on the digits of the one
    /// before it: so the processor reads many at a time.
    pub(super) fn take_alike(
        &mut self,
        place: Place<'_>,
        length: usize,
        limit: usize,
        out: &mut Vec<Change>,
    ) -> usize {
        let Place { bytes, at: from, base } = place;
        if self.stale || self.parts.len() != 1 {
            return 0;
        }
        let Some(shape) = self.shape(bytes.get(from - length..from).unwrap_or_default()) else { return 0 };
        let blank = blank(self.layout.separator);
        let (Some(mut time), [Part::Levels { channel, length, mask, last }]) =
            (self.last, self.parts.as_mut_slice())
        else {
            return 0;
        };
        let (mut at, mut count, mut ties) = (from, 0, 0);
        let level_end = shape.clock + *length;
        let crlf = level_end + 2 == shape.row;
        let window = shape.row.max(NUMBER).max(shape.clock + LEVEL_BYTES);
        while out.len() < limit
            && let Some(row) = bytes.get(at..at + window)
            && let Some(number) = row.first_chunk().and_then(|number| shape.time.read(number))
            && let Some(t) = shape.nanoseconds(number).filter(|t| *t >= time)
            && let Some(levels) = row.get(shape.clock..).and_then(|levels| levels.first_chunk())
            && row.get(shape.row - 1) == Some(&b'\n')
            && (!crlf || row.get(level_end) == Some(&b'\r'))
        {
            let levels = u64::from_le_bytes(*levels);
            let mut changed = (levels ^ *last) & *mask;
            if (levels ^ blank) & *mask & !LEVELS != 0 || changed == 0 {
                break;
            }
            *last = levels;
            ties += u64::from(t == time);
            time = t;
            while changed != 0 {
                let (column, value) = lowest(levels, &mut changed);
                let offset = base + at as u64;
                out.push(Change { t: Nanoseconds(t), channel: *channel + column, value, offset });
            }
            at += shape.row;
            count += 1;
        }
        self.last = Some(time);
        self.ties += ties;
        self.line += count;
        self.count += count;
        at - from
    }

    /// The shape of a row; `None` where it has none that can be followed.
    fn shape(&mut self, row: &[u8]) -> Option<Shape> {
        let is_of = |shape: &Shape| {
            shape.row == row.len() && row.first_chunk().is_some_and(|row| shape.time.read(row).is_some())
        };
        if !self.shape.as_ref().is_some_and(is_of) {
            let Some(Role::Time(unit)) = self.layout.roles.first().copied() else { return None };
            let point = self.layout.point;
            let clock = row.iter().position(|byte| *byte == self.layout.separator)?;
            let number = digits::plain(row, point).filter(|number| number.length == clock)?;
            let exponent = unit - i32::try_from(number.decimals).ok()?;
            let time = Alike::to(row.get(..=clock)?, point);
            let scale = u32::try_from(exponent).ok().and_then(|power| 10u64.checked_pow(power));
            self.shape = Some(Shape { time, clock, row: row.len(), exponent, scale });
        }
        self.shape
    }

    /// Takes the row at this place; returns its length with its line end, or `None` when it is not plain.
    #[inline(always)]
    pub(super) fn take_plain(&mut self, place: Place<'_>, out: &mut Vec<Change>) -> Option<usize> {
        // Before the first row nothing is known of the channels.
        let last = self.last?;
        if self.stale {
            self.refresh()?;
        }
        let before = out.len();
        match self.plain(place, last, out) {
            Some((t, end)) => {
                self.ties += u64::from(t == last && out.len() > before);
                self.last = Some(t);
                self.line += 1;
                self.count += 1;
                Some(end - place.at)
            }
            None => {
                self.settle(before, out);
                None
            }
        }
    }

    /// The instant of the row at this place and where it ends.
    #[inline(always)]
    fn plain(&mut self, place: Place<'_>, last: i64, out: &mut Vec<Change>) -> Option<(i64, usize)> {
        let Place { bytes, at, base } = place;
        let offset = base + at as u64;
        let (separator, point) = (self.layout.separator, self.layout.point);
        let Some(Role::Time(unit)) = self.layout.roles.first().copied() else { return None };
        let (number, negative, mut at) = decimal(bytes, at, point)?;
        // At most as many decimals as bytes.
        let t = cell::nanoseconds(number.value, unit - i32::try_from(number.decimals).ok()?)?;
        let t = Nanoseconds(if negative { -t } else { t });
        if t.0 < last {
            return None;
        }
        let mut push = |channel, value| out.push(Change { t, channel, value, offset });
        for part in &mut self.parts {
            match part {
                Part::Levels { channel, length, mask, last } => {
                    let row = u64::from_le_bytes(*bytes.get(at..)?.first_chunk()?);
                    if (row ^ blank(separator)) & *mask & !LEVELS != 0 {
                        return None;
                    }
                    let mut changed = (row ^ *last) & *mask;
                    *last = row;
                    while changed != 0 {
                        let (column, value) = lowest(row, &mut changed);
                        push(*channel + column, value);
                    }
                    at += *length;
                }
                Part::Volts { channel, factor } => {
                    if *bytes.get(at)? != separator {
                        return None;
                    }
                    let (number, negative, end) = decimal(bytes, at + 1, point)?;
                    push(*channel, cell::volts(number, negative, *factor)?);
                    at = end;
                }
            }
        }
        match *bytes.get(at)? {
            b'\n' => Some((t.0, at + 1)),
            b'\r' if *bytes.get(at + 1)? == b'\n' => Some((t.0, at + 2)),
            _ => None,
        }
    }

    /// After rows that were read another way: the parts as those left the channels. `None` where there are no
    /// parts, or where a channel has no level.
    #[cold]
    fn refresh(&mut self) -> Option<()> {
        let separator = self.layout.separator;
        for part in &mut self.parts {
            let Part::Levels { channel, length, last, .. } = part else { continue };
            *last = blank(separator);
            for i in 0..*length / 2 {
                match self.values.get(usize::from(*channel) + i).copied().flatten()? {
                    Value::Low => {}
                    Value::High => *last |= 1 << (16 * i + 8),
                    _ => return None,
                }
            }
        }
        self.stale = self.parts.is_empty();
        (!self.stale).then_some(())
    }

    /// A row turned out not to be plain: takes back its changes, those behind `before`, and leaves the channels
    /// as they were before it.
    #[cold]
    fn settle(&mut self, before: usize, out: &mut Vec<Change>) {
        let mut set = |channel: usize, high| {
            if let Some(value) = self.values.get_mut(channel) {
                *value = Some(if high { Value::High } else { Value::Low });
            }
        };
        for part in &self.parts {
            let Part::Levels { channel, length, last, .. } = part else { continue };
            for i in 0..*length / 2 {
                set(usize::from(*channel) + i, last >> (16 * i + 8) & 1 == 1);
            }
        }
        for change in out.drain(before..) {
            match change.value {
                Value::Low => set(usize::from(change.channel), true),
                Value::High => set(usize::from(change.channel), false),
                _ => {}
            }
        }
        self.stale = true;
    }
}

/// Takes the lowest bit of those that changed: which column of its part it is, and its level.
#[inline(always)]
#[allow(clippy::cast_possible_truncation)]
fn lowest(levels: u64, changed: &mut u64) -> (u16, Value) {
    let shift = changed.trailing_zeros();
    *changed &= *changed - 1;
    ((shift / 16) as u16, if levels >> shift & 1 == 1 { Value::High } else { Value::Low })
}

/// Four low levels.
#[inline(always)]
fn blank(separator: u8) -> u64 {
    u64::from_le_bytes([separator, b'0', separator, b'0', separator, b'0', separator, b'0'])
}

/// A number, whether it is negative, and where it ends.
#[inline(always)]
fn decimal(bytes: &[u8], mut at: usize, point: u8) -> Option<(Plain, bool, usize)> {
    let negative = *bytes.get(at)? == b'-';
    at += usize::from(negative);
    let number = digits::plain(bytes.get(at..)?, point)?;
    Some((number, negative, at + number.length))
}
