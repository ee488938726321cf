//! Which channel of a logic or analog capture carries which signal.

use std::fmt;
use std::str::FromStr;

use crate::base::{Error, Result};

/// What a channel carries.
#[derive(Clone, Debug, PartialEq)]
pub enum Signal {
    /// Debug UART; the rate in bits per second is found from the edges when not given.
    Uart(Option<f64>),
    /// Output of an infrared receiver, or the carrier itself.
    Infrared,
    /// The HDMI-CEC line.
    Cec,
    /// Analog keypad line with this name.
    Keypad(String),
}

impl Signal {
    /// Length in seconds of the shortest element that must be seen; `None` where it is not known.
    ///
    /// # Source
    /// Infrared: the unit of RC-6, 444 µs, the shortest of the common formats. CEC: the shortest low of a 1,
    /// 400 µs, HDMI 1.4 supplement 1, table 5-1 (number from memory). Keypad: the fastest press of a finger, a tenth of a
    /// second (common practice, no source).
    pub fn shortest_s(&self) -> Option<f64> {
        match self {
            Self::Uart(rate) => rate.map(|rate| 1.0 / rate),
            Self::Infrared => Some(444e-6),
            Self::Cec => Some(400e-6),
            Self::Keypad(_) => Some(0.1),
        }
    }
}

impl FromStr for Signal {
    type Err = Error;

    fn from_str(text: &str) -> Result<Self> {
        let wrong = |what: String| {
            Error::usage(what).help("a signal is uart, uart@BAUD, infrared, cec or keypad:LINE")
        };
        if let Some(rate) = text.strip_prefix("uart@") {
            return match rate.parse::<f64>() {
                Ok(rate) if (50.0..=12e6).contains(&rate) => Ok(Self::Uart(Some(rate))),
                _ => Err(wrong(format!("\"{rate}\" is no UART rate between 50 and 12000000"))),
            };
        }
        match (text, text.strip_prefix("keypad:")) {
            ("uart", _) => Ok(Self::Uart(None)),
            ("infrared", _) => Ok(Self::Infrared),
            ("cec", _) => Ok(Self::Cec),
            (_, Some(line)) if !line.trim().is_empty() => Ok(Self::Keypad(line.to_owned())),
            _ => Err(wrong(format!("\"{text}\" is no signal"))),
        }
    }
}

impl fmt::Display for Signal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Uart(None) => f.write_str("uart"),
            Self::Uart(Some(rate)) => write!(f, "uart@{rate}"),
            Self::Infrared => f.write_str("infrared"),
            Self::Cec => f.write_str("cec"),
            Self::Keypad(line) => write!(f, "keypad:{line}"),
        }
    }
}

/// One channel and its signal.
#[derive(Clone, Debug, PartialEq)]
pub struct Wire {
    /// Channel name as in the file's header, or its number counted from 0.
    pub channel: String,
    /// What it carries.
    pub signal: Signal,
}

impl FromStr for Wire {
    type Err = Error;

    /// Reads `CHANNEL=SIGNAL`. The last `=` parts them, since channel names are foreign text.
    fn from_str(text: &str) -> Result<Self> {
        let Some((channel, signal)) = text.rsplit_once('=') else {
            return Err(Error::usage(format!("\"{text}\" is no CHANNEL=SIGNAL"))
                .help("for example --wire A=uart@115200 or --wire B=infrared"));
        };
        Ok(Self { channel: channel.to_owned(), signal: signal.parse()? })
    }
}

impl Wire {
    /// Wires from a manifest's table of channel and signal text.
    ///
    /// # Errors
    /// `Usage` for text that is no signal.
    pub fn from_map<'a>(map: impl IntoIterator<Item = (&'a String, &'a String)>) -> Result<Vec<Self>> {
        map.into_iter()
            .map(|(channel, signal)| Ok(Self { channel: channel.clone(), signal: signal.parse()? }))
            .collect()
    }
}
