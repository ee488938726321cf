//! One symbol followed beat by beat: a tracker that survives missed and foreign events, drift and both kinds
//! of jitter; then the period by regression over all beats.

use crate::analysis::pattern::field::Line;
use crate::analysis::special::{quantile, student_quantile};

/// One beat that was seen.
#[derive(Clone, Copy, Debug)]
pub(super) struct Hit {
    /// Place in the line.
    pub(super) place: u32,
    /// Number of the beat within its run.
    pub(super) beat: u32,
    /// Time less the time foretold from the beats before it, in periods.
    pub(super) error: f32,
    /// Beat's time as the tracker believes it, seconds.
    pub(super) tau: f64,
}

/// Beats without a long break.
#[derive(Clone, Copy, Debug)]
pub(super) struct Run {
    /// First hit.
    pub(super) first: usize,
    /// Hits.
    pub(super) hits: usize,
}

/// A sequence of beats of one symbol.
#[derive(Clone, Debug, Default)]
pub(super) struct Chain {
    pub(super) hits: Vec<Hit>,
    pub(super) runs: Vec<Run>,
    /// Period in seconds.
    pub(super) period: f64,
}

/// A run ends after so many misses in a row.
const MOST_MISSES: u32 = 8;
/// Reach of a beat, as a share of the period: further off, a press is no part of the sequence.
const REACH: f64 = 0.2;
const FEWEST_HITS: usize = 4;
const FEWEST_SHARE: f64 = 0.4;

struct Tracker<'a> {
    line: &'a Line,
    tau: f64,
    period: f64,
    beat: u32,
    cursor: usize,
}

impl Tracker<'_> {
    /// The next beat that is seen, or nothing before the run ends.
    fn next(&mut self, known: usize) -> Option<Hit> {
        let (line, segment) = (self.line, self.line.segment[self.cursor - 1]);
        for missed in 0..=MOST_MISSES {
            let ahead = f64::from(missed + 1);
            let foretold = self.tau + self.period * ahead;
            let reach = self.period * (REACH + 0.03 * f64::from(missed)).min(0.3);
            let at = gallop(&line.t, self.cursor, foretold);
            let near = [at.checked_sub(1).filter(|before| *before >= self.cursor), Some(at)];
            let best = near
                .into_iter()
                .flatten()
                .filter(|place| line.segment.get(*place) == Some(&segment))
                .map(|place| (line.t[place] - foretold, place))
                .filter(|(error, _)| error.abs() <= reach)
                .min_by(|a, b| a.0.abs().total_cmp(&b.0.abs()));
            if best.is_none() && line.segment.get(at) != Some(&segment) {
                return None;
            }
            if let Some((error, place)) = best {
                return Some(self.accept(error, place, ahead, known));
            }
        }
        None
    }

    /// Growing-memory gains of an alpha-beta tracker (Benedict & Bordner 1962, IRE Trans. AC-7:27), begun as
    /// if four beats were known already, and never below the floor that lets it follow a wandering period.
    #[allow(clippy::cast_precision_loss, clippy::cast_possible_truncation)]
    fn accept(&mut self, error: f64, place: usize, ahead: f64, known: usize) -> Hit {
        let k = (known + 4) as f64;
        let alpha = (2.0 * (2.0 * k - 1.0) / (k * (k + 1.0))).max(0.25);
        let beta = (6.0 / (k * (k + 1.0))).max(0.02);
        let relative = error / self.period;
        self.tau += self.period * ahead + alpha * error;
        self.period += beta * error / ahead;
        self.beat += ahead as u32;
        self.cursor = place + 1;
        Hit { place: place as u32, beat: self.beat, error: relative as f32, tau: self.tau }
    }
}

/// First place from `from` on whose time is not before `t`, by doubling steps: cheap when it is near, and never
/// dear when a thousand events lie between.
fn gallop(times: &[f64], from: usize, t: f64) -> usize {
    let (mut low, mut step) = (from, 1);
    while times.get(low + step - 1).is_some_and(|time| *time < t) {
        low += step;
        step *= 2;
    }
    let high = (low + step).min(times.len());
    low + times.get(low..high).unwrap_or_default().partition_point(|time| *time < t)
}

/// Follows the line at a period: every run of at least four hits in which two beats of five were seen.
/// O(n): a start that leads nowhere is given up after eight beats.
#[allow(clippy::cast_possible_truncation, clippy::cast_precision_loss)]
pub(super) fn track(line: &Line, period: f64) -> Chain {
    let mut chain = Chain { period, ..Chain::default() };
    let mut start = 0;
    while start + FEWEST_HITS <= line.len() {
        let mut tracker = Tracker { line, tau: line.t[start], period, beat: 0, cursor: start + 1 };
        let first = chain.hits.len();
        chain.hits.push(Hit { place: start as u32, beat: 0, error: 0.0, tau: line.t[start] });
        while let Some(hit) = tracker.next(chain.hits.len() - first) {
            chain.hits.push(hit);
            if tracker.period < 0.5 * period || tracker.period > 2.0 * period {
                break;
            }
        }
        let hits = chain.hits.len() - first;
        let beats = tracker.beat + 1;
        if hits >= FEWEST_HITS && hits as f64 >= FEWEST_SHARE * f64::from(beats) {
            chain.runs.push(Run { first, hits });
            start = tracker_last(&chain) + 1;
        } else {
            chain.hits.truncate(first);
            start += 1;
        }
    }
    chain
}

