//! The record that a line comes nearest to, and where it stops fitting.

use std::fmt;
use std::sync::Arc;

use crate::base::quote;
use crate::decode::chassis::Chassis;
use crate::decode::shape::fits_to;

/// Letters and digits of fixed text that must fit before a record is called near.
const LEAST: usize = 3;

/// The record that a line begins like.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize, schemars::JsonSchema)]
pub struct Nearest {
    /// Name of the chassis.
    pub chassis: String,
    /// The record's shape, as the file writes it.
    pub shape: String,
    /// The line from where it stops fitting; empty where it only ends too early.
    pub from: String,
}

impl fmt::Display for Nearest {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "`{}` of {}", self.shape, self.chassis)?;
        match self.from.as_str() {
            "" => f.write_str(", and ends too early"),
            from => write!(f, ", but `{from}` does not fit"),
        }
    }
}

/// The record that most fixed text of the line's beginning fits; the first of equals.
pub fn nearest<'a>(all: impl Iterator<Item = &'a Arc<Chassis>>, line: &[u8]) -> Option<Nearest> {
    let mut best = (0, 0, None);
    for chassis in all {
        for pattern in &chassis.patterns {
            let (length, letters) = fits_to(&pattern.shape.parts, line);
            if letters >= LEAST && (letters, length) > (best.0, best.1) {
                best = (letters, length, Some((chassis, pattern)));
            }
        }
    }
    let (_, length, Some((chassis, pattern))) = best else { return None };
    let record = chassis.file().record.get(pattern.record)?;
    Some(Nearest {
        chassis: chassis.name().to_owned(),
        shape: record.shape.get_ref().clone(),
        from: quote(line.get(length..).unwrap_or_default().trim_ascii()),
    })
}
