//! What is private in a text, and how often it was met.

use serde::{Deserialize, Serialize};

pub use crate::timeline::mask::line::Tally;

/// What a masked string is likely to be.
#[derive(
    Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, schemars::JsonSchema,
)]
#[serde(rename_all = "kebab-case")]
pub enum Private {
    /// Name of a wireless network.
    NetworkName,
    /// Key, pass phrase, password, token.
    Secret,
    /// Serial number or another number of one device.
    SerialNumber,
    /// Hardware address of a network interface.
    HardwareAddress,
    /// Internet address.
    InternetAddress,
    /// User name or mail address.
    Account,
    /// Name that somebody gave to a device or a host.
    DeviceName,
    /// Telephone number.
    Telephone,
    /// Coordinates.
    Location,
}

impl Private {
    /// In words, one of them.
    pub const fn words(self) -> &'static str {
        match self {
            Self::NetworkName => "network name",
            Self::Secret => "password or key",
            Self::SerialNumber => "serial number",
            Self::HardwareAddress => "hardware address",
            Self::InternetAddress => "internet address",
            Self::Account => "account",
            Self::DeviceName => "device name",
            Self::Telephone => "telephone number",
            Self::Location => "location",
        }
    }
}

/// What kind of text is masked.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Text {
    /// A log, or what people write.
    #[default]
    Log,
    /// A table or a dump: its rows are numbers, only its heads and remarks are words.
    Table,
}
