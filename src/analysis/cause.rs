//! Cause and effect: each menu change and the input behind it, with the latency learned from the data.

use serde::{Deserialize, Serialize};

use crate::analysis::event_sequence::DEFAULT_LATENCY;
use crate::analysis::special::quantile;
use crate::base::{ControlPath, Event, EventKind, Nanoseconds};

/// What one control path does to the menu.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
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
    /// Whether both were learned; with few changes the reach is assumed.
    pub learned: bool,
}

/// One menu change and what it was linked to.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Link {
    /// The path of the input behind it; null for an orphan.
    pub path: Option<ControlPath>,
    /// How long before it that input was, seconds; null for an orphan.
    pub delay_s: Option<f64>,
}

/// Links between inputs and menu changes.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
pub struct Causes {
    /// Each input path that was seen.
    pub paths: Vec<PathLatency>,
    /// Menu changes in all.
    pub changes: u64,
    /// Menu changes with no input behind them: software, or a path that was not captured.
    pub orphans: u64,
    /// The first of them, seconds; a thousand at most.
    pub orphan_t: Vec<f64>,
    /// Every change in the order in which it was pushed.
    #[serde(skip)]
    pub links: Vec<Link>,
}

const INPUTS: [ControlPath; 3] = [ControlPath::Keypad, ControlPath::Infrared, ControlPath::Cec];
/// A change later than this after an input is not looked at as its effect.
const LONGEST_S: f64 = 5.0;
/// Slower changes than the learned reach by this factor still count.
const SLACK: f64 = 1.25;
const MOST_ORPHANS: usize = 1000;
/// With fewer changes nothing can be learned about a path's latency, and the usual reach is assumed. Ours.
const FEW: usize = 16;
/// A key that is down explains what the menu does meanwhile, for so long and no longer: its release may be lost.
const LONGEST_HOLD: Nanoseconds = Nanoseconds::from_millis(60_000);
/// Captures are laid so far apart that nothing in one explains what is in the next.
const APART: i64 = 10_000_000_000;

/// Learns latencies and links changes; two passes over compact copies of the times.
#[derive(Clone, Debug, Default)]
pub struct CauseFinder {
    inputs: [Vec<i64>; 3],
    /// Time, and the path on which a key was down meanwhile with the time of its press.
    changes: Vec<(i64, Option<(usize, i64)>)>,
    down: [Option<i64>; 3],
    latest: i64,
    shift: i64,
}

impl CauseFinder {
    /// Takes one event, in time order. O(1), some thirty bytes each.
    pub fn push(&mut self, event: &Event) {
        let t = event.t.0.saturating_add(self.shift);
        if event.path == ControlPath::Menu && event.kind == EventKind::Change {
            let held = (0..3)
                .filter_map(|path| Some((path, self.down[path]?)))
                .filter(|(_, since)| t.saturating_sub(*since) <= LONGEST_HOLD.0)
                .max_by_key(|(_, since)| *since);
            self.changes.push((t, held));
        } else if let Some(path) =
            INPUTS.iter().position(|path| *path == event.path).filter(|_| event.can_act())
        {
            match event.kind {
                EventKind::Press | EventKind::Repeat => self.down[path] = self.down[path].or(Some(t)),
                EventKind::Release => self.down[path] = None,
                _ => {}
            }
            self.inputs[path].push(t);
        } else {
            return;
        }
        self.latest = self.latest.max(t);
    }

    /// Says that the events to come are of another capture, with a clock of its own that starts at `start`.
    pub fn next_capture(&mut self, start: Nanoseconds) {
        self.shift = self.latest.saturating_add(APART).saturating_sub(start.0);
        self.down = [None; 3];
    }

    /// Links every change to the path whose usual latency it fits best. Times in the result are those of the
    /// captures laid end to end, where there was more than one.
    pub fn finish(mut self) -> Causes {
        let mut order: Vec<usize> = (0..self.changes.len()).collect();
        order.sort_by_key(|place| self.changes[*place].0);
        self.changes.sort_by_key(|change| change.0);
        self.inputs.iter_mut().for_each(|times| times.sort_unstable());
        let delays = [0, 1, 2].map(|path| self.delays(path));
        let learned = [0, 1, 2].map(|path| self.learn(path, &delays[path]));
        let mut causes = Causes {
            paths: Vec::new(),
            changes: self.changes.len() as u64,
            orphans: 0,
            orphan_t: Vec::new(),
            links: vec![Link { path: None, delay_s: None }; self.changes.len()],
        };
        let mut counts = [0u64; 3];
        for (number, (t, held)) in self.changes.iter().enumerate() {
            let fitting = (0..3).filter_map(|path| {
                let (median, reach, _) = learned[path]?;
                let delay = delays[path][number].filter(|delay| *delay <= reach)?;
                Some(((delay / median.max(1e-3)).max(1e-6).ln().abs(), path, delay))
            });
            let best = fitting.min_by(|a, b| a.0.total_cmp(&b.0)).map(|(_, path, delay)| (path, delay));
            // A key that stays down goes on acting without a new input.
            let held = held.filter(|(path, _)| learned[*path].is_some());
            let held = held.map(|(path, since)| (path, (Nanoseconds(*t) - Nanoseconds(since)).seconds()));
            match best.or(held) {
                Some((path, delay)) => {
                    counts[path] += 1;
                    causes.links[order[number]] = Link { path: Some(INPUTS[path]), delay_s: Some(delay) };
                }
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
                latency_s: learned[path].map(|(median, ..)| median),
                reach_s: learned[path].map(|(_, reach, _)| reach),
                learned: learned[path].is_some_and(|(.., learned)| learned),
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
            .map(|(t, _)| {
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
    /// unrelated moments would give; and whether that was learned. `None` when they do not exceed it beyond chance,
    /// unless they are too few to tell: then the usual reach is assumed.
    ///
    /// # Source
    /// The one-sided Kolmogorov-Smirnov distance to the backward recurrence time of a Poisson process
    /// (Smirnov 1944: P(√n D > d) ≈ exp(-2 d²), here at one in a thousand).
    #[allow(clippy::cast_precision_loss)]
    fn learn(&self, path: usize, delays: &[Option<f64>]) -> Option<(f64, f64, bool)> {
        let times = &self.inputs[path];
        let whole =
            times.first().into_iter().copied().chain(self.changes.first().map(|change| change.0)).min().zip(
                times.last().copied().into_iter().chain(self.changes.last().map(|change| change.0)).max(),
            );
        let (from, to) = whole.filter(|_| !times.is_empty())?;
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
        if enough {
            return Some((quantile(core, 0.5), best.1 * SLACK + 0.01, true));
        }
        let reach = DEFAULT_LATENCY.seconds();
        let near = sorted.get(..sorted.partition_point(|delay| *delay <= reach)).unwrap_or_default();
        let few = delays.len() < FEW && !near.is_empty();
        few.then(|| (quantile(near, 0.5), reach, false))
    }
}
