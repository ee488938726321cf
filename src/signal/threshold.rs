//! Samples of one channel to edges, with thresholds found from the two levels that the channel has.
//!
//! Logic of 3.3 and 5 V is read with the usual thresholds. A line of 1.8 V never reaches them, and a column of
//! millivolts without a unit never leaves them: those are split between their own levels. Samples wait until the
//! channel has left its resting level for some time; a channel that rests for hours waits with one sample. A
//! channel that is never split has no edge but its first, and says its range.

use crate::base::Nanoseconds;
use crate::signal::Edge;
use crate::signal::edge::{EdgeFinder, Hysteresis};
use crate::source::{Change, Value};

/// Samples off the resting level from which the levels are found, at most.
const MOST: usize = 1 << 13;
/// Samples that make a level.
const FEWEST: usize = 3;
/// A sample so far from the resting level, as a share of it, has left it.
const LEFT: f32 = 0.1;
/// Least distance of two levels in volts: noise and ripple of a resting line are below it.
const LEAST: f32 = 0.25;
/// Two levels are so many times farther from each other than their samples, by the middle one, from them. Of one
/// bell-shaped or even spread, cut in two, it is four.
const APART: f32 = 8.0;
/// Where between the levels the thresholds lie: the input levels of CMOS logic, JEDEC JESD8; from memory.
const SHARES: (f32, f32) = (0.3, 0.7);
/// Levels so far beyond the usual thresholds, in volts, are read with those.
const CLEAR: f32 = 0.2;

/// The two levels of a channel and where it was split.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Split {
    /// Lower level in volts; `None` where the threshold was given.
    pub levels: Option<(f32, f32)>,
    /// The thresholds.
    pub thresholds: Hysteresis,
}

/// Finds the edges of one channel.
#[derive(Clone, Debug)]
pub struct Splitter {
    finder: EdgeFinder,
    /// Whether a value holds until the next one, instead of being a sample of a line that moves between.
    steps: bool,
    state: State,
    first: Option<Change>,
    range: Option<(f32, f32)>,
    split: Option<Split>,
}

#[derive(Clone, Debug)]
enum State {
    /// Thresholds are known.
    Split,
    /// At one level, the last sample of it.
    Resting { level: f32, within: f32, count: usize, last: Option<Change> },
    /// Off the level at which the channel rested.
    Moving { level: f32, within: f32, count: usize, samples: Vec<Change> },
}

impl Splitter {
    /// `threshold` in volts where it is known; `steps` says that values hold until the next.
    pub fn new(threshold: Option<f32>, steps: bool) -> Self {
        let mut splitter = Self {
            finder: finder(Hysteresis::default(), steps),
            steps,
            state: State::Resting { level: 0.0, within: 0.0, count: 0, last: None },
            first: None,
            range: None,
            split: None,
        };
        if let Some(threshold) = threshold {
            let half = (0.05 * threshold.abs()).max(0.01);
            splitter.settle(Split {
                levels: None,
                thresholds: Hysteresis { low: threshold - half, high: threshold + half },
            });
        }
        splitter
    }

    /// Takes one change of this channel.
    #[inline(always)]
    pub fn push(&mut self, change: Change, out: &mut Vec<Edge>) {
        match change.value {
            Value::Volts(volts) => self.sample(change, volts, out),
            // Levels need no threshold.
            _ => self.finder.push(change, out),
        }
    }

    fn sample(&mut self, change: Change, volts: f32, out: &mut Vec<Edge>) {
        self.range = Some(match self.range {
            Some((low, high)) => (low.min(volts), high.max(volts)),
            None => (volts, volts),
        });
        self.first.get_or_insert(change);
        match &mut self.state {
            State::Split => {
                if self.is_outgrown(volts) {
                    self.state = State::Moving { level: volts, within: 0.0, count: 0, samples: vec![change] };
                }
                self.finder.push(change, out);
            }
            State::Resting { last: last @ None, level, within, count } => {
                (*last, *level, *within, *count) = (Some(change), volts, LEFT * volts.abs(), 1);
            }
            State::Resting { level, within, count, last } => {
                if (volts - *level).abs() <= *within {
                    *count += 1;
                    *last = Some(change);
                } else {
                    let mut samples = Vec::with_capacity(64);
                    samples.extend(*last);
                    samples.push(change);
                    self.state = State::Moving { level: *level, within: *within, count: *count, samples };
                }
            }
            State::Moving { samples, .. } => {
                samples.push(change);
                if samples.len() >= MOST {
                    self.decide(false, out);
                }
            }
        }
    }

    /// Nothing more will come; the last sample was at `end`.
    pub fn finish(&mut self, end: Nanoseconds, out: &mut Vec<Edge>) {
        if !matches!(self.state, State::Split) {
            self.decide(true, out);
        }
        self.finder.finish(end, out);
    }

    /// Whether samples wait for the thresholds.
    pub fn is_finding(&self) -> bool {
        matches!(self.state, State::Moving { .. })
    }

