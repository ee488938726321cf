//! Beats too uneven to be followed press by press: a filter over the phase of a hidden clock.
//!
//! The clock's phase is a distribution over bins of a turn. Each press moves it on by the gap and, where it came near a
//! beat, sharpens it. The gain is that of foretelling the gaps: their own smooth law, tilted towards the clock's beats,
//! against that law alone. Bursts, pauses and uneven gaps are in both, so that they gain nothing. Foreign presses count as
//! such, and a missed beat costs nothing.

use crate::analysis::pattern::chain::{Chain, Hit, Run, fit};
use crate::analysis::pattern::field::Line;
use crate::analysis::pattern::motif::{Candidate, beats_of, points};

const BINS: usize = 32;
/// Presses that enter; of more, the first ones.
const MOST: usize = 500;
/// Fewer presses are left to the tracker.
const FEWEST: usize = 24;
/// Jitter against the clock, and jitter that adds up from beat to beat, in periods.
const MODELS: [(f64, f64); 7] =
    [(0.06, 0.0), (0.10, 0.0), (0.14, 0.0), (0.05, 0.03), (0.05, 0.06), (0.05, 0.10), (0.10, 0.05)];
/// Share of presses on no beat.
const FOREIGN: [f64; 2] = [0.15, 0.4];
/// Blur of the gaps' law, in its logarithm: no beat is left in it.
const BLUR: f64 = 0.26;
/// Candidates of each kind that are looked at.
const CANDIDATES: usize = 12;
/// What each kind of candidate is screened with; fewer bits than these promise nothing.
const SCREENS: ((f64, f64), (f64, f64)) = ((0.10, 0.0), (0.05, 0.08));
const PROMISING: f64 = 6.0;
/// Bits of the search: periods that can be told apart, models and shares.
const SEARCH_BITS: f64 = 17.0;

/// The best beat of this line, if there may be one; its gain has the search taken off.
pub(super) fn beat(lines: &[Line], number: usize, grain: f64) -> Option<Candidate> {
    let line = lines.get(number).filter(|line| line.len() >= FEWEST)?;
    let events = Events::of(line)?;
    let screen = |periods: Vec<f64>, (clock, walk): (f64, f64)| {
        let model = Model { clock, walk, foreign: 0.3 };
        let gain = |period: f64| (events.gain(period, &events.kernel(period), model, None), period);
        periods.into_iter().map(gain).collect::<Vec<(f64, f64)>>()
    };
    let mut screened = screen(events.spectrum(), SCREENS.0);
    screened.extend(screen(events.differences(), SCREENS.1));
    screened.sort_by(|a, b| b.0.total_cmp(&a.0));
    if screened.first().is_none_or(|(gain, _)| *gain < PROMISING) {
        return None;
    }
    let mut best: Option<(f64, f64, Model)> = None;
    let consider = |period: f64, best: &mut Option<(f64, f64, Model)>, models: &[(f64, f64)]| {
        let kernel = events.kernel(period);
        for (clock, walk) in models {
            for foreign in FOREIGN {
                let model = Model { clock: *clock, walk: *walk, foreign };
                let gain = events.gain(period, &kernel, model, None);
                if best.is_none_or(|(most, _, _)| gain > most) {
                    *best = Some((gain, period, model));
                }
            }
        }
    };
    for (_, period) in screened.into_iter().take(3) {
        consider(period, &mut best, &MODELS);
    }
    // Close by, and the harmonics: afterwards, when the beat itself is known.
    for width in [0.02, 0.005, 0.001] {
        let (_, period, model) = best?;
        for step in [-2.0, -1.0, 1.0, 2.0] {
            consider(period * (1.0 + width * step), &mut best, &[(model.clock, model.walk)]);
        }
    }
    let (_, period, model) = best?;
    for factor in [0.5, 2.0, 1.0 / 3.0, 3.0] {
        consider(period * factor, &mut best, &[(model.clock, model.walk), (0.10, model.walk)]);
    }
    let (gain, period, model) = best?;
    let mut on = Vec::new();
    events.gain(period, &events.kernel(period), model, Some(&mut on));
    let mut chain = chain(&events, &on, period, model)?;
    let found = fit(&points(line, &chain), period, grain);
    if !(found.period.is_finite() && (found.period / period - 1.0).abs() < 0.05) {
        return None;
    }
    chain.period = found.period;
    let beats = beats_of(line, &chain, &found);
    let gain = gain - SEARCH_BITS;
    Some(Candidate { line: number, chain, fit: found, elements: Vec::new(), beats, gain })
}

