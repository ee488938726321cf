//! What plain rows consist of: columns that are read together, and the shape that rows of levels share.

use crate::source::csv::cell;
use crate::source::csv::layout::{Layout, Role};
use crate::source::digits::Alike;

/// Columns behind the time that are read together.
#[derive(Clone, Copy, Debug)]
pub(super) enum Part {
    /// Up to [`ABREAST`] level columns.
    Levels {
        /// Channel of the first; the others follow.
        channel: u16,
        /// Bytes of all of them.
        length: usize,
        /// The bytes that count, of the eight that are loaded.
        mask: u64,
        /// The bytes of the last row.
        last: u64,
    },
    /// A column of voltages.
    Volts {
        /// Its channel.
        channel: u16,
        /// Volts in one unit.
        factor: f64,
    },
}

/// The parts of a row; none where the layout is such that no row is plain.
pub(super) fn parts(layout: &Layout) -> Vec<Part> {
    let mut parts: Vec<Part> = Vec::new();
    let Some((Role::Time(_), columns)) = layout.roles.split_first() else { return parts };
    for role in columns {
        match (*role, parts.last_mut()) {
            (Role::Logic(_), Some(Part::Levels { length, mask, .. })) if *length < 2 * ABREAST => {
                *mask |= 0xffff << (8 * *length);
                *length += 2;
            }
            (Role::Logic(channel), _) => {
                parts.push(Part::Levels { channel, length: 2, mask: 0xffff, last: 0 });
            }
            (Role::Analog(channel, factor), _) => parts.push(Part::Volts { channel, factor }),
            _ => return Vec::new(),
        }
    }
    parts
}

/// Level columns that are compared at once: each is a separator and one character.
pub(super) const ABREAST: usize = 4;

/// A row of levels alone, which others follow that differ from it in digits only.
#[derive(Clone, Copy, Debug)]
pub(super) struct Shape {
    pub(super) time: Alike,
    /// Bytes of the time, and of the row with its line end.
    pub(super) clock: usize,
    pub(super) row: usize,
    /// Power of ten that makes the digits of the time nanoseconds, and its value where it is a whole number.
    pub(super) exponent: i32,
    pub(super) scale: Option<u64>,
}

impl Shape {
    #[inline(always)]
    pub(super) fn nanoseconds(&self, number: u64) -> Option<i64> {
        match self.scale {
            Some(scale) => i64::try_from(number.checked_mul(scale)?).ok(),
            None => cell::nanoseconds(number, self.exponent),
        }
    }
}
