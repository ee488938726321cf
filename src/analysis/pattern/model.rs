//! What a pattern is.

use crate::analysis::event_sequence::Symbol;
use crate::base::{ControlPath, EventKind};
use serde::Serialize;

/// The kinds of pattern.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, schemars::JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Class {
    /// One event on a steady beat.
    Steady,
    /// The repeats of a key that the set believes held.
    AutoRepeat,
    /// A key that stays down.
    Held,
    /// Groups of one event with long pauses between.
    Burst,
    /// A sequence of different events, again and again; without a period when the time between them is not steady.
    Cycle,
    /// On a beat that hangs on the mains or on a lamp's pulse rate.
    Locked,
    /// One event that comes back without a beat.
    Sporadic,
}

impl Class {
    /// As it stands in JSON.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Steady => "steady",
            Self::AutoRepeat => "auto-repeat",
            Self::Held => "held",
            Self::Burst => "burst",
            Self::Cycle => "cycle",
            Self::Locked => "locked",
            Self::Sporadic => "sporadic",
        }
    }
}

/// One event of a motif.
#[derive(Clone, Debug, PartialEq, Serialize, schemars::JsonSchema)]
pub struct MotifEvent {
    /// Press, repeat or change.
    pub kind: EventKind,
    /// What.
    #[serde(flatten)]
    pub symbol: Symbol,
    /// Seconds after the first event of the motif.
    pub offset_s: f64,
}

/// One pattern.
#[derive(Clone, Debug, PartialEq, Serialize, schemars::JsonSchema)]
pub struct Pattern {
    /// Number, from 1, the one that explains most first.
    pub id: u32,
    /// Control path of its first event.
    pub path: ControlPath,
    /// Its kind.
    pub class: Class,
    /// Its events in order.
    pub motif: Vec<MotifEvent>,
    /// Period in seconds; null when it has none.
    pub period_s: Option<f64>,
    /// Lower end of the period's 95 % interval.
    pub period_low_s: Option<f64>,
    /// Upper end of the period's 95 % interval.
    pub period_high_s: Option<f64>,
    /// Jitter of one beat, standard deviation in seconds.
    pub jitter_s: Option<f64>,
    /// The part of the jitter that stays within the beat (a steady clock behind it).
    pub jitter_locked_s: Option<f64>,
    /// The part of the jitter that adds up from beat to beat (a clock that wanders).
    pub jitter_walk_s: Option<f64>,
    /// Period over the first third of the beats, where it changes with time.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub period_first_s: Option<f64>,
    /// Period over the last third of the beats, where it changes with time.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub period_last_s: Option<f64>,
    /// Frequency that the events hang on, Hz.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub locked_hz: Option<f64>,
    /// Mains and lamp rates that would look like this period, given how often the set looks; more than one
    /// cannot be told apart.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub alias_hz: Vec<f64>,
    /// Beats at which at least half of the motif was seen.
    pub count: u64,
    /// Beats at which it was not, between the first and the last of each run.
    pub missed: u64,
    /// Uninterrupted runs of beats.
    pub runs: u64,
    /// Share of all strays that this pattern explains, repeats counted.
    pub coverage: f64,
    /// First stray of it, seconds.
    pub first_t: f64,
    /// Last stray of it, seconds.
    pub last_t: f64,
    /// Chance that events without a beat would have given as good a pattern anywhere in the search.
    pub chance: f64,
    /// Bits by which it tells more than chance, the cost of the search taken off.
    pub bits: Option<f64>,
    /// Bits saved in writing the sequence down when its unbroken beats are written as cycles (see `pattern::code`); for motifs
    /// of one event.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub saved_bits: Option<f64>,
    /// Share of shuffled sequences, the real one counted, in which the whole search found as good a pattern.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub chance_shuffled: Option<f64>,
    /// What it says, in a sentence.
    pub note: String,
}

/// All patterns of a sequence.
#[derive(Clone, Debug, PartialEq, Serialize, schemars::JsonSchema)]
pub struct Patterns {
    /// Version of this shape: 1.
    pub version: u32,
    /// How long was watched, seconds.
    pub span_s: f64,
    /// All strays, repeats counted.
    pub strays: u64,
    /// Strays that no pattern with a beat or a hold explains.
    pub unexplained: u64,
    /// The patterns, the one that explains most first.
    pub patterns: Vec<Pattern>,
    /// Seed of the surrogates.
    pub seed: u64,
}
