//! What the records of a chassis file become: patterns that are ready to read lines and frames.

use crate::base::{ControlPath, Key, Name, Nanoseconds};
use crate::decode::frame::{Field, Layout};
use crate::decode::protocol::{KeyState, Meaning, Role};
use crate::decode::shape::{self, Form, Shape, Step};
use std::collections::HashMap;

/// What printed text means, compared as words or as numbers.
#[derive(Clone, Debug)]
pub(crate) enum Table<T> {
    Words(HashMap<Vec<u8>, T>),
    Numbers(HashMap<i64, T>),
}

impl<T: Clone> Table<T> {
    pub(crate) fn new<'a>(
        form: Form,
        entries: impl Iterator<Item = (&'a String, T)>,
    ) -> std::result::Result<Self, String> {
        let parse = |word: &str| match form {
            Form::Integer => word.parse::<i64>().ok(),
            // Bytes are looked up one at a time.
            _ => shape_hex(word),
        };
        match form {
            Form::Integer | Form::Hex | Form::Bytes => {
                let mut table = HashMap::new();
                for (word, value) in entries {
                    table.insert(parse(word).ok_or_else(|| word.clone())?, value);
                }
                Ok(Self::Numbers(table))
            }
            _ => Ok(Self::Words(entries.map(|(word, value)| (word.clone().into_bytes(), value)).collect())),
        }
    }

    pub(crate) fn get(&self, text: &[u8], number: i64) -> Option<&T> {
        match self {
            Self::Words(table) => table.get(text),
            Self::Numbers(table) => table.get(&number),
        }
    }
}

pub(crate) fn shape_hex(word: &str) -> Option<i64> {
    let digits = word.strip_prefix("0x").unwrap_or(word);
    shape::hex(digits.as_bytes()).filter(|_| !digits.is_empty())
}

/// How a record finds its key.
#[derive(Clone, Debug)]
pub(crate) enum KeySource {
    None,
    Fixed(Key),
    Table {
        placeholder: usize,
        table: Table<Key>,
    },
    /// A Linux input code or a Linux input name, as captured.
    Linux {
        placeholder: usize,
        number: bool,
        own: HashMap<i64, Key>,
    },
}

/// Bits of the number of a placeholder.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Bits {
    pub(crate) of: usize,
    pub(crate) shift: u8,
    pub(crate) mask: i64,
}

/// A record with one prefix, ready to be read.
#[derive(Debug)]
pub(crate) struct Pattern {
    pub(crate) shape: Shape,
    pub(crate) steps: Vec<Step>,
    /// Placeholder of each role.
    pub(crate) by_role: [Option<u8>; Role::ALL.len()],
    /// `(placeholder, index of the line)` of readings that are named after their line.
    pub(crate) readings: Vec<(usize, usize)>,
    /// Numbers that are bits of captured ones, counted on behind the placeholders.
    pub(crate) bits: Vec<Bits>,
    /// How many placeholders the shape has.
    pub(crate) placeholders: usize,
    /// Placeholders that are readings in volts; bit `n` is the `n`-th.
    pub(crate) volts: u16,
    pub(crate) meaning: Meaning,
    /// Form of the stamp.
    pub(crate) stamp_form: Option<Form>,
    /// Fixed letters and digits, at most 8: what a match proves.
    pub(crate) weight: u64,
    pub(crate) path: ControlPath,
    pub(crate) key: KeySource,
    pub(crate) state: Option<Table<KeyState>>,
    pub(crate) line: Option<Name>,
    pub(crate) item: Option<Name>,
    pub(crate) value: Option<Name>,
    pub(crate) values: HashMap<Vec<u8>, Name>,
    pub(crate) format: Option<Name>,
    pub(crate) note: Option<Name>,
    pub(crate) notes: HashMap<Vec<u8>, Name>,
    pub(crate) formats: HashMap<Vec<u8>, Name>,
    /// Why a line that only begins like this one is damaged.
    pub(crate) damaged: Name,
    /// Index of the record in the file.
    pub(crate) record: usize,
}

impl Pattern {
    /// Whether somebody may look at the text of a placeholder, not only at its number.
    pub(crate) fn is_spoken(&self, placeholder: usize) -> bool {
        const NUMBERS: [Role; 6] =
            [Role::Uptime, Role::Clock, Role::Counts, Role::Address, Role::Command, Role::Toggle];
        let said = |(_, role): &(&str, Role)| {
            !NUMBERS.contains(role) && self.by_role[*role as usize].map(usize::from) == Some(placeholder)
        };
        let of_key = match self.key {
            KeySource::Table { placeholder, .. } | KeySource::Linux { placeholder, .. } => Some(placeholder),
            KeySource::None | KeySource::Fixed(_) => None,
        };
        of_key == Some(placeholder) || Role::ALL.iter().any(said)
    }
}

/// A value that a field must have.
#[derive(Debug)]
pub(crate) enum Tell {
    /// Of a field that is one byte.
    Byte { at: usize, is: u8 },
    /// Of any other.
    Field(Field, i64),
}

impl Tell {
    pub(crate) fn new(field: &Field, value: i64) -> Self {
        match u8::try_from(value) {
            Ok(is) if field.is_byte() => Self::Byte { at: field.at, is },
            _ => Self::Field(field.clone(), value),
        }
    }

    /// Whether the field of this frame has the value.
    #[inline]
    pub(crate) fn fits(&self, frame: &[u8]) -> bool {
        match self {
            Self::Byte { at, is } => frame.get(*at) == Some(is),
            Self::Field(field, value) => field.number(frame) == Some(*value),
        }
    }
}

/// One kind of binary frame.
#[derive(Debug)]
pub(crate) struct PacketPattern {
    /// What tells this kind from others.
    pub(crate) when: Vec<Tell>,
    /// The fields in the order of the pattern's placeholders.
    pub(crate) fields: Vec<Field>,
    /// Which of them are looked at as text.
    pub(crate) spoken: Vec<bool>,
    pub(crate) pattern: Pattern,
}

/// A binary debug protocol.
#[derive(Debug)]
pub(crate) struct Frames {
    pub(crate) layout: Layout,
    pub(crate) packets: Vec<PacketPattern>,
}

/// How long a key may be silent before it counts as up.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Timeout {
    /// After the press.
    pub(crate) first: Nanoseconds,
    /// After a repeat.
    pub(crate) next: Nanoseconds,
}

/// By path; none where the set prints releases.
pub(crate) type Timeouts = [Option<Timeout>; ControlPath::ALL.len()];
