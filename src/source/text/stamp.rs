//! The time that a terminal wrote before each line, recognised from the first lines.
//!
//! The set may print times of its own, and those must stay in the line. The rule: a date with a clock time, a clock
//! time, seconds since 1970, or plain decimal seconds or milliseconds that grow, at the very start of most lines, is
//! the host's. Decimal seconds in brackets (`[   12.345678]`) are the set's uptime, as a kernel prints it, unless a
//! second stamp of the same form follows. Whoever knows what the set prints is asked which lines fit it better.

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
    /// Date and clock time, in ISO 8601 or as people write dates; `zone` when the stamps say how far from UTC.
    Date {
        /// Whether the stamps carry a zone, without which the wall time is not known.
        zone: bool,
    },
    /// Month, day and clock time: the year is not told, or stands behind (`Wed Nov  6 07:40:58 2026`). Host and
    /// program may follow (`Nov  6 07:40:58 bench kernel:`), as a system log writes them.
    Yearless,
    /// Clock time, `HH:MM:SS` with or without fraction, AM or PM.
    Clock,
    /// Seconds, milliseconds, microseconds or nanoseconds since 1970.
    Epoch,
    /// Decimal seconds.
    Seconds,
    /// Whole milliseconds and a tab.
    Milliseconds,
    /// No time: the priority that a system log writes before each line (`<6>`).
    Priority,
}

impl fmt::Display for Stamp {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::None => "no host time stamps",
            Self::Date { zone: true } => "date and time with zone before each line",
            Self::Date { zone: false } => "date and time without zone before each line",
            Self::Yearless => "month, day and time before each line",
            Self::Clock => "clock time before each line",
            Self::Epoch => "time since 1970 before each line",
            Self::Seconds => "seconds before each line",
            Self::Milliseconds => "milliseconds before each line",
            Self::Priority => "priority before each line",
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
    /// All stamps are whole multiples of it.
    pub(super) quantum: Nanoseconds,
}

impl Reader {
    /// Chooses from the first lines of a log.
    pub(super) fn recognise(head: &[u8]) -> Self {
        let head = head.strip_prefix(b"\xef\xbb\xbf").unwrap_or(head);
        let lines: Vec<&[u8]> = head
            .split(|byte| matches!(*byte, b'\n' | crate::base::FORM_FEED))
            .filter(|line| !line.trim_ascii().is_empty())
            .take(crate::source::text::LINES)
            .collect();
        for stamp in [
            Stamp::Date { zone: false },
            Stamp::Yearless,
            Stamp::Clock,
            Stamp::Epoch,
            Stamp::Seconds,
            Stamp::Milliseconds,
            Stamp::Priority,
        ] {
            let reads: Vec<(Read, &[u8])> =
                lines.iter().filter_map(|l| read(stamp, l).map(|r| (r, *l))).collect();
            // A wrapped or lost line must not hide the stamps of the others, nor one line invent them.
            if reads.is_empty() || reads.len() * 3 < lines.len() * 2 {
                continue;
            }
            let certain = match stamp {
                Stamp::Seconds => is_host_seconds(&reads),
                Stamp::Milliseconds | Stamp::Epoch => grows(&reads),
                _ => true,
            };
            if !certain {
                continue;
            }
            let zone = reads.iter().all(|(read, _)| read.zone);
            let stamp = if matches!(stamp, Stamp::Date { .. }) { Stamp::Date { zone } } else { stamp };
            if stamp == Stamp::Priority {
                return Self { stamp, ..Self::none() };
            }
            return Self { stamp, separator: separator(&reads), quantum: quantum(&reads) };
        }
        Self::none()
    }

    /// Leaves the lines as they are.
    pub(super) fn none() -> Self {
        Self { stamp: Stamp::None, separator: b"", quantum: Nanoseconds::ZERO }
    }

