//! Columns that are read together.

use crate::source::csv::layout::{Layout, Role};

/// Columns behind the time that are read together.
#[derive(Clone, Copy, Debug)]
pub(crate) enum Part {
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
pub(crate) fn parts(layout: &Layout) -> Vec<Part> {
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
pub(crate) const ABREAST: usize = 4;
