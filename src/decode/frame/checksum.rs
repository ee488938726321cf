//! Sum, exclusive-or and cyclic redundancy checks by declared parameters.

use serde::Deserialize;

use crate::decode::frame::layout::Order;

/// How the check is made.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum CheckKind {
    /// Sum of the bytes, cut to the check's width.
    Sum,
    /// Exclusive-or of the bytes.
    Xor,
    /// Cyclic redundancy check.
    Crc,
}

/// `[frame.checksum]`: the check at the end of each frame.
///
/// # Source
/// The parameter model of Williams, R. (1993), "A painless guide to CRC error detection algorithms", section 15
/// (width, poly, init, refin, refout, xorout).
#[derive(Clone, Debug, PartialEq, Eq, Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Checksum {
    /// How it is made.
    pub kind: CheckKind,
    /// Its width: 8, 16 or 32.
    #[serde(default = "eight")]
    pub bits: u8,
    /// Generator polynomial without its highest term, most significant bit first.
    #[serde(default)]
    pub polynomial: u32,
    /// Value before the first byte.
    #[serde(default)]
    pub initial: u32,
    /// Each byte enters least significant bit first.
    #[serde(default)]
    pub reflect_in: bool,
    /// The result is mirrored.
    #[serde(default)]
    pub reflect_out: bool,
    /// Exclusive-or of the result at the end.
    #[serde(default)]
    pub final_xor: u32,
    /// Order of its bytes in the frame.
    #[serde(default)]
    pub order: Order,
    /// Whether the sync bytes are covered too.
    #[serde(default)]
    pub with_sync: bool,
}

fn eight() -> u8 {
    8
}

impl Checksum {
    /// Bytes of the check in the frame.
    pub fn bytes(&self) -> usize {
        usize::from(self.bits / 8)
    }

    /// What is wrong with the declaration, and what was expected.
    pub(crate) fn mistake(&self) -> Option<(&'static str, &'static str)> {
        let mask = mask(self.bits);
        if !matches!(self.bits, 8 | 16 | 32) {
            return Some(("a checksum has 8, 16 or 32 bits", "expected bits = 8, 16 or 32"));
        }
        if [self.polynomial, self.initial, self.final_xor].iter().any(|value| value & !mask != 0) {
            return Some((
                "a number of the checksum is wider than the checksum",
                "expected it to fit into `bits`",
            ));
        }
        match (self.kind, self.polynomial) {
            (CheckKind::Crc, 0) => Some(("a crc without polynomial", "expected polynomial, as 0x1021")),
            (CheckKind::Crc, _) | (_, 0) => None,
            _ => Some(("only a crc has a polynomial", "expected kind = \"crc\"")),
        }
    }

    /// The check of some bytes.
    ///
    /// # Example
    /// ```
    /// # use straykey::decode::frame::{CheckKind, Checksum};
    /// // The catalogue's check value of CRC-16/XMODEM for "123456789".
    /// let xmodem: Checksum = toml::from_str("kind = \"crc\"\nbits = 16\npolynomial = 0x1021").unwrap();
    /// assert_eq!(xmodem.of(b"123456789"), 0x31c3);
    /// ```
    pub fn of(&self, bytes: &[u8]) -> u32 {
        self.made([bytes], |high| self.step(high))
    }

    /// The same of bytes in any pieces; `step` is [`Checksum::step`], or a table of it.
    #[inline]
    pub(crate) fn made<const N: usize>(&self, pieces: [&[u8]; N], step: impl Fn(u8) -> u32) -> u32 {
        let value = match self.kind {
            CheckKind::Sum => over(&pieces, self.initial, |sum, byte| sum.wrapping_add(u32::from(byte))),
            CheckKind::Xor => over(&pieces, self.initial, |sum, byte| sum ^ u32::from(byte)),
            CheckKind::Crc => {
                let register = over(&pieces, self.initial, |register, byte| {
                    let byte = if self.reflect_in { byte.reverse_bits() } else { byte };
                    // What is above the width is cut in the end.
                    #[allow(clippy::cast_possible_truncation)]
                    let high = (register >> (self.bits - 8)) as u8 ^ byte;
                    register << 8 ^ step(high)
                }) & mask(self.bits);
                if self.reflect_out {
                    register.reverse_bits() >> (32 - u32::from(self.bits))
                } else {
                    register
                }
            }
        };
        (value ^ self.final_xor) & mask(self.bits)
    }

    /// What the highest byte of the register leaves in the rest of it when it is shifted out: the definition itself,
    /// bit by bit.
    pub(crate) fn step(&self, high: u8) -> u32 {
        let top = u32::from(self.bits);
        let shift = |register: u32, _| {
            let carry = register >> (top - 1) & 1;
            register << 1 ^ self.polynomial & 0u32.wrapping_sub(carry)
        };
        (0..8).fold(u32::from(high) << (top - 8), shift)
    }
}

/// Folds over the bytes of all pieces.
#[inline]
fn over(pieces: &[&[u8]], initial: u32, step: impl Fn(u32, u8) -> u32) -> u32 {
    pieces.iter().fold(initial, |all, piece| piece.iter().fold(all, |all, byte| step(all, *byte)))
}

fn mask(bits: u8) -> u32 {
    if bits >= 32 { u32::MAX } else { (1u32 << bits) - 1 }
}
