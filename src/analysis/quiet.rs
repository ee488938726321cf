//! How long a soak must stay quiet before it proves anything, planned from what was seen before the step.

use serde::Serialize;

use super::compare::{duration, plural};
use super::episode::Episode;
use super::offtime::{self, OffTimes, Stretches};
use super::rate::{Count, quiet_anyway, quiet_needed};
use super::train::Train;
use crate::base::Nanoseconds;

/// The chance of an unrepaired set being quiet that `gone` must not exceed.
pub const CERTAIN: f64 = 0.01;
/// The chance that is shown as the first milestone.
pub const LIKELY: f64 = 0.05;
/// Off-times below which the longest one seen is doubled: 19 exchangeable gaps bound the next at 5 %.
const GAPS_THAT_BOUND: f64 = 19.0;

/// What the observation before the step demands of the soak after it.
#[derive(Clone, Debug, PartialEq, Serialize)]
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
    /// Whether that quiet is so long beside the rest that the fault seems to need warming up.
    pub warms_up: bool,
    /// Mean Weibull shape of the quiet stretches as far as they tell, when it is below one: off-times longer and more
    /// uneven than independent episodes'.
    pub long_off_times: Option<f64>,
    #[serde(skip)]
    off_times: Option<OffTimes>,
    /// Quiet soak for 95 %, seconds; `None` when nothing was seen before.
    pub likely_s: Option<f64>,
    /// Quiet soak for 99 %, seconds; `None` when nothing was seen before.
    pub certain_s: Option<f64>,
}

impl QuietPlan {
    /// Plans from the episodes of a train; `joined` is the gap below which presses were joined.
    ///
    /// The soak is the longest of the exact conditional answer and the longest-gap rule: not shorter than the
    /// longest quiet stretch seen, and twice it while fewer than 19 whole stretches were seen; and of the renewal
    /// answer over all shapes of off-times that the stretches leave possible ([`OffTimes`]).
    ///
    /// # Source
    /// Exact answer: see [`quiet_needed`]. A further exchangeable gap exceeds the longest of n with chance
    /// 1/(n+1): Wilks 1941, Ann. Math. Stat. 12:91. The doubling is a rule of our own.
    #[allow(clippy::cast_precision_loss)]
    pub fn new(train: &Train, episodes: &[Episode], joined: Option<Nanoseconds>) -> Self {
        let mut seen = stretches(train, episodes, joined);
        let all = seen.whole.iter().chain(&seen.leading).chain(&seen.trailing);
        let longest_gap_s = all.copied().fold(0.0, f64::max);
        let whole_gaps = seen.whole.len();
        let onset_s = onset(train, episodes);
        let exposure_s = exposure(train, episodes);
        let count = Count { count: episodes.len() as u64, exposure: exposure_s };
        let others = (exposure_s - onset_s).max(0.0) / (episodes.len().max(1) as f64);
        let warms_up = onset_s > WARM_UP * others;
        if warms_up {
            // Warming up is no off-time, and is asked for by itself.
            seen.leading.clear();
        }
        let off_times = OffTimes::fit(&seen);
        let few = if (whole_gaps as f64) < GAPS_THAT_BOUND { 2.0 } else { 1.0 };
        let needed = |chance| {
            let least = quiet_needed(count, chance)?.max(few * longest_gap_s);
            Some(off_times.as_ref().map_or(least, |off_times| off_times.needed(chance, least)))
        };
        let (likely_s, certain_s) = (needed(LIKELY), needed(CERTAIN));
        Self {
            episodes: count.count,
            exposure_s,
            longest_gap_s,
            whole_gaps,
            onset_s,
            warms_up,
            long_off_times: off_times.as_ref().map(OffTimes::shape).filter(|shape| *shape < 1.0),
            off_times,
            likely_s,
            certain_s,
        }
    }

    /// The chance that the unrepaired set would have been quiet for so many seconds: the larger of the exact
    /// conditional answer and that of the renewal process with its uncertain off-times.
    pub fn quiet_anyway(&self, quiet_s: f64) -> f64 {
        let exact = quiet_anyway(Count { count: self.episodes, exposure: self.exposure_s }, quiet_s);
        exact.max(self.off_times.as_ref().map_or(0.0, |off_times| off_times.quiet(quiet_s)))
    }

