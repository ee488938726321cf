//! A chassis file made ready: shapes in one automaton, words in tables, ladders as windows.

mod bits;
mod compile;
mod engines;
mod frames;
mod limits;
mod pattern;

pub(crate) use crate::decode::chassis::pattern::{
    Bits, Frames, KeySource, PacketPattern, Pattern, Table, Tell, Timeout, Timeouts,
};
use std::collections::HashMap;
use std::path::{Path, PathBuf};
use std::sync::{Arc, OnceLock};

pub(crate) use self::engines::Engines;
use crate::base::{Name, Nanoseconds};
use crate::decode::decoder::Decoder;
use crate::decode::ladder::Windows;
use crate::decode::prefilter::Telling;
use crate::decode::protocol::{ChassisFile, Meaning};

/// Makes a decoder for one capture, whose name the events carry.
pub type Begin = fn(&Arc<Chassis>, Name) -> Box<dyn Decoder>;

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
    pub(crate) timeouts: Timeouts,
    /// Repeats are printed in another way than presses.
    pub(crate) printed_repeats: bool,
    /// Some releases or repeats do not name their key: one key of a path is down at a time.
    pub(crate) one_at_a_time: bool,
    pub(crate) period: Option<Nanoseconds>,
    /// The program that decodes instead of the records.
    pub(super) own: Option<Begin>,
}

impl Chassis {
    /// The automata that read its lines.
    pub(crate) fn engines(&self) -> &Engines {
        self.engines.get_or_init(|| Engines::build(&self.patterns).unwrap_or_default())
    }

    /// Whether a byte ends a line of its text.
    pub(crate) fn ends_line(&self, byte: u8) -> bool {
        matches!(byte, b'\n' | b'\r') || char::from(byte) == self.file.text.line_end
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