#[derive(Clone, Copy, Debug, PartialEq)]
struct Model {
    clock: f64,
    walk: f64,
    foreign: f64,
}

impl Model {
    /// How much likelier a press is at this phase than on average.
    fn weights(self) -> [f64; BINS] {
        let mut weights = wrapped(self.clock);
        weights.iter_mut().for_each(|w| *w = self.foreign + (1.0 - self.foreign) * *w);
        weights
    }
}

/// A normal wound round the turn, mean one over the bins; bin 0 is the beat.
#[allow(clippy::cast_precision_loss)]
fn wrapped(spread: f64) -> [f64; BINS] {
    let spread = spread.max(0.6 / BINS as f64);
    let mut bins = [0.0; BINS];
    let mut sum = 0.0;
    for (i, bin) in bins.iter_mut().enumerate() {
        let at = i as f64 / BINS as f64;
        *bin = [-1.0, 0.0, 1.0].iter().map(|turn| (-0.5 * ((at + turn - 0.0) / spread).powi(2)).exp()).sum();
        sum += *bin;
    }
    bins.iter_mut().for_each(|bin| *bin *= BINS as f64 / sum);
    bins
}

struct Events<'a> {
    line: &'a Line,
    n: usize,
    /// Gaps in the logarithm, with what they are blurred by; by their number.
    gaps: Vec<f64>,
}

impl<'a> Events<'a> {
    fn of(line: &'a Line) -> Option<Self> {
        let n = line.len().min(MOST);
        let mut gaps: Vec<f64> = (1..n)
            .filter(|i| line.segment[*i] == line.segment[i - 1])
            .map(|i| (line.t[i] - line.t[i - 1]).max(1e-4))
            .collect();
        if gaps.len() + 1 < FEWEST {
            return None;
        }
        gaps.sort_unstable_by(f64::total_cmp);
        // Fewer, each for several: the law is smooth.
        let step = gaps.len().div_ceil(64);
        let gaps = gaps.into_iter().skip(step / 2).step_by(step).collect();
        Some(Self { line, n, gaps })
    }

