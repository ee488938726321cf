//! What the set's debug UART prints, in the manner of three invented chassis.

use std::fmt::Write as _;

use crate::base::{Key, Nanoseconds};
use crate::simulator::circuit::Ladder;

/// The invented chassis whose lines the set prints.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Style {
    /// Converter counts in hexadecimal, infrared codes and menu changes, uptime in `[seconds]`, CRLF.
    #[default]
    Alder,
    /// Named keys, menu changes, infrared and CEC as text, kernel-style stamps with a context, LF.
    Birch,
    /// Decimal counts of both lines at a fixed rate and nothing else, LF.
    Rowan,
}

/// Something that the software may print.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Record<'a> {
    /// The set started.
    Boot,
    /// Counts of both lines.
    Readings([(&'static str, u32); 2]),
    /// A key, and what became of it.
    Key(Key, KeyState),
    /// A menu item took a value.
    Change(&'a str, &'a str),
    /// An infrared frame of the set's remote control: address, command, whether it was a repeat frame.
    Remote(u8, u8, bool),
    /// A CEC message, header first.
    Cec(&'a [u8]),
    /// The lamp's duty in percent: has nothing to do with keys.
    Lamp(u32),
    /// The tuner's signal-to-noise ratio in decibels: nothing either.
    Tuner(u32),
}

/// What became of a key.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum KeyState {
    /// It went down.
    Down,
    /// It is still down.
    Repeat,
    /// It went up.
    Up,
}

impl Style {
    /// Name of the chassis.
    pub const fn chassis(self) -> &'static str {
        match self {
            Self::Alder => "alder",
            Self::Birch => "birch",
            Self::Rowan => "rowan",
        }
    }

    /// Time between two scans of the keypad, and so between two reports of its readings.
    pub const fn period(self) -> Nanoseconds {
        match self {
            Self::Alder => Nanoseconds::from_millis(50),
            Self::Birch => Nanoseconds::from_millis(20),
            Self::Rowan => Nanoseconds::from_millis(40),
        }
    }

    /// The keypad of this chassis, two lines.
    pub fn ladders(self) -> [Ladder; 2] {
        // The resistors are invented; those of the first alder line give well separated readings at 10 bit.
        match self {
            Self::Alder | Self::Birch => [
                ladder("KEY1", 1023, 10_000.0, false, &REFERENCE),
                ladder("KEY2", 1023, 10_000.0, false, &[("KEY_VIDEO", 4_700.0), ("KEY_OK", 15_000.0)]),
            ],
            Self::Rowan => [
                ladder("KEY1", 255, 4_700.0, true, &CHAIN),
                ladder("KEY2", 255, 4_700.0, false, &[("KEY_POWER", 0.0)]),
            ],
        }
    }

    /// Appends the lines of a record at `uptime`, none when this chassis does not print such records.
    pub fn write(self, uptime: Nanoseconds, record: Record<'_>, out: &mut Vec<u8>) {
        let mut text = String::new();
        // Writing to a string cannot fail.
        let _ = match self {
            Self::Alder => alder(uptime, record, &mut text),
            Self::Birch => birch(uptime, record, &mut text),
            Self::Rowan => rowan(record, &mut text),
        };
        out.extend_from_slice(text.as_bytes());
    }
}

const REFERENCE: [(&str, f64); 6] = [
    ("KEY_POWER", 0.0),
    ("KEY_VOLUMEDOWN", 1_800.0),
    ("KEY_VOLUMEUP", 3_900.0),
    ("KEY_CHANNELDOWN", 7_500.0),
    ("KEY_CHANNELUP", 13_000.0),
    ("KEY_MENU", 27_000.0),
];
const CHAIN: [(&str, f64); 5] = [
    ("KEY_CHANNELUP", 0.0),
    ("KEY_CHANNELDOWN", 1_000.0),
    ("KEY_VOLUMEUP", 2_500.0),
    ("KEY_VOLUMEDOWN", 5_000.0),
    ("KEY_MENU", 10_000.0),
];

fn ladder(
    name: &'static str,
    full_scale: u32,
    pull_up_ohm: f64,
    chain: bool,
    keys: &[(&str, f64)],
) -> Ladder {
    let keys = keys.iter().filter_map(|(name, ohm)| Some((Key::from_name(name)?, *ohm))).collect();
    Ladder { name, supply_volts: 3.3, pull_up_ohm, full_scale, keys, chain }
}

fn alder(uptime: Nanoseconds, record: Record<'_>, out: &mut String) -> std::fmt::Result {
    let millis = uptime.0.max(0) / 1_000_000;
    let stamp = format!("[{}.{:03}] ", millis / 1000, millis % 1000);
    match record {
        Record::Boot => write!(out, "{stamp}boot: alder firmware 1.4 reset=cold\r\n"),
        Record::Readings(readings) => readings
            .iter()
            .try_for_each(|(line, counts)| write!(out, "{stamp}keyscan: line={line} adc=0x{counts:03x}\r\n")),
        Record::Change("power", value) => write!(out, "{stamp}power: state={value}\r\n"),
        Record::Change("screen", "hidden") => write!(out, "{stamp}osd: hide\r\n"),
        Record::Change("screen", value) => write!(out, "{stamp}osd: show {value}\r\n"),
        Record::Change("entry", value) => write!(out, "{stamp}osd: set item=menu value={value}\r\n"),
        Record::Change(item, value) => write!(out, "{stamp}osd: set item={item} value={value}\r\n"),
        Record::Lamp(percent) => write!(out, "{stamp}lamp: duty={percent}%\r\n"),
        Record::Tuner(ratio) => write!(out, "{stamp}tuner: lock snr={ratio}\r\n"),
        Record::Remote(address, command, repeat) => {
            let state = if repeat { "again" } else { "new" };
            write!(out, "{stamp}irrx: from=0x{address:02x} code=0x{command:02x} {state}\r\n")
        }
        Record::Key(..) | Record::Cec(_) => Ok(()),
    }
}

fn birch(uptime: Nanoseconds, record: Record<'_>, out: &mut String) -> std::fmt::Result {
    let micros = uptime.0.max(0) / 1000;
    let stamp = |task: &str| format!("[{:5}.{:06}][{task:>6}] ", micros / 1_000_000, micros % 1_000_000);
    match record {
        Record::Boot => writeln!(out, "{}birch: starting, reset cause power-on", stamp("T1")),
        // This chassis never says that a key went up.
        Record::Key(_, KeyState::Up) | Record::Readings(_) => Ok(()),
        Record::Key(key, KeyState::Down) => writeln!(out, "{}keypad: key {}", stamp("T103"), birch_key(key)),
        Record::Key(key, KeyState::Repeat) => {
            writeln!(out, "{}keypad: key {} (rpt)", stamp("T103"), birch_key(key))
        }
        Record::Change("power", "standby") => {
            writeln!(out, "{}power: entering standby (key)", stamp("T88"))
        }
        Record::Change("power", _) => writeln!(out, "{}power: wake (key)", stamp("T88")),
        Record::Change("screen", "hidden") => writeln!(out, "{}menu: closed", stamp("T140")),
        Record::Change("screen", value) => {
            let name = match value {
                "banner" => "Banner",
                "sources" => "Sources",
                _ => "Picture",
            };
            writeln!(out, "{}menu: open {name}", stamp("T140"))
        }
        Record::Change(item, value) => {
            let item = match item {
                "brightness" => "Picture/Brightness",
                "contrast" => "Picture/Contrast",
                "volume" => "Sound/Volume",
                "channel" => "Tuner/Channel",
                "input" => "Setup/Input",
                _ => "Picture",
            };
            writeln!(out, "{}menu: {item} = {value}", stamp("T140"))
        }
        Record::Remote(address, command, repeat) => {
            writeln!(out, "{}ir: addr={address:02x} cmd={command:02x} rpt={}", stamp("C0"), u8::from(repeat))
        }
        Record::Cec(bytes) => {
            let text: Vec<String> = bytes.iter().map(|byte| format!("{byte:02x}")).collect();
            writeln!(out, "{}cec: rx {}", stamp("T99"), text.join(" "))
        }
        Record::Lamp(percent) => writeln!(out, "{}backlight: level {percent}", stamp("T77")),
        Record::Tuner(ratio) => writeln!(out, "{}tuner: locked, snr {ratio}", stamp("T121")),
    }
}

fn rowan(record: Record<'_>, out: &mut String) -> std::fmt::Result {
    match record {
        Record::Readings([(_, first), (_, second)]) => writeln!(out, "{first:03} {second:03}"),
        Record::Change("screen", value) => writeln!(out, "01={}", u8::from(value != "hidden")),
        Record::Change("volume", value) => writeln!(out, "07={value}"),
        Record::Change("channel", value) => writeln!(out, "08={value}"),
        Record::Change("brightness", value) => writeln!(out, "12={value}"),
        Record::Change("contrast", value) => writeln!(out, "13={value}"),
        _ => Ok(()),
    }
}

fn birch_key(key: Key) -> &'static str {
    match key.name() {
        "KEY_POWER" => "POWER",
        "KEY_VOLUMEDOWN" => "VOL-",
        "KEY_VOLUMEUP" => "VOL+",
        "KEY_CHANNELDOWN" => "CH-",
        "KEY_CHANNELUP" => "CH+",
        "KEY_MENU" => "MENU",
        "KEY_OK" => "OK",
        "KEY_VIDEO" => "INPUT",
        _ => "NONE",
    }
}
