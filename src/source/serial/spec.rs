//! Which port, and how its characters are framed.

use std::path::PathBuf;
use std::time::Duration;

use serde::{Deserialize, Serialize};

use crate::base::{Error, Result, quote};

/// Parity bit of a UART character.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Parity {
    /// No parity bit.
    #[default]
    None,
    /// The number of ones, parity included, is odd.
    Odd,
    /// The number of ones, parity included, is even.
    Even,
}

/// How the name of a serial server begins.
const SERVER: &str = "tcp:";

/// A serial port and its settings. There is no flow control: a debug port only talks.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct PortSpec {
    /// The device; a name under `/dev/serial/by-id` stays the same when the adapter is replugged. `tcp:HOST:PORT` is a
    /// serial server that passes raw bytes; rate and framing are then its own.
    pub path: PathBuf,
    /// Bits a second; any rate that the adapter can make.
    pub baud: u32,
    /// Data bits, 5 to 8.
    pub data_bits: u8,
    /// Parity bit.
    pub parity: Parity,
    /// Stop bits, 1 or 2.
    pub stop_bits: u8,
    /// Drive DTR to this state on opening; `None` leaves it to the driver.
    pub dtr: Option<bool>,
    /// After the port is gone, wait for the same adapter instead of ending.
    pub reconnect: bool,
    /// How often to look for the adapter while it is gone.
    pub reconnect_every: Duration,
}

impl PortSpec {
    /// A port at `baud` with 8 data bits, no parity, 1 stop bit, that ends when it is unplugged.
    pub fn new(path: impl Into<PathBuf>, baud: u32) -> Self {
        Self {
            path: path.into(),
            baud,
            data_bits: 8,
            parity: Parity::None,
            stop_bits: 1,
            dtr: None,
            reconnect: false,
            reconnect_every: Duration::from_millis(200),
        }
    }

    /// Sets data bits, parity and stop bits from the trade's short form: `8N1`, `7E2`.
    ///
    /// # Errors
    /// `Usage` for anything but a digit 5 to 8, one of `N`, `E`, `O`, and `1` or `2`.
    pub fn framing(mut self, short: &str) -> Result<Self> {
        let (data, parity, stop) = match short.as_bytes() {
            [data @ b'5'..=b'8', parity, stop @ b'1'..=b'2'] => (*data - b'0', *parity, *stop - b'0'),
            _ => return Err(wrong_framing(short)),
        };
        self.parity = match parity.to_ascii_uppercase() {
            b'N' => Parity::None,
            b'E' => Parity::Even,
            b'O' => Parity::Odd,
            _ => return Err(wrong_framing(short)),
        };
        self.data_bits = data;
        self.stop_bits = stop;
        Ok(self)
    }

    /// The serial server, `HOST:PORT`; `None` for a port of this computer.
    pub fn server(&self) -> Option<&str> {
        self.path.to_str()?.strip_prefix(SERVER)
    }

    /// Port, rate and framing, for people.
    pub fn words(&self) -> String {
        let port = self.path.display();
        match self.server() {
            Some(_) => port.to_string(),
            None => format!("{port} at {} baud {}", self.baud, self.framing_text()),
        }
    }

    /// The short form of the framing, `8N1`.
    pub fn framing_text(&self) -> String {
        let parity = match self.parity {
            Parity::None => 'N',
            Parity::Even => 'E',
            Parity::Odd => 'O',
        };
        format!("{}{parity}{}", self.data_bits, self.stop_bits)
    }

    /// Checks rate and framing, and the address of a serial server.
    ///
    /// # Errors
    /// `Usage` when the rate is 0, the framing is outside 5 to 8 data bits and 1 to 2 stop bits, or there is no address.
    pub(super) fn check(&self) -> Result<()> {
        if self.baud == 0 {
            return Err(Error::usage("a serial port cannot run at 0 baud")
                .at(&self.path)
                .help("give the set's rate; 115200 is the most common on debug ports"));
        }
        if !(5..=8).contains(&self.data_bits) || !(1..=2).contains(&self.stop_bits) {
            return Err(wrong_framing(&self.framing_text()));
        }
        let is_address = |server: &str| {
            let (host, port) = server.rsplit_once(':').unwrap_or_default();
            !host.is_empty() && port.parse::<u16>().is_ok_and(|port| port > 0)
        };
        if self.server().is_some_and(|server| !is_address(server)) {
            return Err(Error::usage("this is no address of a serial server")
                .at(&self.path)
                .help("write tcp:HOST:PORT, for example tcp:192.0.2.7:4001"));
        }
        Ok(())
    }
}

fn wrong_framing(text: &str) -> Error {
    Error::usage(format!("\"{}\" is no framing of a serial port", quote(text.as_bytes())))
        .help("write data bits (5 to 8), parity (N, E or O) and stop bits (1 or 2) together: 8N1")
}
