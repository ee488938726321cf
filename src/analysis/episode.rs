//! From raw strays to episodes: auto-repeat folded into presses, presses so close that they have one cause
//! folded into episodes. Rates are tested on episodes only.

use crate::analysis::event_sequence::EventSequence;
use crate::analysis::special::quantile;
use crate::base::{EventKind, Nanoseconds};

/// A press with the repeats that belong to it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Press {
    /// When it went down, on the sequence's axis.
    pub t: Nanoseconds,
    /// The last instant at which it was known to be down.
    pub end: Nanoseconds,
    /// Index into the sequence's symbols.
    pub symbol: u32,
    /// How many further events were folded into it.
    pub repeats: u32,
    /// Which capture of the sequence.
    pub segment: u32,
    /// What began it: press, change, or a repeat without a press.
    pub kind: EventKind,
    /// Whether the release was seen.
    pub released: bool,
}

/// A repeat later than this after the last sign of its key stands alone. Twice the slowest initial delay of
/// 500 ms in use (Linux remote-control core, `rc-main.c`).
const REPEAT_JOINS: Nanoseconds = Nanoseconds::from_millis(1000);
/// Presses of one key closer than this with no release between are a held key that a set prints as presses:
/// the slowest frame repetition is 125 ms, the fastest taps of a finger are 150 ms apart (Repp 2005,
/// Psychonomic Bulletin & Review 12:969).
const PRESS_JOINS: Nanoseconds = Nanoseconds::from_millis(140);
/// Longest delay between the first press of a held key and its quick repeats (500 ms, and a tenth for jitter).
const FIRST_DELAY: Nanoseconds = Nanoseconds::from_millis(550);

const NONE: usize = usize::MAX;

/// Folds auto-repeat: one key held is one press, however many lines the set printed. O(n).
pub fn fold(sequence: &EventSequence) -> Vec<Press> {
    let mut presses: Vec<Press> = Vec::with_capacity(sequence.len());
    // By symbol: the current press, and the one before it, which may turn out to be its beginning.
    let mut current = vec![(NONE, NONE); sequence.symbols().len()];
    let mut merged = false;
    for (segment, number) in (0..sequence.segments().len()).zip(0u32..) {
        current.fill((NONE, NONE));
        for occurrence in sequence.of_segment(segment) {
            let Some(slot) = current.get_mut(occurrence.symbol as usize) else { continue };
            let joins = presses.get(slot.0).is_some_and(|press| {
                let gap = occurrence.t - press.end;
                match occurrence.kind {
                    EventKind::Repeat => gap <= REPEAT_JOINS,
                    EventKind::Press => {
                        gap <= PRESS_JOINS && !press.released && press.kind != EventKind::Change
                    }
                    _ => false,
                }
            });
            if joins {
                let press = &mut presses[slot.0];
                press.repeats = press.repeats.saturating_add(1);
                press.end = press.end.max(occurrence.t);
                let quick = press.repeats == 2 && press.kind == EventKind::Press;
                let whole = *press;
                if quick && join_first(&mut presses, slot.1, whole) {
                    presses[slot.0].repeats = u32::MAX;
                    merged = true;
                    *slot = (slot.1, NONE);
                }
            } else {
                let end = occurrence.held().map_or(occurrence.t, |held| occurrence.t + held);
                *slot = (presses.len(), slot.0);
                presses.push(Press {
                    t: occurrence.t,
                    end,
                    symbol: occurrence.symbol,
                    repeats: 0,
                    segment: number,
                    kind: occurrence.kind,
                    released: occurrence.held().is_some(),
                });
            }
        }
    }
    if merged {
        presses.retain(|press| press.repeats != u32::MAX);
    }
    presses
}

/// Lets a lone press within the first delay before a quick run become the beginning of that run.
fn join_first(presses: &mut [Press], first: usize, run: Press) -> bool {
    match presses.get_mut(first) {
        Some(press)
            if press.segment == run.segment
                && press.repeats == 0
                && !press.released
                && run.t - press.end <= FIRST_DELAY =>
        {
            press.repeats = run.repeats + 1;
            press.end = run.end;
            true
        }
        _ => false,
    }
}

/// Two exponential gap lengths mixed: within bursts and between them.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct GapMixture {
    /// Share of the short gaps.
    pub share: f64,
    /// Mean of the short gaps, seconds.
    pub short: f64,
    /// Mean of the long gaps, seconds.
    pub long: f64,
    /// 2 (ln L2 - ln L1) - 2 ln n: how much better two lengths explain the gaps than one.
    pub gain: f64,
    /// Gap at which both are equally likely, seconds: the episode gap.
    pub threshold: f64,
}

