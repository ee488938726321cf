//! Reads the placeholders of a line whose shape is known.

use crate::decode::shape::{Form, Part, Placeholder, Shape};

/// One captured placeholder: where it stands in the line, and its number for the forms that are numbers.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Captured {
    /// First byte, without padding.
    pub start: u32,
    /// One behind the last byte.
    pub end: u32,
    /// The number (integer, hex), nanoseconds (seconds, clock), else 0.
    pub number: i64,
}

/// Why a line that has a shape could not be read: the step whose number does not fit 63 bits.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Misread {
    /// Index of the placeholder in its shape.
    pub placeholder: usize,
}

/// One step of reading a line.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Step {
    /// Skip this many bytes of fixed text, which the automaton has compared already.
    Skip(usize),
    /// Skip a run of blanks.
    Blanks,
    /// Read a placeholder.
    Read {
        /// What it matches.
        form: Form,
        /// Exact number of bytes.
        width: Option<u8>,
        /// The byte that ends a word or text.
        stop: Option<u8>,
    },
}

impl Shape {
    /// The steps that read a line of this shape.
    pub fn steps(&self) -> Vec<Step> {
        self.parts
            .iter()
            .map(|part| match part {
                Part::Literal(bytes) => Step::Skip(bytes.len()),
                Part::Blank => Step::Blanks,
                Part::Placeholder(p) => Step::Read { form: p.form, width: p.width, stop: p.stop },
            })
            .collect()
    }
}

/// Reads a line of which the automaton says that it has the shape of `steps`; fills one slot a placeholder,
/// in order.
///
/// # Errors
/// A number that does not fit.
#[inline]
pub(crate) fn read(steps: &[Step], line: &[u8], slots: &mut [Captured]) -> Result<(), Misread> {
    let mut rest = skip_blanks(line);
    let mut placeholder = 0;
    for step in steps {
        match *step {
            Step::Skip(count) => rest = rest.get(count..).unwrap_or_default(),
            Step::Blanks => rest = skip_blanks(rest),
            Step::Read { form, width, stop } => {
                if width.is_none() {
                    rest = skip_blanks(rest);
                }
                let start = line.len() - rest.len();
                let (length, number) = match (form, width) {
                    (Form::Integer, None) => integer(rest),
                    (Form::Hex, None) => hex_run(rest),
                    (Form::Seconds, _) => seconds(rest),
                    (Form::Clock, _) => clock(rest),
                    (Form::Bytes, None) => (byte_pairs(rest), Some(0)),
                    (_, None) => (length_of(form, stop, rest), Some(0)),
                    (_, Some(width)) => fixed(form, rest.get(..usize::from(width)).unwrap_or(rest)),
                };
                let number = number.ok_or(Misread { placeholder })?;
                rest = rest.get(length..).unwrap_or_default();
                if let Some(slot) = slots.get_mut(placeholder) {
                    // Lines are at most 64 KiB.
                    *slot = Captured { start: start as u32, end: (start + length) as u32, number };
                }
                placeholder += 1;
            }
        }
    }
    Ok(())
}

/// Reads a line that may or may not have a shape: whether it has, and if so, one slot a placeholder, in order.
///
/// Says of every line what the automaton of the shape's regular expression says, except that a number that
/// does not fit counts as no match.
#[inline]
pub fn read_whole(parts: &[Part], line: &[u8], slots: &mut [Captured]) -> bool {
    read_beginning(parts, line, slots).is_some_and(|rest| skip_blanks(rest).is_empty())
}

/// Reads the beginning of a line that may or may not have a shape there: what follows it, and one slot a placeholder.
#[inline]
pub fn read_beginning<'a>(parts: &[Part], line: &'a [u8], slots: &mut [Captured]) -> Option<&'a [u8]> {
    let mut rest = skip_blanks(line);
    let mut placeholder = 0;
    for part in parts {
        match part {
            Part::Literal(bytes) => rest = rest.strip_prefix(bytes.as_slice())?,
            Part::Blank => {
                let after = skip_blanks(rest);
                if after.len() == rest.len() {
                    return None;
                }
                rest = after;
            }
            Part::Placeholder(p) => {
                if p.width.is_none() {
                    rest = skip_blanks(rest);
                }
                let (length, number) = checked(p, rest)?;
                let start = line.len() - rest.len();
                rest = rest.get(length..).unwrap_or_default();
                if let Some(slot) = slots.get_mut(placeholder) {
                    *slot = Captured { start: start as u32, end: (start + length) as u32, number };
                }
                placeholder += 1;
            }
        }
    }
    Some(rest)
}

