//! Rows that repeat the one before them in all but the time, passed over without reading them.
//!
//! In an export of one row a sample nearly every row is such a one. A row counts as a repeat when it is as
//! long as its forerunner, equal to it in every byte outside the time, holds digits where the time holds
//! digits, and is not smaller than it: for fields of one length the order of the bytes is that of the
//! numbers. Everything else takes the ordinary way, so that no mistake in a row can hide here.

use std::cmp::Ordering;

/// Lanes of the longest row that is compared in one go; longer ones take the ordinary way.
const LANES: usize = 12;
const BYTES: usize = size_of::<u64>();

/// Eight bytes of a row, as they must be.
#[derive(Clone, Copy, Default)]
struct Lane {
    /// Where in the row it begins.
    at: usize,
    /// `0` at the digits of the time, the byte itself elsewhere.
    want: u64,
    /// Bits that may differ: the low four of the time's digits.
    free: u64,
    /// The eight bytes in the last row.
    last: u64,
}

/// The pattern of one row in overlapping lanes.
struct Pattern {
    count: usize,
    lanes: [Lane; LANES],
}

/// Tells how many of the rows that follow repeat the one right before `at`, and where they end.
///
/// `length` is that row's length with its line end, `clock` the length of the field that grows (0 when the
/// rows carry none), `point` the decimal mark.
pub(super) fn skip(bytes: &[u8], at: usize, length: usize, clock: usize, point: u8) -> (u64, usize) {
    let nothing = (0, at);
    let Some(row) = at.checked_sub(length).and_then(|start| bytes.get(start..at)) else { return nothing };
    // Cheap refusal first: exports of one row a change end here every time.
    match bytes.get(at + clock..at + length) {
        Some(tail) if Some(tail) == row.get(clock..) => {}
        _ => return nothing,
    }
    let Some(mut pattern) = Pattern::new(row, clock, point) else { return nothing };
    let mut count = 0;
    let mut end = at;
    while let Some(next) = bytes.get(end..end + length) {
        if !pattern.repeats(next) {
            break;
        }
        count += 1;
        end += length;
    }
    (count, end)
}

impl Pattern {
    /// `None` when the row is too short or too long, or its time is not plain digits with one point.
    fn new(row: &[u8], clock: usize, point: u8) -> Option<Self> {
        if row.len() < BYTES || row.len() > LANES * BYTES {
            return None;
        }
        let digits = row.get(..clock)?;
        let plain = digits.iter().all(|byte| byte.is_ascii_digit() || *byte == point);
        if !plain || digits.iter().filter(|byte| **byte == point).count() > 1 {
            return None;
        }
        let mut pattern = Self { count: row.len().div_ceil(BYTES), lanes: [Lane::default(); LANES] };
        for (i, lane) in pattern.lanes.iter_mut().take(row.len().div_ceil(BYTES)).enumerate() {
            // The last lane reaches back over its neighbour instead of beyond the row.
            lane.at = (i * BYTES).min(row.len() - BYTES);
            lane.last = load(row, lane.at);
            let mut want = [0u8; BYTES];
            let mut free = [0u8; BYTES];
            for (i, byte) in row.iter().skip(lane.at).take(BYTES).enumerate() {
                let digit = lane.at + i < clock && byte.is_ascii_digit();
                want[i] = if digit { b'0' } else { *byte };
                free[i] = if digit { 0x0f } else { 0 };
            }
            lane.want = u64::from_be_bytes(want);
            lane.free = u64::from_be_bytes(free);
        }
        Some(pattern)
    }

    /// Whether the row repeats the last one; if so, it becomes the last one.
    #[inline]
    fn repeats(&mut self, row: &[u8]) -> bool {
        const SIX: u64 = 0x0606_0606_0606_0606;
        const TEN: u64 = 0x1010_1010_1010_1010;
        let mut wrong = 0u64;
        // Equal while all lanes were, then the verdict of the first that differs.
        let mut order = Ordering::Equal;
        for lane in self.lanes.iter_mut().take(self.count) {
            let value = load(row, lane.at);
            let differs = value ^ lane.want;
            // A digit's low nibble above nine carries into bit four when six is added.
            wrong |= (differs & !lane.free) | (((differs & lane.free) + (SIX & lane.free)) & TEN);
            order = order.then(value.cmp(&lane.last));
            lane.last = value;
        }
        wrong == 0 && order != Ordering::Less
    }
}

/// Eight bytes as a number whose order is that of the bytes.
#[inline]
fn load(row: &[u8], at: usize) -> u64 {
    match row.get(at..at + BYTES).and_then(|bytes| <[u8; BYTES]>::try_from(bytes).ok()) {
        Some(bytes) => u64::from_be_bytes(bytes),
        None => 0,
    }
}
