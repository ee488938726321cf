//! Edges to infrared marks and spaces, with the idle level found when it is not told.
//!
//! A receiver module pulls its output low for a mark; a tap before the module, or at a transmitter, is high
//! for it. Nothing holds a mark for as long as a pause between frames lasts, so the level of most long
//! stretches is space. One long stretch proves nothing: a set that is off holds its line low for hours.

use crate::base::Nanoseconds;
use crate::signal::{Edge, Level, Pulse};

/// Longer than any mark of any format (the longest leaders have 9 to 10 ms), shorter than the pause
/// between two presses. Ours.
const SURE: Nanoseconds = Nanoseconds::from_millis(15);
/// So many more long stretches of one level than of the other settle the question.
const LEAD: usize = 3;
/// Edges after which it is settled as it stands: some 60 frames.
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
        self.waiting.push(edge);
        let long = self.waiting.len() >= 2 && long_stretches(&self.waiting, edge.t, 2) != (0, 0);
        let (low, high) = if long { long_stretches(&self.waiting, edge.t, HELD) } else { (0, 0) };
        if low.abs_diff(high) >= LEAD || self.waiting.len() >= HELD {
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

    /// Chooses by the long stretches, or where they say nothing by total time; then catches up.
    fn decide(&mut self, end: Nanoseconds, out: &mut Vec<Pulse>) {
        let waiting = std::mem::take(&mut self.waiting);
        if self.polarity.is_none() && !waiting.is_empty() {
            let (low, high) = long_stretches(&waiting, end, HELD);
            let low_is_space = if low == high { low_lasts_longer(&waiting, end) } else { low > high };
            self.polarity = Some(if low_is_space { Polarity::MarkHigh } else { Polarity::MarkLow });
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

/// Each stretch of a line, by its level and length; the last one ends at `end`.
pub(super) fn stretches(edges: &[Edge], end: Nanoseconds) -> impl Iterator<Item = (Level, Nanoseconds)> + '_ {
    let ends = edges.iter().skip(1).map(|edge| edge.t).chain([end]);
    edges.iter().zip(ends).map(|(edge, end)| (edge.level, end - edge.t))
}

/// How many of the newest stretches are longer than any mark, low and high.
fn long_stretches(edges: &[Edge], end: Nanoseconds, newest: usize) -> (usize, usize) {
    let edges = edges.get(edges.len().saturating_sub(newest)..).unwrap_or_default();
    stretches(edges, end).filter(|(_, length)| *length >= SURE).fold((0, 0), |(low, high), (level, _)| {
        match level {
            Level::Low => (low + 1, high),
            Level::High => (low, high + 1),
        }
    })
}

/// Whether the line is low for the longer part of the time.
fn low_lasts_longer(edges: &[Edge], end: Nanoseconds) -> bool {
    let balance: i128 = stretches(edges, end)
        .map(|(level, length)| {
            let length = i128::from(length.0.max(0));
            if level == Level::Low { length } else { -length }
        })
        .sum();
    balance > 0
}
