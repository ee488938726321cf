//! Rows that have the shape of the one before them, read without taking them apart.
//!
//! A row fits when it is as long as its forerunner and equal to it in every byte but these: digits of the
//! time and of voltages are any digits, levels written `0` and `1` are either. The time must not be smaller
//! than before: for fields of one length the order of the bytes is that of the numbers. A row that fits and
//! changes no level is passed over without reading even its time. Whatever does not fit takes the ordinary
//! way, so that no mistake in a row can hide here.

use super::cell::POWERS;
use super::layout::{Layout, Role};
use super::rows::Rows;
use crate::base::Result;
use crate::source::{Change, Value};

/// Lanes of the longest row that is compared; longer ones take the ordinary way.
const LANES: usize = 12;
const BYTES: usize = size_of::<u64>();

/// Eight bytes of a row, as they must be.
#[derive(Clone, Copy, Default)]
struct Lane {
    /// Where in the row it begins.
    at: usize,
    /// `0` at digits and levels, the byte itself elsewhere.
    want: u64,
    /// Bits that must be as wanted: all but the low four of digits and the lowest of levels.
    fixed: u64,
    /// Six at digits: added to one above nine it carries into bit four.
    six: u64,
    /// The bits that decide whether a level changed, each in one lane only.
    levels: u64,
    /// The bytes of the time.
    clock: u64,
    /// The eight bytes in the last row.
    last: u64,
}

/// A voltage: plain digits with at most one point; volts are digits times `scale`.
#[derive(Clone, Copy)]
struct Voltage {
    start: usize,
    end: usize,
    channel: u16,
    scale: f64,
}

/// The shape of a row.
pub(super) struct Stencil {
    length: usize,
    /// Length of the time field; 0 when rows are counted.
    clock: usize,
    /// Nanoseconds in the last digit of the time; `None` sends the time the ordinary way.
    tick: Option<u64>,
    /// Where in the time field its point stands, or would stand; and what a one before it counts.
    point: usize,
    one: u64,
    count: usize,
    lanes: [Lane; LANES],
    /// The channel whose level a byte of the row is.
    channels: [u16; LANES * BYTES],
    voltages: Vec<Voltage>,
}

impl Stencil {
    pub(super) fn new() -> Self {
        Self {
            length: 0,
            clock: 0,
            tick: None,
            point: 0,
            one: 1,
            count: 0,
            lanes: [Lane::default(); LANES],
            channels: [0; LANES * BYTES],
            voltages: Vec::new(),
        }
    }

    /// Takes the shape of a row, its line end included; `false` when it has none that can be followed.
    pub(super) fn cut(&mut self, row: &[u8], layout: &Layout) -> bool {
        if row.len() < BYTES || row.len() > LANES * BYTES {
            return false;
        }
        self.length = row.len();
        self.count = row.len().div_ceil(BYTES);
        self.clock = 0;
        self.tick = None;
        self.voltages.clear();
        let mut kinds = [Kind::Fixed; LANES * BYTES];
        let mut start = 0;
        for role in &layout.roles {
            let rest = row.get(start..).unwrap_or_default();
            let length =
                rest.iter().position(|byte| *byte == layout.separator || matches!(byte, b'\r' | b'\n'));
            let end = start + length.unwrap_or(rest.len());
            if !self.cell(row, start, end, *role, layout, &mut kinds) {
                return false;
            }
            start = end + 1;
        }
        self.lay(row, &kinds);
        true
    }

    /// Notes what may change in one field; `false` when the field cannot be followed.
    fn cell(
        &mut self,
        row: &[u8],
        start: usize,
        end: usize,
        role: Role,
        layout: &Layout,
        kinds: &mut [Kind],
    ) -> bool {
        let field = row.get(start..end).unwrap_or_default();
        match role {
            Role::Logic(channel) => {
                if let [b'0' | b'1'] = field {
                    kinds[start] = Kind::Level;
                    self.channels[start] = channel;
                }
                true
            }
            Role::Empty => true,
            Role::Time(_) | Role::Index => {
                let Some(decimals) = plain(field, layout.point).filter(|_| start == 0) else { return false };
                self.clock = end;
                self.tick = match role {
                    Role::Time(unit) if field.len() < 18 => {
                        u32::try_from(unit - decimals).ok().and_then(|power| 10u64.checked_pow(power))
                    }
                    _ => None,
                };
                self.point = field.iter().position(|byte| *byte == layout.point).unwrap_or(end);
                self.one =
                    usize::try_from(decimals).ok().and_then(|i| POWERS.get(i).copied()).unwrap_or_default();
                mark(kinds, field, start, Kind::Clock);
                true
            }
            Role::Analog(channel, factor) => {
                let signed = usize::from(matches!(field.first(), Some(b'-' | b'+')));
                let digits = field.get(signed..).unwrap_or_default();
                let Some(decimals) = plain(digits, layout.point).filter(|_| field.len() < 16) else {
                    return false;
                };
                let sign = if field.first() == Some(&b'-') { -1.0 } else { 1.0 };
                let scale = sign * factor * 0.1f64.powi(decimals);
                self.voltages.push(Voltage { start: start + signed, end, channel, scale });
                mark(kinds, digits, start + signed, Kind::Digit);
                true
            }
        }
    }

