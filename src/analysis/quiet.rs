//! How long a soak must stay quiet before it proves anything, planned from what was seen before the step.

use serde::Serialize;

use super::dispersion::{weibull, weibull_needed, weibull_quiet};
use super::episode::Episode;
use super::rate::{Count, quiet_anyway, quiet_needed};
use super::special::ln_gamma;
use super::train::Train;

/// The chance of an unrepaired set being quiet that `gone` must not exceed.
pub const CERTAIN: f64 = 0.01;
/// The chance that is shown as the first milestone.
pub const LIKELY: f64 = 0.05;
/// Off-times below which the longest one seen is doubled: 19 exchangeable gaps bound the next at 5 %.
const GAPS_THAT_BOUND: f64 = 19.0;

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
    /// Whether that quiet is so long beside the rest that the fault seems to need warming up.
    pub warms_up: bool,
    /// Weibull shape of the quiet stretches, when they are longer and more uneven than independent episodes'.
    pub long_off_times: Option<f64>,
    #[serde(skip)]
    tail: Option<Tail>,
    /// Quiet soak for 95 %, seconds; `None` when nothing was seen before.
    pub likely_s: Option<f64>,
    /// Quiet soak for 99 %, seconds; `None` when nothing was seen before.
    pub certain_s: Option<f64>,
}

impl QuietPlan {
    /// Plans from the episodes of a train; `clustered` when presses had to be joined into episodes.
    ///
    /// The soak is the longest of the exact conditional answer and the longest-gap rule: not shorter than the
    /// longest quiet stretch seen, and twice it while fewer than 19 whole stretches were seen. Where the stretches
    /// are more uneven than independent episodes' (Weibull shape below one), also of the renewal answer.
    ///
    /// # Source
    /// Exact answer: see [`quiet_needed`]. A further exchangeable gap exceeds the longest of n with chance
    /// 1/(n+1): Wilks 1941, Ann. Math. Stat. 12:91. The doubling is a rule of our own.
    #[allow(clippy::cast_precision_loss)]
    pub fn new(train: &Train, episodes: &[Episode], clustered: bool) -> Self {
        let gaps = quiet_stretches(train, episodes);
        let whole: Vec<f64> = gaps.iter().filter(|gap| gap.1).map(|gap| gap.0).collect();
        let tail = Tail::fit(&whole, clustered);
        let onset_s = onset(train, episodes);
        let longest_gap_s = gaps.iter().map(|gap| gap.0).fold(0.0, f64::max);
        let whole_gaps = gaps.iter().filter(|gap| gap.1).count();
        let exposure_s = exposure(train, episodes);
        let count = Count { count: episodes.len() as u64, exposure: exposure_s };
        let few = |chance: f64| {
            // With uneven off-times the next one exceeds the longest of n with chance 1/(n+1).
            let bound = if tail.is_some() { 1.0 / chance } else { GAPS_THAT_BOUND };
            if (whole_gaps as f64) < bound { 2.0 } else { 1.0 }
        };
        let others = (exposure_s - onset_s).max(0.0) / (episodes.len().max(1) as f64);
        let needed = |chance| {
            let exact = quiet_needed(count, chance)?;
            Some(exact.max(few(chance) * longest_gap_s).max(tail.map_or(0.0, |tail| tail.needed(chance))))
        };
        Self {
            episodes: count.count,
            exposure_s,
            longest_gap_s,
            whole_gaps,
            onset_s,
            warms_up: onset_s > WARM_UP * others,
            long_off_times: tail.map(|tail| tail.shape),
            tail,
            likely_s: needed(LIKELY),
            certain_s: needed(CERTAIN),
        }
    }

