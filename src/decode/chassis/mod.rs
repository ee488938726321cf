//! A chassis file made ready: shapes in one automaton, words in tables, ladders as windows.

mod compile;
mod engines;
mod frames;
mod limits;

use std::collections::HashMap;
use std::path::{Path, PathBuf};
use std::sync::{Arc, OnceLock};

pub(crate) use self::engines::Engines;
use crate::base::{ControlPath, Error, Key, Name, Nanoseconds, Result};
use crate::decode::decoder::Begin;
use crate::decode::file;
use crate::decode::frame::{Field, Layout};
use crate::decode::grams::Telling;
use crate::decode::ladder::Windows;
use crate::decode::protocol::{ChassisFile, KeyState, Meaning, Role};
use crate::decode::shape::{self, Form, Shape, Step};

/// What printed text means, compared as words or as numbers.
#[derive(Clone, Debug)]
pub(crate) enum Table<T> {
    Words(HashMap<Vec<u8>, T>),
    Numbers(HashMap<i64, T>),
}

impl<T: Clone> Table<T> {
    fn new<'a>(
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

fn shape_hex(word: &str) -> Option<i64> {
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
    },
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
    /// Why a line that only begins like this one is damaged.
    pub(crate) damaged: Name,
    /// Index of the record in the file.
    pub(crate) record: usize,
}

/// One kind of binary frame.
#[derive(Debug)]
pub(crate) struct PacketPattern {
    /// `(field, value)` that tell this kind from others.
    pub(crate) when: Vec<(usize, i64)>,
    /// The fields in the order of the pattern's placeholders.
    pub(crate) fields: Vec<Field>,
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
pub(crate) struct Timeouts {
    /// After the press.
    pub(crate) first: Nanoseconds,
    /// After a repeat.
    pub(crate) next: Nanoseconds,
}

/// A chassis, ready to decode.
#[derive(Debug)]
pub struct Chassis {
    pub(crate) name: Name,
    pub(crate) decoder: Name,
    pub(crate) file: ChassisFile,
    pub(crate) path: PathBuf,
    pub(crate) text: String,
    /// Fixed text by which a sample is first asked whether it can be of this chassis.
    pub(super) telling: Telling,
    /// Most specific first.
    pub(crate) patterns: Vec<Pattern>,
    /// Compiled when the first line is read.
    engines: OnceLock<Engines>,
    pub(crate) frames: Option<Frames>,
    pub(crate) lines: Vec<(Name, Arc<Windows>)>,
    pub(crate) items: HashMap<Vec<u8>, Name>,
    pub(crate) item_values: HashMap<Vec<u8>, Name>,
    pub(crate) timeouts: Option<Timeouts>,
    /// Repeats are printed in another way than presses.
    pub(crate) printed_repeats: bool,
    /// Some releases do not name their key: one key of a path is down at a time.
    pub(crate) nameless_releases: bool,
    pub(crate) period: Option<Nanoseconds>,
    /// The program that decodes instead of the records.
    pub(super) own: Option<Begin>,
}

impl Chassis {
    /// Reads and compiles a chassis file; `path` is for messages, and its stem must be the name inside.
    ///
    /// # Errors
    /// `Input` with line, column, the offending text and what was expected.
    pub fn parse(path: &Path, text: &str) -> Result<Self> {
        let chassis = Self::parse_known(path, text)?;
        let engines = Engines::build(&chassis.patterns).map_err(|why| {
            Error::input(format!("the shapes are too large for one automaton: {why}"))
                .at(path)
                .remedy("use fewer prefixes or fewer records; widths of placeholders cost most")
        })?;
        Ok(Self { engines: OnceLock::from(engines), ..chassis })
    }

    /// The same for a file that is known to compile: most uses of the program read lines of one chassis only.
    pub(in crate::decode) fn parse_known(path: &Path, text: &str) -> Result<Self> {
        let file: ChassisFile = file::parse(path, text)?;
        compile::Compiler { path, text, file: &file }.compile()
    }

    /// The automata that read its lines.
    pub(crate) fn engines(&self) -> &Engines {
        self.engines.get_or_init(|| Engines::build(&self.patterns).unwrap_or_default())
    }

    /// Name of the chassis.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// Name and version, as events carry it: `alder@1`.
    pub fn decoder(&self) -> &Name {
        &self.decoder
    }

    /// The file as written.
    pub fn file(&self) -> &ChassisFile {
        &self.file
    }

    /// Where the file stands.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// The ladders, by the names that the set prints.
    pub fn lines(&self) -> impl Iterator<Item = (&Name, &Arc<Windows>)> {
        self.lines.iter().map(|(name, windows)| (name, windows))
    }

    /// Whether the set prints readings of its keypad, pressed or not.
    pub fn prints_readings(&self) -> bool {
        let reads = |meaning: &Meaning| *meaning == Meaning::Reading;
        self.file.record.iter().any(|record| reads(record.event.get_ref()))
            || self.file.packet.iter().any(|packet| reads(packet.event.get_ref()))
    }

    /// The ladder of one line.
    pub fn line(&self, name: &str) -> Option<&Arc<Windows>> {
        self.lines.iter().find(|(line, _)| &**line == name).map(|(_, windows)| windows)
    }
}
