//! What a chassis file may say. This is the reference of the file format.
//!
//! ```toml
//! [chassis]                                   # identity
//! name = "alder"                              # = the file's name
//! version = 1
//! about = "what it is, one line"
//! source = "where the facts come from"
//!
//! [text]                                      # how bytes become lines
//! prefixes = ["[{uptime:seconds}] ", ""]      # what stands before every record
//!
//! [[record]]                                  # what a line means
//! shape = "keyscan: line={line:word} adc=0x{counts:hex}"
//! event = "reading"
//!
//! [[line]]                                    # the keypad ladder of one converter input
//! name = "KEY1"
//! full_scale = 1023
//! supply_volts = 3.3
//! pull_up_ohm = 10_000
//! key = [{ name = "KEY_POWER", to_ground_ohm = 0 }]
//!
//! [[example]]                                 # run by `protocol check` and by the tests
//! input = "[12.400] keyscan: line=KEY1 adc=0x000"
//! events = [{ path = "keypad", kind = "reading", line = "KEY1", counts = 0 }]
//! ```
//!
//! `[keys]` says which keys the set's own words and numbers mean (`"0x2fe" = "KEY_SOUND"`), beside those of Linux;
//! `[formats]` what its words for infrared formats are here (`rc5 = "rc-5"`); `[clock]` and `[repeat]` its uptime's unit
//! and how a held key repeats.
//!
//! Names of placeholders say what the captured text means; see [`Role`]. A name that begins with `_` is
//! captured and not used. A placeholder with the name of a `[[line]]` is a reading of that line, so that one
//! record may carry several. Sets that speak binary frames have `[frame]` and `[[packet]]` instead of
//! `[[record]]`: see [`FrameFile`].

pub use crate::decode::record::{BitsOf, KeyRule, KeyState, Meaning, Record};
use std::collections::BTreeMap;
use std::fmt;

use serde::Deserialize;
use toml::Spanned;

use crate::base::{ControlPath, Event, EventKind, Key};
use crate::decode::frame::{FrameFile, Packet};
use crate::decode::ladder::Line;

/// A chassis file.
#[derive(Clone, Debug, Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ChassisFile {
    /// Identity.
    pub chassis: Identity,
    /// How bytes become lines.
    #[serde(default)]
    pub text: TextRules,
    /// The set's clock.
    #[serde(default)]
    pub clock: ClockRules,
    /// How a held key repeats, for sets that print no release.
    pub repeat: Option<RepeatRules>,
    /// Words that the set prints for keys, valid for every record.
    #[serde(default)]
    #[schemars(with = "BTreeMap<String, Key>")]
    pub keys: BTreeMap<String, Spanned<Key>>,
    /// What infrared formats are called that the set prints in words of its own.
    #[serde(default)]
    pub formats: BTreeMap<String, String>,
    /// Line shapes and their meaning.
    #[serde(default)]
    pub record: Vec<Record>,
    /// Binary frames, for sets that print no text.
    pub frame: Option<FrameFile>,
    /// Kinds of frame and their meaning.
    #[serde(default)]
    pub packet: Vec<Packet>,
    /// The menu's names.
    #[serde(default)]
    pub menu: Menu,
    /// Keypad ladders.
    #[serde(default)]
    pub line: Vec<Line>,
    /// Input with the events that it must give.
    #[serde(default)]
    pub example: Vec<Example>,
}

/// Identity of a protocol file.
#[derive(Clone, Debug, Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Identity {
    /// Name, equal to the file's name: lower case, digits, hyphens.
    #[schemars(with = "String")]
    pub name: Spanned<String>,
    /// Version of the file, counted from 1.
    pub version: u32,
    /// What it is, one line.
    pub about: String,
    /// Where the facts come from.
    pub source: String,
}

/// How text bytes become characters.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Encoding {
    /// UTF-8; what is not is replaced.
    #[default]
    Utf8,
    /// ISO 8859-1: each byte is the character of its number.
    #[serde(rename = "latin-1")]
    Latin1,
}

/// How bytes become lines, and what stands before every record.
#[derive(Clone, Debug, Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct TextRules {
    /// How captured words become text.
    pub encoding: Encoding,
    /// Take terminal escape sequences away before a line is read.
    pub strip_escapes: bool,
    /// Longest line in bytes; a longer one becomes one noise event. At most 65 536.
    pub longest_line: usize,
    /// The character that ends a line beside line feed and carriage return: a form feed, or another of ASCII that is no
    /// letter, digit or blank.
    pub line_end: char,
    /// What may stand before a record, as shapes; any of them.
    #[schemars(with = "Vec<String>")]
    pub prefixes: Vec<Spanned<String>>,
    /// The set prints nothing but these records: any other line is a damaged one.
    pub only_records: bool,
}

