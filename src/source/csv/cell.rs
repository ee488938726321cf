//! One field of a table: a time, a number, a level.

use crate::source::Value;
use crate::source::csv::unit::TimeUnit;
use crate::source::digits::Plain;

/// Powers of ten that fit 64 bits.
const POWERS: [u64; 20] = {
    let mut powers = [1u64; 20];
    let mut i = 1;
    while i < 20 {
        powers[i] = powers[i - 1] * 10;
        i += 1;
    }
    powers
};

/// Digits, how many of them are significant beyond the kept ones, and the power of ten behind them.
struct Decimal {
    negative: bool,
    value: u64,
    exponent: i32,
}

/// Reads `[+-]digits[point digits][e[+-]digits]`; digits beyond the nineteenth only move the exponent.
fn decimal(text: &[u8], point: u8) -> Option<Decimal> {
    let (negative, rest) = match text {
        [b'-', rest @ ..] => (true, rest),
        [b'+', rest @ ..] => (false, rest),
        rest => (false, rest),
    };
    let mut value = 0u64;
    let mut exponent = 0i32;
    let mut digits = false;
    let mut behind_point = false;
    for (i, &byte) in rest.iter().enumerate() {
        match byte {
            b'0'..=b'9' => {
                digits = true;
                // Below 1.8e18 one more digit fits.
                if value < 1_800_000_000_000_000_000 {
                    value = value * 10 + u64::from(byte - b'0');
                    exponent -= i32::from(behind_point);
                } else {
                    exponent = exponent.checked_add(i32::from(!behind_point))?;
                }
            }
            b'e' | b'E' if digits => {
                let power: i32 = std::str::from_utf8(rest.get(i + 1..)?).ok()?.parse().ok()?;
                exponent = exponent.checked_add(power)?;
                break;
            }
            mark if mark == point && !behind_point => behind_point = true,
            _ => return None,
        }
    }
    digits.then_some(Decimal { negative, value, exponent })
}

/// A time in nanoseconds, rounded to the nearest. `None` for what is no number or lies beyond 292 years.
pub(super) fn time(text: &[u8], unit: TimeUnit, point: u8) -> Option<i64> {
    let number = decimal(text, point)?;
    let value = number.value.checked_mul(unit.times)?;
    let magnitude = nanoseconds(value, number.exponent.checked_add(unit.power)?)?;
    Some(if number.negative { -magnitude } else { magnitude })
}

/// `value` times ten to the power of `exponent`, rounded to the nearest; `None` beyond 2^63.
#[inline(always)]
pub(super) fn nanoseconds(value: u64, exponent: i32) -> Option<i64> {
    let power = POWERS.get(exponent.unsigned_abs() as usize).copied();
    let magnitude = match power {
        _ if value == 0 => 0,
        _ if exponent >= 0 => value.checked_mul(power?)?,
        Some(divisor) => value / divisor + u64::from(value % divisor >= divisor.div_ceil(2)),
        None => 0,
    };
    i64::try_from(magnitude).ok()
}

/// A number; `None` for what is none, or too large to be one.
pub(super) fn number(text: &[u8], point: u8) -> Option<f64> {
    let number = decimal(text, point)?;
    scaled(number.value, number.exponent, number.negative)
}

/// `value` times ten to the power of `exponent`, with its sign; zero has none. `None` for what is too large.
#[inline(always)]
#[allow(clippy::cast_precision_loss)]
fn scaled(value: u64, exponent: i32, negative: bool) -> Option<f64> {
    if value == 0 {
        return Some(0.0);
    }
    let magnitude = match POWERS.get(exponent.unsigned_abs() as usize) {
        Some(&power) if exponent < 0 => value as f64 / power as f64,
        Some(&power) => value as f64 * power as f64,
        None => value as f64 * 10f64.powi(exponent),
    };
    magnitude.is_finite().then_some(if negative { -magnitude } else { magnitude })
}

/// A plain number as volts, `factor` volts a unit.
#[inline(always)]
pub(super) fn volts(number: Plain, negative: bool, factor: f64) -> Option<Value> {
    // As `scaled`, which for up to fifteen digits has no more to look after.
    #[allow(clippy::cast_precision_loss)]
    let value = number.value.cast_signed() as f64 / *POWERS.get(number.decimals)? as f64;
    Some(in_volts(if negative && number.value > 0 { -value } else { value }, factor))
}

