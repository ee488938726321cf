//! Samples and level changes of one channel to edges.
//!
//! The first edge of a channel is the level that it begins with. Volts become levels by two thresholds:
//! at or above the upper one is high, at or below the lower one is low, between them the level stays. The
//! instant of an analog edge lies on the straight line between the two samples, unless values hold until the next. What is no level (`x`, `z`)
//! makes no edge: a change through it counts from where the new level is certain.

use crate::base::Nanoseconds;
use crate::signal::{Edge, Level};
use crate::source::{Change, Value};

/// The two thresholds of an analog channel, in volts.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Hysteresis {
    /// At or below this the level is low.
    pub low: f32,
    /// At or above this the level is high.
    pub high: f32,
}

impl Default for Hysteresis {
    /// 0.8 V and 2.0 V.
    ///
    /// # Source
    /// Input levels of 3.3 V logic (LVTTL), JEDEC JESD8; from memory.
    fn default() -> Self {
        Self { low: 0.8, high: 2.0 }
    }
}

/// Finds the edges of one channel.
#[derive(Clone, Debug)]
pub struct EdgeFinder {
    hysteresis: Hysteresis,
    glitch: Nanoseconds,
    level: Option<Level>,
    sample: Option<(Nanoseconds, f32)>,
    /// The last edge, held back until it has outlasted the glitch filter.
    held: Option<Edge>,
    /// The level before the held edge; `None` when that edge is the first.
    before: Option<Level>,
    glitches: u64,
    unknown: u64,
    /// Whether a value holds until the next one.
    steps: bool,
}

impl EdgeFinder {
    /// `glitch` is the shortest stretch that counts; zero lets all pass.
    pub fn new(hysteresis: Hysteresis, glitch: Nanoseconds) -> Self {
        Self {
            hysteresis,
            glitch,
            level: None,
            sample: None,
            held: None,
            before: None,
            glitches: 0,
            unknown: 0,
            steps: false,
        }
    }

    /// For values that hold until the next one, as a dump has them: an edge is where its value stands.
    #[must_use]
    pub fn stepping(mut self) -> Self {
        self.steps = true;
        self
    }

    /// Takes one change of this channel, appends at most one edge.
    #[inline(always)]
    pub fn push(&mut self, change: Change, out: &mut Vec<Edge>) {
        let (t, level) = match change.value {
            Value::Low => (change.t, Level::Low),
            Value::High => (change.t, Level::High),
            Value::Unknown => {
                self.unknown += 1;
                return;
            }
            Value::Volts(volts) => match self.crossed(change.t, volts) {
                Some(crossed) => crossed,
                None => return,
            },
        };
        if self.level == Some(level) {
            return;
        }
        let before = self.level.replace(level);
        self.edge(Edge { t, level, offset: change.offset }, before, out);
    }

    /// The level of a sample, and since when it may be so; `None` between the thresholds.
    fn crossed(&mut self, t: Nanoseconds, volts: f32) -> Option<(Nanoseconds, Level)> {
        let before = self.sample.replace((t, volts));
        let (level, threshold) = if volts >= self.hysteresis.high {
            (Level::High, self.hysteresis.high)
        } else if volts <= self.hysteresis.low {
            (Level::Low, self.hysteresis.low)
        } else {
            return None;
        };
        let since =
            before.filter(|_| !self.steps).map_or(t, |before| crossing(before, (t, volts), threshold));
        Some((since, level))
    }

    #[inline(always)]
    fn edge(&mut self, edge: Edge, before: Option<Level>, out: &mut Vec<Edge>) {
        if self.glitch <= Nanoseconds::ZERO {
            out.push(edge);
        } else {
            self.hold(edge, before, out);
        }
    }

    /// Lets an edge wait until it has outlasted the glitch filter.
    fn hold(&mut self, edge: Edge, before: Option<Level>, out: &mut Vec<Edge>) {
        match self.held.take() {
            // The first level has no forerunner to fall back to, and is kept however short.
            Some(held) if self.before.is_some() && edge.t - held.t < self.glitch => {
                self.glitches += 1;
                // Both ends of the glitch go; the line is as before it.
                return;
            }
            Some(held) => out.push(held),
            None => {}
        }
        self.before = before;
        self.held = Some(edge);
    }

    /// Nothing more will come: appends the edge that was held back.
    pub fn finish(&mut self, end: Nanoseconds, out: &mut Vec<Edge>) {
        if let Some(held) = self.held.take() {
            if self.before.is_some() && end - held.t < self.glitch {
                self.glitches += 1;
            } else {
                out.push(held);
            }
        }
    }

    /// Stretches that the filter took out.
    pub fn glitches(&self) -> u64 {
        self.glitches
    }

    /// Values that were no level.
    pub fn unknown(&self) -> u64 {
        self.unknown
    }
}

/// Where the straight line between two samples meets the threshold.
fn crossing(before: (Nanoseconds, f32), after: (Nanoseconds, f32), threshold: f32) -> Nanoseconds {
    let rise = after.1 - before.1;
    let share = (threshold - before.1) / rise;
    if !(0.0..=1.0).contains(&share) {
        return after.0;
    }
    let span = (after.0 - before.0).seconds() * f64::from(share);
    before.0 + Nanoseconds::from_seconds(span)
}