impl Default for TextRules {
    fn default() -> Self {
        Self {
            encoding: Encoding::Utf8,
            strip_escapes: true,
            longest_line: 65_536,
            line_end: '\u{c}',
            prefixes: Vec::new(),
            only_records: false,
        }
    }
}

/// Unit of an uptime that is printed as a whole number.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize, schemars::JsonSchema)]
pub enum ClockUnit {
    /// Seconds.
    #[default]
    #[serde(rename = "s")]
    Seconds,
    /// Milliseconds.
    #[serde(rename = "ms")]
    Milliseconds,
    /// Microseconds.
    #[serde(rename = "us")]
    Microseconds,
    /// Ticks of 10 ms, as kernels count at 100 Hz.
    #[serde(rename = "10ms")]
    TenMilliseconds,
    /// Ticks of 4 ms, as kernels count at 250 Hz.
    #[serde(rename = "4ms")]
    FourMilliseconds,
}

impl ClockUnit {
    /// The word in a file.
    pub fn word(self) -> &'static str {
        match self {
            Self::Seconds => "s",
            Self::Milliseconds => "ms",
            Self::Microseconds => "us",
            Self::TenMilliseconds => "10ms",
            Self::FourMilliseconds => "4ms",
        }
    }

    /// Nanoseconds in one unit.
    pub fn nanoseconds(self) -> i64 {
        match self {
            Self::Seconds => 1_000_000_000,
            Self::Milliseconds => 1_000_000,
            Self::Microseconds => 1_000,
            Self::TenMilliseconds => 10_000_000,
            Self::FourMilliseconds => 4_000_000,
        }
    }
}

/// The set's clock.
#[derive(Clone, Debug, Default, Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct ClockRules {
    /// Unit of `{uptime:integer}` and `{uptime:hex}`; `{uptime:seconds}` and `{uptime:clock}` need none.
    pub unit: ClockUnit,
    /// Nominal time between two reading records, for sets that print no stamp.
    #[schemars(with = "Option<f64>")]
    pub line_period_s: Option<Spanned<f64>>,
}

/// How a held key repeats, on sets that print no release. A path with neither a pace of its own nor a common one prints its
/// releases.
#[derive(Clone, Debug, Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct RepeatRules {
    /// From the press to the first repeat, on all paths that have no pace of their own.
    #[schemars(with = "Option<f64>")]
    pub delay_s: Option<Spanned<f64>>,
    /// From one repeat to the next, on these.
    #[schemars(with = "Option<f64>")]
    pub period_s: Option<Spanned<f64>>,
    /// Keys on the set.
    pub keypad: Option<Pace>,
    /// Remote controls.
    pub infrared: Option<Pace>,
    /// Other boxes.
    pub cec: Option<Pace>,
}

impl RepeatRules {
    /// The pace on a path.
    pub fn of(&self, path: ControlPath) -> Option<Pace> {
        let own = match path {
            ControlPath::Keypad => self.keypad.clone(),
            ControlPath::Infrared => self.infrared.clone(),
            ControlPath::Cec => self.cec.clone(),
            ControlPath::Menu | ControlPath::System => None,
        };
        own.or_else(|| Some(Pace { delay_s: self.delay_s.clone()?, period_s: self.period_s.clone()? }))
    }
}

/// How a held key repeats on one path.
#[derive(Clone, Debug, Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Pace {
    /// From the press to the first repeat.
    #[schemars(with = "f64")]
    pub delay_s: Spanned<f64>,
    /// From one repeat to the next.
    #[schemars(with = "f64")]
    pub period_s: Spanned<f64>,
}

/// The menu's names.
#[derive(Clone, Debug, Default, Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct Menu {
    /// Printed items to the words that people see.
    pub items: BTreeMap<String, String>,
    /// Printed values to the words that people see.
    pub values: BTreeMap<String, String>,
}

