//! How characters are framed on a wire, as asked and as found.

use crate::base::{Error, Result};

/// The bit behind the data bits.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Parity {
    /// There is none.
    #[default]
    None,
    /// Makes the number of ones even.
    Even,
    /// Makes the number of ones odd.
    Odd,
    /// Always one.
    Mark,
    /// Always zero.
    Space,
}

/// How a character is framed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Framing {
    /// 5 to 9.
    pub data_bits: u8,
    /// The bit behind the data.
    pub parity: Parity,
    /// 1 or 2. As receivers do, only the first is checked.
    pub stop_bits: u8,
}

impl Default for Framing {
    /// 8N1.
    fn default() -> Self {
        Self { data_bits: 8, parity: Parity::None, stop_bits: 1 }
    }
}

impl std::fmt::Display for Framing {
    /// `8N1`.
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let parity = match self.parity {
            Parity::None => 'N',
            Parity::Even => 'E',
            Parity::Odd => 'O',
            Parity::Mark => 'M',
            Parity::Space => 'S',
        };
        write!(f, "{}{parity}{}", self.data_bits, self.stop_bits)
    }
}

impl std::str::FromStr for Framing {
    type Err = Error;

    /// From `8N1`.
    ///
    /// # Errors
    /// `Usage` for anything but 5 to 9 data bits, one of N E O M S, and 1 or 2 stop bits.
    fn from_str(text: &str) -> Result<Self> {
        let wrong = || {
            Error::usage(format!("`{}` is no framing", crate::base::quote(text.as_bytes())))
                .help("write data bits (5 to 9), parity (N, E, O, M, S) and stop bits (1, 2), as 8N1")
        };
        let [data, parity, stop] = text.as_bytes() else { return Err(wrong()) };
        let parity = match parity.to_ascii_uppercase() {
            b'N' => Parity::None,
            b'E' => Parity::Even,
            b'O' => Parity::Odd,
            b'M' => Parity::Mark,
            b'S' => Parity::Space,
            _ => return Err(wrong()),
        };
        let (data_bits, stop_bits) = (data.wrapping_sub(b'0'), stop.wrapping_sub(b'0'));
        if !(5..=9).contains(&data_bits) || !(1..=2).contains(&stop_bits) {
            return Err(wrong());
        }
        Ok(Self { data_bits, parity, stop_bits })
    }
}

/// What is known of a line; `None` is found.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct UartSpec {
    /// Bits a second.
    pub rate_hz: Option<f64>,
    /// Data bits, parity, stop bits.
    pub framing: Option<Framing>,
    /// Idle low instead of idle high.
    pub inverted: Option<bool>,
}

/// What a line turned out to be.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Found {
    /// Bits a second, as measured; exactly the given rate when it was given.
    pub rate_hz: f64,
    /// The usual rate within 3 %, when there is one.
    pub usual_hz: Option<f64>,
    /// Data bits, parity, stop bits.
    pub framing: Framing,
    /// Idle low.
    pub inverted: bool,
    /// How likely this is against the other ways to read the same edges, 0 to 1; 1 when all was given.
    pub certainty: f64,
}

impl Found {
    /// A usual rate, 8N1, idle high.
    pub(crate) fn is_usual(&self) -> bool {
        self.usual_hz.is_some() && self.framing == Framing::default() && !self.inverted
    }

    /// Whether this is another line than `other`, beyond what a drifting clock explains.
    pub(crate) fn differs(&self, other: &Self) -> bool {
        (self.rate_hz / other.rate_hz - 1.0).abs() > 0.04
            || (self.framing.data_bits, self.framing.parity)
                != (other.framing.data_bits, other.framing.parity)
            || self.inverted != other.inverted
    }
}
