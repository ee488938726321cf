//! Infrared taken before the receiver module: the carrier is found and stripped, what is left are marks and
//! spaces.
//!
//! A burst is a row of carrier cycles; it ends when none has come for two and a half of them. Its mark lasts
//! from the first edge to one cycle after the last one, as the sender meant it. Fewer than [`FEWEST`] cycles
//! are no mark that a receiver module would have seen.

use crate::base::Nanoseconds;
use crate::signal::pulse::{Polarity, Slicer, stretches};
use crate::signal::{Edge, Level, Pulse};

/// Shortest and longest cycle: 65 and 25 kHz. Remote controls use 30 to 60 kHz; the margin is ours.
const CYCLE: (i64, i64) = (15_400, 40_000);
/// Longer than this without a new cycle ends a burst: two and a half of the longest cycles. The shortest
/// space of the formats is ten times that.
const GAP: i64 = 100_000;
/// Cycles of the shortest burst that receiver modules let pass (Vishay, "suitable data format": 6 or 10 by
/// type); below it a burst is dropped and counted.
pub const FEWEST: u32 = 6;
/// Edges from which the kind of line is found: four times those of a long frame.
const HELD: usize = 256;

/// The carrier of a line, measured over all its bursts.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Carrier {
    /// Frequency.
    pub hz: f64,
    /// Standard deviation of single cycles, as a fraction of the cycle: jitter and the capture's steps.
    pub spread: f64,
    /// Share of a cycle in which the light is on.
    pub duty: f64,
    /// Cycles that were measured.
    pub cycles: u64,
}

impl Carrier {
    /// What stands behind a carrier that no remote control has; empty for the usual ones of 30 to 60 kHz.
    ///
    /// # Source
    /// Electronic lamp ballasts: 20 to 100 kHz (EMSD Hong Kong, 2003, on lamps and infrared remote controls).
    pub fn remark(&self) -> &'static str {
        if (30e3..=60e3).contains(&self.hz) {
            ""
        } else {
            " (no remote control's, which have 30 to 60 kHz: an electronic lamp ballast has 20 to 100 kHz)"
        }
    }
}

/// Strips the carrier of one line.
#[derive(Clone, Debug)]
pub struct Stripper {
    /// The level of a lit diode.
    lit: Level,
    burst: Option<Burst>,
    /// When the line began, or the last burst ended.
    dark_since: Option<(Nanoseconds, u64)>,
    lit_at: Option<Nanoseconds>,
    sums: Sums,
    dropped: u64,
}

#[derive(Clone, Copy, Debug)]
struct Burst {
    start: Edge,
    /// Last edge to the lit level.
    last: Nanoseconds,
    cycles: u32,
}

/// Lengths of single cycles, summed in microseconds so that squares stay small.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Cycles {
    pub(crate) count: f64,
    sum: f64,
    squares: f64,
}

impl Cycles {
    pub(crate) fn add(&mut self, micros: f64) {
        self.count += 1.0;
        self.sum += micros;
        self.squares += micros * micros;
    }

    /// Mean length in microseconds, and the standard deviation as a fraction of it; `None` before the first.
    pub(crate) fn mean_and_spread(&self) -> Option<(f64, f64)> {
        let mean = self.sum / self.count;
        let variance = (self.squares / self.count - mean * mean).max(0.0);
        (self.count >= 1.0).then(|| (mean, variance.sqrt() / mean))
    }
}

/// Cycles, and the share of them that is lit, in microseconds.
#[derive(Clone, Copy, Debug, Default)]
struct Sums {
    cycles: Cycles,
    lit: f64,
    lit_count: f64,
}

impl Stripper {
    /// For a line on which light is this level.
    pub fn new(polarity: Polarity) -> Self {
        let lit = if polarity == Polarity::MarkHigh { Level::High } else { Level::Low };
        Self { lit, burst: None, dark_since: None, lit_at: None, sums: Sums::default(), dropped: 0 }
    }

    /// Takes one edge; a mark is appended when its burst has ended, a space when the next burst is one.
    pub fn push(&mut self, edge: Edge, out: &mut Vec<Pulse>) {
        if self.dark_since.is_none() {
            self.dark_since = Some((edge.t, edge.offset));
        }
        if edge.level != self.lit {
            if let Some(lit_at) = self.lit_at.take() {
                let lit = (edge.t - lit_at).micros();
                if lit > 0.0 && lit < Nanoseconds(CYCLE.1).micros() {
                    self.sums.lit += lit;
                    self.sums.lit_count += 1.0;
                }
            }
            return;
        }
        self.lit_at = Some(edge.t);
        match &mut self.burst {
            Some(burst) if (edge.t - burst.last).0 <= GAP => {
                let cycle = edge.t - burst.last;
                burst.cycles += 1;
                burst.last = edge.t;
                if (CYCLE.0..=CYCLE.1).contains(&cycle.0) {
                    self.sums.cycles.add(cycle.micros());
                }
            }
            _ => {
                self.close(out);
                self.burst = Some(Burst { start: edge, last: edge.t, cycles: 1 });
            }
        }
    }