/// One `[[example]]`.
#[derive(Clone, Debug, Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Example {
    /// What the set prints; lines end at line ends.
    #[schemars(with = "Option<String>")]
    pub input: Option<Spanned<String>>,
    /// The same as hexadecimal bytes, for binary frames; `#` begins a remark.
    #[schemars(with = "Option<String>")]
    pub hex: Option<Spanned<String>>,
    /// Every event that it must give, in order; of each event only the fields named here are compared.
    pub events: Vec<ExampleEvent>,
    /// How many lines of this protocol are damaged.
    #[serde(default)]
    pub damaged: u64,
    /// How many lines are of something else.
    #[serde(default)]
    pub not_mine: u64,
    /// Where the expected events come from.
    pub source: Option<String>,
}

/// The fields of an event that an example states.
#[derive(Clone, Debug, Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields)]
#[allow(missing_docs)]
pub struct ExampleEvent {
    pub t: Option<f64>,
    pub path: ControlPath,
    pub kind: EventKind,
    pub key: Option<Key>,
    pub line: Option<String>,
    pub counts: Option<u32>,
    pub volts: Option<f64>,
    pub format: Option<String>,
    pub address: Option<u32>,
    pub command: Option<u32>,
    pub toggle: Option<bool>,
    pub raw: Option<String>,
    pub initiator: Option<u8>,
    pub destination: Option<u8>,
    pub opcode: Option<u8>,
    pub operands: Option<Vec<u8>>,
    pub item: Option<String>,
    pub value: Option<String>,
    pub held: Option<f64>,
    pub quality: Option<f32>,
    pub note: Option<String>,
}

impl ExampleEvent {
    /// The first field that differs: its name, what was expected, what came.
    pub fn difference(&self, got: &Event) -> Option<(&'static str, String, String)> {
        fn text<T: fmt::Debug>(value: &T) -> String {
            format!("{value:?}")
        }
        macro_rules! same {
            ($($field:ident => $got:expr),* $(,)?) => {$(
                if let Some(expected) = &self.$field {
                    let got = $got;
                    if got.as_ref() != Some(expected) {
                        let got = got.map_or("nothing".to_owned(), |got| text(&got));
                        return Some((stringify!($field), text(expected), got));
                    }
                }
            )*};
        }
        if self.path != got.path {
            return Some(("path", self.path.word().into(), got.path.word().into()));
        }
        if self.kind != got.kind {
            return Some(("kind", self.kind.word().into(), got.kind.word().into()));
        }
        same! {
            key => got.key, line => got.line.as_deref().map(str::to_owned), counts => got.counts,
            volts => got.volts, format => got.format.as_deref().map(str::to_owned),
            address => got.address, command => got.command, toggle => got.toggle,
            raw => got.raw.as_deref().map(str::to_owned),
            initiator => got.initiator, destination => got.destination, opcode => got.opcode,
            operands => got.operands.clone(), item => got.item.as_deref().map(str::to_owned),
            value => got.value.as_deref().map(str::to_owned), quality => got.quality,
            note => got.note.as_deref().map(str::to_owned),
            t => Some(got.t.seconds()), held => got.held.map(|held| held.seconds()),
        }
        None
    }
}

/// What the name of a placeholder says.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Role {
    /// The set's own uptime: falls back only when the set restarts.
    Uptime,
    /// A wall-clock stamp, which may be set back.
    Clock,
    /// Name of the keypad line.
    Line,
    /// Reading in converter counts.
    Counts,
    /// The key, as a word or as a Linux input code.
    Key,
    /// Whether the key went down, up, or repeats.
    State,
    /// Menu item.
    Item,
    /// Value.
    Value,
    /// Infrared format.
    Format,
    /// Infrared address.
    Address,
    /// Infrared command.
    Command,
    /// Infrared toggle bit.
    Toggle,
    /// Whole infrared code.
    Raw,
    /// CEC bytes.
    Message,
    /// Remark.
    Note,
}

impl Role {
    /// All roles by the placeholder's name.
    pub const ALL: [(&'static str, Self); 15] = [
        ("uptime", Self::Uptime),
        ("clock", Self::Clock),
        ("line", Self::Line),
        ("counts", Self::Counts),
        ("key", Self::Key),
        ("state", Self::State),
        ("item", Self::Item),
        ("value", Self::Value),
        ("format", Self::Format),
        ("address", Self::Address),
        ("command", Self::Command),
        ("toggle", Self::Toggle),
        ("raw", Self::Raw),
        ("message", Self::Message),
        ("note", Self::Note),
    ];

    /// The role of a placeholder's name.
    pub fn from_name(name: &str) -> Option<Self> {
        Self::ALL.iter().find(|(word, _)| *word == name).map(|(_, role)| *role)
    }
}
