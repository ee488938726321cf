//! The ledger of evidence: for each control path of a capture, when a stray would have left an event, when not and why.
//!
//! A live soak and a stored capture go through the same [`Builder`]: the ledger of the one equals that of the other. The
//! judge takes [`Observed`], which only this module makes; a span of the clock never reaches it.
//!
//! Two kinds of path. One *reports by itself* (a line that prints its reading all the time, polls on the bus): it is
//! observed while the reports come at their cadence. Others speak only when something happens: they are observed between
//! two *signs of life* ([`Sign`]), and what comes after the last one is pending. From both is taken off what is blind for a
//! reason of the whole capture ([`Blind`]).

mod account;
mod build;
mod cadence;
mod intervals;
mod level;
mod past;
mod total;
mod unreadable;

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

pub use build::{Builder, Expected, PATIENCE};
pub use cadence::Cadence;
pub use intervals::Intervals;
pub use level::{Level, LevelStats};
pub use total::PathTotal;

use level::StateLevels;

use crate::analysis::level::Departures;
use crate::base::words::interval;
use crate::base::{ControlPath, Event, Key, Name, Nanoseconds, Span};

/// Time in which a stray would have left an event. Only the ledger makes one.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, schemars::JsonSchema)]
pub struct Observed(Nanoseconds);

impl Observed {
    /// How long.
    pub fn length(self) -> Nanoseconds {
        self.0
    }

    /// In seconds.
    pub fn seconds(self) -> f64 {
        self.0.seconds()
    }

    /// Together with another.
    #[must_use]
    pub fn and(self, other: Self) -> Self {
        Self(self.0 + other.0)
    }
}

/// A control path; each line of the keypad is one of its own.
#[derive(
    Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, schemars::JsonSchema,
)]
pub struct PathId {
    /// The path.
    pub path: ControlPath,
    /// Keypad line; absent where the set names none.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub line: Option<Name>,
}

impl PathId {
    /// A path without lines.
    pub const fn whole(path: ControlPath) -> Self {
        Self { path, line: None }
    }

    /// A line of the keypad.
    pub fn line(line: impl Into<Name>) -> Self {
        Self { path: ControlPath::Keypad, line: Some(line.into()) }
    }

    /// The path of an event.
    pub fn of(event: &Event) -> Self {
        let line = event.line.as_ref().filter(|_| event.path == ControlPath::Keypad);
        Self { path: event.path, line: line.cloned() }
    }

    /// For people: `keypad KEY1`, `infrared`.
    pub fn words(&self) -> String {
        match &self.line {
            Some(line) => format!("{} {line}", self.path.word()),
            None => self.path.word().to_owned(),
        }
    }
}

/// Why an interval of time is not observed. Where several reasons hold, the first of them is given.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(tag = "reason", rename_all = "snake_case")]
pub enum Blind {
    /// The port was unplugged.
    PortGone,
    /// The computer slept.
    Slept,
    /// This process did not run.
    ProcessStopped,
    /// Bytes were lost on their way.
    BytesLost {
        /// How many, where that is known.
        bytes: Option<u64>,
    },
    /// The disk did not take what came.
    NotRecorded {
        /// How many bytes.
        bytes: u64,
    },
    /// A piece of the recording is not there any more, or is damaged.
    Removed,
    /// Nothing in the capture tells the time.
    NoTime,
    /// The probe was not on the line.
    NotWired,
    /// The signal never crosses its threshold.
    NoCrossing {
        /// Lowest level, volts.
        low: f64,
        /// Highest level, volts.
        high: f64,
    },
    /// The samples are too far apart for the shortest element of the signal.
    TooCoarse {
        /// Time between two samples, seconds.
        sample_s: f64,
        /// Shortest element, seconds.
        shortest_s: f64,
    },
    /// Hands were on: a key was asked for.
    HandsOn,
    /// The set was in standby.
    Standby,
    /// So many records were damaged that a stray may have been missed.
    Unreadable {
        /// Damaged records.
        bad: u64,
        /// Of so many.
        of: u64,
    },
    /// Not one byte came.
    Silent {
        /// The longest pause that the cadence explains, seconds.
        limit_s: f64,
    },
    /// The set printed, but not this path's record.
    LineAbsent {
        /// The longest pause that the cadence explains, seconds.
        limit_s: f64,
    },
    /// Nothing showed that a stray on this path would have been seen.
    NoSign {
        /// When the last sign was; null when there was none.
        last: Option<Nanoseconds>,
    },
}

