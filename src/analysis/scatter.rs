//! Whether episodes still cluster, and by how much their counts scatter for it.

use crate::analysis::dispersion::{Dispersion, dispersion};
use crate::analysis::episode::Episode;
use crate::analysis::offtime;
use crate::analysis::quiet::quiet_times;
use crate::analysis::train::Train;
use crate::base::Nanoseconds;

/// One side: its train and its episodes.
type Side<'a> = (&'a Train, &'a [Episode]);

/// Stretches of time into which the shortest side is cut.
const STRETCHES: f64 = 10.0;
/// A side that would be cut into more stretches than this is not compared by stretches: it would take minutes.
const MOST_STRETCHES: f64 = 400.0;

/// How episode counts scatter.
#[derive(Clone, Debug, PartialEq)]
pub struct Scatter {
    /// Variance to mean of the counts, 1 and more: they tell as much as so many fewer independent ones.
    pub dispersion: f64,
    /// The index of dispersion of counts in equal stretches of time, where they are enough for it.
    pub test: Option<Dispersion>,
    /// Episodes of each side in equal stretches of time, ten of the shortest side; none of a side that is too long.
    pub stretches: Vec<Vec<u64>>,
}

/// How the episode counts of all sides scatter; `joined` is the gap below which presses were joined.
///
/// Two ways to see it, and the larger counts: how uneven the quiet stretches are ([`offtime::dispersion`]), and counts in
/// equal stretches of time where they scatter beyond chance ([`Dispersion::is_bursty`]), which also sees a rate that
/// wanders.
///
/// # Source
/// [`dispersion`]; a mean of one in each stretch at least is common practice for the chi-square form.
pub fn scatter(sides: &[Side<'_>], joined: Option<Nanoseconds>) -> Scatter {
    let pauses: Vec<_> = sides.iter().map(|(train, episodes)| quiet_times(train, episodes, joined)).collect();
    let by_pauses = offtime::dispersion(&pauses);
    let stretches = stretches(sides);
    let enough = |counts: &&Vec<u64>| counts.len() >= 2 && counts.iter().sum::<u64>() >= counts.len() as u64;
    let groups: Vec<&[u64]> = stretches.iter().filter(enough).map(Vec::as_slice).collect();
    let test = (!groups.is_empty()).then(|| dispersion(&groups));
    let by_counts = test.filter(Dispersion::is_bursty).map_or(1.0, |test| test.index());
    Scatter { dispersion: by_pauses.max(by_counts), test, stretches }
}

/// The episodes of each side in stretches of one length, ten of the shortest side.
fn stretches(sides: &[Side<'_>]) -> Vec<Vec<u64>> {
    let shortest = sides.iter().map(|(train, _)| train.exposure().seconds()).fold(f64::INFINITY, f64::min);
    if shortest <= 0.0 || !shortest.is_finite() {
        return sides.iter().map(|_| Vec::new()).collect();
    }
    let width = shortest / STRETCHES * 0.999;
    sides.iter().map(|(train, episodes)| counted(train, episodes, width)).collect()
}

/// Episodes in equal stretches of time; what is left at the end of a capture is dropped. None where they are too many.
#[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
fn counted(train: &Train, episodes: &[Episode], width_s: f64) -> Vec<u64> {
    let mut counts = Vec::new();
    if train.exposure().seconds() > MOST_STRETCHES * width_s {
        return counts;
    }
    let mut rest = episodes;
    for (number, segment) in (0u32..).zip(train.segments()) {
        let from = counts.len();
        counts.resize(from + (segment.span.length().seconds() / width_s).floor() as usize, 0);
        let (own, later) = rest.split_at(rest.partition_point(|episode| episode.segment <= number));
        rest = later;
        for episode in own {
            let place = ((episode.start - segment.span.start).seconds() / width_s).floor() as usize;
            if let Some(count) = counts.get_mut(from + place) {
                *count += 1;
            }
        }
    }
    counts
}