    /// Lays the lanes over the row; the last one reaches back over its neighbour instead of beyond the row.
    fn lay(&mut self, row: &[u8], kinds: &[Kind]) {
        let mut covered = 0;
        for (i, lane) in self.lanes.iter_mut().take(self.count).enumerate() {
            let at = (i * BYTES).min(row.len() - BYTES);
            let mut bytes = [[0u8; BYTES]; 5];
            for (k, (byte, kind)) in row.iter().zip(kinds).skip(at).take(BYTES).enumerate() {
                let [want, fixed, six, levels, clock] = &mut bytes;
                let first = at + k >= covered;
                (want[k], fixed[k], six[k], levels[k], clock[k]) = match kind {
                    Kind::Fixed => (*byte, 0xff, 0, 0, 0),
                    Kind::Level => (b'0', 0xfe, 0, u8::from(first), 0),
                    Kind::Digit => (b'0', 0xf0, 0x06, 0, 0),
                    Kind::Clock => (b'0', 0xf0, 0x06, 0, 0xff),
                };
            }
            let [want, fixed, six, levels, clock] = bytes.map(u64::from_be_bytes);
            *lane = Lane { at, want, fixed, six, levels, clock, last: load(row, at) };
            covered = at + BYTES;
        }
    }

    /// Takes the rows that fit, from `at` on; returns where they end. `base` is where `bytes` stands in the
    /// file; stops when `limit` changes are there.
    pub(super) fn follow(
        &self,
        rows: &mut Rows,
        place: Place<'_>,
        limit: usize,
        out: &mut Vec<Change>,
    ) -> Result<usize> {
        // The count of lanes is a constant of each copy, so that the lanes stay in registers.
        match self.count {
            1 => self.run::<1>(rows, place, limit, out),
            2 => self.run::<2>(rows, place, limit, out),
            3 => self.run::<3>(rows, place, limit, out),
            4 => self.run::<4>(rows, place, limit, out),
            5 => self.run::<5>(rows, place, limit, out),
            6 => self.run::<6>(rows, place, limit, out),
            7 | 8 => self.run::<8>(rows, place, limit, out),
            _ => self.run::<LANES>(rows, place, limit, out),
        }
    }

    fn run<const N: usize>(
        &self,
        rows: &mut Rows,
        place: Place<'_>,
        limit: usize,
        out: &mut Vec<Change>,
    ) -> Result<usize> {
        let mut lanes = [Lane::default(); N];
        // Where there are fewer lanes than N the last one stands again, with its levels taken out.
        let spare =
            self.lanes.get(self.count - 1).map_or(Lane::default(), |lane| Lane { levels: 0, ..*lane });
        for (i, lane) in lanes.iter_mut().enumerate() {
            *lane = if i < self.count { self.lanes[i] } else { spare };
        }
        let analog = !self.voltages.is_empty();
        let mut end = place.at;
        while let Some(row) = place.bytes.get(end..end + self.length) {
            let Some(changed) = fits(&mut lanes, row) else { break };
            if changed.iter().any(|bits| *bits != 0) || analog {
                let t = self.time(row, rows)?;
                let offset = place.base + end as u64;
                self.levels(&lanes, &changed, (t, offset), rows, out);
                if analog {
                    self.volts(row, (t, offset), rows, out);
                }
                rows.ties += u64::from(rows.last == Some(t));
                rows.last = Some(t);
            }
            rows.count += 1;
            end += self.length;
            if out.len() >= limit {
                break;
            }
        }
        if end > place.at {
            rows.line += ((end - place.at) / self.length) as u64;
            let row = place.bytes.get(end - self.length..end).unwrap_or_default();
            rows.last = Some(rows.row_time(row.get(..self.clock).unwrap_or_default(), rows.count - 1)?);
        }
        Ok(end)
    }

    #[inline(always)]
    fn time(&self, row: &[u8], rows: &Rows) -> Result<i64> {
        let field = row.get(..self.clock).unwrap_or_default();
        if let Some(tick) = self.tick {
            let whole = digits(field.get(..self.point).unwrap_or_default());
            let fraction = digits(field.get(self.point + 1..).unwrap_or_default());
            // Fewer than 18 digits in all.
            let t = whole.wrapping_mul(self.one).wrapping_add(fraction).checked_mul(tick);
            if let Some(t) = t.and_then(|t| i64::try_from(t).ok()) {
                return Ok(t);
            }
        }
        rows.row_time(field, rows.count)
    }

    /// Appends the levels that changed.
    #[inline]
    fn levels<const N: usize>(
        &self,
        lanes: &[Lane; N],
        changed: &[u64; N],
        (t, offset): (i64, u64),
        rows: &mut Rows,
        out: &mut Vec<Change>,
    ) {
        for (lane, bits) in lanes.iter().zip(changed) {
            let mut bits = *bits;
            while bits != 0 {
                let shift = 63 - bits.leading_zeros();
                bits ^= 1 << shift;
                let at = lane.at + 7 - (shift / 8) as usize;
                let value = if lane.last >> shift & 1 == 1 { Value::High } else { Value::Low };
                let channel = self.channels.get(at).copied().unwrap_or_default();
                rows.level_changed(t, channel, value, offset, out);
            }
        }
    }