    /// The source has ended at `end`.
    pub fn finish(&mut self, end: Nanoseconds, out: &mut Vec<Pulse>) {
        self.close(out);
        if let Some((since, offset)) = self.dark_since.take()
            && end > since
        {
            out.push(Pulse { t: since, mark: false, length: end - since, offset });
        }
    }

    /// The carrier; `None` before the first cycle.
    pub fn carrier(&self) -> Option<Carrier> {
        let Sums { cycles, lit, lit_count } = self.sums;
        let (mean, spread) = cycles.mean_and_spread()?;
        let duty = if lit_count > 0.0 { lit / lit_count / mean } else { 0.0 };
        // A count of cycles is far below 2^53.
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        Some(Carrier { hz: 1e6 / mean, spread, duty, cycles: cycles.count as u64 })
    }

    /// Bursts of too few cycles.
    pub fn dropped(&self) -> u64 {
        self.dropped
    }

    /// Ends the burst under way.
    fn close(&mut self, out: &mut Vec<Pulse>) {
        let Some(burst) = self.burst.take() else { return };
        if burst.cycles < FEWEST {
            self.dropped += 1;
            return;
        }
        let cycle = self.carrier().map_or(26_316.0, |carrier| 1e9 / carrier.hz);
        let end = burst.last + Nanoseconds::from_seconds(cycle / 1e9);
        if let Some((since, offset)) = self.dark_since
            && burst.start.t > since
        {
            out.push(Pulse { t: since, mark: false, length: burst.start.t - since, offset });
        }
        out.push(Pulse {
            t: burst.start.t,
            mark: true,
            length: end - burst.start.t,
            offset: burst.start.offset,
        });
        self.dark_since = Some((end, burst.start.offset));
    }
}

/// Edges of an infrared line to marks and spaces, whichever side of the receiver module it was taken on.
///
/// The first edges tell: where most edges of one direction follow each other at a carrier's distance, the
/// line carries one.
#[derive(Clone, Debug)]
pub struct Infrared {
    polarity: Option<Polarity>,
    line: Line,
}

#[derive(Clone, Debug)]
enum Line {
    Unknown(Vec<Edge>),
    Plain(Slicer),
    Carrier(Stripper),
}

impl Infrared {
    /// `None` finds the polarity from the first edges.
    pub fn new(polarity: Option<Polarity>) -> Self {
        Self { polarity, line: Line::Unknown(Vec::new()) }
    }

    /// The carrier, where the line has one.
    pub fn carrier(&self) -> Option<Carrier> {
        match &self.line {
            Line::Carrier(stripper) => stripper.carrier(),
            _ => None,
        }
    }

    /// The polarity, given or found.
    pub fn polarity(&self) -> Option<Polarity> {
        match &self.line {
            Line::Unknown(_) => self.polarity,
            Line::Plain(slicer) => slicer.polarity(),
            Line::Carrier(stripper) if stripper.lit == Level::High => Some(Polarity::MarkHigh),
            Line::Carrier(_) => Some(Polarity::MarkLow),
        }
    }

    /// Takes one edge; a stretch is appended when it has ended.
    pub fn push(&mut self, edge: Edge, out: &mut Vec<Pulse>) {
        match &mut self.line {
            Line::Plain(slicer) => slicer.push(edge, out),
            Line::Carrier(stripper) => stripper.push(edge, out),
            Line::Unknown(edges) => {
                edges.push(edge);
                if edges.len() >= HELD {
                    self.decide(edge.t, out);
                }
            }
        }
    }

    /// The source has ended at `end`: appends the last stretch, as long as it was seen.
    pub fn finish(&mut self, end: Nanoseconds, out: &mut Vec<Pulse>) {
        self.decide(end, out);
        match &mut self.line {
            Line::Plain(slicer) => slicer.finish(end, out),
            Line::Carrier(stripper) => stripper.finish(end, out),
            Line::Unknown(_) => {}
        }
    }

    fn decide(&mut self, end: Nanoseconds, out: &mut Vec<Pulse>) {
        let Line::Unknown(edges) = &mut self.line else { return };
        let edges = std::mem::take(edges);
        self.line = if has_carrier(&edges) {
            let polarity = self.polarity.unwrap_or_else(|| darker(&edges, end));
            Line::Carrier(Stripper::new(polarity))
        } else {
            Line::Plain(Slicer::new(self.polarity))
        };
        for edge in edges {
            self.push(edge, out);
        }
    }
}

/// Whether most edges of one direction follow each other at a carrier's distance.
fn has_carrier(edges: &[Edge]) -> bool {
    let cycles = edges
        .windows(3)
        .filter(|three| matches!(three, [a, _, c] if (CYCLE.0..=CYCLE.1).contains(&(c.t - a.t).0)))
        .count();
    cycles >= 2 * FEWEST as usize && cycles * 2 > edges.len()
}

/// Dark is the level of most stretches that are too long for a cycle: each burst is followed by one, while
/// light lasts for a part of a cycle only.
fn darker(edges: &[Edge], end: Nanoseconds) -> Polarity {
    let long = stretches(edges, end).filter(|(_, length)| length.0 > GAP);
    let balance: i64 = long.map(|(level, _)| if level == Level::High { 1 } else { -1 }).sum();
    if balance > 0 { Polarity::MarkLow } else { Polarity::MarkHigh }
}