fn tracker_last(chain: &Chain) -> usize {
    chain.hits.last().map_or(0, |hit| hit.place as usize)
}

impl Chain {
    pub(super) fn run(&self, run: Run) -> &[Hit] {
        self.hits.get(run.first..run.first + run.hits).unwrap_or_default()
    }

    /// Beats from the first to the last hit of each run.
    pub(super) fn beats(&self) -> u64 {
        self.runs.iter().filter_map(|run| self.run(*run).last()).map(|hit| u64::from(hit.beat) + 1).sum()
    }

    /// Share of beats that were missed, kept off zero and one.
    #[allow(clippy::cast_precision_loss)]
    pub(super) fn missed_share(&self) -> f64 {
        let beats = self.beats() as f64;
        ((beats - self.hits.len() as f64 + 0.5) / (beats + 1.0)).clamp(0.005, 0.9)
    }

    /// Robust spread of the foretelling error, in periods.
    pub(super) fn error_spread(&self) -> f64 {
        let step = (self.hits.len() / 20_000).max(1);
        let mut errors: Vec<f64> = self
            .runs
            .iter()
            .flat_map(|run| self.run(*run).iter().skip(1))
            .step_by(step)
            .map(|h| f64::from(h.error).abs())
            .collect();
        errors.sort_unstable_by(f64::total_cmp);
        1.4826 * quantile(&errors, 0.5)
    }

    /// Bits by which the beats tell more than chance would.
    ///
    /// Each beat multiplies the odds by q + (1-q) N(error; spread) / intensity. Under chance its mean is one,
    /// so the product is an e-value: it exceeds 2^b with chance 2^-b at most (Ville 1939; Shafer 2021, JRSS A
    /// 184:407). The choice of where runs begin and end is paid for as in a code (Grünwald 2007, ch. 3).
    #[allow(clippy::cast_precision_loss)]
    pub(super) fn gain(&self, line: &Line, grain: f64) -> f64 {
        if self.runs.is_empty() {
            return f64::NEG_INFINITY;
        }
        let q = self.missed_share();
        let spread = (self.error_spread() * self.period).max(grain);
        let top = (1.0 - q) / (spread * std::f64::consts::TAU.sqrt());
        let mut bits = 0.0;
        for run in &self.runs {
            let mut beat = 0;
            for hit in self.run(*run).iter().skip(1) {
                let z = f64::from(hit.error) * self.period / spread;
                let odds = q + top * (-0.5 * z * z).exp() / line.intensity[hit.place as usize];
                bits += odds.log2() + f64::from(hit.beat - beat - 1) * q.log2();
                beat = hit.beat;
            }
        }
        let runs = self.runs.len() as f64;
        // log2 of the ways to choose the ends of the runs, by Stirling, and 5.5 bits for spread and misses.
        bits - 2.0 * runs * ((line.len() as f64 / runs).log2() + 0.45) - 5.5
    }
}

/// The period and its jitter, from all beats.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Fit {
    pub(super) period: f64,
    pub(super) low: f64,
    pub(super) high: f64,
    /// Jitter of each beat against a steady clock, standard deviation, seconds.
    pub(super) locked: f64,
    /// Jitter that adds up from beat to beat, standard deviation a beat, seconds.
    pub(super) walk: f64,
    /// Period over the first and the last third of the beats.
    pub(super) first: f64,
    pub(super) last: f64,
}

/// Points of one run: beat number and time.
pub(super) type Points = Vec<Vec<(f64, f64)>>;