/// How many bytes of a line fit the beginning of a shape, and how many letters and digits of fixed text are among them.
pub(crate) fn fits_to(parts: &[Part], line: &[u8]) -> (usize, usize) {
    let fit = |count: usize| Some((count, read_beginning(parts.get(..count)?, line, &mut [])?));
    let (count, rest) = (1..=parts.len()).map_while(fit).last().unwrap_or((0, skip_blanks(line)));
    let fixed = |part: &Part| match part {
        Part::Literal(bytes) => bytes.iter().filter(|byte| byte.is_ascii_alphanumeric()).count(),
        Part::Blank | Part::Placeholder(_) => 0,
    };
    let letters = parts.iter().take(count).map(fixed).sum::<usize>();
    // Of the text that does not fit as a whole, its beginning.
    let Some(Part::Literal(next)) = parts.get(count) else { return (line.len() - rest.len(), letters) };
    let same = next.iter().zip(rest).take_while(|(a, b)| a == b).map(|(byte, _)| byte);
    let (more, known) =
        same.fold((0, 0), |(n, k), byte| (n + 1, k + usize::from(byte.is_ascii_alphanumeric())));
    (line.len() - rest.len() + more, letters + known)
}

/// Length and number of a placeholder at the start of `rest`; `None` when it does not stand there.
#[inline]
fn checked(p: &Placeholder, rest: &[u8]) -> Option<(usize, i64)> {
    if let Some(width) = p.width {
        let text = rest.get(..usize::from(width))?;
        let (length, number) = fixed(p.form, text);
        return text.iter().all(|b| p.form.holds(*b)).then_some((length, number?));
    }
    let (length, number) = match p.form {
        Form::Integer => integer(rest),
        Form::Hex => hex_run(rest),
        Form::Seconds => seconds(rest),
        Form::Clock => clock(rest),
        Form::Bytes => (byte_pairs(rest), Some(0)),
        Form::Word | Form::Text => (length_of(p.form, p.stop, rest), Some(0)),
    };
    // A sign without digits, or a point without digits behind it, is no number.
    let ends_well = match (p.form, rest.get(..length)?.last()?) {
        (Form::Integer | Form::Seconds | Form::Clock, last) => last.is_ascii_digit(),
        _ => true,
    };
    let begins_well = p.form != Form::Seconds || rest.first().is_some_and(u8::is_ascii_digit);
    if ends_well && begins_well { Some((length, number?)) } else { None }
}

/// Length of a row of hexadecimal pairs with at most one separator between two, and `0x` before each or not.
fn byte_pairs(rest: &[u8]) -> usize {
    let mut length = 0;
    loop {
        let mut at =
            length + usize::from(length > 0 && matches!(rest.get(length), Some(b' ' | b':' | b'.' | b'-')));
        if rest.get(at..).is_some_and(|rest| rest.starts_with(b"0x")) {
            at += 2;
        }
        match rest.get(at..at + 2) {
            Some(pair) if pair.iter().all(u8::is_ascii_hexdigit) => length = at + 2,
            _ => return length,
        }
    }
}

/// The bytes of such a row.
pub(crate) fn bytes_of(row: &[u8]) -> Vec<u8> {
    let mut digits = Vec::with_capacity(row.len());
    let mut rest = row;
    while let [first, after @ ..] = rest {
        rest = rest.strip_prefix(b"0x").unwrap_or(after);
        if rest.len() == after.len() {
            digits.extend(char::from(*first).to_digit(16).and_then(|digit| u8::try_from(digit).ok()));
        }
    }
    digits.chunks_exact(2).map(|pair| pair.iter().fold(0, |byte, digit| byte << 4 | digit)).collect()
}

/// Length and nanoseconds of hours, minutes and seconds; nothing where they do not stand. Places beyond the ninth are cut.
fn clock(rest: &[u8]) -> (usize, Option<i64>) {
    let (hour, hours) = integer(rest);
    let [b':', m1 @ b'0'..=b'5', m2 @ b'0'..=b'9', b':', s1 @ b'0'..=b'5', s2 @ b'0'..=b'9', after @ ..] =
        rest.get(hour..).unwrap_or_default()
    else {
        return (0, None);
    };
    let pair = |tens: &u8, ones: &u8| i64::from(tens - b'0') * 10 + i64::from(ones - b'0');
    let whole = hours
        .filter(|_| rest.first().is_some_and(u8::is_ascii_digit))
        .and_then(|hours| hours.checked_mul(3600)?.checked_add(pair(m1, m2) * 60 + pair(s1, s2)));
    let digits = after.iter().skip(1).take_while(|byte| byte.is_ascii_digit()).count();
    let mut length = hour + 6;
    let mut fraction = 0;
    if matches!(after.first(), Some(b'.' | b',')) && digits > 0 {
        length += 1 + digits;
        let nine = after.iter().skip(1).take(digits).chain(std::iter::repeat(&b'0')).take(9);
        fraction = nine.fold(0i64, |sum, byte| sum * 10 + i64::from(byte - b'0'));
    }
    (length, whole.and_then(|whole| whole.checked_mul(1_000_000_000)?.checked_add(fraction)))
}

