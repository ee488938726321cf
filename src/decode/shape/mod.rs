//! Line shapes: plain text with typed placeholders, and what they match.
//!
//! A shape is the line as the set prints it, with `{name:form}` where the line varies:
//!
//! ```text
//! [{uptime:seconds}] keyscan: line={line:word} adc=0x{counts:hex}
//! ```
//!
//! | form | matches |
//! | --- | --- |
//! | `integer` | decimal digits, a sign allowed before them |
//! | `hex` | hexadecimal digits without `0x` (write `0x` in the shape when the set prints it) |
//! | `seconds` | decimal digits with an optional point and fraction |
//! | `word` | anything without blanks, up to the character that follows the placeholder |
//! | `text` | anything, blanks too, up to the character that follows the placeholder, or to the end |
//! | `bytes` | pairs of hexadecimal digits with blanks, colons or nothing between them |
//!
//! `{name:form:N}` takes exactly N characters. A blank in a shape matches any run of blanks and tabs (columns may be padded), numbers and words may be
//! padded on the left, blanks at both ends of the line do not count. `{{` and `}}` are braces. A placeholder
//! ends where its form ends, without looking further: a shape in which that is not certain is refused, hence
//! every line is read in one pass and no line can make it slow.

mod automaton;
mod extract;
mod parse;

pub use automaton::{Automaton, Overlap, Scratch, Survey};
pub use extract::{Captured, Misread, Step, read_beginning, read_whole};
pub(crate) use extract::{bytes_of, fits_to, hex, read};
pub use parse::{Mistake, parse};

/// Most placeholders in one shape.
pub const MOST_PLACEHOLDERS: usize = 16;

/// What a placeholder matches.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Form {
    /// Decimal digits with an optional sign.
    Integer,
    /// Hexadecimal digits.
    Hex,
    /// Decimal digits with an optional fraction.
    Seconds,
    /// Hours, minutes and seconds with an optional fraction, `7:05:09.250`; hours may be any number.
    Clock,
    /// No blanks.
    Word,
    /// Blanks allowed inside.
    Text,
    /// Pairs of hexadecimal digits, `0x` before them or not; a blank, colon, hyphen or point may stand between.
    Bytes,
}

impl Form {
    /// All forms by their words in a shape.
    pub const ALL: [(&'static str, Self); 7] = [
        ("integer", Self::Integer),
        ("hex", Self::Hex),
        ("seconds", Self::Seconds),
        ("clock", Self::Clock),
        ("word", Self::Word),
        ("text", Self::Text),
        ("bytes", Self::Bytes),
    ];

    /// The word in a shape.
    pub fn word(self) -> &'static str {
        Self::ALL.iter().find(|(_, form)| *form == self).map_or("", |(word, _)| word)
    }

    /// How much a match says, among shapes with equally much fixed text.
    fn weight(self) -> u32 {
        match self {
            Self::Seconds | Self::Clock | Self::Bytes => 12,
            Self::Integer => 10,
            Self::Hex => 8,
            Self::Word => 3,
            Self::Text => 1,
        }
    }

    /// Whether the byte can stand inside this form, apart from the byte that ends it.
    fn holds(self, byte: u8) -> bool {
        match self {
            Self::Integer => byte.is_ascii_digit(),
            Self::Hex => byte.is_ascii_hexdigit(),
            Self::Seconds => byte.is_ascii_digit() || byte == b'.',
            Self::Clock => byte.is_ascii_digit() || matches!(byte, b':' | b'.' | b','),
            Self::Word => byte > b' ' && byte != 0x7f,
            Self::Text => byte >= b' ' && byte != 0x7f || byte == b'\t',
            Self::Bytes => byte.is_ascii_hexdigit() || matches!(byte, b' ' | b':' | b'-' | b'.' | b'x'),
        }
    }
}

/// One placeholder of a shape.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Placeholder {
    /// Name, which says what the captured text means.
    pub name: String,
    /// What it matches.
    pub form: Form,
    /// Exact number of characters, when given.
    pub width: Option<u8>,
    /// The byte that ends it, when its form alone does not (word and text).
    pub stop: Option<u8>,
    /// Where it stands in the shape's text, in bytes.
    pub span: std::ops::Range<usize>,
}

/// A piece of a shape.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Part {
    /// Fixed text without blanks.
    Literal(Vec<u8>),
    /// A run of blanks.
    Blank,
    /// Text that varies.
    Placeholder(Placeholder),
}

/// A whole line, as parts in order.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Shape {
    /// The shape as written.
    pub text: String,
    /// Its parts.
    pub parts: Vec<Part>,
    /// How many of the parts belong to the line's prefix.
    pub prefix_parts: usize,
}