/// Most gaps that enter the fit; of more, every n-th of the sorted ones does.
const MOST_GAPS: usize = 20_000;
const STEPS: usize = 200;
/// Gaps below this are taken as this long: clocks of captures are no finer, and a zero gap has no density.
const GRAIN_S: f64 = 1e-3;

/// Fits the mixture to gaps in seconds and says whether they are bursty: the Bayesian information criterion
/// prefers two lengths and the long is over five times the short. `None` when one length will do.
///
/// # Source
/// EM for exponential mixtures: Hasselblad 1969, JASA 64:1459; BIC: Schwarz 1978, Ann. Stat. 6:461. Start
/// values, the factor five and 2 ln n are rules of our own, no publication.
#[allow(clippy::cast_precision_loss)]
pub fn learn_gap(gaps: &[f64]) -> Option<GapMixture> {
    learn_gap_of(&[gaps])
}

/// The same for several observations: two gap lengths must explain them all better than a rate of its own for
/// each would, or else a repair that helped would look like a burst before and a pause after.
#[allow(clippy::cast_precision_loss)]
pub fn learn_gap_of(sides: &[&[f64]]) -> Option<GapMixture> {
    let one: f64 = sides
        .iter()
        .filter(|gaps| !gaps.is_empty())
        .map(|gaps| {
            let n = gaps.len() as f64;
            let mean = gaps.iter().map(|gap| gap.max(GRAIN_S)).sum::<f64>() / n;
            -n * (mean.ln() + 1.0)
        })
        .sum();
    let whole: usize = sides.iter().map(|gaps| gaps.len()).sum();
    let gaps: Vec<f64> = sides.iter().flat_map(|gaps| gaps.iter().copied()).collect();
    fit_mixture(gaps, one / whole.max(1) as f64)
}

/// EM; `one` is the log-likelihood per gap of the single-length explanation.
#[allow(clippy::cast_precision_loss)]
fn fit_mixture(gaps: Vec<f64>, one: f64) -> Option<GapMixture> {
    let mut gaps: Vec<f64> = gaps.iter().copied().filter(|g| g.is_finite()).map(|g| g.max(GRAIN_S)).collect();
    gaps.sort_unstable_by(f64::total_cmp);
    if gaps.len() > MOST_GAPS {
        gaps = (0..MOST_GAPS).map(|i| gaps[i * gaps.len() / MOST_GAPS]).collect();
    }
    if gaps.len() < 4 {
        return None;
    }
    let n = gaps.len() as f64;
    let one = one * n;
    let (mut share, mut short, mut long) = (0.5, quantile(&gaps, 0.25), quantile(&gaps, 0.9));
    if long < 2.0 * short {
        // Fewer than a tenth are long, and the fit would start from one length twice.
        long = long_mean(&gaps, 3.0 * quantile(&gaps, 0.5))?;
    }
    for _ in 0..STEPS {
        let (mut weight, mut short_sum, mut long_sum) = (0.0, 0.0, 0.0);
        for gap in &gaps {
            let a = share / short * (-gap / short).exp();
            let b = (1.0 - share) / long * (-gap / long).exp();
            let r = if a + b > 0.0 { a / (a + b) } else { 0.0 };
            weight += r;
            short_sum += r * gap;
            long_sum += (1.0 - r) * gap;
        }
        if weight < 1e-9 || n - weight < 1e-9 {
            return None;
        }
        (share, short, long) = (weight / n, short_sum / weight, long_sum / (n - weight));
    }
    let two: f64 = gaps
        .iter()
        .map(|g| (share / short * (-g / short).exp() + (1.0 - share) / long * (-g / long).exp()).ln())
        .sum();
    let gain = 2.0 * (two - one) - 2.0 * n.ln();
    let threshold = (share * long / ((1.0 - share) * short)).ln() / (1.0 / short - 1.0 / long);
    let bursty = gain > 0.0 && long > 5.0 * short && threshold.is_finite() && threshold > 0.0;
    bursty.then_some(GapMixture { share, short, long, gain, threshold })
}

/// Mean of the sorted values above a limit, if there are any.
#[allow(clippy::cast_precision_loss)]
fn long_mean(sorted: &[f64], limit: f64) -> Option<f64> {
    let above =
        sorted.get(sorted.partition_point(|gap| *gap <= limit)..).filter(|above| !above.is_empty())?;
    Some(above.iter().sum::<f64>() / above.len() as f64)
}

