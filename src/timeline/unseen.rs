//! Wires on which a signal could not have been seen, had there been one.

use std::fmt;

use serde::{Serialize, Serializer};

use crate::base::Name;
use crate::base::words::interval;
use crate::timeline::wire::Signal;

/// Why a wire could not have shown its signal.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[serde(tag = "reason", rename_all = "kebab-case")]
pub enum Unseen {
    /// The voltage never crossed a threshold.
    NoCrossing {
        /// Lowest sample in volts.
        low: f64,
        /// Highest sample in volts.
        high: f64,
    },
    /// The samples are too far apart for the shortest element of the signal.
    TooCoarse {
        /// Time between two samples in seconds.
        sample_s: f64,
        /// Shortest element of the signal in seconds.
        shortest_s: f64,
    },
    /// A channel of levels that kept its level: the line was at rest, or not connected.
    Flat {
        /// The level.
        high: bool,
    },
    /// The channel has no value at all.
    NoSample,
}

/// A wire on which nothing could be seen.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct UnseenWire {
    /// Name of the channel.
    pub channel: Name,
    /// What was looked for.
    #[serde(serialize_with = "as_text")]
    pub signal: Signal,
    /// Why it could not be seen.
    #[serde(flatten)]
    pub why: Unseen,
}

fn as_text<S: Serializer>(signal: &Signal, serializer: S) -> Result<S::Ok, S::Error> {
    serializer.collect_str(signal)
}

impl fmt::Display for Unseen {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NoCrossing { low, high } => write!(
                f,
                "nothing can be seen: it has no two levels, only {low:.2} to {high:.2} V; check the probe, or give \
                 --threshold VOLTS"
            ),
            Self::TooCoarse { sample_s, shortest_s } => write!(
                f,
                "one sample every {} is too coarse: the shortest element lasts {}; sample faster",
                interval(*sample_s),
                interval(*shortest_s)
            ),
            Self::Flat { high } => {
                write!(
                    f,
                    "always {}: check that the channel is connected",
                    if *high { "high" } else { "low" }
                )
            }
            Self::NoSample => f.write_str("the channel has no values"),
        }
    }
}