    #[inline]
    fn volts(&self, row: &[u8], (t, offset): (i64, u64), rows: &mut Rows, out: &mut Vec<Change>) {
        for voltage in &self.voltages {
            let field = row.get(voltage.start..voltage.end).unwrap_or_default();
            let number = match field.iter().position(|byte| !byte.is_ascii_digit()) {
                Some(point) => {
                    let fraction = field.get(point + 1..).unwrap_or_default();
                    let one = POWERS.get(fraction.len()).copied().unwrap_or_default();
                    digits(field.get(..point).unwrap_or_default())
                        .wrapping_mul(one)
                        .wrapping_add(digits(fraction))
                }
                None => digits(field),
            };
            // Fewer than 16 digits are exact in an f64; volts need no more than an f32.
            #[allow(clippy::cast_precision_loss, clippy::cast_possible_truncation)]
            let volts = (number as f64 * voltage.scale) as f32;
            rows.change(t, voltage.channel, Value::Volts(volts), offset, out);
        }
    }
}

/// `None` when the row does not fit; else the bits of the levels that changed, lane by lane.
#[inline]
fn fits<const N: usize>(lanes: &mut [Lane; N], row: &[u8]) -> Option<[u64; N]> {
    const TEN: u64 = 0x1010_1010_1010_1010;
    let mut changed = [0u64; N];
    let mut wrong = 0u64;
    let mut earlier = false;
    let mut equal = true;
    for (lane, changed) in lanes.iter_mut().zip(&mut changed) {
        let value = load(row, lane.at);
        let differs = value ^ lane.want;
        wrong |= (differs & lane.fixed) | (((differs & !lane.fixed) + lane.six) & TEN);
        *changed = (value ^ lane.last) & lane.levels;
        let (now, before) = (value & lane.clock, lane.last & lane.clock);
        earlier |= equal & (now < before);
        equal &= now == before;
        lane.last = value;
    }
    (wrong == 0 && !earlier).then_some(changed)
}

/// Bytes, the place in them where rows begin, and where the bytes stand in the file.
#[derive(Clone, Copy)]
pub(super) struct Place<'a> {
    pub(super) bytes: &'a [u8],
    pub(super) at: usize,
    pub(super) base: u64,
}

/// What a byte of a row may be in the next one.
#[derive(Clone, Copy, PartialEq)]
enum Kind {
    Fixed,
    Level,
    Digit,
    Clock,
}

fn mark(kinds: &mut [Kind], field: &[u8], start: usize, kind: Kind) {
    for (byte, slot) in field.iter().zip(kinds.iter_mut().skip(start)) {
        if byte.is_ascii_digit() {
            *slot = kind;
        }
    }
}

/// How many decimals a field of plain digits with at most one point has; `None` for any other field.
fn plain(field: &[u8], point: u8) -> Option<i32> {
    let digits = field.iter().filter(|byte| byte.is_ascii_digit()).count();
    let mark = field.iter().position(|byte| *byte == point);
    let others = field.len() - digits;
    match mark {
        _ if digits == 0 => None,
        None if others == 0 => Some(0),
        Some(at) if others == 1 => i32::try_from(field.len() - at - 1).ok(),
        _ => None,
    }
}

/// A field of digits as a number.
#[inline(always)]
fn digits(mut field: &[u8]) -> u64 {
    let mut sum = 0u64;
    while let Some((eight, rest)) = field.split_first_chunk::<BYTES>() {
        sum = sum.wrapping_mul(100_000_000).wrapping_add(eight_digits(u64::from_le_bytes(*eight)));
        field = rest;
    }
    field.iter().fold(sum, |sum, byte| sum.wrapping_mul(10).wrapping_add(u64::from(byte.wrapping_sub(b'0'))))
}

/// Eight digits, the first in the lowest byte, as a number: pairs, then fours, then all, each by one product.
///
/// # Source
/// The common method of parsing digits within a register; from memory. The tests compare it with the
/// general CSV crate and the standard library's float parser.
#[inline]
fn eight_digits(bytes: u64) -> u64 {
    const PAIRS: u64 = 0x0000_00ff_0000_00ff;
    let digits = bytes.wrapping_sub(0x3030_3030_3030_3030);
    let pairs = digits.wrapping_mul(10).wrapping_add(digits >> 8);
    let low = (pairs & PAIRS).wrapping_mul(100 + (1_000_000 << 32));
    let high = (pairs >> 16 & PAIRS).wrapping_mul(1 + (10_000 << 32));
    low.wrapping_add(high) >> 32
}

/// Eight bytes as a number whose order is that of the bytes.
#[inline]
fn load(row: &[u8], at: usize) -> u64 {
    match row.get(at..at + BYTES).and_then(|bytes| <[u8; BYTES]>::try_from(bytes).ok()) {
        Some(bytes) => u64::from_be_bytes(bytes),
        None => 0,
    }
}