/// Strays so close together that they have one cause.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Episode {
    /// First instant.
    pub start: Nanoseconds,
    /// Last instant.
    pub end: Nanoseconds,
    /// How many presses.
    pub presses: u32,
    /// Which capture of the sequence.
    pub segment: u32,
}

/// Quiet intervals between one press's end and the next press, seconds, within captures.
pub fn gaps(presses: &[Press]) -> Vec<f64> {
    let mut gaps = Vec::with_capacity(presses.len());
    let mut end = Nanoseconds::ZERO;
    let mut segment = u32::MAX;
    for press in presses {
        if press.segment == segment {
            gaps.push((press.t - end).seconds().max(0.0));
            end = end.max(press.end);
        } else {
            segment = press.segment;
            end = press.end;
        }
    }
    gaps
}

/// The same, with the quiet interval from each capture's last press to its end.
fn gaps_to_end(sequence: &EventSequence, presses: &[Press]) -> Vec<f64> {
    let mut all = gaps(presses);
    for (place, press) in presses.iter().enumerate() {
        let last = presses.get(place + 1).is_none_or(|next| next.segment != press.segment);
        if let Some(segment) = sequence.segments().get(press.segment as usize).filter(|_| last) {
            all.push((segment.span.end - press.end).seconds().max(0.0));
        }
    }
    all
}

/// Joins presses no further apart than `gap`; without a gap each press is an episode, except that presses
/// which overlap are one.
pub fn episodes(presses: &[Press], gap: Option<Nanoseconds>) -> Vec<Episode> {
    let gap = gap.unwrap_or(Nanoseconds(-1));
    let mut episodes: Vec<Episode> = Vec::new();
    for press in presses {
        match episodes.last_mut() {
            Some(last) if last.segment == press.segment && press.t - last.end <= gap => {
                last.end = last.end.max(press.end);
                last.presses += 1;
            }
            _ => {
                episodes.push(Episode { start: press.t, end: press.end, presses: 1, segment: press.segment })
            }
        }
    }
    episodes
}

/// How the episode gap was found.
#[derive(Clone, Debug, PartialEq)]
pub struct EpisodeRule {
    /// The gap, if the strays come in bursts.
    pub gap: Option<Nanoseconds>,
    /// The fit behind it.
    pub mixture: Option<GapMixture>,
    /// Whether bursts of bursts were joined a second time.
    pub twice: bool,
}

impl EpisodeRule {
    /// Learns one gap for all these sequences together; a separate gap for before and after would bias their
    /// comparison. Bursts of bursts are joined once more when the gaps between bursts are bursty themselves.
    ///
    /// The quiet from the last press of a capture to its end counts as a gap, or else one burst and nothing more
    /// would look like many episodes. The quiet before the first press does not: it may be warming up.
    pub fn learn(sequences: &[(&EventSequence, &[Press])]) -> Self {
        let sides: Vec<Vec<f64>> =
            sequences.iter().map(|(sequence, presses)| gaps_to_end(sequence, presses)).collect();
        let sides: Vec<&[f64]> = sides.iter().map(Vec::as_slice).collect();
        let Some(mixture) = learn_gap_of(&sides) else {
            return Self { gap: None, mixture: None, twice: false };
        };
        // Gaps beyond a threshold begin at it: what counts is how far they reach past it.
        let excess = |gaps: &&[f64]| -> Vec<f64> {
            gaps.iter().map(|gap| gap - mixture.threshold).filter(|gap| *gap > 0.0).collect()
        };
        let outer: Vec<Vec<f64>> = sides.iter().map(excess).collect();
        let outer: Vec<&[f64]> = outer.iter().map(Vec::as_slice).collect();
        let enough = outer.iter().map(|gaps| gaps.len()).sum::<usize>() >= 20;
        let second = learn_gap_of(&outer).filter(|_| enough);
        let threshold = second.map_or(mixture.threshold, |second| second.threshold + mixture.threshold);
        Self {
            gap: Some(Nanoseconds::from_seconds(threshold)),
            mixture: Some(mixture),
            twice: second.is_some(),
        }
    }

    /// A gap set by hand.
    pub fn fixed(gap: Nanoseconds) -> Self {
        Self { gap: Some(gap), mixture: None, twice: false }
    }
}
