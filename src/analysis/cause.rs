//! Cause and effect: each menu change and the input behind it, with the latency learned from the data.

use serde::Serialize;

use super::special::quantile;
use crate::base::{ControlPath, Event, EventKind, Nanoseconds};

/// What one control path does to the menu.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct PathLatency {
    /// The path.
    pub path: ControlPath,
    /// Inputs on it.
    pub inputs: u64,
    /// Menu changes linked to it.
    pub changes: u64,
    /// Median time from input to change, seconds; null when the path changes nothing.
    pub latency_s: Option<f64>,
    /// Longest time that still counts as its effect, seconds; null when the path changes nothing.
    pub reach_s: Option<f64>,
}

/// Links between inputs and menu changes.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Causes {
    /// Each input path that was seen.
    pub paths: Vec<PathLatency>,
    /// Menu changes in all.
    pub changes: u64,
    /// Menu changes with no input behind them: software, or a path that was not captured.
    pub orphans: u64,
    /// The first of them, seconds; a thousand at most.
    pub orphan_t: Vec<f64>,
}

const INPUTS: [ControlPath; 3] = [ControlPath::Keypad, ControlPath::Infrared, ControlPath::Cec];
/// A change later than this after an input is not looked at as its effect.
const LONGEST_S: f64 = 5.0;
/// Slower changes than the learned reach by this factor still count.
const SLACK: f64 = 1.25;
const MOST_ORPHANS: usize = 1000;

/// Learns latencies and links changes; two passes over compact copies of the times.
#[derive(Clone, Debug, Default)]
pub struct CauseFinder {
    inputs: [Vec<i64>; 3],
    changes: Vec<i64>,
}

impl CauseFinder {
    /// Takes one event, in time order. O(1), eight bytes each.
    pub fn push(&mut self, event: &Event) {
        let acts = matches!(
            event.kind,
            EventKind::Press | EventKind::Repeat | EventKind::Release | EventKind::Frame
        );
        if event.path == ControlPath::Menu && event.kind == EventKind::Change {
            self.changes.push(event.t.0);
        } else if let Some(path) = INPUTS.iter().position(|path| *path == event.path).filter(|_| acts) {
            self.inputs[path].push(event.t.0);
        }
    }

    /// Links every change to the path whose usual latency it fits best.
    pub fn finish(mut self) -> Causes {
        self.changes.sort_unstable();
        self.inputs.iter_mut().for_each(|times| times.sort_unstable());
        let delays = [0, 1, 2].map(|path| self.delays(path));
        let learned = [0, 1, 2].map(|path| self.learn(path, &delays[path]));
        let mut counts = [0u64; 3];
        let mut causes = Causes {
            paths: Vec::new(),
            changes: self.changes.len() as u64,
            orphans: 0,
            orphan_t: Vec::new(),
        };
        for (number, t) in self.changes.iter().enumerate() {
            let fitting = (0..3).filter_map(|path| {
                let (median, reach) = learned[path]?;
                let delay = delays[path][number].filter(|delay| *delay <= reach)?;
                Some(((delay / median.max(1e-3)).max(1e-6).ln().abs(), path))
            });
            match fitting.min_by(|a, b| a.0.total_cmp(&b.0)) {
                Some((_, path)) => counts[path] += 1,
                None => {
                    causes.orphans += 1;
                    if causes.orphan_t.len() < MOST_ORPHANS {
                        causes.orphan_t.push(Nanoseconds(*t).seconds());
                    }
                }
            }
        }
        for path in (0..3).filter(|path| !self.inputs[*path].is_empty()) {
            causes.paths.push(PathLatency {
                path: INPUTS[path],
                inputs: self.inputs[path].len() as u64,
                changes: counts[path],
                latency_s: learned[path].map(|(median, _)| median),
                reach_s: learned[path].map(|(_, reach)| reach),
            });
        }
        causes
    }

    /// For each change, how long ago the path's last input was, if not too long.
    fn delays(&self, path: usize) -> Vec<Option<f64>> {
        let times = &self.inputs[path];
        let mut next = 0;
        self.changes
            .iter()
            .map(|t| {
                while times.get(next).is_some_and(|input| input <= t) {
                    next += 1;
                }
                let last = next.checked_sub(1).and_then(|place| times.get(place))?;
                let delay = (Nanoseconds(*t) - Nanoseconds(*last)).seconds();
                (delay <= LONGEST_S).then_some(delay)
            })
            .collect()
    }

    /// Median and reach of a path's latency: the delay up to which the changes exceed by most what inputs at
    /// unrelated moments would give. `None` when they do not exceed it beyond chance.
    ///
    /// # Source
    /// The one-sided Kolmogorov-Smirnov distance to the backward recurrence time of a Poisson process
    /// (Smirnov 1944: P(√n D > d) ≈ exp(-2 d²), here at one in a thousand).
    #[allow(clippy::cast_precision_loss)]
    fn learn(&self, path: usize, delays: &[Option<f64>]) -> Option<(f64, f64)> {
        let times = &self.inputs[path];
        let whole = times
            .first()
            .into_iter()
            .chain(&self.changes)
            .copied()
            .min()
            .zip(times.last().into_iter().chain(&self.changes).copied().max());
        let (from, to) = whole?;
        let span = (Nanoseconds(to) - Nanoseconds(from)).seconds().max(1e-3);
        let rate = times.len() as f64 / span;
        let mut sorted: Vec<f64> = delays.iter().flatten().copied().collect();
        sorted.sort_by(f64::total_cmp);
        let n = delays.len() as f64;
        let mut best = (0.0, 0.0);
        for (count, delay) in (1u32..).zip(&sorted) {
            let excess = f64::from(count) / n - (1.0 - (-rate * delay).exp());
            if excess > best.0 {
                best = (excess, *delay);
            }
        }
        let enough = best.0 * n.sqrt() > (0.5 * 1000f64.ln()).sqrt();
        let core = sorted.get(..sorted.partition_point(|delay| *delay <= best.1)).unwrap_or_default();
        enough.then(|| (quantile(core, 0.5), best.1 * SLACK + 0.01))
    }
}
