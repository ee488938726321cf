//! Edges to infrared marks and spaces, with the idle level found when it is not told.
//!
//! A receiver module pulls its output low for a mark; a tap before the module, or at a transmitter, is high
//! for it. Nothing holds a mark for as long as a pause between frames lasts, so the level of the longest
//! stretch is space.

use super::{Edge, Level, Pulse};
use crate::base::Nanoseconds;

/// Longer than any mark of any format (the longest leaders have 9 to 10 ms), shorter than the pause
/// between two presses. Ours.
const SURE: Nanoseconds = Nanoseconds::from_millis(15);
/// Edges after which the longer total time decides: some 60 frames.
const HELD: usize = 4096;

/// The level that means carrier.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Polarity {
    /// Low is a mark: the output of a receiver module.
    MarkLow,
    /// High is a mark: a transmitter, or an inverted tap.
    MarkHigh,
}

/// Cuts edges into marks and spaces.
#[derive(Clone, Debug)]
pub struct Slicer {
    polarity: Option<Polarity>,
    /// Edges that wait for the polarity.
    waiting: Vec<Edge>,
    last: Option<Edge>,
}

impl Slicer {
    /// `None` finds the polarity from the first edges.
    pub fn new(polarity: Option<Polarity>) -> Self {
        Self { polarity, waiting: Vec::new(), last: None }
    }

    /// The polarity, given or found.
    pub fn polarity(&self) -> Option<Polarity> {
        self.polarity
    }

    /// Takes one edge; a stretch is appended when it has ended.
    pub fn push(&mut self, edge: Edge, out: &mut Vec<Pulse>) {
        if self.polarity.is_some() {
            self.cut(edge, out);
            return;
        }
        if let Some(last) = self.waiting.last()
            && edge.t - last.t >= SURE
        {
            self.polarity = Some(space_is(last.level));
        }
        self.waiting.push(edge);
        if self.polarity.is_some() || self.waiting.len() >= HELD {
            self.decide(edge.t, out);
        }
    }

    /// The source has ended at `end`: appends the last stretch, as long as it was seen.
    pub fn finish(&mut self, end: Nanoseconds, out: &mut Vec<Pulse>) {
        if self.polarity.is_none() {
            self.decide(end, out);
        }
        if let Some(last) = self.last.take()
            && end > last.t
        {
            out.push(self.pulse(last, end));
        }
    }

    /// Chooses by total time, then catches up.
    fn decide(&mut self, end: Nanoseconds, out: &mut Vec<Pulse>) {
        let waiting = std::mem::take(&mut self.waiting);
        if self.polarity.is_none() && !waiting.is_empty() {
            let ends = waiting.iter().skip(1).map(|edge| edge.t).chain([end]);
            let mut low = 0i64;
            let mut high = 0i64;
            for (edge, end) in waiting.iter().zip(ends) {
                let length = (end - edge.t).0.max(0);
                let total = if edge.level == Level::Low { &mut low } else { &mut high };
                *total = total.saturating_add(length);
            }
            self.polarity = Some(space_is(if low > high { Level::Low } else { Level::High }));
        }
        for edge in waiting {
            self.cut(edge, out);
        }
    }

    fn cut(&mut self, edge: Edge, out: &mut Vec<Pulse>) {
        match self.last {
            // An edge to the same level says nothing new.
            Some(last) if last.level == edge.level => return,
            Some(last) if edge.t > last.t => out.push(self.pulse(last, edge.t)),
            _ => {}
        }
        self.last = Some(edge);
    }

    fn pulse(&self, from: Edge, to: Nanoseconds) -> Pulse {
        let mark = match self.polarity {
            Some(Polarity::MarkHigh) => from.level == Level::High,
            _ => from.level == Level::Low,
        };
        Pulse { t: from.t, mark, length: to - from.t, offset: from.offset }
    }
}

fn space_is(level: Level) -> Polarity {
    if level == Level::Low { Polarity::MarkHigh } else { Polarity::MarkLow }
}