/// Volts of a debug signal need no more than the 24 bits of an f32.
#[inline(always)]
#[allow(clippy::cast_possible_truncation)]
pub(super) fn in_volts(number: f64, factor: f64) -> Value {
    Value::Volts((number * factor) as f32)
}

/// A logic level; `None` for what is none. Numbers equal to 0 and 1 are levels however they are written.
pub(super) fn level(text: &[u8], point: u8) -> Option<Value> {
    match text {
        b"0" | b"L" | b"l" => return Some(Value::Low),
        b"1" | b"H" | b"h" => return Some(Value::High),
        b"x" | b"X" | b"z" | b"Z" => return Some(Value::Unknown),
        _ => {}
    }
    if text.eq_ignore_ascii_case(b"false") || text.eq_ignore_ascii_case(b"low") {
        return Some(Value::Low);
    }
    if text.eq_ignore_ascii_case(b"true") || text.eq_ignore_ascii_case(b"high") {
        return Some(Value::High);
    }
    let number = decimal(text, point)?;
    match (number.value, number.exponent) {
        (0, _) => Some(Value::Low),
        (value, exponent) if !number.negative => {
            let one = POWERS.get(exponent.unsigned_abs() as usize).copied();
            (exponent <= 0 && one == Some(value)).then_some(Value::High)
        }
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::{level, number};
    use crate::source::Value;
    use crate::source::csv::unit::TimeUnit;

    fn time(text: &[u8], power: i32, point: u8) -> Option<i64> {
        super::time(text, TimeUnit { power, times: 1 }, point)
    }

    #[test]
    fn times_are_exact_in_every_unit() {
        assert_eq!(time(b"0.000000001", 9, b'.'), Some(1));
        assert_eq!(time(b"-1,5", 6, b','), Some(-1_500_000));
        assert_eq!(time(b"2.5E-6", 9, b'.'), Some(2_500));
        assert_eq!(time(b"1500", -3, b'.'), Some(2), "1.5 ns rounds to the nearest, halves up");
        assert_eq!(time(b"0.29999999999999999", 9, b'.'), Some(300_000_000));
        assert_eq!(time(b"9223372036.854775807", 9, b'.'), Some(i64::MAX));
        assert_eq!(time(b"9223372036.854775808", 9, b'.'), None);
        assert_eq!(time(b"1e400", 9, b'.'), None);
        let minutes = TimeUnit { power: 10, times: 6 };
        assert_eq!(super::time(b"-1.5", minutes, b'.'), Some(-90_000_000_000));
        for wrong in [&b""[..], b"-", b".", b"1.2.3", b"1e", b"e5", b"1 2", b"0x10", b"nan"] {
            assert_eq!(time(wrong, 9, b'.'), None, "{}", String::from_utf8_lossy(wrong));
        }
    }

    #[test]
    fn numbers_agree_with_the_standard_library() {
        for text in ["3.300", "-0.0125", "1.5e3", "2E-12", "123456789012345678901234", "0.1"] {
            let ours = number(text.as_bytes(), b'.').unwrap();
            let theirs: f64 = text.parse().unwrap();
            assert!((ours - theirs).abs() <= theirs.abs() * 1e-15, "{text}: {ours} {theirs}");
        }
    }

    #[test]
    fn numbers_beyond_the_range_are_none() {
        assert_eq!(number(b"0e1005", b'.'), Some(0.0));
        assert_eq!(number(b"1e-1005", b'.'), Some(0.0));
        assert_eq!(number(b"1e1005", b'.'), None);
    }

    #[test]
    fn levels_are_read_in_every_spelling() {
        for text in ["0", "L", "low", "False", "0.000e+00", "-0.0"] {
            assert_eq!(level(text.as_bytes(), b'.'), Some(Value::Low), "{text}");
        }
        for text in ["1", "H", "HIGH", "true", "1.000e+00", "1."] {
            assert_eq!(level(text.as_bytes(), b'.'), Some(Value::High), "{text}");
        }
        for text in ["2", "1.01", "10", "-1", "yes", ""] {
            assert_eq!(level(text.as_bytes(), b'.'), None, "{text}");
        }
    }
}
