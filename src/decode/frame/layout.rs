//! What a chassis file says of binary frames: `[frame]`, its fields, and `[[packet]]`.
//!
//! ```toml
//! [frame]
//! sync = [0xa5, 0x5a]
//! length = { at = 0, plus = 3 }          # or { fixed = 12 }, or { end = [0x0a] }
//! longest = 64
//! stuffing = { escape = 0x7d, xor = 0x20 }
//! checksum = { kind = "crc", bits = 16, polynomial = 0x1021, initial = 0xffff }
//! fields = [{ name = "_type", at = 1 }, { name = "uptime", at = 2, bits = 32, order = "little" }]
//!
//! [[packet]]
//! when = { _type = 1 }
//! fields = [{ name = "KEY1", at = 6, bits = 12 }]
//! event = "reading"
//! ```
//!
//! Places count from the first byte behind the sync bytes, after stuffing is undone. A field of `bits` bits
//! begins at byte `at`, bit `bit`: with order `big` bit 0 is the most significant bit of that byte and the
//! field runs on into the next bytes; with order `little` bit 0 is the least significant and the next byte is
//! more significant.

pub use crate::decode::frame::order::Order;
use std::collections::BTreeMap;

use serde::Deserialize;
use toml::Spanned;

use crate::base::ControlPath;
use crate::decode::frame::checksum::Checksum;
use crate::decode::record::{KeyRule, KeyState, Meaning};

/// Longest frame that may be declared, bytes behind the sync bytes.
pub const LONGEST_FRAME: usize = 1_024;

/// Where a frame ends.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Length {
    /// Always this many bytes behind the sync bytes, checksum and all.
    pub fixed: Option<usize>,
    /// Place of the length field.
    pub at: Option<usize>,
    /// Bytes of the length field: 1 or 2.
    #[serde(default = "one")]
    pub bytes: usize,
    /// Order of its bytes.
    #[serde(default)]
    pub order: Order,
    /// Bytes behind the sync bytes that the field does not count.
    #[serde(default)]
    pub plus: usize,
    /// Bytes that end the frame and belong to nothing else.
    pub end: Option<Vec<u8>>,
}

fn one() -> usize {
    1
}

/// How bytes that would be taken for sync or end are hidden.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Stuffing {
    /// The byte before a hidden one.
    pub escape: u8,
    /// The hidden byte is exclusive-or'd with this …
    pub xor: Option<u8>,
    /// … or replaced: `[[printed, meant], …]`.
    #[serde(default)]
    pub pairs: Vec<(u8, u8)>,
}

/// `[frame]`.
#[derive(Clone, Debug, Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct FrameFile {
    /// Bytes that begin a frame, 1 to 8.
    #[schemars(with = "Vec<u8>")]
    pub sync: Spanned<Vec<u8>>,
    /// Where it ends.
    #[schemars(with = "Length")]
    pub length: Spanned<Length>,
    /// Longest frame, bytes behind the sync bytes.
    #[serde(default = "usual_longest")]
    pub longest: usize,
    /// How bytes are hidden.
    #[schemars(with = "Option<Stuffing>")]
    pub stuffing: Option<Spanned<Stuffing>>,
    /// The check at its end.
    #[schemars(with = "Option<Checksum>")]
    pub checksum: Option<Spanned<Checksum>>,
    /// `"none"` says that frames carry no check on purpose.
    #[schemars(with = "Option<String>")]
    pub integrity: Option<Spanned<String>>,
    /// Fields that every packet has.
    #[serde(default)]
    #[schemars(with = "Vec<Field>")]
    pub fields: Vec<Spanned<Field>>,
}

fn usual_longest() -> usize {
    256
}

/// What the bits of a field are.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum FieldForm {
    /// A number.
    #[default]
    Number,
    /// Bytes up to the checksum, or `bytes` of them.
    Bytes,
    /// The same, as text; it ends at a zero byte.
    Text,
}

/// One field of a frame.
#[derive(Clone, Debug, PartialEq, Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Field {
    /// Name, which says what it means, as for placeholders of a line shape.
    pub name: String,
    /// First byte.
    pub at: usize,
    /// First bit in it.
    #[serde(default)]
    pub bit: usize,
    /// How many bits, 1 to 63.
    #[serde(default = "eight")]
    pub bits: usize,
    /// Order of bits and bytes.
    #[serde(default)]
    pub order: Order,
    /// Two's complement.
    #[serde(default)]
    pub signed: bool,
    /// The value is the number times this …
    pub scale: Option<f64>,
    /// … plus this.
    pub offset: Option<f64>,
    /// What the bits are.
    #[serde(default)]
    pub form: FieldForm,
    /// How many bytes, for bytes and text.
    pub bytes: Option<usize>,
}

fn eight() -> usize {
    8
}

/// One `[[packet]]`: a kind of frame and what it means.
#[derive(Clone, Debug, Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Packet {
    /// Values that fields must have. Where several kinds fit a frame, the one with most of them counts, then the first.
    #[serde(default)]
    #[schemars(with = "BTreeMap<String, i64>")]
    pub when: BTreeMap<String, Spanned<i64>>,
    /// Fields beyond those of `[frame]`.
    #[serde(default)]
    #[schemars(with = "Vec<Field>")]
    pub fields: Vec<Spanned<Field>>,
    /// What it means.
    #[schemars(with = "Meaning")]
    pub event: Spanned<Meaning>,
    /// Control path, where it is not the usual one of the meaning.
    pub path: Option<ControlPath>,
    /// The key, or a map from a field's value to keys.
    #[schemars(with = "Option<KeyRule>")]
    pub key: Option<Spanned<KeyRule>>,
    /// The field that the key's map is looked up with; `key` when absent.
    #[schemars(with = "Option<String>")]
    pub key_from: Option<Spanned<String>>,
    /// What the field `state` says of the key.
    #[serde(default)]
    pub state: BTreeMap<String, KeyState>,
    /// Keypad line, where no field gives it.
    pub line: Option<String>,
    /// Menu item, where no field gives it.
    pub item: Option<String>,
    /// Value, where no field gives it.
    pub value: Option<String>,
    /// What values are called, before the menu's names.
    #[serde(default)]
    pub values: BTreeMap<String, String>,
    /// Infrared format, where no field gives it.
    pub format: Option<String>,
    /// A remark for the event.
    pub note: Option<String>,
    /// What notes are called, such as the codes of reset reasons.
    #[serde(default)]
    pub notes: BTreeMap<String, String>,
}
