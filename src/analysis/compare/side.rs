//! The figures of one side of a comparison: the one place where a rate and its interval are worked out.

use serde::{Serialize, Serializer};

use crate::analysis::episode::{Episode, Press, episodes};
use crate::analysis::event_sequence::EventSequence;
use crate::analysis::quiet::{exposure, watched};
use crate::analysis::rate::{Count, garwood_scaled};
use crate::base::Nanoseconds;

/// One side of a comparison.
#[derive(Clone, Debug, PartialEq, Serialize, schemars::JsonSchema)]
pub struct Side {
    /// How long the captures are by the clock, seconds.
    pub span_s: f64,
    /// Time in which a stray would have been seen, seconds.
    pub observed_s: f64,
    /// Raw strays, repeats counted.
    pub strays: u64,
    /// Episodes.
    pub episodes: u64,
    /// Episodes a minute.
    #[serde(serialize_with = "finite")]
    #[schemars(with = "Option<f64>")]
    pub per_min: f64,
    /// Lower end of its exact interval.
    #[serde(serialize_with = "finite")]
    #[schemars(with = "Option<f64>")]
    pub per_min_low: f64,
    /// Upper end of its exact interval.
    #[serde(serialize_with = "finite")]
    #[schemars(with = "Option<f64>")]
    pub per_min_high: f64,
    /// Share of the time spent inside episodes.
    pub stray_share: f64,
}

/// JSON has no infinity: what is not finite is written as null.
pub(crate) fn finite<S: Serializer>(value: &f64, serializer: S) -> Result<S::Ok, S::Error> {
    if value.is_finite() { serializer.serialize_f64(*value) } else { serializer.serialize_none() }
}

/// The presses and episodes of one observation.
pub(crate) struct Reading {
    pub(crate) episodes: Vec<Episode>,
    pub(crate) count: Count,
}

pub(crate) fn read(sequence: &EventSequence, presses: &[Press], gap: Option<Nanoseconds>) -> Reading {
    let episodes = episodes(presses, gap);
    let count = Count { count: episodes.len() as u64, exposure: exposure(sequence, &episodes) };
    Reading { episodes, count }
}

/// The figures of one side. `span_s` is by the clock.
pub(crate) fn side(
    sequence: &EventSequence,
    span_s: f64,
    reading: &Reading,
    dispersion: f64,
    confidence: f64,
) -> Side {
    let observed_s = watched(sequence);
    // A sum of nothing is minus zero.
    let inside = 0.0 + reading.episodes.iter().map(|e| (e.end - e.start).seconds()).sum::<f64>();
    figures(span_s, observed_s, inside, sequence.len() as u64, reading.count, dispersion, confidence)
}

/// Rate and interval of one side: the one place where they are worked out.
pub(crate) fn figures(
    span_s: f64,
    observed_s: f64,
    inside_s: f64,
    strays: u64,
    count: Count,
    dispersion: f64,
    confidence: f64,
) -> Side {
    let minutes = count.exposure / 60.0;
    let interval = garwood_scaled(count.count, dispersion, confidence);
    Side {
        span_s,
        observed_s,
        strays,
        episodes: count.count,
        per_min: garwood_rate(count.count, minutes),
        per_min_low: interval.low / minutes,
        per_min_high: interval.high / minutes,
        stray_share: if observed_s > 0.0 { (inside_s / observed_s).min(1.0) } else { 0.0 },
    }
}

#[allow(clippy::cast_precision_loss)]
fn garwood_rate(count: u64, minutes: f64) -> f64 {
    count as f64 / minutes
}
