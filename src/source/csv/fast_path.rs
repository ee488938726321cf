//! Rows that repeat the one before them in all but their time, passed over without taking them apart.
//!
//! A row fits when it is as long as its forerunner and equal to it in every byte but the digits of the time,
//! which may be any digits. The time must not be smaller than before: for fields of one length the order of the
//! bytes is that of the numbers. Whatever does not fit takes another way, so that no mistake in a row can hide
//! here.

use crate::base::Result;
use crate::source::csv::layout::Layout;
use crate::source::csv::rows::Rows;

/// Lanes of the longest row that is compared; longer ones take another way.
const LANES: usize = 12;
const BYTES: usize = size_of::<u64>();

/// Eight bytes of a row, as they must be.
#[derive(Clone, Copy, Default)]
struct Lane {
    /// Where in the row it begins.
    at: usize,
    /// `0` at digits of the time, the byte itself elsewhere.
    want: u64,
    /// Bits that must be as wanted: all but the low four of digits.
    fixed: u64,
    /// Six at digits: added to one above nine it carries into bit four.
    six: u64,
    /// The bytes of the time.
    clock: u64,
    /// The eight bytes in the last row.
    last: u64,
}

/// The shape of a row.
pub(super) struct FastPath {
    length: usize,
    /// Length of the time field; 0 when rows are counted.
    clock: usize,
    count: usize,
    lanes: [Lane; LANES],
}

impl FastPath {
    pub(super) fn new() -> Self {
        Self { length: 0, clock: 0, count: 0, lanes: [Lane::default(); LANES] }
    }

    /// Takes the shape of a row, its line end included; `false` when it has none that can be followed.
    pub(super) fn cut(&mut self, row: &[u8], layout: &Layout) -> bool {
        if row.len() < BYTES || row.len() > LANES * BYTES || row.last() != Some(&b'\n') {
            return false;
        }
        let timed = layout.roles.first().is_some_and(|role| role.is_clock());
        if !timed && layout.roles.iter().any(|role| role.is_clock()) {
            return false;
        }
        let clock = row.iter().position(|byte| *byte == layout.separator).unwrap_or(0);
        self.clock = if timed { clock } else { 0 };
        if timed && !is_plain(row.get(..clock).unwrap_or_default(), layout.point) {
            return false;
        }
        self.length = row.len();
        self.count = row.len().div_ceil(BYTES);
        for (i, lane) in self.lanes.iter_mut().take(self.count).enumerate() {
            // The last one reaches back over its neighbour instead of beyond the row.
            let at = (i * BYTES).min(row.len() - BYTES);
            let mut bytes = [[0u8; BYTES]; 4];
            for (k, byte) in row.iter().enumerate().skip(at).take(BYTES) {
                let [want, fixed, six, clock] = &mut bytes;
                let digit = k < self.clock && byte.is_ascii_digit();
                (want[k - at], fixed[k - at], six[k - at], clock[k - at]) =
                    if digit { (b'0', 0xf0, 0x06, 0xff) } else { (*byte, 0xff, 0, 0) };
            }
            let [want, fixed, six, clock] = bytes.map(u64::from_be_bytes);
            *lane = Lane { at, want, fixed, six, clock, last: load(row, at) };
        }
        true
    }

    /// Passes over the rows that fit, from `at` on; returns where they end.
    pub(super) fn follow(&self, rows: &mut Rows, bytes: &[u8], at: usize) -> Result<usize> {
        // The count of lanes is a constant of each copy, so that the lanes stay in registers.
        let end = match self.count {
            1 => self.run::<1>(bytes, at),
            2 => self.run::<2>(bytes, at),
            3 => self.run::<3>(bytes, at),
            4 => self.run::<4>(bytes, at),
            5 => self.run::<5>(bytes, at),
            6 => self.run::<6>(bytes, at),
            7 | 8 => self.run::<8>(bytes, at),
            _ => self.run::<LANES>(bytes, at),
        };
        if end > at {
            let passed = ((end - at) / self.length) as u64;
            rows.line += passed;
            rows.count += passed;
            let clock = bytes.get(end - self.length..end - self.length + self.clock).unwrap_or_default();
            rows.last = Some(rows.row_time(clock, rows.count - 1)?);
        }
        Ok(end)
    }

    fn run<const N: usize>(&self, bytes: &[u8], at: usize) -> usize {
        // Where there are fewer lanes than N the last one stands again.
        let mut lanes = [Lane::default(); N];
        for (i, lane) in lanes.iter_mut().enumerate() {
            *lane = self.lanes[i.min(self.count - 1)];
        }
        let mut end = at;
        while let Some(row) = bytes.get(end..end + self.length)
            && fits(&mut lanes, row)
        {
            end += self.length;
        }
        end
    }
}

#[inline]
fn fits<const N: usize>(lanes: &mut [Lane; N], row: &[u8]) -> bool {
    const TEN: u64 = 0x1010_1010_1010_1010;
    let mut wrong = 0u64;
    let mut earlier = false;
    let mut equal = true;
    for lane in lanes {
        let value = load(row, lane.at);
        let differs = value ^ lane.want;
        wrong |= (differs & lane.fixed) | (((differs & !lane.fixed) + lane.six) & TEN);
        let (now, before) = (value & lane.clock, lane.last & lane.clock);
        earlier |= equal & (now < before);
        equal &= now == before;
        lane.last = value;
    }
    wrong == 0 && !earlier
}

/// Bytes, the place in them where a row begins, and where the bytes stand in the file.
#[derive(Clone, Copy)]
pub(super) struct Place<'a> {
    pub(super) bytes: &'a [u8],
    pub(super) at: usize,
    pub(super) base: u64,
}

/// Whether a field is digits with at most one point.
fn is_plain(field: &[u8], point: u8) -> bool {
    let digits = field.iter().filter(|byte| byte.is_ascii_digit()).count();
    let points = field.iter().filter(|byte| **byte == point).count();
    digits > 0 && points <= 1 && digits + points == field.len()
}

/// Eight bytes as a number whose order is that of the bytes.
#[inline]
fn load(row: &[u8], at: usize) -> u64 {
    match row.get(at..at + BYTES).and_then(|bytes| <[u8; BYTES]>::try_from(bytes).ok()) {
        Some(bytes) => u64::from_be_bytes(bytes),
        None => 0,
    }
}
