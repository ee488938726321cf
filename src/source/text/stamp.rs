//! The time that a terminal wrote before each line, recognised from the first lines.
//!
//! The set may print times of its own, and those must stay in the line. The rule: a date with a clock
//! time, a clock time, or plain decimal seconds that grow, at the very start of most lines, is the host's.
//! Decimal seconds in brackets (`[   12.345678]`) are the set's uptime, as a kernel prints it, unless a
//! second stamp of the same form follows. Whoever knows better hands the choice in.

use std::fmt;

use crate::base::Nanoseconds;

const SECOND: i64 = 1_000_000_000;
/// One day in nanoseconds.
pub(super) const DAY: i64 = 86_400 * SECOND;
/// Days of the year that stamps without a year are counted in. A leap year, so that every date exists: across
/// the end of February of another year the time is a day too long.
pub(super) const YEAR: i64 = 366;

/// How the host stamped the lines of a log.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Stamp {
    /// No host stamps: only the set's own text.
    #[default]
    None,
    /// Date and clock time, ISO 8601; `zone` when the stamps say how far from UTC.
    Iso {
        /// Whether the stamps carry a zone, without which the wall time is not known.
        zone: bool,
    },
    /// Month, day and clock time, then host and program (`Nov  6 07:40:58 bench kernel:`), as a system log
    /// writes them; the year is not told.
    Syslog,
    /// Clock time, `HH:MM:SS` with or without fraction.
    Clock,
    /// Decimal seconds.
    Seconds,
}

impl fmt::Display for Stamp {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::None => "no host time stamps",
            Self::Iso { zone: true } => "date and time with zone before each line",
            Self::Iso { zone: false } => "date and time without zone before each line",
            Self::Syslog => "date without year, host and program before each line",
            Self::Clock => "clock time before each line",
            Self::Seconds => "seconds before each line",
        })
    }
}

/// What may stand between a stamp and the text, longest first.
const SEPARATORS: [&[u8]; 10] = [b" -> ", b" > ", b" - ", b" | ", b"> ", b"| ", b": ", b", ", b"\t", b" "];

/// One stamp as read: nanoseconds on its own scale (since 1970, since midnight, since start).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Read {
    pub(super) ns: i64,
    pub(super) zone: bool,
    bracketed: bool,
    length: usize,
}

/// A stamp together with what separates it from the text.
#[derive(Clone, Copy, Debug)]
pub(super) struct Reader {
    pub(super) stamp: Stamp,
    separator: &'static [u8],
}

impl Reader {
    /// Chooses from the first lines of a log.
    pub(super) fn recognise(head: &[u8]) -> Self {
        let head = head.strip_prefix(b"\xef\xbb\xbf").unwrap_or(head);
        let lines: Vec<&[u8]> = head
            .split(|byte| *byte == b'\n')
            .filter(|line| !line.trim_ascii().is_empty())
            .take(crate::source::text::LINES)
            .collect();
        for stamp in [Stamp::Iso { zone: false }, Stamp::Syslog, Stamp::Clock, Stamp::Seconds] {
            let reads: Vec<(Read, &[u8])> =
                lines.iter().filter_map(|l| read(stamp, l).map(|r| (r, *l))).collect();
            // A wrapped or lost line must not hide the stamps of the others, nor one line invent them.
            if reads.is_empty() || reads.len() * 3 < lines.len() * 2 {
                continue;
            }
            if stamp == Stamp::Seconds && !is_host_seconds(&reads) {
                continue;
            }
            let zone = reads.iter().all(|(read, _)| read.zone);
            let stamp = if matches!(stamp, Stamp::Iso { .. }) { Stamp::Iso { zone } } else { stamp };
            return Self { stamp, separator: separator(&reads) };
        }
        Self { stamp: Stamp::None, separator: b"" }
    }

    /// The stamp of a line and where the text after it begins.
    pub(super) fn read(&self, line: &[u8]) -> Option<(Read, usize)> {
        let read = read(self.stamp, line)?;
        let rest = line.get(read.length..).unwrap_or_default();
        let gap = if rest.starts_with(self.separator) {
            self.separator.len()
        } else {
            usize::from(matches!(rest.first(), Some(b' ' | b'\t')))
        };
        Some((read, read.length + gap))
    }
}

/// The longest separator that stands in every stamped line with text.
fn separator(reads: &[(Read, &[u8])]) -> &'static [u8] {
    let mut rests = reads
        .iter()
        .filter_map(|(read, line)| line.get(read.length..).filter(|rest| !rest.trim_ascii().is_empty()));
    SEPARATORS
        .into_iter()
        .find(|separator| {
            rests.clone().next().is_some() && rests.by_ref().clone().all(|r| r.starts_with(separator))
        })
        .unwrap_or(b"")
}

