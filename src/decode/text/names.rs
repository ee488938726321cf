//! Captured text as shared names, each kept once, so that a line needs no memory of its own.

use std::collections::HashMap;

use crate::base::Name;
use crate::decode::protocol::Encoding;

/// Most texts that are kept.
const MOST_KEPT: usize = 4_096;
/// Longest text that is kept; longer ones are made each time.
const LONGEST_KEPT: usize = 64;
/// Longest text of an event, in bytes of the line; what is beyond is cut.
const LONGEST: usize = 256;

#[derive(Debug)]
pub(super) struct Names {
    encoding: Encoding,
    kept: HashMap<Box<[u8]>, Name>,
}

impl Names {
    pub(super) fn new(encoding: Encoding) -> Self {
        Self { encoding, kept: HashMap::new() }
    }

    /// How many texts are kept.
    pub(super) fn kept(&self) -> usize {
        self.kept.len()
    }

    /// The text as a name.
    pub(super) fn of(&mut self, text: &[u8]) -> Name {
        if let Some(name) = self.kept.get(text) {
            return name.clone();
        }
        let name = self.read(text);
        if text.len() <= LONGEST_KEPT && self.kept.len() < MOST_KEPT {
            self.kept.insert(text.into(), name.clone());
        }
        name
    }

    fn read(&self, text: &[u8]) -> Name {
        let shown = text.get(..LONGEST).unwrap_or(text);
        match self.encoding {
            Encoding::Utf8 => String::from_utf8_lossy(shown).into(),
            Encoding::Latin1 => shown.iter().map(|b| char::from(*b)).collect::<String>().into(),
        }
    }
}
