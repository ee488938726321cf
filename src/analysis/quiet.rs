//! How long a soak must stay quiet before it proves anything, planned from what was seen before the step.

use serde::Serialize;

use super::episode::Episode;
use super::rate::{Count, quiet_anyway, quiet_needed};
use super::train::Train;

/// The chance of an unrepaired set being quiet that `gone` must not exceed.
pub const CERTAIN: f64 = 0.01;
/// The chance that is shown as the first milestone.
pub const LIKELY: f64 = 0.05;
/// Off-times below which the longest one seen is doubled: 19 exchangeable gaps bound the next at 5 %.
const GAPS_THAT_BOUND: usize = 19;

/// What the observation before the step demands of the soak after it.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub struct QuietPlan {
    /// Episodes seen before.
    pub episodes: u64,
    /// Exposure before, seconds, the time inside episodes left out when it is over a twentieth.
    pub exposure_s: f64,
    /// Longest quiet stretch seen before, seconds, those at the ends of captures included.
    pub longest_gap_s: f64,
    /// Quiet stretches between episodes that were seen whole.
    pub whole_gaps: usize,
    /// Longest quiet at the beginning of a capture, seconds: a fault that comes with warming up needs so long
    /// to appear, in one piece.
    pub onset_s: f64,
    /// Quiet soak for 95 %, seconds; `None` when nothing was seen before.
    pub likely_s: Option<f64>,
    /// Quiet soak for 99 %, seconds; `None` when nothing was seen before.
    pub certain_s: Option<f64>,
}

impl QuietPlan {
    /// Plans from the episodes of a train.
    ///
    /// The soak is the longest of the exact conditional answer and the longest-gap rule: not shorter than the
    /// longest quiet stretch seen, and twice it while fewer than 19 whole stretches were seen.
    ///
    /// # Source
    /// Exact answer: see [`quiet_needed`]. A further exchangeable gap exceeds the longest of n with chance
    /// 1/(n+1): Wilks 1941, Ann. Math. Stat. 12:91. The doubling is a rule of our own.
    pub fn new(train: &Train, episodes: &[Episode]) -> Self {
        let gaps = quiet_stretches(train, episodes);
        let longest_gap_s = gaps.iter().map(|gap| gap.0).fold(0.0, f64::max);
        let whole_gaps = gaps.iter().filter(|gap| gap.1).count();
        let exposure_s = exposure(train, episodes);
        let count = Count { count: episodes.len() as u64, exposure: exposure_s };
        let factor = if whole_gaps < GAPS_THAT_BOUND { 2.0 } else { 1.0 };
        let needed = |chance| quiet_needed(count, chance).map(|exact| exact.max(factor * longest_gap_s));
        Self {
            episodes: count.count,
            exposure_s,
            longest_gap_s,
            whole_gaps,
            onset_s: onset(train, episodes),
            likely_s: needed(LIKELY),
            certain_s: needed(CERTAIN),
        }
    }

    /// The chance that the unrepaired set would have been quiet for so many seconds.
    pub fn quiet_anyway(&self, quiet_s: f64) -> f64 {
        quiet_anyway(Count { count: self.episodes, exposure: self.exposure_s }, quiet_s)
    }

    /// Whether a quiet soak of so many seconds, the longest piece of it without interruption being `piece_s`,
    /// proves that the old rate is gone.
    pub fn is_certain(&self, quiet_s: f64, piece_s: f64) -> bool {
        self.certain_s.is_some_and(|needed| quiet_s >= needed && piece_s >= self.onset_s)
    }

    /// Seconds of quiet still needed to come from `needed`, also in one piece.
    pub fn missing(&self, needed: Option<f64>, quiet_s: f64, piece_s: f64) -> Option<f64> {
        needed.map(|needed| (needed - quiet_s).max(self.onset_s - piece_s).max(0.0))
    }
}

/// Exposure in seconds; the time inside episodes, in which no second one can begin, is left out when it is
/// more than a twentieth of the whole.
pub fn exposure(train: &Train, episodes: &[Episode]) -> f64 {
    let whole = train.exposure().seconds();
    let inside: f64 = episodes.iter().map(|e| (e.end - e.start).seconds()).sum();
    if inside > 0.05 * whole && inside < whole { whole - inside } else { whole }
}

/// Longest quiet from the start of a capture to its first episode, among those that had one.
fn onset(train: &Train, episodes: &[Episode]) -> f64 {
    (0u32..)
        .zip(train.segments())
        .filter_map(|(number, segment)| {
            let first = episodes.iter().find(|episode| episode.segment == number)?;
            Some((first.start - segment.span.start).seconds())
        })
        .fold(0.0, f64::max)
}

/// Longest capture of a train, seconds.
pub fn longest_piece(train: &Train) -> f64 {
    train.segments().iter().map(|segment| segment.span.length().seconds()).fold(0.0, f64::max)
}

/// Quiet stretches in seconds, and whether both ends of each were seen.
fn quiet_stretches(train: &Train, episodes: &[Episode]) -> Vec<(f64, bool)> {
    let mut stretches = Vec::with_capacity(episodes.len() + 1);
    let mut rest = episodes;
    for (segment, number) in train.segments().iter().zip(0u32..) {
        let here = rest.iter().take_while(|episode| episode.segment == number).count();
        let (own, later) = rest.split_at(here);
        rest = later;
        let mut from = segment.span.start;
        for (i, episode) in own.iter().enumerate() {
            stretches.push(((episode.start - from).seconds().max(0.0), i > 0));
            from = episode.end;
        }
        stretches.push(((segment.span.end - from).seconds().max(0.0), false));
    }
    stretches
}