impl Shape {
    /// The placeholders in order.
    pub fn placeholders(&self) -> impl Iterator<Item = &Placeholder> {
        self.parts.iter().filter_map(|part| match part {
            Part::Placeholder(placeholder) => Some(placeholder),
            _ => None,
        })
    }

    /// Letters and digits of the fixed text: how unlikely it is that a foreign line has this shape.
    pub fn fixed_characters(&self) -> usize {
        self.parts
            .iter()
            .map(|part| match part {
                Part::Literal(bytes) => bytes.iter().filter(|b| b.is_ascii_alphanumeric()).count(),
                _ => 0,
            })
            .sum()
    }

    /// Rank among shapes that match the same line: the one with the larger number wins.
    pub fn specificity(&self) -> u32 {
        self.parts
            .iter()
            .map(|part| match part {
                Part::Literal(bytes) => 1_000 * u32::try_from(bytes.len()).unwrap_or(u32::MAX / 4_000),
                Part::Blank => 0,
                Part::Placeholder(p) => p.form.weight() + u32::from(p.width.is_some()),
            })
            .sum()
    }

    /// Whether the line begins with fixed text, so that the rest of a line that lost its start does not fit.
    pub fn begins_fixed(&self) -> bool {
        self.parts
            .iter()
            .find(|part| **part != Part::Blank)
            .is_some_and(|part| matches!(part, Part::Literal(_)))
    }

    /// Regular expression of the whole line, for byte automata with Unicode off.
    pub fn regex(&self) -> String {
        let mut out = String::from(r"\A[ \t]*");
        for part in &self.parts {
            write_part(part, &mut out);
        }
        out.push_str(r"[ \t]*\z");
        out
    }

    /// Regular expression of the line's beginning up to the first fixed text behind the prefix that has at
    /// least four letters: a line that begins so but has not the whole shape is a damaged one.
    pub fn head_regex(&self) -> Option<String> {
        let mut letters = 0;
        let mut end = None;
        for (i, part) in self.parts.iter().enumerate().skip(self.prefix_parts) {
            match part {
                Part::Literal(bytes) => letters += bytes.iter().filter(|b| b.is_ascii_alphabetic()).count(),
                Part::Blank => {}
                Part::Placeholder(_) if letters >= 4 => {
                    end = Some(i);
                    break;
                }
                Part::Placeholder(_) => letters = 0,
            }
        }
        let end = end?;
        let mut parts = self.parts.get(..end)?;
        if let [rest @ .., Part::Blank] = parts {
            parts = rest;
        }
        let mut out = String::from(r"\A[ \t]*");
        for part in parts {
            write_part(part, &mut out);
        }
        Some(out)
    }
}

/// Appends the regular expression of one part.
fn write_part(part: &Part, out: &mut String) {
    match part {
        Part::Literal(bytes) => bytes.iter().for_each(|byte| out.push_str(&format!("\\x{byte:02x}"))),
        Part::Blank => out.push_str("[ \\t]+"),
        Part::Placeholder(placeholder) => write_placeholder(placeholder, out),
    }
}

fn write_placeholder(placeholder: &Placeholder, out: &mut String) {
    let stop = placeholder.stop.map_or(String::new(), |byte| format!("\\x{byte:02x}"));
    let exact = placeholder.width.map(|width| format!("{{{width}}}"));
    if placeholder.width.is_none() {
        out.push_str("[ \\t]*");
    }
    match placeholder.form {
        // Numbers that do not fit are caught when they are read.
        Form::Integer => out.push_str(&exact.map_or("[-+]?[0-9]+".into(), |n| format!("[0-9]{n}"))),
        Form::Hex => out.push_str(&format!("[0-9A-Fa-f]{}", exact.as_deref().unwrap_or("+"))),
        Form::Seconds => out.push_str("[0-9]+(?:\\.[0-9]+)?"),
        Form::Word => {
            out.push_str(&format!("[^\\x00-\\x20\\x7f{stop}]{}", exact.as_deref().unwrap_or("+")));
        }
        Form::Text => {
            let solid = format!("[^\\x00-\\x20\\x7f{stop}]");
            let any = format!("[^\\x00-\\x08\\x0a-\\x1f\\x7f{stop}]");
            out.push_str(&format!("{solid}(?:{any}*{solid})?"));
        }
        Form::Clock => out.push_str("[0-9]+:[0-5][0-9]:[0-5][0-9](?:[.,][0-9]+)?"),
        Form::Bytes => out.push_str("(?:0x)?[0-9A-Fa-f]{2}(?:[ :.-]?(?:0x)?[0-9A-Fa-f]{2})*"),
    }
}