#[inline]
fn skip_blanks(mut rest: &[u8]) -> &[u8] {
    while let [b' ' | b'\t', after @ ..] = rest {
        rest = after;
    }
    rest
}

/// How many bytes at the start belong to a placeholder that is no number.
#[inline]
fn length_of(form: Form, stop: Option<u8>, rest: &[u8]) -> usize {
    let reach = rest.iter().take_while(|b| Some(**b) != stop && form.holds(**b)).count();
    if form == Form::Word {
        return reach;
    }
    let inside = rest.get(..reach).unwrap_or_default();
    reach - inside.iter().rev().take_while(|b| matches!(b, b' ' | b'\t')).count()
}

/// A placeholder of given width.
fn fixed(form: Form, text: &[u8]) -> (usize, Option<i64>) {
    let number = match form {
        Form::Integer => integer(text).1,
        Form::Hex => hex(text),
        _ => Some(0),
    };
    (text.len(), number)
}

/// Length and value of a signed decimal number; `None` when it does not fit.
#[inline]
fn integer(rest: &[u8]) -> (usize, Option<i64>) {
    let sign = usize::from(matches!(rest.first(), Some(b'-' | b'+')));
    let (mut value, mut length) = (0i64, sign);
    while let Some(digit @ b'0'..=b'9') = rest.get(length) {
        value = value.wrapping_mul(10).wrapping_add(i64::from(digit - b'0'));
        length += 1;
    }
    // Eighteen digits always fit.
    let fits = length - sign <= 18;
    let value =
        if fits { Some(value) } else { checked_value(rest.get(sign..length).unwrap_or_default(), 10) };
    (length, value.map(|v| if rest.first() == Some(&b'-') { -v } else { v }))
}

/// The value of digits that may be too many for 63 bits.
fn checked_value(digits: &[u8], base: i64) -> Option<i64> {
    digits.iter().try_fold(0i64, |value, byte| value.checked_mul(base)?.checked_add(i64::from(digit(*byte))))
}

/// Length and nanoseconds of decimal seconds; places beyond the ninth are cut.
#[inline]
fn seconds(rest: &[u8]) -> (usize, Option<i64>) {
    let mut value = Some(0i64);
    let mut length = 0;
    let mut places = None;
    while let Some(byte) = rest.get(length) {
        match byte {
            b'0'..=b'9' => match &mut places {
                Some(9) => {}
                count => {
                    if let Some(count) = count {
                        *count += 1;
                    }
                    value = value.and_then(|v| v.checked_mul(10)?.checked_add(i64::from(byte - b'0')));
                }
            },
            b'.' if places.is_none() => places = Some(0usize),
            _ => break,
        }
        length += 1;
    }
    const SCALE: [i64; 10] =
        [1_000_000_000, 100_000_000, 10_000_000, 1_000_000, 100_000, 10_000, 1_000, 100, 10, 1];
    let scale = SCALE.get(places.unwrap_or(0)).copied().unwrap_or(1);
    (length, value.and_then(|v| v.checked_mul(scale)))
}

/// Length and value of a run of hexadecimal digits; `None` when it has more than 63 bits.
#[inline]
fn hex_run(rest: &[u8]) -> (usize, Option<i64>) {
    let (mut value, mut length) = (0i64, 0);
    for byte in rest {
        let digit = digit(*byte);
        if digit > 15 {
            break;
        }
        value = value << 4 | i64::from(digit);
        length += 1;
    }
    // Fifteen digits always fit.
    let value =
        if length <= 15 { Some(value) } else { checked_value(rest.get(..length).unwrap_or_default(), 16) };
    (length, value)
}

/// The value of a hexadecimal digit; 255 for any other byte.
#[inline]
fn digit(byte: u8) -> u8 {
    match byte {
        b'0'..=b'9' => byte - b'0',
        b'a'..=b'f' => byte - b'a' + 10,
        b'A'..=b'F' => byte - b'A' + 10,
        _ => u8::MAX,
    }
}

/// The number that hexadecimal digits mean; `None` when it has more than 63 bits or another character.
pub(crate) fn hex(text: &[u8]) -> Option<i64> {
    let (length, value) = hex_run(text);
    value.filter(|_| length == text.len())
}