impl Blind {
    /// Lower comes first where several hold.
    const fn rank(&self) -> u8 {
        match self {
            Self::PortGone => 0,
            Self::Slept => 1,
            Self::ProcessStopped => 2,
            Self::BytesLost { .. } => 3,
            Self::NotRecorded { .. } => 4,
            Self::Removed => 5,
            Self::NoTime => 6,
            Self::NotWired | Self::NoCrossing { .. } | Self::TooCoarse { .. } => 7,
            Self::HandsOn => 8,
            Self::Standby => 9,
            Self::Unreadable { .. } => 10,
            Self::Silent { .. } => 11,
            Self::LineAbsent { .. } => 12,
            Self::NoSign { .. } => 13,
        }
    }

    /// For people, after "not observed:".
    pub fn words(&self) -> String {
        match self {
            Self::PortGone => "the port was unplugged".to_owned(),
            Self::Slept => "the computer slept".to_owned(),
            Self::ProcessStopped => "straykey did not run".to_owned(),
            Self::BytesLost { bytes: Some(bytes) } => format!("{bytes} bytes were lost on the way"),
            Self::BytesLost { bytes: None } => "bytes were lost on the way".to_owned(),
            Self::NotRecorded { bytes } => format!("the disk did not take {bytes} bytes"),
            Self::Removed => "a piece of the recording is missing".to_owned(),
            Self::NoTime => "nothing in the capture tells the time".to_owned(),
            Self::NotWired => "the probe was not on the line".to_owned(),
            Self::NoCrossing { low, high } => {
                format!("the signal stays between {low:.2} V and {high:.2} V and never switches")
            }
            Self::TooCoarse { sample_s, shortest_s } => format!(
                "a sample each {} is too coarse for a signal of {}",
                interval(*sample_s),
                interval(*shortest_s)
            ),
            Self::HandsOn => "a key was asked for".to_owned(),
            Self::Standby => "the set was in standby".to_owned(),
            Self::Unreadable { bad, of } => format!("{bad} of {of} records could not be read"),
            Self::Silent { .. } => "nothing came from the set".to_owned(),
            Self::LineAbsent { .. } => "the set printed other things, but not this".to_owned(),
            Self::NoSign { .. } => "nothing showed that a stray would have been seen".to_owned(),
        }
    }
}

/// An interval of time that is not observed.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
pub struct BlindSpan {
    /// From when.
    pub from_s: f64,
    /// Until when.
    pub to_s: f64,
    /// Why.
    #[serde(flatten)]
    pub why: Blind,
}

/// A key that was asked for, and what answered.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Prompted {
    /// When it was asked for.
    pub t: Nanoseconds,
    /// Which.
    pub key: Key,
    /// The path that answered; null while none did.
    pub answered: Option<PathId>,
    /// Until when hands were on: one second after the release.
    pub until: Nanoseconds,
}

impl Prompted {
    /// Whether an event answers it.
    pub fn is_answered_by(&self, event: &Event) -> bool {
        event.key == Some(self.key) && self.t <= event.t && event.t <= self.until
    }
}

/// How a path comes to be observed.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(tag = "by", rename_all = "snake_case")]
pub enum Sign {
    /// It reports by itself.
    Cadence {
        /// Time between two reports, seconds.
        period_s: f64,
        /// The longest pause that this explains, seconds.
        limit_s: f64,
    },
    /// It speaks only when something happens.
    Events,
}

