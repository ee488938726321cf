//! Numbers in plain digits, sixteen bytes at once.

/// Bytes that are looked at.
const WIDTH: usize = 16;

const ZEROS: u64 = u64::from_ne_bytes([b'0'; 8]);
const HIGH: u64 = u64::from_ne_bytes([0x80; 8]);
/// Added to ten it sets the highest bit of a byte, to nine it does not.
const TO_TEN: u64 = u64::from_ne_bytes([0x76; 8]);
const POWERS: [u64; 8] = [1, 10, 100, 1_000, 10_000, 100_000, 1_000_000, 10_000_000];

/// Digits with at most one point among them.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Plain {
    /// All digits as one number, the point left out.
    pub(super) value: u64,
    /// Digits behind the point.
    pub(super) decimals: usize,
    /// Bytes of the number.
    pub(super) length: usize,
}

/// Values of eight digits, and the highest bit of each byte that is none.
#[inline(always)]
fn split(bytes: [u8; 8]) -> (u64, u64) {
    let values = u64::from_le_bytes(bytes) ^ ZEROS;
    (values, ((values & !HIGH).wrapping_add(TO_TEN) | values) & HIGH)
}

/// Which byte the lowest bit lies in; eight when there is none.
#[inline(always)]
fn place(bits: u64) -> usize {
    (bits.trailing_zeros() / 8) as usize
}

/// Which of two times eight bytes the lowest bit lies in; sixteen when there is none.
#[inline(always)]
fn place_in(low: u64, high: u64) -> usize {
    if low == 0 { 8 + place(high) } else { place(low) }
}

/// The whole number at the front, and its length. `None` where there is no digit, where no other byte follows
/// within sixteen, or where there are not so many bytes.
#[inline(always)]
pub(super) fn whole(bytes: &[u8]) -> Option<(u64, usize)> {
    let [low, high] = halves(bytes)?;
    let ((low, others), (high, more)) = (split(low), split(high));
    let length = place_in(others, more);
    (1..WIDTH).contains(&length).then(|| (number(low, high, length), length))
}

/// The number at the front. `None` where there is no digit, where no other byte follows within sixteen, or
/// where there are not so many bytes.
#[inline(always)]
pub(super) fn plain(bytes: &[u8], point: u8) -> Option<Plain> {
    let [low, high] = halves(bytes)?;
    let (low, others) = split(low);
    let first = place(others);
    let rest = others & others.wrapping_sub(1);
    if rest != 0 && *bytes.get(first)? == point {
        // All of it in the first eight bytes, as most voltages are.
        let (length, before) = (place(rest), below(first));
        let joined = (low & before) | (low >> 8 & !before);
        let value = eight(joined << (((9 - length) * 8) & 63));
        return (length > 1).then(|| Plain { value, decimals: length - 1 - first, length });
    }
    let (high, more) = split(high);
    let first = place_in(others, more);
    if *bytes.get(..WIDTH)?.get(first)? != point {
        return (first > 0).then(|| Plain { value: number(low, high, first), decimals: 0, length: first });
    }
    let length = if first < 8 { 8 + place(more) } else { 8 + place(more & more.wrapping_sub(1)) };
    if length == WIDTH || length == 1 {
        return None;
    }
    let (low, high) = if first < 8 {
        let before = below(first);
        ((low & before) | ((low >> 8 | high << 56) & !before), high >> 8)
    } else {
        let before = below(first - 8);
        (low, (high & before) | (high >> 8 & !before))
    };
    Some(Plain { value: number(low, high, length - 1), decimals: length - 1 - first, length })
}

/// Numbers of one length with the point in one place, as those of a column often are.
#[derive(Clone, Copy, Debug)]
pub(super) struct Alike {
    /// Bits by which the first eight digits and those behind them are moved to the upper end; what the first ones
    /// are worth.
    up: [u32; 2],
    worth: u64,
    /// The bytes as they must be, zeros for digits.
    want: [u64; 2],
    /// Bits that must be so, and the bits that tell the digits apart.
    fixed: [u64; 2],
    free: [u64; 2],
    /// The bytes before the point.
    before: [u64; 2],
}

impl Alike {
    /// Numbers like the one in `text`, which [`plain`] could read and which ends with the byte behind it.
    pub(super) fn to(text: &[u8], point: u8) -> Self {
        let end = text.len().saturating_sub(1);
        let place = text.iter().position(|byte| *byte == point).filter(|place| *place < end);
        let mut bytes = [[0; WIDTH]; 4];
        for (at, byte) in text.iter().enumerate().take(WIDTH) {
            let fixed = at == end || Some(at) == place;
            let [want, must, may, before] = bytes.each_mut();
            (want[at], must[at], may[at]) = if fixed { (*byte, 0xff, 0) } else { (b'0', 0xf0, 0x0f) };
            before[at] = if place.is_some_and(|place| at >= place) { 0 } else { 0xff };
        }
        let [want, fixed, free, before] = bytes.map(|bytes| {
            let (low, high) = bytes.split_at(8);
            [low, high].map(|half| half.iter().rev().fold(0, |all, byte| all << 8 | u64::from(*byte)))
        });
        let digits = end - usize::from(place.is_some());
        let (first, behind) = (digits.min(8), digits.saturating_sub(8));
        let up = [first, behind].map(|count| 8 * (8 - count) as u32);
        Self { up, worth: POWERS.get(behind).copied().unwrap_or_default(), want, fixed, free, before }
    }