/// Decimal seconds are the host's when they grow, and are not the set's own bracketed uptime.
fn is_host_seconds(reads: &[(Read, &[u8])]) -> bool {
    let grows = reads.windows(2).all(|pair| match pair {
        [(a, _), (b, _)] => a.ns <= b.ns,
        _ => true,
    });
    let (Some((first, _)), Some((last, _))) = (reads.first(), reads.last()) else { return false };
    if !grows || first.ns == last.ns {
        return false;
    }
    let bracketed = reads.iter().any(|(read, _)| read.bracketed);
    let second = reads.iter().filter(|(read, line)| {
        let rest = line.get(read.length..).unwrap_or_default().trim_ascii_start();
        seconds(rest).is_some_and(|inner| inner.bracketed)
    });
    !bracketed || second.count() * 3 >= reads.len() * 2
}

fn read(stamp: Stamp, line: &[u8]) -> Option<Read> {
    match stamp {
        Stamp::None => None,
        Stamp::Iso { .. } => bracketed(line, iso),
        Stamp::Syslog => bracketed(line, syslog),
        Stamp::Clock => bracketed(line, clock),
        Stamp::Seconds => seconds(line),
    }
}

/// Reads `body` bare or in square or round brackets; a bare stamp must not run on into a word.
fn bracketed(line: &[u8], body: impl Fn(&[u8]) -> Option<(i64, bool, usize)>) -> Option<Read> {
    let close = match line.first()? {
        b'[' => Some(b']'),
        b'(' => Some(b')'),
        _ => None,
    };
    let inner = line.get(usize::from(close.is_some())..)?;
    let blanks = if close.is_some() { inner.len() - inner.trim_ascii_start().len() } else { 0 };
    let (ns, zone, length) = body(inner.get(blanks..)?)?;
    let end = blanks + length;
    match close {
        Some(close) => {
            (inner.get(end) == Some(&close)).then_some(Read { ns, zone, bracketed: true, length: end + 2 })
        }
        None => (!inner.get(end).is_some_and(u8::is_ascii_alphanumeric)).then_some(Read {
            ns,
            zone,
            bracketed: false,
            length: end,
        }),
    }
}

fn seconds(line: &[u8]) -> Option<Read> {
    bracketed(line, |text| {
        let whole = digits(text);
        if whole == 0 || text.get(whole) != Some(&b'.') {
            return None;
        }
        let fraction = digits(text.get(whole + 1..)?);
        let length = whole + 1 + fraction;
        if fraction == 0 || text.get(length) == Some(&b'.') {
            return None;
        }
        Some((Nanoseconds::parse_seconds(text.get(..length)?)?.0, false, length))
    })
}

fn digits(text: &[u8]) -> usize {
    text.iter().take_while(|byte| byte.is_ascii_digit()).count()
}

/// `count` digits as a number.
fn number(text: &[u8], at: usize, count: usize) -> Option<i64> {
    let field = text.get(at..at + count)?;
    field.iter().try_fold(0i64, |sum, byte| byte.is_ascii_digit().then(|| sum * 10 + i64::from(byte - b'0')))
}

/// `H:MM:SS` or `HH:MM:SS`, fraction after point or comma: nanoseconds since midnight and length.
fn time_of_day(text: &[u8]) -> Option<(i64, usize)> {
    let wide = digits(text);
    if !(1..=2).contains(&wide) {
        return None;
    }
    let rest = text.get(wide..)?;
    if rest.first() != Some(&b':') || rest.get(3) != Some(&b':') {
        return None;
    }
    let (hours, minutes, seconds) = (number(text, 0, wide)?, number(rest, 1, 2)?, number(rest, 4, 2)?);
    // Second 60 is a leap second.
    if hours > 23 || minutes > 59 || seconds > 60 {
        return None;
    }
    let (fraction, length) = fraction(rest.get(6..)?);
    Some((((hours * 60 + minutes) * 60 + seconds) * SECOND + fraction, wide + 6 + length))
}

/// A fraction after point or comma as nanoseconds, and its length; nothing there is zero.
fn fraction(text: &[u8]) -> (i64, usize) {
    let [b'.' | b',', rest @ ..] = text else { return (0, 0) };
    let count = digits(rest);
    if count == 0 {
        return (0, 0);
    }
    let kept = count.min(9);
    let value = number(rest, 0, kept).unwrap_or_default();
    (value * 10i64.pow(u32::try_from(9 - kept).unwrap_or_default()), count + 1)
}

fn clock(text: &[u8]) -> Option<(i64, bool, usize)> {
    let (ns, length) = time_of_day(text)?;
    Some((ns, false, length))
}