    /// The levels and thresholds, where volts were split.
    pub fn split(&self) -> Option<Split> {
        self.split
    }

    /// Lowest and highest sample in volts.
    pub fn range(&self) -> Option<(f32, f32)> {
        self.range
    }

    /// Whether a sample lies so far beyond both levels that they cannot be the signal's: they were noise.
    fn is_outgrown(&self, volts: f32) -> bool {
        let Some(Split { levels: Some((low, high)), thresholds }) = self.split else { return false };
        let distance = 3.0 * (high - low);
        thresholds != Hysteresis::default() && (volts > high + distance || volts < low - distance)
    }

    fn decide(&mut self, ended: bool, out: &mut Vec<Edge>) {
        let state = std::mem::replace(&mut self.state, State::Split);
        let (level, within, count, samples) = match state {
            State::Moving { level, within, count, samples } => (level, within, count, samples),
            State::Resting { level, within, count, .. } => (level, within, count, Vec::new()),
            State::Split => return,
        };
        let volts = |change: &Change| if let Value::Volts(volts) = change.value { volts } else { 0.0 };
        let mut values: Vec<f32> = samples.iter().map(volts).filter(|volts| !volts.is_nan()).collect();
        values.extend(std::iter::repeat_n(level, count.min(FEWEST)));
        values.sort_by(f32::total_cmp);
        let usual = Hysteresis::default();
        let crossed = self.range.is_some_and(|(low, high)| low <= usual.low && high >= usual.high);
        let split = match two_levels(&values) {
            Some((low, high)) => Some(Split { levels: Some((low, high)), thresholds: between(low, high) }),
            // Too few samples to tell levels by, of a line that is plainly logic.
            None if ended && crossed => Some(Split { levels: self.range, thresholds: usual }),
            None => None,
        };
        match split {
            Some(split) => {
                self.settle(split);
                let first =
                    self.first.filter(|first| samples.first().is_none_or(|sample| sample.t > first.t));
                for change in first.into_iter().chain(samples) {
                    self.finder.push(change, out);
                }
            }
            None if ended => {
                if let Some(first) = self.first {
                    self.finder.push(first, out);
                }
            }
            None => {
                let middle = median(&values);
                let far = values.iter().fold(0.0f32, |far, value| far.max((value - middle).abs()));
                let within = within.max(1.5 * far);
                self.state =
                    State::Resting { level: middle, within, count: FEWEST, last: samples.last().copied() };
            }
        }
    }

    fn settle(&mut self, split: Split) {
        self.split = Some(split);
        self.state = State::Split;
        self.finder = finder(split.thresholds, self.steps);
    }
}

fn finder(thresholds: Hysteresis, steps: bool) -> EdgeFinder {
    let finder = EdgeFinder::new(thresholds, Nanoseconds::ZERO);
    if steps { finder.stepping() } else { finder }
}

/// The usual thresholds where they lie between the levels, else those of the levels' own.
fn between(low: f32, high: f32) -> Hysteresis {
    let usual = Hysteresis::default();
    if low <= usual.low - CLEAR && high >= usual.high + CLEAR && high <= 4.0 * usual.high {
        return usual;
    }
    let at = |share: f32| low + share * (high - low);
    Hysteresis { low: at(SHARES.0), high: at(SHARES.1) }
}

/// The two levels of sorted samples; `None` where they have one, or none.
///
/// # Source
/// Otsu 1979, "A threshold selection method from gray-level histograms", IEEE Trans. SMC 9(1): the cut with the
/// largest variance between its two parts; on the samples instead of a histogram.
fn two_levels(values: &[f32]) -> Option<(f32, f32)> {
    let total: f64 = values.iter().map(|value| f64::from(*value)).sum();
    #[allow(clippy::cast_precision_loss)]
    let count = values.len() as f64;
    let (mut below, mut n) = (0.0, 0.0);
    let mut best = (0.0, 0);
    for (i, value) in values.iter().enumerate() {
        below += f64::from(*value);
        n += 1.0;
        if values.get(i + 1).is_none_or(|next| next == value) {
            continue;
        }
        let apart = below / n - (total - below) / (count - n);
        let variance = n * (count - n) * apart * apart;
        if variance > best.0 {
            best = (variance, i + 1);
        }
    }
    let (lower, upper) = values.split_at_checked(best.1)?;
    if lower.len() < FEWEST || upper.len() < FEWEST {
        return None;
    }
    let (low, high) = (median(lower), median(upper));
    let distance = high - low;
    let spread = spread(lower, low).max(spread(upper, high));
    (distance >= LEAST && distance >= LEFT * low.abs().max(high.abs()) && distance >= APART * spread)
        .then_some((low, high))
}

fn median(sorted: &[f32]) -> f32 {
    sorted.get(sorted.len() / 2).copied().unwrap_or(0.0)
}

/// Distance of the middle sample from the level.
fn spread(values: &[f32], level: f32) -> f32 {
    let mut far: Vec<f32> = values.iter().map(|value| (value - level).abs()).collect();
    far.sort_by(f32::total_cmp);
    median(&far)
}
