//! Reads the placeholders of a line whose shape is known.

use super::{Form, Part, Shape};

/// One captured placeholder: its bytes, and its number for the forms that are numbers.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Captured<'a> {
    /// The bytes as printed, without padding.
    pub text: &'a [u8],
    /// The number (integer, hex), nanoseconds (seconds), else 0.
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

/// Reads a line of which the automaton says that it has the shape of `steps`; gives each placeholder in order.
///
/// # Errors
/// A number that does not fit.
pub(crate) fn read<'a>(
    steps: &[Step],
    line: &'a [u8],
    mut found: impl FnMut(usize, Captured<'a>),
) -> Result<(), Misread> {
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
                let length = width.map_or_else(|| length_of(form, stop, rest), usize::from);
                let (text, after) = rest.split_at_checked(length).unwrap_or((rest, &[]));
                let number = number_of(form, text).ok_or(Misread { placeholder })?;
                found(placeholder, Captured { text, number });
                placeholder += 1;
                rest = after;
            }
        }
    }
    Ok(())
}

#[inline]
fn skip_blanks(mut rest: &[u8]) -> &[u8] {
    while let [b' ' | b'\t', after @ ..] = rest {
        rest = after;
    }
    rest
}

/// How many bytes at the start belong to the placeholder.
fn length_of(form: Form, stop: Option<u8>, rest: &[u8]) -> usize {
    let run = |holds: fn(&u8) -> bool| rest.iter().take_while(|b| holds(b)).count();
    match form {
        Form::Integer => {
            let sign = usize::from(matches!(rest.first(), Some(b'-' | b'+')));
            sign + rest.iter().skip(sign).take_while(|b| b.is_ascii_digit()).count()
        }
        Form::Hex => run(|b| b.is_ascii_hexdigit()),
        Form::Seconds => run(|b| b.is_ascii_digit() || *b == b'.'),
        Form::Word => rest.iter().take_while(|b| Some(**b) != stop && Form::Word.holds(**b)).count(),
        Form::Text | Form::Bytes => {
            let reach = rest.iter().take_while(|b| Some(**b) != stop && form.holds(**b)).count();
            let solid = rest.get(..reach).unwrap_or_default();
            reach - solid.iter().rev().take_while(|b| matches!(b, b' ' | b'\t')).count()
        }
    }
}

fn number_of(form: Form, text: &[u8]) -> Option<i64> {
    match form {
        Form::Integer => {
            let (negative, digits) = match text {
                [b'-', digits @ ..] => (true, digits),
                [b'+', digits @ ..] => (false, digits),
                digits => (false, digits),
            };
            let mut value: i64 = 0;
            for digit in digits {
                value = value.checked_mul(10)?.checked_add(i64::from(digit.wrapping_sub(b'0')))?;
            }
            Some(if negative { -value } else { value })
        }
        Form::Hex => hex(text),
        Form::Seconds => seconds(text),
        Form::Word | Form::Text | Form::Bytes => Some(0),
    }
}

/// Nanoseconds of decimal seconds; places beyond the ninth are cut.
fn seconds(text: &[u8]) -> Option<i64> {
    let mut value: i64 = 0;
    let mut places = None;
    for byte in text {
        if *byte == b'.' {
            places = Some(0u32);
            continue;
        }
        match &mut places {
            Some(9) => continue,
            Some(places) => *places += 1,
            None => {}
        }
        value = value.checked_mul(10)?.checked_add(i64::from(byte.wrapping_sub(b'0')))?;
    }
    value.checked_mul(10i64.pow(9 - places.unwrap_or(0).min(9)))
}

/// The number that hexadecimal digits mean; `None` when it has more than 63 bits or another character.
pub(crate) fn hex(text: &[u8]) -> Option<i64> {
    let mut value: i64 = 0;
    for byte in text {
        let digit = match byte {
            b'0'..=b'9' => byte - b'0',
            b'a'..=b'f' => byte - b'a' + 10,
            b'A'..=b'F' => byte - b'A' + 10,
            _ => return None,
        };
        value = value.checked_mul(16)?.checked_add(i64::from(digit))?;
    }
    Some(value)
}