    /// Chances of the phase's move from one press to the next under the gaps' own blurred law.
    #[allow(clippy::cast_precision_loss, clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    fn kernel(&self, period: f64) -> [f64; BINS] {
        const NODES: i32 = 10;
        let mut kernel = [0.0; BINS];
        let mut sum = 0.0;
        for gap in &self.gaps {
            for node in -NODES..=NODES {
                let z = 2.5 * f64::from(node) / f64::from(NODES);
                let weight = (-0.5 * z * z).exp();
                let turns = gap * (BLUR * z).exp() / period;
                // What a step between nodes spans more than a bin of is spread over its turn anyway.
                let span = turns * BLUR * 2.5 / f64::from(NODES);
                if span > 1.0 {
                    kernel.iter_mut().for_each(|bin| *bin += weight / BINS as f64);
                } else {
                    let cells = (span * BINS as f64).ceil().max(1.0);
                    for cell in 0..cells as usize {
                        let at = turns + span * ((cell as f64 + 0.5) / cells - 0.5);
                        kernel[((at.rem_euclid(1.0) * BINS as f64) as usize).min(BINS - 1)] += weight / cells;
                    }
                }
                sum += weight;
            }
        }
        kernel.iter_mut().for_each(|bin| *bin /= sum);
        kernel
    }

    /// Bits by which the tilted law foretells the gaps better; `on` gets, for each press, whether it is on a beat.
    #[allow(clippy::cast_precision_loss, clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    fn gain(&self, period: f64, kernel: &[f64; BINS], model: Model, mut on: Option<&mut Vec<bool>>) -> f64 {
        let weights = model.weights();
        let beat = wrapped(model.clock);
        // Mean weight after the next gap, by the phase before it.
        let mut ahead = [0.0; BINS];
        for (from, mean) in ahead.iter_mut().enumerate() {
            *mean = (0..BINS).map(|move_by| kernel[move_by] * weights[(from + move_by) % BINS]).sum();
        }
        let mut phase = [1.0 / BINS as f64; BINS];
        let mut bits = 0.0;
        let mut last: Option<usize> = None;
        for i in 0..self.n {
            let before = last.filter(|last| self.line.segment[*last] == self.line.segment[i]);
            let expected = match before {
                Some(last) => {
                    let expected: f64 = phase.iter().zip(&ahead).map(|(p, a)| p * a).sum();
                    let turns = (self.line.t[i] - self.line.t[last]) / period;
                    moved(&mut phase, turns);
                    blurred(&mut phase, model.walk * turns.sqrt());
                    expected
                }
                None => {
                    phase = [1.0 / BINS as f64; BINS];
                    1.0
                }
            };
            let seen: f64 = phase.iter().zip(&weights).map(|(p, w)| p * w).sum();
            bits += (seen / expected).log2();
            if let Some(on) = on.as_deref_mut() {
                let near: f64 = phase.iter().zip(&beat).map(|(p, b)| p * b).sum();
                on.push((1.0 - model.foreign) * near > 0.5 * seen);
            }
            phase.iter_mut().zip(&weights).for_each(|(p, w)| *p *= w / seen);
            last = Some(i);
        }
        bits
    }

    /// Periods at which the presses' phases agree over the whole: peaks of the Rayleigh power.
    ///
    /// # Source
    /// Rayleigh's test over a grid of frequencies: Buccheri et al. 1983, A&A 128:245.
    #[allow(clippy::cast_precision_loss, clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    fn spectrum(&self) -> Vec<f64> {
        let t = &self.line.t[..self.n];
        let whole = (t[self.n - 1] - t[0]).max(1e-3);
        let mean = whole / self.n as f64;
        let step = 0.3 / whole;
        let (low, high) = (0.15 / mean, 1.6 / mean);
        let count = ((high - low) / step) as usize;
        // Each press turns by a constant angle from one frequency to the next.
        let mut turning: Vec<((f64, f64), (f64, f64))> = t
            .iter()
            .map(|t| {
                let angle = |f: f64| (std::f64::consts::TAU * (f * (t - self.line.t[0])).fract()).sin_cos();
                (angle(low), angle(step))
            })
            .collect();
        let mut power = Vec::with_capacity(count);
        for _ in 0..count {
            let (mut c, mut s) = (0.0, 0.0);
            for ((sin, cos), (ds, dc)) in &mut turning {
                c += *cos;
                s += *sin;
                (*sin, *cos) = (*sin * *dc + *cos * *ds, *cos * *dc - *sin * *ds);
            }
            power.push((c * c + s * s) / self.n as f64);
        }
        let peak = |i: usize| power[i] >= power[i - 1] && power[i] > power[i + 1];
        let mut peaks: Vec<(f64, f64)> = (1..count.saturating_sub(1))
            .filter(|i| peak(*i))
            .map(|i| (power[i], 1.0 / (low + step * i as f64)))
            .collect();
        peaks.sort_by(|a, b| b.0.total_cmp(&a.0));
        peaks.truncate(CANDIDATES);
        peaks.into_iter().map(|(_, period)| period).collect()
    }

    /// Periods that stand out among the differences of presses, by a comb of four teeth as wide as a walk makes them.
    ///
    /// # Source
    /// Differences of all orders instead of gaps: Perkel, Gerstein & Moore 1967, Biophys. J. 7:391 (autocorrelation).
    #[allow(clippy::cast_precision_loss)]
    fn differences(&self) -> Vec<f64> {
        let mut differences: Vec<f64> = Vec::new();
        for i in 0..self.n {
            for j in i + 1..(i + 9).min(self.n) {
                if self.line.segment[i] == self.line.segment[j] {
                    differences.push(self.line.t[j] - self.line.t[i]);
                }
            }
        }
        differences.sort_unstable_by(f64::total_cmp);
        let within = |low: f64, high: f64| {
            (differences.partition_point(|d| *d < high) - differences.partition_point(|d| *d < low)) as f64
        };
        let mean = (self.line.t[self.n - 1] - self.line.t[0]) / self.n as f64;
        let (low, high) = (0.4 * mean, 8.0 * mean);
        let steps = 150;
        let score = |period: f64| {
            let mut sum = 0.0;
            for tooth in 1..=3 {
                let (at, half) = (f64::from(tooth) * period, 0.17 * f64::from(tooth).sqrt() * period);
                let on = within(at - half, at + half);
                let off = within(at - 0.5 * period, at - half) + within(at + half, at + 0.5 * period);
                let ground = off * 2.0 * half / (period - 2.0 * half).max(0.1 * period);
                sum += (on - ground) / (on + ground + 4.0).sqrt();
            }
            sum
        };
        let scores: Vec<(f64, f64)> = (0..=steps)
            .map(|i| low * (high / low).powf(f64::from(i) / f64::from(steps)))
            .map(|period| (score(period), period))
            .collect();
        let mut peaks: Vec<(f64, f64)> = scores
            .windows(3)
            .filter(|three| three[1].0 >= three[0].0 && three[1].0 > three[2].0)
            .map(|three| three[1])
            .collect();
        peaks.sort_by(|a, b| b.0.total_cmp(&a.0));
        peaks.truncate(CANDIDATES / 2);
        peaks.into_iter().map(|(_, period)| period).collect()
    }
}