/// The evidence on one path of one capture.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct PathLedger {
    /// Which path.
    #[serde(flatten)]
    pub id: PathId,
    /// How it comes to be observed.
    pub sign: Sign,
    /// When a stray would have left an event, on the capture clock.
    pub observed: Intervals,
    /// After the last sign of life: shown, not judged.
    pub pending: Intervals,
    /// The rest, with the reasons.
    pub blind: Vec<BlindSpan>,
    /// Share of the observed time in which a key was held that nobody asked for.
    pub held_share: f64,
    /// Inputs and menu changes that came, asked for or not.
    pub events: u64,
    /// Levels of all readings, by state.
    pub levels: Vec<Level>,
    /// How it left its resting band; null where it does not report by itself, or for too short.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub departures: Option<Departures>,
}

impl PathLedger {
    /// How long it was observed.
    pub fn observed(&self) -> Observed {
        Observed(self.observed.length())
    }

    /// How long it is pending, seconds.
    pub fn pending_s(&self) -> f64 {
        self.pending.length().seconds()
    }
}

/// The evidence of one capture.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Ledger {
    /// First and last instant of the capture; null when nothing tells the time.
    pub span: Option<Span>,
    /// Its paths.
    pub paths: Vec<PathLedger>,
    /// Keys that were asked for.
    pub prompts: Vec<Prompted>,
    /// The last instant at which anything came; null when nothing did.
    #[serde(default)]
    pub heard: Option<Nanoseconds>,
    /// How long the soak was planned to last, seconds; null for any other capture.
    #[serde(default)]
    pub planned_s: Option<f64>,
    /// How long the set had been on at time zero of the capture, by its own clock, else as the technician
    /// says; null where neither does.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub age: Option<Nanoseconds>,
}

impl Ledger {
    /// Of nothing.
    pub const NONE: Self =
        Self { span: None, paths: Vec::new(), prompts: Vec::new(), heard: None, planned_s: None, age: None };

    /// The evidence on a path; `None` when nothing of it was met.
    pub fn path(&self, id: &PathId) -> Option<&PathLedger> {
        self.paths.iter().find(|path| path.id == *id)
    }

    /// When a path was observed; never, where nothing of it was met.
    pub fn observed(&self, id: &PathId) -> Intervals {
        self.path(id).map(|path| path.observed.clone()).unwrap_or_default()
    }

    /// Why a path was not observed; the whole capture where nothing of it was met.
    pub fn blind(&self, id: &PathId) -> Vec<BlindSpan> {
        match (self.path(id), self.span) {
            (Some(path), _) => path.blind.clone(),
            (None, Some(span)) => vec![BlindSpan {
                from_s: span.start.seconds(),
                to_s: span.end.seconds(),
                why: Blind::NoSign { last: None },
            }],
            (None, None) => Vec::new(),
        }
    }

    /// Whether an event answers a prompt: such an input is nobody's stray.
    pub fn is_answer(&self, event: &Event) -> bool {
        self.prompts.iter().any(|asked| asked.is_answered_by(event))
    }

    /// What the cadences of this capture teach the next one of the same job.
    pub fn teaches(&self) -> BTreeMap<PathId, Cadence> {
        let learned = |path: &PathLedger| match path.sign {
            Sign::Cadence { period_s, limit_s } => Some((path.id.clone(), Cadence { period_s, limit_s })),
            Sign::Events => None,
        };
        self.paths.iter().filter_map(learned).collect()
    }
}

/// A port that says nothing for so long is said to be silent, seconds.
pub const SILENT_S: f64 = 5.0;

impl Ledger {
    /// Since when nothing at all came, where that is longer than any set pauses.
    pub fn unheard_since(&self) -> Option<Nanoseconds> {
        let span = self.span?;
        let last = self.heard.unwrap_or(span.start);
        ((span.end - last).seconds() > SILENT_S).then_some(last)
    }
}
