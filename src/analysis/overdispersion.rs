//! Whether episodes still cluster, and by how much their counts scatter for it.

use crate::analysis::dispersion::{Dispersion, dispersion};
use crate::analysis::episode::Episode;
use crate::analysis::event_sequence::EventSequence;
use crate::analysis::quiet::quiet_times;
use crate::analysis::quiet_intervals;
use crate::base::Nanoseconds;

/// One side: its sequence and its episodes.
type Side<'a> = (&'a EventSequence, &'a [Episode]);

/// Bins into which the shortest side is cut.
const BINS: f64 = 10.0;
/// A side that would be cut into more bins than this is not compared by bins: it would take minutes.
const MOST_BINS: f64 = 400.0;

/// How episode counts scatter.
#[derive(Clone, Debug, PartialEq)]
pub struct Overdispersion {
    /// Variance to mean of the counts, 1 and more: they tell as much as so many fewer independent ones.
    pub dispersion: f64,
    /// The index of dispersion of counts in equal bins of time, where they are enough for it.
    pub test: Option<Dispersion>,
    /// Episodes of each side in equal bins of time, ten of the shortest side; none of a side that is too long.
    pub bins: Vec<Vec<u64>>,
}

/// How the episode counts of all sides scatter; `joined` is the gap below which presses were joined.
///
/// Two ways to see it, and the larger counts: how uneven the quiet intervals are ([`quiet_intervals::dispersion`]), and counts in
/// equal bins of time where they scatter beyond chance ([`Dispersion::is_bursty`]), which also sees a rate that
/// wanders.
///
/// # Source
/// [`dispersion`]; a mean of one in each bin at least is common practice for the chi-square form.
pub fn overdispersion(sides: &[Side<'_>], joined: Option<Nanoseconds>) -> Overdispersion {
    let pauses: Vec<_> =
        sides.iter().map(|(sequence, episodes)| quiet_times(sequence, episodes, joined)).collect();
    let by_pauses = quiet_intervals::dispersion(&pauses);
    let bins = bins(sides);
    let enough = |counts: &&Vec<u64>| counts.len() >= 2 && counts.iter().sum::<u64>() >= counts.len() as u64;
    let groups: Vec<&[u64]> = bins.iter().filter(enough).map(Vec::as_slice).collect();
    let test = (!groups.is_empty()).then(|| dispersion(&groups));
    let by_counts = test.filter(Dispersion::is_bursty).map_or(1.0, |test| test.index());
    Overdispersion { dispersion: by_pauses.max(by_counts), test, bins }
}

/// The episodes of each side in bins of one length, ten of the shortest side.
fn bins(sides: &[Side<'_>]) -> Vec<Vec<u64>> {
    let shortest =
        sides.iter().map(|(sequence, _)| sequence.exposure().seconds()).fold(f64::INFINITY, f64::min);
    if shortest <= 0.0 || !shortest.is_finite() {
        return sides.iter().map(|_| Vec::new()).collect();
    }
    let width = shortest / BINS * 0.999;
    sides.iter().map(|(sequence, episodes)| counted(sequence, episodes, width)).collect()
}

/// Episodes in equal bins of time; what is left at the end of a capture is dropped. None where they are too many.
#[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
fn counted(sequence: &EventSequence, episodes: &[Episode], width_s: f64) -> Vec<u64> {
    let mut counts = Vec::new();
    if sequence.exposure().seconds() > MOST_BINS * width_s {
        return counts;
    }
    let mut rest = episodes;
    for (number, segment) in (0u32..).zip(sequence.segments()) {
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