    /// What to tell the technician before the repair begins.
    pub fn advice(&self) -> String {
        let (Some(likely), Some(certain)) = (self.likely_s, self.certain_s) else {
            return "No stray was seen yet, so no repair can be proved: watch the set as received until the fault \
                    shows itself."
                .to_owned();
        };
        let longer = if likely > self.exposure_s { "; watch the baseline for longer first" } else { "" };
        format!(
            "{} in {}: after a repair, 95 % will need {} of quiet, 99 % {}{longer}.",
            plural(self.episodes, "episode"),
            duration(self.exposure_s),
            duration(likely),
            duration(certain)
        )
    }

    /// Whether a quiet soak of so many seconds, the longest piece of it without interruption being `piece_s`,
    /// proves that the old rate is gone.
    pub fn is_certain(&self, quiet_s: f64, piece_s: f64) -> bool {
        self.missing(self.certain_s, quiet_s, piece_s).is_some_and(|missing| missing <= 0.0)
    }

    /// Seconds of quiet still needed to come from `needed`; a fault that warms up needs that much after its
    /// onset, and the onset in one piece.
    pub fn missing(&self, needed: Option<f64>, quiet_s: f64, piece_s: f64) -> Option<f64> {
        let piece = |needed: f64| if self.warms_up { self.onset_s + needed } else { self.onset_s };
        needed.map(|needed| (needed - quiet_s).max(piece(needed) - piece_s).max(0.0))
    }
}

/// A first quiet stretch so many times the mean gap is no chance: e^-3 is one in twenty.
const WARM_UP: f64 = 3.0;

/// Dispersion of episode counts, from how uneven the quiet stretches of all sides are; `joined` is the gap below
/// which presses were joined. See [`offtime::dispersion`].
pub fn count_dispersion(sides: &[(&Train, &[Episode])], joined: Option<Nanoseconds>) -> f64 {
    let sides: Vec<Stretches> =
        sides.iter().map(|(train, episodes)| stretches(train, episodes, joined)).collect();
    offtime::dispersion(&sides)
}

/// The quiet stretches of one side, by what was seen of them.
fn stretches(train: &Train, episodes: &[Episode], joined: Option<Nanoseconds>) -> Stretches {
    let mut found =
        Stretches { least: joined.map_or(0.0, Nanoseconds::seconds).max(0.0), ..Stretches::default() };
    for stretch in quiet_stretches(train, episodes) {
        let kind = match stretch.ends {
            Ends::Both => &mut found.whole,
            Ends::Right => &mut found.leading,
            Ends::Left | Ends::None => &mut found.trailing,
        };
        kind.push(stretch.seconds);
    }
    found
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

/// Which ends of a quiet stretch were seen.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Ends {
    /// From one episode to the next.
    Both,
    /// It ended with an episode; it began before the capture.
    Right,
    /// It began with the end of an episode; the capture ended before it did.
    Left,
    /// A whole capture.
    None,
}

#[derive(Clone, Copy, Debug)]
struct Quiet {
    seconds: f64,
    ends: Ends,
}

/// Quiet stretches in seconds.
fn quiet_stretches(train: &Train, episodes: &[Episode]) -> Vec<Quiet> {
    let mut stretches = Vec::with_capacity(episodes.len() + 1);
    let mut rest = episodes;
    for (segment, number) in train.segments().iter().zip(0u32..) {
        let here = rest.iter().take_while(|episode| episode.segment == number).count();
        let (own, later) = rest.split_at(here);
        rest = later;
        let mut from = segment.span.start;
        for (i, episode) in own.iter().enumerate() {
            let ends = if i > 0 { Ends::Both } else { Ends::Right };
            stretches.push(Quiet { seconds: (episode.start - from).seconds().max(0.0), ends });
            from = episode.end;
        }
        let ends = if own.is_empty() { Ends::None } else { Ends::Left };
        stretches.push(Quiet { seconds: (segment.span.end - from).seconds().max(0.0), ends });
    }
    stretches
}