    /// The digits of the number at the front as one number; `None` where it is not like the others.
    #[inline(always)]
    pub(super) fn read(&self, bytes: &[u8; WIDTH]) -> Option<u64> {
        const SIX: u64 = u64::from_ne_bytes([6; 8]);
        let [low, high] = halves(bytes)?.map(u64::from_le_bytes);
        let differs = [low ^ self.want[0], high ^ self.want[1]];
        let [low, high] = [differs[0] & self.free[0], differs[1] & self.free[1]];
        let beyond_nine = ((low + (SIX & self.free[0])) | (high + (SIX & self.free[1]))) & (HIGH >> 3);
        if (differs[0] & self.fixed[0]) | (differs[1] & self.fixed[1]) | beyond_nine != 0 {
            return None;
        }
        let low_behind = (low >> 8 | high << 56) & !self.before[0];
        let joined = [low & self.before[0] | low_behind, high & self.before[1] | high >> 8 & !self.before[1]];
        // Where all digits are among the first, none is left of the others.
        let [first, behind] =
            [eight(joined[0] << self.up[0]), eight(joined[1].checked_shl(self.up[1]).unwrap_or(0))];
        Some(first.wrapping_mul(self.worth).wrapping_add(behind))
    }
}

#[inline(always)]
fn halves(bytes: &[u8]) -> Option<[[u8; 8]; 2]> {
    let (low, rest) = bytes.split_first_chunk()?;
    Some([*low, *rest.first_chunk()?])
}

/// The bits of the bytes before this one, 0 to 7.
#[inline(always)]
fn below(byte: usize) -> u64 {
    (1u64 << ((8 * byte) & 63)).wrapping_sub(1)
}

/// The first `count` of these digits, 1 to 15, as a number. Each half is moved to its upper end, so that zeros
/// stand in front.
#[inline(always)]
fn number(low: u64, high: u64, count: usize) -> u64 {
    let up = |digits: u64, count: usize| digits << (((8 - count) * 8) & 63);
    if count <= 8 {
        return eight(up(low, count));
    }
    let power = POWERS.get(count - 8).copied().unwrap_or_default();
    eight(low).wrapping_mul(power).wrapping_add(eight(up(high, count - 8)))
}

/// Eight digits, the first in the lowest byte, as a number: pairs, then fours, then all, each by one product.
///
/// # Source
/// The common method of parsing digits within a register; from memory. The tests compare it with the
/// general CSV crate and the standard library's parsers.
#[inline(always)]
fn eight(digits: u64) -> u64 {
    const PAIRS: u64 = 0x0000_00ff_0000_00ff;
    let pairs = digits.wrapping_mul(10).wrapping_add(digits >> 8);
    let low = (pairs & PAIRS).wrapping_mul(100 + (1_000_000 << 32));
    let high = (pairs >> 16 & PAIRS).wrapping_mul(1 + (10_000 << 32));
    low.wrapping_add(high) >> 32
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::{Alike, Plain, plain, whole};

    proptest! {
        #[test]
        fn numbers_agree_with_the_standard_library(text in "[0-9]{0,8}[.]?[0-9]{0,8}[,. x/:\u{7f}]", rest in "[0-9.]{16}") {
            let bytes = text.clone() + &rest;
            let bytes = bytes.as_bytes();
            let end = text.len() - 1;
            let field = &text[..end];
            let (before, behind) = field.split_once('.').unwrap_or((field, ""));
            let digits = format!("{before}{behind}");
            let ended = !field.contains('.') && text.ends_with('.');
            if end < 16 && !digits.is_empty() && !ended {
                let expected = Plain { value: digits.parse().unwrap(), decimals: behind.len(), length: end };
                prop_assert_eq!(plain(bytes, b'.'), Some(expected));
            } else if !ended {
                prop_assert_eq!(plain(bytes, b'.'), None);
            }
            let expected = before.parse().ok().filter(|_| before.len() < 16).map(|value: u64| (value, before.len()));
            prop_assert_eq!(whole(bytes), expected);
        }

        #[test]
        fn numbers_alike_are_read_as_single_ones(
            first in "[0-9]{1,5}[.]?[0-9]{0,9}[,;]",
            next in "[0-9]{1,5}[.]?[0-9]{0,9}[,;./:\u{7f}]",
            rest in "[0-9.,/:]{16}",
        ) {
            let alike = Alike::to(first.as_bytes(), b'.');
            let like: String = first.chars().map(|c| if c.is_ascii_digit() { '7' } else { c }).collect();
            let [first, like, next] = [first, like, next].map(|text| text + &rest);
            let read = |text: &str| alike.read(text.as_bytes().first_chunk().unwrap());
            let one = plain(first.as_bytes(), b'.').unwrap();
            prop_assert_eq!(read(&first), Some(one.value));
            prop_assert_eq!(read(&like), plain(like.as_bytes(), b'.').map(|number| number.value));
            if let Some(value) = read(&next) {
                prop_assert_eq!(plain(next.as_bytes(), b'.'), Some(Plain { value, ..one }));
            }
        }

        #[test]
        fn any_bytes_are_split_where_digits_end(bytes: [u8; 16]) {
            let length = bytes.iter().position(|byte| !byte.is_ascii_digit());
            prop_assert_eq!(
                whole(&bytes).map(|(_, length)| length),
                length.filter(|length| *length > 0)
            );
        }
    }
}
