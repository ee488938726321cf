//! The words of a job: steps, stages, captures, prompts.

use std::collections::BTreeMap;
use std::path::PathBuf;

use serde::{Deserialize, Serialize};

use crate::base::{Anchor, Key, Nanoseconds, Span};
use crate::timeline::job::provocation::Provocation;
use crate::timeline::wire::Signal;

/// Which signal each channel of a logic or analog capture carries: channel name to signal word.
pub type Wires = BTreeMap<String, String>;

/// What a job is about.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct JobInfo {
    /// Version of the folder's layout, 1.
    #[serde(default = "layout_version")]
    pub version: u32,
    /// Which set, in the technician's words.
    pub set: String,
    /// No set stands behind it: the demo played it.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub simulated: bool,
    /// Chassis, when known; the name of a protocol file.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub chassis: Option<String>,
    /// What the customer says.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub complaint: Option<String>,
    /// Who works on it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub technician: Option<String>,
    /// When the job was opened, RFC 3339; filled when it is made.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub created: Option<String>,
}

fn layout_version() -> u32 {
    LAYOUT_VERSION
}

/// The layout of the folder that this program writes.
pub(super) const LAYOUT_VERSION: u32 = 1;

impl JobInfo {
    /// A job on this set, with nothing else known.
    pub fn new(set: impl Into<String>) -> Self {
        Self { version: LAYOUT_VERSION, set: set.into(), ..Self::default() }
    }

    /// With the chassis.
    #[must_use]
    pub fn chassis(mut self, chassis: impl Into<String>) -> Self {
        self.chassis = Some(chassis.into());
        self
    }
}

/// What sort of step it was.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum StepKind {
    /// Something was unplugged, covered or substituted to learn where the fault is.
    Isolate,
    /// Something was cleaned, tightened or replaced to end the fault.
    Repair,
    /// An earlier step was undone.
    Restore,
}

impl StepKind {
    /// The word in files and on the command line.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Isolate => "isolate",
            Self::Repair => "repair",
            Self::Restore => "restore",
        }
    }

    /// From the word.
    pub fn from_word(word: &str) -> Option<Self> {
        [Self::Isolate, Self::Repair, Self::Restore].into_iter().find(|kind| kind.word() == word)
    }
}

/// The parts that a step may touch, by the names that all faces use; others are written `other:WHAT`.
pub const PARTS: [&str; 9] = [
    "key-board",
    "key-cable",
    "key-switch",
    "main-board",
    "ground-bond",
    "infrared-receiver",
    "remote",
    "hdmi-cable",
    "software",
];

/// Whether a word names a part, of [`PARTS`] or marked as another one: a mistyped part would be one of its own.
///
/// # Errors
/// The list, as a sentence.
pub fn check_part(word: &str) -> Result<(), String> {
    if PARTS.contains(&word) || word.strip_prefix("other:").is_some_and(|what| !what.trim().is_empty()) {
        return Ok(());
    }
    Err(format!("the parts are {}, or other:WHAT", PARTS.join(", ")))
}

/// Something that the technician did.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema)]
pub struct Step {
    /// What, in the technician's words.
    pub text: String,
    /// What sort of step.
    pub kind: StepKind,
    /// The parts that it touched.
    #[serde(default)]
    pub parts: Vec<String>,
}

/// Whether anybody touched the controls during a capture.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Hands {
    /// Nobody: every input is stray.
    Off,
    /// Somebody may have.
    #[default]
    On,
}

/// A key that was asked for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Prompt {
    /// When, on the capture clock.
    pub t: Nanoseconds,
    /// Which key.
    pub key: Key,
}

/// How a capture is to be taken up.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct CaptureOptions {
    /// A word for the file's name; made from the imported file's name when absent.
    pub name: Option<String>,
    /// Whether anybody touches the controls.
    pub hands: Hands,
    /// Which signal each channel carries.
    pub wire: Wires,
    /// Keys that were asked for, in order of time.
    pub prompts: Vec<Prompt>,
    /// Chassis of this capture, when it is not the job's.
    pub chassis: Option<String>,
}

