//! A provocation as the step log keeps it: its plan, the blocks that were begun, the rounds that do not count.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt;

use serde::{Deserialize, Serialize};

use crate::base::{Nanoseconds, Span};

/// A block of a provocation that has begun.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema)]
pub struct BlockBegun {
    /// Round, from 0.
    pub round: usize,
    /// Place in the round, from 0.
    pub place: usize,
    /// When, on the capture clock.
    pub t: Nanoseconds,
}

/// Why a round does not count. In JSON it is its words, so that logs of any age can be read.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(from = "String", into = "String")]
#[schemars(with = "String")]
pub enum Spoiled {
    /// Hands touched the set in "leave alone".
    HandsMoved,
    /// A pause fell into it.
    Paused,
    /// The adapter was unplugged.
    PortGone,
    /// The block was broken off: stopped, killed.
    BrokenOff,
    /// Nothing could have been seen for a part of it.
    Blind,
    /// The technician's own words.
    Other(String),
}

impl fmt::Display for Spoiled {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::HandsMoved => "hands moved",
            Self::Paused => "paused",
            Self::PortGone => "the port was gone",
            Self::BrokenOff => "broken off",
            Self::Blind => "not all of it was seen",
            Self::Other(words) => words,
        })
    }
}

impl From<&str> for Spoiled {
    fn from(words: &str) -> Self {
        let known = [Self::HandsMoved, Self::Paused, Self::PortGone, Self::BrokenOff, Self::Blind];
        let found = known.into_iter().find(|one| one.to_string() == words);
        found.unwrap_or_else(|| Self::Other(words.to_owned()))
    }
}

impl From<String> for Spoiled {
    fn from(words: String) -> Self {
        Self::from(words.as_str())
    }
}

impl From<Spoiled> for String {
    fn from(why: Spoiled) -> Self {
        why.to_string()
    }
}

/// A designed experiment in a capture: blocks of "leave alone" and of each stressor, in an order that its seed draws.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema)]
pub struct Provocation {
    /// Seed of the drawing.
    pub seed: u64,
    /// The stressors as they were written: `warm@key-cable`.
    pub stressors: Vec<String>,
    /// Rounds that are to count.
    pub rounds: u32,
    /// Time at the start of each block that is not counted.
    pub wash_out: Nanoseconds,
    /// Time of each block that counts.
    pub counted: Nanoseconds,
    /// The blocks that were begun, in order.
    #[serde(default)]
    pub begun: Vec<BlockBegun>,
    /// Rounds, from 0, that were struck out, and why.
    #[serde(default)]
    pub struck: BTreeMap<usize, Spoiled>,
    /// Those of them that were struck out when the numbers were known.
    #[serde(default, skip_serializing_if = "BTreeSet::is_empty")]
    pub struck_later: BTreeSet<usize>,
    /// How the cautions of its stressors were read; absent where they have none, and in logs that did not keep it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub cautions: Option<String>,
}

impl Provocation {
    /// The part of a block that counts.
    pub fn counted_of(&self, begun: &BlockBegun) -> Span {
        let start = begun.t.saturating_add(self.wash_out);
        Span { start, end: start.saturating_add(self.counted) }
    }
}
