//! The event, version 1: one decoded thing at one instant, with the bytes it came from.

use std::sync::Arc;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::base::{Key, Nanoseconds};

/// A short shared text: the name of a capture, a line, a format, a decoder, a menu item.
pub type Name = Arc<str>;

/// The way by which an input reaches the set.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum ControlPath {
    /// Keys on the set, read through a ladder.
    Keypad,
    /// A remote control's light, or what the receiver took for it.
    Infrared,
    /// Another box, over HDMI-CEC.
    Cec,
    /// What the software then did.
    Menu,
    /// Boot, standby, reset; faults of the capture itself.
    System,
}

impl ControlPath {
    /// All control paths in their order.
    pub const ALL: [Self; 5] = [Self::Keypad, Self::Infrared, Self::Cec, Self::Menu, Self::System];

    /// The word in JSON, TOML and on the command line.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Keypad => "keypad",
            Self::Infrared => "infrared",
            Self::Cec => "cec",
            Self::Menu => "menu",
            Self::System => "system",
        }
    }

    /// Whether a hand (or a fault) acts through this path, as opposed to an effect of it.
    pub const fn is_input(self) -> bool {
        matches!(self, Self::Keypad | Self::Infrared | Self::Cec)
    }
}

/// What happened.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum EventKind {
    /// A key went down.
    Press,
    /// A key went up; `held` says after how long.
    Release,
    /// A key is still down and says so.
    Repeat,
    /// A number from the keypad's converter.
    Reading,
    /// A message with a meaning other than a key.
    Frame,
    /// A menu item took a value.
    Change,
    /// Signal that is no message; `note` says why.
    Noise,
    /// The set started.
    Boot,
    /// The set went to standby or woke.
    Standby,
    /// Something is wrong with the signal or the capture; `note` says what.
    Fault,
}

impl EventKind {
    /// The word in JSON and TOML.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Press => "press",
            Self::Release => "release",
            Self::Repeat => "repeat",
            Self::Reading => "reading",
            Self::Frame => "frame",
            Self::Change => "change",
            Self::Noise => "noise",
            Self::Boot => "boot",
            Self::Standby => "standby",
            Self::Fault => "fault",
        }
    }
}

/// One decoded thing at one instant. Unknown fields are `None` and absent in JSON.
///
/// The order of the fields is the order of the keys in JSON.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Event {
    /// Seconds from capture start.
    pub t: Nanoseconds,
    /// RFC 3339 wall time, when an anchor is known. Filled when the event is written.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub at: Option<String>,
    /// Control path.
    pub path: ControlPath,
    /// What happened.
    pub kind: EventKind,
    /// The key, when the event means one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub key: Option<Key>,
    /// Keypad line (KEY1, KEY2 …).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub line: Option<Name>,
    /// Reading in converter counts.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub counts: Option<u32>,
    /// Reading in volts.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub volts: Option<f64>,
    /// Infrared format.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub format: Option<Name>,
    /// Infrared address.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub address: Option<u32>,
    /// Infrared command.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub command: Option<u32>,
    /// Infrared toggle bit.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub toggle: Option<bool>,
    /// How many infrared bits were on air.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub bits: Option<u8>,
    /// The infrared bits in air order, most significant first on air, hexadecimal.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub raw: Option<Name>,
    /// CEC logical address of the sender.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub initiator: Option<u8>,
    /// CEC logical address of the receiver, 15 for all.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub destination: Option<u8>,
    /// CEC opcode.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub opcode: Option<u8>,
    /// CEC operands.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub operands: Option<Vec<u8>>,
    /// Whether the CEC message was acknowledged.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ack: Option<bool>,
    /// Menu item.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub item: Option<Name>,
    /// The value that the menu item took.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub value: Option<Name>,
    /// How long the key was down, seconds, on release.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub held: Option<Nanoseconds>,
    /// How well the signal met the protocol, 0 to 1.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub quality: Option<f32>,
    /// Why, for noise and faults.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub note: Option<Name>,
    /// The raw capture that it came from.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub capture: Option<Name>,
    /// Its channel there, when the capture has several signals, as its header names it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub channel: Option<Name>,
    /// First byte in the raw capture.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub offset: Option<u64>,
    /// How many bytes of the raw capture.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub length: Option<u32>,
    /// Protocol file and its version, `alder@1`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub decoder: Option<Name>,
}

impl Event {
    /// An event with nothing known but time, path and kind.
    pub fn new(t: Nanoseconds, path: ControlPath, kind: EventKind) -> Self {
        Self {
            t,
            at: None,
            path,
            kind,
            key: None,
            line: None,
            counts: None,
            volts: None,
            format: None,
            address: None,
            command: None,
            toggle: None,
            bits: None,
            raw: None,
            initiator: None,
            destination: None,
            opcode: None,
            operands: None,
            ack: None,
            item: None,
            value: None,
            held: None,
            quality: None,
            note: None,
            capture: None,
            channel: None,
            offset: None,
            length: None,
            decoder: None,
        }
    }

    /// Whether something pressed: a press or a repeat on an input path.
    ///
    /// A CEC press that the set itself sends (logical address 0, to an amplifier) is its doing, not its input.
    pub fn is_input(&self) -> bool {
        self.comes_in() && matches!(self.kind, EventKind::Press | EventKind::Repeat)
    }

    /// Whether it came to the set on an input path, rather than from the set.
    pub fn comes_in(&self) -> bool {
        self.path.is_input() && self.initiator != Some(0)
    }

    /// Whether the set may do something visible because of it: of a bus the messages that switch it, its input or its sound, or
    /// write on its screen; a poll or a question changes no menu.
    ///
    /// # Source
    /// HDMI-CEC 1.4, message tables: one touch play, routing, standby, system audio, OSD string.
    pub fn can_act(&self) -> bool {
        const ACTING: [u8; 12] = [0x04, 0x0d, 0x36, 0x64, 0x70, 0x72, 0x7a, 0x7e, 0x80, 0x82, 0x86, 0x9d];
        let acts = match self.kind {
            EventKind::Press | EventKind::Repeat | EventKind::Release => true,
            EventKind::Frame => {
                self.path != ControlPath::Cec || self.opcode.is_some_and(|opcode| ACTING.contains(&opcode))
            }
            _ => false,
        };
        acts && self.comes_in()
    }

    /// JSON Schema of the event, generated from this type.
    pub fn json_schema() -> serde_json::Value {
        serde_json::Value::from(schemars::schema_for!(Event))
    }
}