/// Where a capture comes from.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(tag = "kind", rename_all = "lowercase")]
pub enum CaptureSource {
    /// A port; in what words it was opened.
    Live {
        /// The port and its settings, for people.
        port: String,
    },
    /// A file; where it lay.
    File {
        /// Path as it was given.
        path: String,
    },
}

/// One capture of a job.
#[derive(Clone, Debug, PartialEq)]
pub struct CaptureRef {
    /// Unique in the job: number and word, `0003-soak`.
    pub name: String,
    /// The file, with the job's folder.
    pub path: PathBuf,
    /// The file inside the job's folder, with forward slashes.
    pub file: String,
    /// Where it comes from.
    pub source: CaptureSource,
    /// Whether anybody touched the controls.
    pub hands: Hands,
    /// Which signal each channel carries.
    pub wire: Wires,
    /// Keys that were asked for.
    pub prompts: Vec<Prompt>,
    /// What was done to the set in it, by plan.
    pub provocation: Option<Provocation>,
    /// Chassis of this capture, when it is not the job's.
    pub chassis: Option<String>,
    /// Wall clock at capture time zero, when known before decoding.
    pub started: Option<Anchor>,
    /// SHA-256 of the file in hexadecimal, once the capture is closed.
    pub sha256: Option<String>,
    /// Length of the file, once the capture is closed.
    pub bytes: Option<u64>,
    /// Observed stretch, where it is known without decoding (live captures).
    pub span: Option<Span>,
}

impl CaptureRef {
    /// How its file is not as the step log says, as far as can be seen without summing it.
    pub(super) fn misfit(&self) -> Option<String> {
        match (std::fs::metadata(&self.path), self.bytes) {
            (Err(_), _) => Some(format!("{}: its file {} is missing", self.name, self.file)),
            (Ok(data), _) if !data.is_file() && !data.is_dir() => {
                Some(format!("{}: {} is no plain file", self.name, self.file))
            }
            (Ok(data), Some(bytes)) if data.is_file() && data.len() != bytes => Some(format!(
                "{}: {} was altered after the capture: it has {} bytes, not {bytes}",
                self.name,
                self.file,
                data.len()
            )),
            _ => None,
        }
    }

    /// Whether a hand gave its inputs. In a provocation hands are at the set, and press no key.
    pub fn keys_given(&self) -> Hands {
        if self.provocation.is_some() { Hands::Off } else { self.hands }
    }

    /// Whether its file, or its folder of segments, is where it should be.
    pub fn is_there(&self) -> bool {
        self.path.is_file() || self.path.is_dir()
    }

    /// Whether it is complete and has its checksum.
    pub fn is_closed(&self) -> bool {
        self.sha256.is_some()
    }
}

/// The stretch between two steps.
#[derive(Clone, Debug, PartialEq)]
pub struct Stage {
    /// Counted from 1.
    pub number: usize,
    /// What was done before it; for the first stage, how the set came in.
    pub text: String,
    /// The step before it; `None` on the first.
    pub step: Option<Step>,
    /// Its captures in order.
    pub captures: Vec<CaptureRef>,
}

impl Stage {
    /// How long it was observed, from captures whose length is known without decoding.
    pub fn span(&self) -> Nanoseconds {
        self.captures
            .iter()
            .filter_map(|capture| capture.span)
            .fold(Nanoseconds::ZERO, |sum, span| sum.saturating_add(span.length()))
    }
}

/// Whether a word names a signal: `uart`, `uart@BAUD`, `infrared`, `cec`, `keypad:LINE`.
///
/// Gives what was expected when it does not.
///
/// # Errors
/// The sentence for the message.
pub fn check_signal(word: &str) -> Result<(), &'static str> {
    const EXPECTED: &str = "expected uart, uart@BAUD, infrared, cec or keypad:LINE";
    word.parse::<Signal>().map(|_| ()).map_err(|_| EXPECTED)
}