/// Moves a phase on by so many turns; between two bins it goes to both.
#[allow(clippy::cast_precision_loss, clippy::cast_possible_truncation, clippy::cast_sign_loss)]
fn moved(phase: &mut [f64; BINS], turns: f64) {
    let by = turns.rem_euclid(1.0) * BINS as f64;
    let (whole, part) = (by.floor() as usize, by.fract());
    let old = *phase;
    for (i, p) in phase.iter_mut().enumerate() {
        let from = |shift: usize| old[(i + 2 * BINS - shift) % BINS];
        *p = (1.0 - part) * from(whole) + part * from(whole + 1);
    }
}

/// Spreads a phase by a normal of this many turns.
#[allow(clippy::cast_precision_loss)]
fn blurred(phase: &mut [f64; BINS], spread: f64) {
    if spread <= 0.2 / BINS as f64 {
        return;
    }
    if spread > 0.6 {
        *phase = [1.0 / BINS as f64; BINS];
        return;
    }
    let kernel = wrapped(spread);
    // Four standard deviations, and less than half a turn, lest a bin counts twice.
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    let reach = ((4.0 * spread * BINS as f64).ceil() as usize).min(BINS / 2 - 1);
    let old = *phase;
    for (i, p) in phase.iter_mut().enumerate() {
        let near = |j: usize| old[(i + BINS - j) % BINS] + if j > 0 { old[(i + j) % BINS] } else { 0.0 };
        *p = (0..=reach).map(|j| near(j) * kernel[j]).sum::<f64>() / BINS as f64;
    }
}

/// The presses on a beat as a chain: beats counted from press to press, one press a beat.
#[allow(clippy::cast_precision_loss, clippy::cast_possible_truncation, clippy::cast_sign_loss)]
fn chain(events: &Events<'_>, on: &[bool], period: f64, model: Model) -> Option<Chain> {
    let line = events.line;
    let mut chain = Chain { period, ..Chain::default() };
    let mut clock: Option<(f64, u32)> = None;
    let on = |i: &usize| on.get(*i).copied().unwrap_or_default();
    for i in (0..events.n).filter(on) {
        let t = line.t[i];
        let last = chain.hits.last().copied();
        let same = last.is_some_and(|last: Hit| line.segment[last.place as usize] == line.segment[i]);
        let Some((tau, beat)) = clock.filter(|_| same) else {
            chain.runs.push(Run { first: chain.hits.len(), hits: 1 });
            chain.hits.push(Hit { place: i as u32, beat: 0, error: 0.0, tau: t });
            clock = Some((t, 0));
            continue;
        };
        let turns = (t - tau) / period;
        let ahead = turns.round().max(0.0);
        let foretold = tau + ahead * period;
        // A clock keeps its own time and is only drawn to the presses; a walk starts again from each.
        let draw = if model.walk > 0.0 { 0.7 } else { 0.15 };
        let tau = foretold + draw * (t - foretold);
        let error = ((t - foretold) / period) as f32;
        let hit = Hit { place: i as u32, beat: beat + ahead as u32, error, tau };
        if ahead < 1.0 {
            // Two on one beat: the nearer stays.
            if let Some(last) = chain.hits.last_mut().filter(|last| error.abs() < last.error.abs()) {
                *last = Hit { beat, ..hit };
            }
            continue;
        }
        clock = Some((tau, hit.beat));
        chain.hits.push(hit);
        if let Some(run) = chain.runs.last_mut() {
            run.hits += 1;
        }
    }
    (chain.hits.len() >= 8).then_some(chain)
}
