//! The JSON of ports, captures and events, as requests and subscribers get it.

use crate::analysis::soak::BlindNow;
use crate::bench::provoke::{LIKELY, ProvokedState, SURE};
use crate::bench::summary::provoked_beside;
use crate::bench::{Asked, KeyState, SoakRun};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::base::{ControlPath, Event, EventKind, Key, Name};
use crate::journal::DiskLevel;

/// How a port is.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum PortLevel {
    /// Nothing runs on it.
    #[default]
    Off,
    /// Recorded, and bytes come.
    Open,
    /// Recorded, and nothing has come for ten seconds or more.
    Silent,
    /// Unplugged, or not there yet; looked for again and again.
    Gone,
    /// Another program has it.
    Busy,
    /// The system does not open it, or the disk does not take the recording.
    Failed,
}

/// What a port says.
#[derive(Clone, Debug, Default, Serialize, JsonSchema)]
pub struct PortState {
    /// Its name.
    pub name: String,
    /// What the binding says.
    pub device: String,
    /// Bits a second.
    pub baud: u32,
    /// Framing, `8N1`.
    pub framing: String,
    /// How it is.
    pub state: PortLevel,
    /// Why it is so.
    pub why: Option<String>,
    /// The job that records from it.
    pub job: Option<String>,
    /// The capture that runs.
    pub capture: Option<String>,
    /// Stage of that capture.
    pub stage: Option<usize>,
    /// Whether hands are on the set in it: `on` or `off`.
    pub hands: Option<&'static str>,
    /// The chassis that decodes.
    pub chassis: Option<String>,
    /// How the chassis was recognised.
    pub recognised: Option<String>,
    /// Bytes of this capture.
    pub bytes: u64,
    /// Up to which of them everything is on the disk, or told there to be lost: what survives a power cut.
    pub safe_bytes: u64,
    /// Events of this capture.
    pub events: u64,
    /// Bytes a second, over the last seconds.
    pub bytes_per_s: f64,
    /// Seconds since the last byte; null before the first.
    pub last_byte_s_ago: Option<f64>,
    /// Bytes lost: they came faster than they were taken, or the disk took nothing for too long.
    pub lost_bytes: u64,
    /// How often the port was gone during this capture.
    pub gaps: u64,
    /// When this capture began, RFC 3339.
    pub since: Option<String>,
    /// The soak that runs, as `soak --json` gives it.
    pub soak: Option<LiveSoak>,
    /// The key check that runs.
    #[schemars(with = "Option<serde_json::Map<String, serde_json::Value>>")]
    pub check: Option<KeyState>,
    /// The provocation that runs.
    pub provoke: Option<ProvokeNow>,
}

/// A soak and how long it may run.
#[derive(Clone, Debug, Serialize, JsonSchema)]
pub struct LiveSoak {
    /// As `soak --json` gives it.
    #[serde(flatten)]
    #[schemars(with = "serde_json::Map<String, serde_json::Value>")]
    pub state: crate::analysis::soak::SoakState,
    /// Seconds of this run so far: hands off, and the port there.
    pub run_s: f64,
    /// For how long the port has been gone; null while it is there. The run stands still meanwhile.
    pub waits_s: Option<f64>,
    /// Longest run, seconds.
    pub limit_s: f64,
    /// Whether there is an earlier stage that it is compared with.
    pub planned: bool,
    /// What is to be pressed now as a sign of life, in a sentence; null when nothing is.
    pub ask: Option<String>,
    /// What is not seen just now.
    pub blind_now: Vec<BlindPath>,
}

/// Whether signs of life are asked for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum SignsWord {
    /// As a rule.
    Asked,
    /// Nobody is there to press a key.
    None,
}

/// A path that is not seen just now.
#[derive(Clone, Debug, Serialize, JsonSchema)]
pub struct BlindPath {
    /// `keypad KEY1`, `infrared`; `system` for everything.
    pub path: String,
    /// Since when, seconds of the capture.
    pub since_s: f64,
    /// In a sentence.
    pub sentence: String,
}

impl LiveSoak {
    /// Of a soak that runs.
    pub fn of(run: &SoakRun) -> Self {
        let blind = |blind: &BlindNow| BlindPath {
            path: blind.id.words(),
            since_s: round(blind.since_s),
            sentence: crate::bench::words::blind(blind),
        };
        Self {
            state: run.state().clone(),
            run_s: run.run().seconds(),
            waits_s: run.waits().map(crate::base::Nanoseconds::seconds),
            limit_s: run.limit().seconds(),
            planned: run.is_compared(),
            ask: run.asked().map(Asked::words),
            blind_now: run.blind().map(blind).collect(),
        }
    }
}

/// What a provocation asks for at this moment.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct ProvokeNow {
    /// What to do, in capitals up to the first comma or colon; null before the first block, in a pause and at the end.
    pub instruction: Option<String>,
    /// The stressor of the block as it was written, `warm@key-cable`; null in "leave alone".
    pub stressor: Option<String>,
    /// Round of the block, from 1; 0 before the first.
    pub round: usize,
    /// Number of the block, from 1; 0 before the first.
    pub block: usize,
    /// Of so many, if no more rounds are struck out.
    pub blocks: usize,
    /// Seconds left of this block; null while none is on.
    pub left_s: Option<f64>,
    /// Length of each block, seconds.
    pub block_s: f64,
    /// Seconds until the end, if no more rounds are struck out.
    pub all_left_s: f64,
    /// It stands still until it is told to go on.
    pub paused: bool,
    /// It is at its end.
    pub over: bool,
}

