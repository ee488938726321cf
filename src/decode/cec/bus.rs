//! What the bus file says: times, names of opcodes, user control codes and logical addresses.

use std::path::Path;
use std::sync::LazyLock;

use serde::Deserialize;
use toml::Spanned;

use crate::base::{Error, Key, Name, Result};
use crate::decode::{file, shipped};

/// A window with its nominal value, microseconds.
#[derive(Clone, Copy, Debug, PartialEq, Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Window {
    /// Shortest.
    pub least: f64,
    /// As it should be.
    pub nominal: f64,
    /// Longest.
    pub most: f64,
}

impl Window {
    /// Whether a length in nanoseconds lies in the window, its ends included.
    pub fn holds(&self, length: i64) -> bool {
        let micros = length as f64 / 1e3;
        self.least <= micros && micros <= self.most
    }

    /// Distance of a length in nanoseconds from the nominal value, 1 at the ends of the window.
    pub fn error(&self, length: i64) -> f64 {
        let off = length as f64 / 1e3 - self.nominal;
        let half = if off < 0.0 { self.nominal - self.least } else { self.most - self.nominal };
        off / half
    }
}

/// Times of the bus, microseconds from the fall that begins a bit.
#[derive(Clone, Copy, Debug, PartialEq, Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Timing {
    /// Low of a start bit.
    pub start_low: Window,
    /// Start bit as a whole.
    pub start_total: Window,
    /// Low of a 0.
    pub zero_low: Window,
    /// Low of a 1.
    pub one_low: Window,
    /// Data bit as a whole.
    pub bit_total: Window,
    /// When a start bit without a next fall is given up.
    pub give_up_start: f64,
    /// When a data bit without a next fall is given up.
    pub give_up_bit: f64,
    /// Low by which a follower reports a line error.
    pub line_error: Window,
    /// After which silence a key counts as released.
    pub hold: f64,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub(super) enum Operand {
    UserControl,
    Abort,
    PhysicalAddress,
    Routing,
    OnOff,
    AudioStatus,
    Volume,
    PowerStatus,
    Text,
    DisplayText,
    Vendor,
    MenuRequest,
    MenuStatus,
}

#[derive(Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields)]
struct File {
    bus: Declared,
    timing_us: Timing,
    addresses: Addresses,
    opcode: Vec<DeclaredOpcode>,
    user_control: Vec<DeclaredControl>,
}

#[derive(Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields)]
struct Declared {
    #[schemars(with = "String")]
    name: Spanned<String>,
    version: u32,
    about: String,
    source: String,
}

#[derive(Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields)]
struct Addresses {
    #[schemars(with = "Vec<String>")]
    names: Spanned<Vec<String>>,
}

#[derive(Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields)]
struct DeclaredOpcode {
    #[schemars(with = "u8")]
    code: Spanned<u8>,
    name: String,
    operand: Option<Operand>,
}

#[derive(Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields)]
struct DeclaredControl {
    #[schemars(with = "u8")]
    code: Spanned<u8>,
    name: String,
    key: Option<Key>,
    #[serde(default)]
    operand: bool,
}

#[derive(Clone, Debug)]
pub(super) struct Opcode {
    pub(super) name: String,
    pub(super) operand: Option<Operand>,
}

/// One user control code.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct UserControl {
    /// Its standard name.
    pub name: String,
    /// The Linux key for it, where there is one.
    pub key: Option<Key>,
    /// Whether it carries an operand of its own.
    pub operand: bool,
}

/// The bus as its file describes it.
#[derive(Clone, Debug)]
pub struct Bus {
    /// Name and version, `hdmi-cec@1`.
    pub decoder: Name,
    /// What it is, in words.
    pub about: String,
    /// Where the facts come from.
    pub source: String,
    /// Times.
    pub timing: Timing,
    pub(super) addresses: Vec<String>,
    opcodes: Vec<Option<Opcode>>,
    controls: Vec<Option<UserControl>>,
}

impl Bus {
    /// The bus file that is built into the program.
    ///
    /// # Errors
    /// `Input` if it is wrong, which the tests exclude.
    pub fn shipped() -> Result<&'static Self> {
        static BUS: LazyLock<std::result::Result<Bus, String>> = LazyLock::new(|| {
            let (path, text) = shipped::folder("protocols/bus/hdmi-cec")
                .next()
                .ok_or_else(|| "protocols/bus/hdmi-cec.toml is not built in".to_owned())?;
            Bus::parse(Path::new(path), text).map_err(|error| error.to_string())
        });
        BUS.as_ref().map_err(|what| Error::input(what.clone()))
    }

    /// Reads a bus file.
    ///
    /// # Errors
    /// `Input`, pointing at the mistake.
    pub fn parse(path: &Path, text: &str) -> Result<Self> {
        let parsed: File = file::parse(path, text)?;
        if parsed.addresses.names.get_ref().len() != 16 {
            let span = parsed.addresses.names.span();
            return Err(file::mistake(path, text, span, "there are 16 logical addresses", None));
        }
        let twice = |code: &Spanned<u8>| {
            let what = format!("code {:#04x} stands twice", code.get_ref());
            file::mistake(path, text, code.span(), &what, Some("expected each code once"))
        };
        let mut opcodes: Vec<Option<Opcode>> = vec![None; 256];
        for opcode in parsed.opcode {
            let place = opcodes.get_mut(usize::from(*opcode.code.get_ref()));
            match place {
                Some(place @ None) => *place = Some(Opcode { name: opcode.name, operand: opcode.operand }),
                _ => return Err(twice(&opcode.code)),
            }
        }
        let mut controls: Vec<Option<UserControl>> = vec![None; 256];
        for control in parsed.user_control {
            let place = controls.get_mut(usize::from(*control.code.get_ref()));
            match place {
                Some(place @ None) => {
                    *place =
                        Some(UserControl { name: control.name, key: control.key, operand: control.operand });
                }
                _ => return Err(twice(&control.code)),
            }
        }
        Ok(Self {
            decoder: format!("{}@{}", parsed.bus.name.get_ref(), parsed.bus.version).into(),
            about: parsed.bus.about,
            source: parsed.bus.source,
            timing: parsed.timing_us,
            addresses: parsed.addresses.names.into_inner(),
            opcodes,
            controls,
        })
    }

    pub(super) fn opcode(&self, code: u8) -> Option<&Opcode> {
        self.opcodes.get(usize::from(code)).and_then(Option::as_ref)
    }

    /// Standard name of an opcode.
    pub fn opcode_name(&self, code: u8) -> Option<&str> {
        self.opcode(code).map(|opcode| opcode.name.as_str())
    }

    /// A user control code.
    pub fn user_control(&self, code: u8) -> Option<&UserControl> {
        self.controls.get(usize::from(code)).and_then(Option::as_ref)
    }

    /// Name of a logical address: 15 is `all` as destination.
    pub fn address_name(&self, address: u8, destination: bool) -> &str {
        if destination && address == 15 {
            return "all";
        }
        self.addresses.get(usize::from(address)).map_or("no address", String::as_str)
    }
}

/// JSON Schema of the files in `protocols/bus/`.
pub(crate) fn schema() -> schemars::Schema {
    schemars::schema_for!(File)
}
