//! Bits of a frame to numbers and text.

use std::io::Write as _;

use crate::base::push_decimal;
use crate::decode::frame::layout::{Field, FieldForm, Order};
use crate::decode::shape::Form;

impl Field {
    /// The form under which the field is treated like a captured placeholder.
    pub(crate) fn as_form(&self) -> Form {
        match self.form {
            FieldForm::Number => Form::Integer,
            FieldForm::Bytes => Form::Bytes,
            FieldForm::Text => Form::Text,
        }
    }

    /// How many bytes of the frame the field needs, from the first.
    pub(crate) fn reach(&self) -> usize {
        match self.form {
            FieldForm::Number => self.at + (self.bit + self.bits).div_ceil(8),
            _ => self.at + self.bytes.unwrap_or(0),
        }
    }

    /// What is wrong with the declaration, and what was expected.
    pub(crate) fn mistake(&self) -> Option<(&'static str, &'static str)> {
        let number = self.form == FieldForm::Number;
        if number && (self.bits == 0 || self.bits > 63) {
            return Some(("a number has 1 to 63 bits", "expected bits = 1 to 63"));
        }
        if self.bit > 7 {
            return Some(("a bit beyond its byte", "expected bit = 0 to 7; later bytes have their own `at`"));
        }
        if number && self.bytes.is_some() {
            return Some(("a number is measured in bits", "expected `bits`, or form = \"bytes\""));
        }
        if [self.scale, self.offset].into_iter().flatten().any(|factor| !factor.is_finite()) {
            return Some(("scale and offset are plain numbers", "expected a finite number"));
        }
        None
    }

    /// The number in the bits; `None` when the frame is too short.
    #[inline]
    pub fn number(&self, frame: &[u8]) -> Option<i64> {
        if self.is_byte() { frame.get(self.at).copied().map(i64::from) } else { self.wide_number(frame) }
    }

    /// Whether it is the number of one byte, as most are.
    #[inline]
    pub(crate) fn is_byte(&self) -> bool {
        self.form == FieldForm::Number && self.bit == 0 && self.bits == 8 && !self.signed
    }

    fn wide_number(&self, frame: &[u8]) -> Option<i64> {
        if self.bits > 63 || frame.len() < self.reach() {
            return None;
        }
        let span = self.bit + self.bits;
        let bytes = frame.get(self.at..self.at + span.div_ceil(8))?;
        let join = |all: u64, byte: &u8| all << 8 | u64::from(*byte);
        // The least significant byte apart: with it 63 bits may lie in nine bytes.
        let (least, more, shift) = match self.order {
            Order::Big => {
                let (least, more) = bytes.split_last()?;
                (least, more.iter().fold(0, join), 8 * bytes.len() - span)
            }
            Order::Little => {
                let (least, more) = bytes.split_first()?;
                (least, more.iter().rev().fold(0, join), self.bit)
            }
        };
        let all = more << (8 - shift) | u64::from(*least) >> shift;
        let value = (all & ((1 << self.bits) - 1)).cast_signed();
        let negative = self.signed && value >> (self.bits - 1) & 1 == 1;
        Some(if negative { value - (1i64 << self.bits) } else { value })
    }

    /// Appends the field to `text` as a line would print it, where it is `spoken`; gives its number, 0 for what is none.
    /// `None` when the frame is too short.
    #[inline]
    pub(crate) fn write(&self, frame: &[u8], spoken: bool, text: &mut Vec<u8>) -> Option<i64> {
        if !spoken && self.form == FieldForm::Number && self.scale.is_none() && self.offset.is_none() {
            return self.number(frame);
        }
        self.write_out(frame, text)
    }

    fn write_out(&self, frame: &[u8], text: &mut Vec<u8>) -> Option<i64> {
        Some(match self.form {
            FieldForm::Number => self.write_number(frame, text)?,
            FieldForm::Bytes => {
                for byte in self.slice(frame)? {
                    let _ = write!(text, "{byte:02x}");
                }
                0
            }
            FieldForm::Text => {
                let bytes = self.slice(frame)?;
                text.extend(bytes.iter().take_while(|b| **b != 0));
                0
            }
        })
    }

    fn slice<'a>(&self, frame: &'a [u8]) -> Option<&'a [u8]> {
        match self.bytes {
            Some(count) => frame.get(self.at..self.at + count),
            None => frame.get(self.at..),
        }
    }

    #[allow(clippy::cast_precision_loss, clippy::cast_possible_truncation)]
    fn write_number(&self, frame: &[u8], text: &mut Vec<u8>) -> Option<i64> {
        let raw = self.number(frame)?;
        if self.scale.is_none() && self.offset.is_none() {
            match u64::try_from(raw) {
                Ok(plain) => push_decimal(text, plain),
                Err(_) => drop(write!(text, "{raw}")),
            }
            return Some(raw);
        }
        let value = raw as f64 * self.scale.unwrap_or(1.0) + self.offset.unwrap_or(0.0);
        // Six places hide what the binary fraction adds to a scale such as 0.1.
        let _ = write!(text, "{}", (value * 1e6).round() / 1e6);
        Some(value.floor() as i64)
    }
}
