//! Nanoseconds on the capture clock, spans of it, and its anchor on the wall clock.

use std::fmt;
use std::ops::{Add, Sub};

use schemars::JsonSchema;
use serde::{Deserialize, Deserializer, Serialize, Serializer};

/// A time or a duration in nanoseconds on one capture's monotonic clock.
///
/// Signed: exports with a trigger count from before zero. Shown and read as decimal seconds with at most
/// nine places, never through a float, because 2^53 ns is only 104 days.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Nanoseconds(pub i64);

impl Nanoseconds {
    /// Zero.
    pub const ZERO: Self = Self(0);
    /// One second.
    pub const SECOND: Self = Self(1_000_000_000);

    /// From microseconds, saturating.
    pub const fn from_micros(micros: i64) -> Self {
        Self(micros.saturating_mul(1_000))
    }

    /// From milliseconds, saturating.
    pub const fn from_millis(millis: i64) -> Self {
        Self(millis.saturating_mul(1_000_000))
    }

    /// From seconds as a float: rounds to the nearest nanosecond, saturates; not a number gives zero.
    #[allow(clippy::cast_possible_truncation)]
    pub fn from_seconds(seconds: f64) -> Self {
        Self((seconds * 1e9).round() as i64)
    }

    /// In seconds; exact below 104 days, else rounded to the nearest double.
    #[allow(clippy::cast_precision_loss)]
    pub fn seconds(self) -> f64 {
        self.0 as f64 / 1e9
    }

    /// In microseconds as a float.
    #[allow(clippy::cast_precision_loss)]
    pub fn micros(self) -> f64 {
        self.0 as f64 / 1e3
    }

    /// Sum that stays at the ends of the range.
    #[must_use]
    pub const fn saturating_add(self, other: Self) -> Self {
        Self(self.0.saturating_add(other.0))
    }

    /// Difference that stays at the ends of the range.
    #[must_use]
    pub const fn saturating_sub(self, other: Self) -> Self {
        Self(self.0.saturating_sub(other.0))
    }

    /// Reads decimal seconds: sign, digits, optional point and fraction, optional exponent (`1e-6`).
    /// Digits beyond the ninth place are cut, not rounded.
    ///
    /// `None` for anything else and for what does not fit (beyond 292 years).
    pub fn parse_seconds(text: &[u8]) -> Option<Self> {
        Self::parse_scaled(text, 9, b'.')
    }

    /// Reads a decimal number in a unit of 10^-`places` seconds' complement: `places` is how many decimal
    /// digits separate the unit from a nanosecond (9 seconds, 6 milliseconds, 3 microseconds, 0 nanoseconds).
    /// `point` is the decimal mark, `.` or `,`.
    pub fn parse_scaled(text: &[u8], places: u8, point: u8) -> Option<Self> {
        let (negative, rest) = match text {
            [b'-', rest @ ..] => (true, rest),
            [b'+', rest @ ..] => (false, rest),
            rest => (false, rest),
        };
        let mut value: i64 = 0;
        let mut exponent = i32::from(places);
        let mut seen_digit = false;
        let mut seen_point = false;
        let mut i = 0;
        while let Some(&byte) = rest.get(i) {
            match byte {
                b'0'..=b'9' => {
                    seen_digit = true;
                    let digit = i64::from(byte - b'0');
                    match value.checked_mul(10).and_then(|v| v.checked_add(digit)) {
                        Some(next) if !seen_point || exponent > -40 => {
                            value = next;
                            if seen_point {
                                exponent -= 1;
                            }
                        }
                        // More digits than an i64 holds: beyond the point they are below a nanosecond.
                        _ if seen_point => {}
                        _ => return None,
                    }
                }
                b'e' | b'E' if seen_digit => {
                    let text = std::str::from_utf8(rest.get(i + 1..)?).ok()?;
                    let power: i32 = text.parse().ok()?;
                    exponent = exponent.checked_add(power)?;
                    break;
                }
                mark if mark == point && !seen_point => seen_point = true,
                _ => return None,
            }
            i += 1;
        }
        if !seen_digit {
            return None;
        }
        let value = if value == 0 {
            0
        } else if exponent >= 0 {
            value.checked_mul(10i64.checked_pow(u32::try_from(exponent).ok()?)?)?
        } else {
            10i64.checked_pow(exponent.unsigned_abs()).map_or(0, |divisor| value / divisor)
        };
        Some(Self(if negative { -value } else { value }))
    }