    /// The stamp of a line and where the text after it begins.
    pub(super) fn read(&self, line: &[u8]) -> Option<(Read, usize)> {
        let read = read(self.stamp, line)?;
        let rest = line.get(read.length..).unwrap_or_default();
        let gap = if rest.starts_with(self.separator) {
            self.separator.len()
        } else {
            usize::from(self.stamp != Stamp::Priority && matches!(rest.first(), Some(b' ' | b'\t')))
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

/// The coarsest step that all stamps keep to, of those that spoil more than an adapter's delay does.
fn quantum(reads: &[(Read, &[u8])]) -> Nanoseconds {
    let steps = [SECOND, SECOND / 10];
    let step = steps.into_iter().find(|step| reads.iter().all(|(read, _)| read.ns % step == 0));
    step.map_or(Nanoseconds::ZERO, Nanoseconds)
}

/// Numbers that never fall and do not stand still.
fn grows(reads: &[(Read, &[u8])]) -> bool {
    let ends = reads.first().zip(reads.last());
    reads.is_sorted_by_key(|(read, _)| read.ns) && ends.is_some_and(|((a, _), (b, _))| a.ns < b.ns)
}

/// Decimal seconds are the host's when they grow, and are not the set's own bracketed uptime.
fn is_host_seconds(reads: &[(Read, &[u8])]) -> bool {
    if !grows(reads) {
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
    let before = priority(line).unwrap_or(0);
    let rest = line.get(before..)?;
    let read = match stamp {
        Stamp::None => None,
        Stamp::Date { .. } => bracketed(rest, dated),
        Stamp::Yearless => bracketed(rest, yearless),
        Stamp::Clock => bracketed(rest, clock),
        Stamp::Epoch => bracketed(rest, epoch),
        Stamp::Seconds => seconds(rest),
        Stamp::Milliseconds => milliseconds(rest),
        Stamp::Priority => (before > 0).then_some(Read { ns: 0, zone: false, bracketed: true, length: 0 }),
    }?;
    Some(Read { length: read.length + before, ..read })
}

/// Length of the priority before a line, `<6>`.
///
/// # Source
/// RFC 3164, section 4.1.1.
fn priority(line: &[u8]) -> Option<usize> {
    let rest = line.strip_prefix(b"<")?;
    let count = digits(rest);
    ((1..=3).contains(&count) && rest.get(count) == Some(&b'>')).then_some(count + 2)
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
        // In brackets, the processor that printed the line: `[   12.3@1]`.
        let processor = match text.get(length..)? {
            [b'@', number @ ..] if line.starts_with(b"[") => 1 + digits(number),
            _ => 0,
        };
        Some((Nanoseconds::parse_seconds(text.get(..length)?)?.0, false, length + processor))
    })
}

/// Milliseconds and a tab.
fn milliseconds(text: &[u8]) -> Option<Read> {
    let length = digits(text);
    let tab = (1..=15).contains(&length) && text.get(length) == Some(&b'\t');
    let ns = number(text, 0, length)?.checked_mul(SECOND / 1000)?;
    tab.then_some(Read { ns, zone: false, bracketed: false, length })
}

/// Time since 1970: seconds with or without fraction, or whole milli-, micro- or nanoseconds; of this century.
fn epoch(text: &[u8]) -> Option<(i64, bool, usize)> {
    let whole = digits(text);
    let unit = match whole {
        10 => SECOND,
        13 => 1_000_000,
        16 => 1_000,
        19 => 1,
        _ => return None,
    };
    let ns = number(text, 0, whole)?.checked_mul(unit)?;
    let (fraction, length) = if whole == 10 { fraction(text.get(whole..)?) } else { (0, 0) };
    let known = (days_since_1970(2001, 1, 1)? * DAY..days_since_1970(2101, 1, 1)? * DAY).contains(&ns);
    known.then_some((ns + fraction, true, whole + length))
}

fn digits(text: &[u8]) -> usize {
    text.iter().take_while(|byte| byte.is_ascii_digit()).count()
}

/// `count` digits as a number.
fn number(text: &[u8], at: usize, count: usize) -> Option<i64> {
    let field = text.get(at..at + count)?;
    field.iter().try_fold(0i64, |sum, byte| byte.is_ascii_digit().then(|| sum * 10 + i64::from(byte - b'0')))
}

/// `H:MM:SS` or `HH:MM:SS`, a fraction after point or comma or milliseconds after a colon, AM or PM: nanoseconds since
/// midnight and length. Behind a date all of them may have one digit.
fn time_of_day(text: &[u8], dated: bool) -> Option<(i64, usize)> {
    let mut at = 0;
    let mut field = |least: usize, end: Option<u8>| {
        let count = digits(text.get(at..)?);
        let value = number(text, at, count).filter(|_| (least..=2).contains(&count))?;
        at += count;
        if let Some(end) = end {
            (text.get(at) == Some(&end)).then_some(())?;
            at += 1;
        }
        Some(value)
    };
    let least = if dated { 1 } else { 2 };
    let (mut hours, minutes, seconds) =
        (field(1, Some(b':'))?, field(least, Some(b':'))?, field(least, None)?);
    // Second 60 is a leap second.
    if hours > 23 || minutes > 59 || seconds > 60 {
        return None;
    }
    let (fraction, length) = fraction(text.get(at..)?);
    at += length;
    let half = text.get(at..)?;
    let blank = usize::from(half.first() == Some(&b' '));
    if let [half, b'M' | b'm', rest @ ..] = half.get(blank..)?
        && matches!(half, b'A' | b'a' | b'P' | b'p')
        && !rest.first().is_some_and(u8::is_ascii_alphanumeric)
        && (1..=12).contains(&hours)
    {
        hours = hours % 12 + if matches!(half, b'P' | b'p') { 12 } else { 0 };
        at += blank + 2;
    }
    Some((((hours * 60 + minutes) * 60 + seconds) * SECOND + fraction, at))
}

/// A fraction after point or comma, or milliseconds after a colon, as nanoseconds, and its length; nothing there is zero.
fn fraction(text: &[u8]) -> (i64, usize) {
    let (colon, rest) = match text {
        [b'.' | b',', rest @ ..] => (false, rest),
        [b':', rest @ ..] => (true, rest),
        _ => return (0, 0),
    };
    let count = digits(rest);
    let after = rest.get(count..).unwrap_or_default();
    // Six pairs of digits are an address of a network adapter.
    let pairs = matches!(after, [b':', next, ..] if next.is_ascii_hexdigit());
    if count == 0 || colon && (count > 3 || pairs || after.first().is_some_and(u8::is_ascii_alphanumeric)) {
        return (0, 0);
    }
    let kept = count.min(9);
    let value = number(rest, 0, kept).unwrap_or_default();
    let places = if colon { 6 } else { 9 - kept };
    (value * 10i64.pow(u32::try_from(places).unwrap_or_default()), count + 1)
}

fn clock(text: &[u8]) -> Option<(i64, bool, usize)> {
    let (ns, length) = time_of_day(text, false)?;
    Some((ns, false, length))
}

/// `Mmm dd hh:mm:ss host program:`, `Www Mmm dd hh:mm:ss yyyy` or `mm-dd hh:mm:ss`; nanoseconds since the year began.
/// Host and program are no text of the set; where they do not stand as the standard has them, they are left in the line.
///
/// # Source
/// RFC 3164, sections 4.1.2 and 4.1.3; C11 7.27.3.1 (`asctime`); a fraction and the bare numbers are common practice,
/// no source.
fn yearless(text: &[u8]) -> Option<(i64, bool, usize)> {
    const DAYS: [&[u8]; 7] = [b"Mon ", b"Tue ", b"Wed ", b"Thu ", b"Fri ", b"Sat ", b"Sun "];
    const MONTHS: [&[u8; 3]; 12] =
        [b"Jan", b"Feb", b"Mar", b"Apr", b"May", b"Jun", b"Jul", b"Aug", b"Sep", b"Oct", b"Nov", b"Dec"];
    let mut at = if DAYS.iter().any(|day| text.starts_with(day)) { 4 } else { 0 };
    let rest = text.get(at..)?;
    let (month, day) = match MONTHS.iter().position(|month| rest.starts_with(*month)) {
        Some(month) => {
            let blanks = rest.get(3..)?.iter().take_while(|byte| **byte == b' ').count();
            let count = digits(rest.get(3 + blanks..)?);
            at += 3 + blanks + count;
            let day = number(rest, 3 + blanks, count).filter(|_| blanks + count == 3 || blanks == 1)?;
            (i64::try_from(month).ok()? + 1, day)
        }
        None => {
            (rest.get(2) == Some(&b'-') && digits(rest) == 2 && digits(rest.get(3..)?) == 2).then_some(())?;
            at += 5;
            (number(rest, 0, 2)?, number(rest, 3, 2)?)
        }
    };
    (text.get(at) == Some(&b' ')).then_some(())?;
    let days = days_since_1970(1972, month, day)? - days_since_1970(1972, 1, 1)?;
    let (ns, length) = time_of_day(text.get(at + 1..)?, false)?;
    let end = at + 1 + length;
    let rest = text.get(end..)?;
    let year = (digits(rest.get(1..).unwrap_or_default()) == 4 && rest.first() == Some(&b' ')).then_some(5);
    Some((days * DAY + ns, false, end + year.or_else(|| program(rest)).unwrap_or(0)))
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

/// Date and time: `2026-11-25T07:40:58.5+01:00`, blank or `-` for `T`, `20261125T074058Z`, `25.11.2026 07:40:58`.
fn dated(text: &[u8]) -> Option<(i64, bool, usize)> {
    let (days, date) = date(text)?;
    matches!(text.get(date)?, b'T' | b't' | b' ' | b'_' | b'-').then_some(())?;
    let rest = text.get(date + 1..)?;
    let (ns, length) = time_of_day(rest, true).or_else(|| basic_time(rest))?;
    let (zone, zone_length) = zone(rest.get(length..)?);
    let local = days.checked_mul(DAY)?.checked_add(ns)?;
    Some((local - zone.unwrap_or(0), zone.is_some(), date + 1 + length + zone_length))
}

/// Year, month and day with one separator: the year first, or the day; before a stroke the month may come first, where
/// the second number is no month. Two digits are a year of this century.
fn date(text: &[u8]) -> Option<(i64, usize)> {
    let first = digits(text);
    if first == 8 {
        let days = days_since_1970(number(text, 0, 4)?, number(text, 4, 2)?, number(text, 6, 2)?)?;
        return Some((days, 8));
    }
    let mark = *text.get(first).filter(|mark| matches!(mark, b'-' | b'/' | b'.'))?;
    let rest = text.get(first + 1..)?;
    let second = digits(rest);
    (rest.get(second) == Some(&mark)).then_some(())?;
    let third = digits(rest.get(second + 1..)?);
    let (a, b, c) = (number(text, 0, first)?, number(rest, 0, second)?, number(rest, second + 1, third)?);
    let short = |count: usize| (1..=2).contains(&count);
    let (year, month, day) = match (first, second, third) {
        (4, second, third) if short(second) && short(third) => (a, b, c),
        (2, 2, 2) if mark == b'-' => (2000 + a, b, c),
        (first, second, 2 | 4) if short(first) && short(second) => {
            let year = if third == 2 { 2000 + c } else { c };
            if mark == b'/' && b > 12 { (year, a, b) } else { (year, b, a) }
        }
        _ => return None,
    };
    Some((days_since_1970(year, month, day)?, first + second + third + 2))
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