/// `Mmm dd hh:mm:ss host program:`; nanoseconds since the year began. Host and program are no text of the set;
/// where they do not stand as the standard has them, they are left in the line.
///
/// # Source
/// RFC 3164, sections 4.1.2 and 4.1.3; a fraction is common practice, no source.
fn syslog(text: &[u8]) -> Option<(i64, bool, usize)> {
    const MONTHS: [&[u8; 3]; 12] =
        [b"Jan", b"Feb", b"Mar", b"Apr", b"May", b"Jun", b"Jul", b"Aug", b"Sep", b"Oct", b"Nov", b"Dec"];
    let month = MONTHS.iter().position(|month| text.starts_with(*month))?;
    let day = match text.get(3..7)? {
        [b' ', b' ', ones, b' '] if ones.is_ascii_digit() => i64::from(ones - b'0'),
        [b' ', _, _, b' '] => number(text, 4, 2)?,
        _ => return None,
    };
    let month = i64::try_from(month).ok()? + 1;
    let days = days_since_1970(1972, month, day)? - days_since_1970(1972, 1, 1)?;
    let (ns, length) = time_of_day(text.get(7..)?)?;
    let end = 7 + length;
    Some((days * DAY + ns, false, end + program(text.get(end..)?).unwrap_or(0)))
}

/// Length of ` host program:`.
fn program(text: &[u8]) -> Option<usize> {
    let mut words = text.strip_prefix(b" ")?.splitn(3, |byte| *byte == b' ');
    let (host, tag) = (words.next()?, words.next()?);
    let name = |byte: &u8| byte.is_ascii_alphanumeric() || matches!(byte, b'.' | b'-' | b'_');
    let tagged = tag.strip_suffix(b":").is_some_and(|tag| !tag.is_empty() && tag.is_ascii());
    let hosted = !host.is_empty() && host.iter().all(name);
    (hosted && tagged).then_some(host.len() + tag.len() + 2)
}

/// Date and time, extended (`2026-11-25T07:40:58.5+01:00`, blank for `T`) or basic (`20261125T074058Z`).
fn iso(text: &[u8]) -> Option<(i64, bool, usize)> {
    let extended = matches!(text.get(4)?, b'-' | b'/');
    let (month_at, day_at, date_length) = if extended { (5, 8, 10) } else { (4, 6, 8) };
    if extended && text.get(7) != text.get(4) {
        return None;
    }
    let days = days_since_1970(number(text, 0, 4)?, number(text, month_at, 2)?, number(text, day_at, 2)?)?;
    if !matches!(text.get(date_length)?, b'T' | b't' | b' ' | b'_') {
        return None;
    }
    let rest = text.get(date_length + 1..)?;
    let (ns, length) = time_of_day(rest).or_else(|| basic_time(rest))?;
    let (zone, zone_length) = zone(rest.get(length..)?);
    let local = days.checked_mul(DAY)?.checked_add(ns)?;
    Some((local - zone.unwrap_or(0), zone.is_some(), date_length + 1 + length + zone_length))
}

fn basic_time(text: &[u8]) -> Option<(i64, usize)> {
    let (hours, minutes, seconds) = (number(text, 0, 2)?, number(text, 2, 2)?, number(text, 4, 2)?);
    if hours > 23 || minutes > 59 || seconds > 60 {
        return None;
    }
    let (fraction, length) = fraction(text.get(6..)?);
    Some((((hours * 60 + minutes) * 60 + seconds) * SECOND + fraction, 6 + length))
}

/// `Z`, `+01:00`, `+0100`, `+01`: nanoseconds east of UTC and length.
fn zone(text: &[u8]) -> (Option<i64>, usize) {
    let sign = match text.first() {
        Some(b'Z' | b'z') => return (Some(0), 1),
        Some(b'+') => 1,
        Some(b'-') => -1,
        _ => return (None, 0),
    };
    let Some(hours) = number(text, 1, 2) else { return (None, 0) };
    let (minutes, length) = if text.get(3) == Some(&b':') {
        number(text, 4, 2).map_or((0, 3), |minutes| (minutes, 6))
    } else {
        number(text, 3, 2).map_or((0, 3), |minutes| (minutes, 5))
    };
    (Some(sign * (hours * 60 + minutes) * 60 * SECOND), length)
}

/// Days from 1970-01-01 in the Gregorian calendar; `None` for a date that does not exist.
///
/// # Source
/// Ours: counted from 1 March so that the leap day ends the year; checked against the calendar crate.
fn days_since_1970(year: i64, month: i64, day: i64) -> Option<i64> {
    let leap = year % 4 == 0 && (year % 100 != 0 || year % 400 == 0);
    let last = match month {
        2 => 28 + i64::from(leap),
        4 | 6 | 9 | 11 => 30,
        1..=12 => 31,
        _ => return None,
    };
    // Before 1970 and after 2200 it is no log of a television, and the sum would not fit nanoseconds.
    if !(1..=last).contains(&day) || !(1970..2200).contains(&year) {
        return None;
    }
    let (shifted_year, shifted_month) = if month > 2 { (year, month - 3) } else { (year - 1, month + 9) };
    let leaps = shifted_year / 4 - shifted_year / 100 + shifted_year / 400;
    let day_of_year = (shifted_month * 153 + 2) / 5 + day - 1;
    // 719468 days lie between 1 March of year 0 and 1970-01-01.
    Some(shifted_year * 365 + leaps + day_of_year - 719_468)
}

/// Lines from which the stamps are recognised.
pub(crate) const LINES: usize = 64;