/// How sure it is that a stressor calls the fault.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Effect {
    /// Certain at 1 %.
    Calls,
    /// Likely: at 5 %.
    Seems,
    /// Not shown.
    Unshown,
}

/// What a provocation shows.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct Shown {
    /// As `provoke --json` gives it.
    #[serde(flatten)]
    pub state: ProvokedState,
    /// What each stressor does to the strays, in the same order.
    pub effects: Vec<Effect>,
    /// What each does to excursions and levels, in sentences.
    pub beside: Vec<Vec<String>>,
}

impl From<ProvokedState> for Shown {
    fn from(state: ProvokedState) -> Self {
        let effect = |chance: f64| match chance {
            p if p <= SURE => Effect::Calls,
            p if p <= LIKELY => Effect::Seems,
            _ => Effect::Unshown,
        };
        let effects = state.stressors.iter().map(|stressor| effect(stressor.chance)).collect();
        let beside = state.stressors.iter().map(provoked_beside).collect();
        Self { effects, beside, state }
    }
}

/// A provocation that runs, as subscribers and requests get it.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct LiveProvoke {
    /// What it asks for.
    #[serde(flatten)]
    pub now: ProvokeNow,
    /// What the blocks that were done show.
    pub shown: Shown,
}

/// Room on the disk.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct DiskRoom {
    /// `plenty`, `low` or `full`.
    pub level: &'static str,
    /// Bytes that may still be written.
    pub free_bytes: u64,
    /// Hours until it is full at the present rate; null while nothing grows.
    pub hours_left: Option<f64>,
    /// What to do, when it is not plenty.
    pub sentence: Option<String>,
}

impl DiskRoom {
    /// From the level, the room and the time left.
    pub fn new(level: DiskLevel, free_bytes: u64, hours_left: Option<f64>) -> Self {
        let (word, sentence) = match level {
            DiskLevel::Fine => ("plenty", None),
            DiskLevel::Low => (
                "low",
                Some(match hours_left {
                    Some(hours) => format!(
                        "The disk is full in about {}: make room, or close and move old jobs.",
                        crate::base::words::duration(hours * 3600.0)
                    ),
                    None => "The disk is nearly full: make room, or close and move old jobs.".to_owned(),
                }),
            ),
            DiskLevel::Full => (
                "full",
                Some(
                    "The disk is full and recording stands still: make room; it goes on by itself. What was \
                     acknowledged is safe."
                        .to_owned(),
                ),
            ),
        };
        Self { level: word, free_bytes, hours_left, sentence }
    }
}

/// One event on the job's timeline.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct LaneEvent {
    /// Seconds on the job's timeline.
    pub t: f64,
    /// Control path.
    pub path: ControlPath,
    /// What happened.
    pub kind: EventKind,
    /// The key.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub key: Option<Key>,
    /// Menu item.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub item: Option<Name>,
    /// Its value.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub value: Option<Name>,
    /// Keypad line.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub line: Option<Name>,
    /// Reading in counts.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub counts: Option<u32>,
    /// Reading in volts.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub volts: Option<f64>,
    /// Seconds held, on release.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub held: Option<f64>,
    /// Input that no hand gave: input while hands were off.
    pub stray: bool,
    /// Why, for noise and faults.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub note: Option<Name>,
    /// Infrared format.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub format: Option<Name>,
    /// Infrared address.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub address: Option<u32>,
    /// Infrared command.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub command: Option<u32>,
    /// CEC sender.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub initiator: Option<u8>,
    /// CEC receiver.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub destination: Option<u8>,
    /// CEC opcode.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub opcode: Option<u8>,
    /// The capture that it is from.
    pub capture: Name,
    /// First byte in the raw capture.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub offset: Option<u64>,
    /// How many bytes of it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub length: Option<u32>,
}

impl LaneEvent {
    /// An event of a capture that begins `base_s` on the job's timeline; `given` tells whether a hand gave it, as an input with
    /// hands on and as an answer to a prompt.
    pub fn new(event: &Event, base_s: f64, given: bool, capture: &Name) -> Self {
        Self {
            t: round(base_s + event.t.seconds()),
            path: event.path,
            kind: event.kind,
            key: event.key,
            item: event.item.clone(),
            value: event.value.clone(),
            line: event.line.clone(),
            counts: event.counts,
            volts: event.volts,
            held: event.held.map(crate::base::Nanoseconds::seconds),
            stray: !given && event.is_input(),
            note: event.note.clone(),
            format: event.format.clone(),
            address: event.address,
            command: event.command,
            initiator: event.initiator,
            destination: event.destination,
            opcode: event.opcode,
            capture: Name::clone(capture),
            offset: event.offset,
            length: event.length,
        }
    }
}

/// To the microsecond, so that JSON is short.
pub fn round(seconds: f64) -> f64 {
    (seconds * 1e6).round() / 1e6
}

/// Events of one pull, on the stream.
#[derive(Serialize)]
pub(super) struct EventsMessage<'a> {
    pub(super) job: &'a str,
    pub(super) port: &'a str,
    pub(super) capture: &'a str,
    pub(super) stage: usize,
    pub(super) base_s: f64,
    pub(super) events: Vec<LaneEvent>,
}