    /// The chance that the unrepaired set would have been quiet for so many seconds: the larger of the exact
    /// conditional answer and, where off-times are long, that of the renewal process.
    pub fn quiet_anyway(&self, quiet_s: f64) -> f64 {
        let exact = quiet_anyway(Count { count: self.episodes, exposure: self.exposure_s }, quiet_s);
        exact.max(self.tail.map_or(0.0, |tail| tail.quiet(quiet_s)))
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
/// Dispersion of episode counts, from how uneven the quiet stretches of all sides are, each measured by its own
/// side's mean: one unless a Weibull shape below one wins clearly.
///
/// # Source
/// The variance of a renewal count grows as its mean times the squared variation of the gaps: Cox 1962, ch. 4.
#[allow(clippy::cast_precision_loss)]
pub fn count_dispersion(sides: &[(&Train, &[Episode])], clustered: bool) -> f64 {
    let mut gaps = Vec::new();
    for (train, episodes) in sides {
        let own: Vec<f64> =
            quiet_stretches(train, episodes).into_iter().filter(|g| g.1).map(|g| g.0).collect();
        let mean = own.iter().sum::<f64>() / own.len().max(1) as f64;
        gaps.extend(own.iter().map(|gap| gap / mean));
    }
    let Some((shape, gain)) = uneven(&gaps, clustered) else { return 1.0 };
    if shape >= 1.0 || gain < if clustered { 1.0 } else { CLEAR } {
        return 1.0;
    }
    // Where presses already had to be joined, the shape is taken a standard error towards longer off-times.
    let error = if clustered { 0.78 / (gaps.len() as f64).sqrt() } else { 0.0 };
    let shape = shape * (1.0 - error).max(0.3);
    let moment = |k: f64| ln_gamma(1.0 + k / shape);
    ((moment(2.0) - 2.0 * moment(1.0)).exp() - 1.0).clamp(1.0, 20.0)
}

/// Gaps that vary less than this share of their mean have no long off-times, whatever a fit says.
const EVEN: f64 = 0.7;

#[allow(clippy::cast_precision_loss)]
fn variation(gaps: &[f64]) -> f64 {
    let n = gaps.len() as f64;
    let mean = gaps.iter().sum::<f64>() / n;
    (gaps.iter().map(|gap| (gap - mean).powi(2)).sum::<f64>() / n).sqrt() / mean
}

/// Where presses were joined, how far gaps reach beyond the shortest: no gap between episodes is shorter than the
/// one that separates them, which would make them look more even than they are. Independent episodes' gaps stay what they are by it.
fn excess(gaps: &[f64], clustered: bool) -> Vec<f64> {
    let least = if clustered { gaps.iter().copied().fold(f64::INFINITY, f64::min) } else { 0.0 };
    let step = (gaps.len() / MOST_GAPS).max(1);
    gaps.iter().step_by(step).map(|gap| gap - least).filter(|gap| *gap > 0.0).collect()
}

/// Most gaps that enter a fit; of more, every n-th does.
const MOST_GAPS: usize = 5000;

/// Weibull shape of gaps and twice the log-likelihood by which it beats independent ones.
#[allow(clippy::cast_precision_loss)]
fn uneven(gaps: &[f64], clustered: bool) -> Option<(f64, f64)> {
    if gaps.len() < FEWEST_GAPS || variation(gaps) < EVEN {
        return None;
    }
    let gaps = excess(gaps, clustered);
    if gaps.len() < FEWEST_GAPS {
        return None;
    }
    let (shape, scale) = weibull(&gaps)?;
    let n = gaps.len() as f64;
    let mean = gaps.iter().sum::<f64>() / n;
    let logs: f64 = gaps.iter().map(|gap| gap.ln()).sum();
    let plain = -n * (mean.ln() + 1.0);
    let weibull = n * shape.ln() - n * shape * scale.ln() + (shape - 1.0) * logs - n;
    Some((shape, 2.0 * (weibull - plain)))
}

/// Twice the log-likelihood that counts as clear: one in fifty, one-sided.
const CLEAR: f64 = 4.2;
/// Fewest whole gaps for a shape.
const FEWEST_GAPS: usize = 5;
/// Twice the log-likelihood by which uneven gaps must win: one in ten, one-sided. Better a longer soak than a
/// set that comes back.
const UNEVEN: f64 = 1.64;

/// Weibull gaps, the shape taken a standard error towards longer off-times, two where presses already had to be
/// joined into episodes.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Tail {
    shape: f64,
    scale: f64,
    least: f64,
}

impl Tail {
    /// # Source
    /// Cohen 1965, Technometrics 7:579; the standard error of the shape is 0.78 shape / √n (Thoman, Bain & Antle
    /// 1969, Technometrics 11:445).
    #[allow(clippy::cast_precision_loss)]
    fn fit(gaps: &[f64], clustered: bool) -> Option<Self> {
        let (demand, errors) = if clustered { (0.0, 2.0) } else { (UNEVEN, 1.0) };
        let (shape, gain) = uneven(gaps, clustered)?;
        if shape >= 1.0 || gain < demand {
            return None;
        }
        let n = gaps.len() as f64;
        let least = if clustered { gaps.iter().copied().fold(f64::INFINITY, f64::min) } else { 0.0 };
        let mean = gaps.iter().sum::<f64>() / n - least;
        let shape = shape * (1.0 - errors * 0.78 / n.sqrt()).max(0.3);
        let scale = mean / ln_gamma(1.0 + 1.0 / shape).exp();
        Some(Self { shape, scale, least })
    }

    fn quiet(&self, quiet_s: f64) -> f64 {
        weibull_quiet(self.shape, self.scale, (quiet_s - self.least).max(0.0))
    }

    fn needed(&self, chance: f64) -> f64 {
        self.least + weibull_needed(self.shape, self.scale, chance)
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