    /// Appends decimal seconds with up to nine places and no trailing zeros (`12.4`, `-0.000001`, `3`).
    pub fn write_seconds(self, out: &mut Vec<u8>) {
        if self.0 < 0 {
            out.push(b'-');
        }
        let magnitude = self.0.unsigned_abs();
        push_decimal(out, magnitude / 1_000_000_000);
        let fraction = magnitude % 1_000_000_000;
        if fraction == 0 {
            return;
        }
        let mut text = *b".000000000";
        fill(&mut text[1..], fraction);
        let zeros = text.iter().rev().take_while(|d| **d == b'0').count();
        // Copying all of it and taking back is faster than copying some of it.
        out.extend_from_slice(&text);
        out.truncate(out.len() - zeros);
    }
}

/// Appends an unsigned decimal number.
pub(crate) fn push_decimal(out: &mut Vec<u8>, value: u64) {
    let mut digits = [b'0'; 20];
    let count = value.checked_ilog10().unwrap_or(0) as usize + 1;
    fill(&mut digits[..count], value);
    // As above.
    out.extend_from_slice(&digits);
    out.truncate(out.len() - (digits.len() - count));
}

/// Fills all of `digits` with the decimal digits of a number, zeros first. Two at a time is faster than one at a time.
fn fill(digits: &mut [u8], mut value: u64) {
    let mut pairs = digits.rchunks_exact_mut(2);
    for pair in &mut pairs {
        let (two, rest) = (value % 100, value / 100);
        // Both digits are below ten.
        pair.copy_from_slice(&[b'0' + (two / 10) as u8, b'0' + (two % 10) as u8]);
        value = rest;
    }
    if let [first] = pairs.into_remainder() {
        *first = b'0' + (value % 10) as u8;
    }
}

impl Add for Nanoseconds {
    type Output = Self;
    fn add(self, other: Self) -> Self {
        self.saturating_add(other)
    }
}

impl Sub for Nanoseconds {
    type Output = Self;
    fn sub(self, other: Self) -> Self {
        self.saturating_sub(other)
    }
}

impl fmt::Display for Nanoseconds {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let mut text = Vec::with_capacity(24);
        self.write_seconds(&mut text);
        f.write_str(std::str::from_utf8(&text).unwrap_or_default())
    }
}

impl Serialize for Nanoseconds {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_f64(self.seconds())
    }
}

impl<'de> Deserialize<'de> for Nanoseconds {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        f64::deserialize(deserializer).map(Self::from_seconds)
    }
}

impl JsonSchema for Nanoseconds {
    fn schema_name() -> std::borrow::Cow<'static, str> {
        "Seconds".into()
    }
    fn json_schema(_: &mut schemars::SchemaGenerator) -> schemars::Schema {
        schemars::json_schema!({ "type": "number", "description": "seconds, nine decimal places at most" })
    }
}

/// A stretch of one capture's clock, `start <= end`.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema)]
pub struct Span {
    /// First instant.
    pub start: Nanoseconds,
    /// Last instant.
    pub end: Nanoseconds,
}

impl Span {
    /// Length, never negative.
    pub fn length(self) -> Nanoseconds {
        Nanoseconds((self.end - self.start).0.max(0))
    }

    /// The smallest span that holds both this one and the instant.
    #[must_use]
    pub fn including(self, t: Nanoseconds) -> Self {
        Self { start: self.start.min(t), end: self.end.max(t) }
    }
}

/// Ties a capture's clock to the wall clock: `t = 0` happened at this instant.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Anchor {
    /// Nanoseconds since 1970-01-01T00:00:00Z at capture time zero.
    pub unix_ns: i64,
}

impl Anchor {
    /// RFC 3339 wall time, UTC, of a capture time; empty when it lies outside the calendar's range.
    pub fn wall(self, t: Nanoseconds) -> Option<String> {
        let instant = jiff::Timestamp::from_nanosecond(i128::from(self.unix_ns) + i128::from(t.0)).ok()?;
        Some(instant.to_string())
    }

    /// Date and clock time where the program runs, to the second, with the distance from UTC.
    pub fn local(self) -> Option<String> {
        let instant = jiff::Timestamp::from_nanosecond(i128::from(self.unix_ns)).ok()?;
        let here = instant.to_zoned_datetime(jiff::tz::TimeZone::system());
        Some(here.strftime("%Y-%m-%d %H:%M:%S %:z").to_string())
    }

    /// From RFC 3339 text.
    pub fn parse(text: &str) -> Option<Self> {
        let instant: jiff::Timestamp = text.parse().ok()?;
        i64::try_from(instant.as_nanosecond()).ok().map(|unix_ns| Self { unix_ns })
    }

    /// The present instant.
    pub fn now() -> Self {
        let instant = jiff::Timestamp::now();
        Self { unix_ns: i64::try_from(instant.as_nanosecond()).unwrap_or_default() }
    }
}