/// Regression of time on beat number, one intercept a run and one slope for all, with the two jitters told
/// apart by how the variance of time differences grows with their length: V(k) = 2 s² + k w².
///
/// # Source
/// Structure function of a phase random walk: Rutman 1978, Proc. IEEE 66:1048; the slope's variance under
/// white noise s² / Sxx, under a walk 6 w² / 5N (methods reference, 4.5).
#[allow(clippy::cast_precision_loss)]
pub(super) fn fit(points: &Points, start: f64, grain: f64) -> Fit {
    let mut kept = points.clone();
    let (mut period, mut sxx) = slope(&kept).unwrap_or((start, 1.0));
    let (mut locked, mut walk) = jitter(&kept, period);
    for _ in 0..2 {
        trim(&mut kept, period, 4.0 * (locked * locked + walk * walk).sqrt().max(grain));
        if let Some(next) = slope(&kept) {
            (period, sxx) = next;
        }
        (locked, walk) = jitter(&kept, period);
    }
    let n: usize = kept.iter().map(Vec::len).sum();
    let beats: f64 = kept.iter().filter_map(|run| Some(run.last()?.0 - run.first()?.0)).sum();
    let grain_part = grain * grain / 12.0;
    let variance = (locked * locked + grain_part) / sxx + 1.2 * walk * walk / beats.max(1.0);
    let freedom = n.saturating_sub(kept.len() + 1).max(1) as f64;
    let reach = student_quantile(0.025, freedom) * variance.sqrt();
    let thirds = [0.0, 1.0, 2.0].map(|i| part(&kept, i / 3.0, (i + 1.0) / 3.0));
    let own = [0, 1, 2].map(|i| slope(&thirds[i]).map_or(period, |s| s.0));
    if (own[2] / own[0] - 1.0).abs() > CHANGES {
        // Against one period for all, the change itself would pass for jitter.
        let parts = [0, 1, 2].map(|i| jitter(&thirds[i], own[i]));
        (locked, walk) = (middle(parts.map(|p| p.0)), middle(parts.map(|p| p.1)));
    }
    Fit { period, low: period - reach, high: period + reach, locked, walk, first: own[0], last: own[2] }
}

/// A change of the period by this share over the sequence is said.
pub(super) const CHANGES: f64 = 0.05;

fn middle(mut values: [f64; 3]) -> f64 {
    values.sort_unstable_by(f64::total_cmp);
    values[1]
}

/// Slope over all runs and the sum of squares behind it.
#[allow(clippy::cast_precision_loss)]
fn slope(points: &Points) -> Option<(f64, f64)> {
    let (mut sxx, mut sxy) = (0.0, 0.0);
    for run in points.iter().filter(|run| run.len() >= 2) {
        let n = run.len() as f64;
        let x0 = run.iter().map(|p| p.0).sum::<f64>() / n;
        let y0 = run.iter().map(|p| p.1).sum::<f64>() / n;
        for (x, y) in run {
            sxx += (x - x0) * (x - x0);
            sxy += (x - x0) * (y - y0);
        }
    }
    (sxx > 0.0).then(|| (sxy / sxx, sxx))
}

const LAGS: usize = 8;

/// The two jitters, as standard deviations.
#[allow(clippy::cast_precision_loss)]
fn jitter(points: &Points, period: f64) -> (f64, f64) {
    // Least squares of squared differences on their length in beats.
    let (mut n, mut sx, mut sy, mut sxx, mut sxy) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for run in points {
        for (i, (x, y)) in run.iter().enumerate() {
            for (x2, y2) in run.iter().skip(i + 1).take(LAGS) {
                let k = x2 - x;
                let d = y2 - y - k * period;
                n += 1.0;
                sx += k;
                sy += d * d;
                sxx += k * k;
                sxy += k * d * d;
            }
        }
    }
    if n < 1.0 {
        return (0.0, 0.0);
    }
    let spread = sxx - sx * sx / n;
    let growth = if spread > 1e-9 { (sxy - sx * sy / n) / spread } else { 0.0 };
    if growth <= 0.0 {
        return ((sy / n / 2.0).sqrt(), 0.0);
    }
    let intercept = (sy - growth * sx) / n;
    if intercept <= 0.0 {
        return (0.0, (sy / sx).sqrt());
    }
    ((intercept / 2.0).sqrt(), growth.sqrt())
}

/// Drops points that lie further from the middle of their neighbours than the limit.
fn trim(points: &mut Points, period: f64, limit: f64) {
    for run in points.iter_mut().filter(|run| run.len() >= 6) {
        let flat: Vec<f64> = run.iter().map(|(x, y)| y - x * period).collect();
        let mut place = 0;
        run.retain(|_| {
            let (own, from) = (flat[place], place.max(3) - 3);
            let around = flat.get(from..(place + 4).min(flat.len())).unwrap_or_default();
            place += 1;
            // With more than half of them within the limit the middle is too; nearly always, and without sorting.
            if 2 * around.iter().filter(|v| (*v - own).abs() <= limit).count() > around.len() + 1 {
                return true;
            }
            let mut near = around.to_vec();
            near.sort_unstable_by(f64::total_cmp);
            (own - quantile(&near, 0.5)).abs() <= limit
        });
    }
}

/// Points whose place lies in this share of all points, in order.
#[allow(clippy::cast_precision_loss)]
fn part(points: &Points, from: f64, to: f64) -> Points {
    let total: usize = points.iter().map(Vec::len).sum();
    let mut place = 0usize;
    points
        .iter()
        .map(|run| {
            run.iter()
                .copied()
                .filter(|_| {
                    let share = place as f64 / total as f64;
                    place += 1;
                    share >= from && share < to
                })
                .collect()
        })
        .collect()
}
