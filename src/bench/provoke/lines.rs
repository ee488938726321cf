//! What keypad lines did in the blocks of a provocation: their resting level and their excursions, from every reading.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::analysis::level::Excursions;
use crate::base::{Event, EventKind, Name, Nanoseconds, Span};
use crate::decode::report::{LineState, Report, Reported};
use crate::timeline::Watch;
use crate::timeline::job::Provocation;

/// Lines that are followed; a set has two.
const MOST_LINES: usize = 8;

/// The lines of one provocation.
#[derive(Clone, Debug, Default, Serialize, Deserialize)]
pub struct BlockLines {
    lines: BTreeMap<Name, Line>,
}

#[derive(Clone, Debug, Default, Serialize, Deserialize)]
struct Line {
    /// By block in order of time: how many readings at rest its counted part has, and their sum.
    rest: Vec<(u64, u64)>,
    excursions: Excursions,
}

impl BlockLines {
    /// Takes what the decoder met, of a provocation whose blocks up to then are known.
    pub fn report(&mut self, report: &Report, provocation: &Provocation) {
        let Reported::Reading { line, counts, state } = &report.what else { return };
        if self.lines.len() >= MOST_LINES && !self.lines.contains_key(line) {
            return;
        }
        let own = self.lines.entry(Name::clone(line)).or_default();
        let rest = *state == LineState::Rest;
        own.excursions.push(report.t, *counts, rest);
        let Some(block) = provocation.begun.partition_point(|block| block.t <= report.t).checked_sub(1)
        else {
            return;
        };
        let counted = provocation.begun.get(block).map(|begun| provocation.counted_of(begun));
        if rest && counted.is_some_and(|span| span.start <= report.t && report.t < span.end) {
            own.rest.resize(own.rest.len().max(block + 1), (0, 0));
            own.rest[block].0 += 1;
            own.rest[block].1 += u64::from(*counts);
        }
    }

    /// Takes an event: an excursion that makes a key is a stray.
    pub fn event(&mut self, event: &Event) {
        if event.kind == EventKind::Press
            && let Some(line) = event.line.as_ref().and_then(|line| self.lines.get_mut(line))
        {
            line.excursions.press(false);
        }
    }

    /// The lines by name.
    pub fn names(&self) -> impl Iterator<Item = &Name> {
        self.lines.keys()
    }

    /// Mean of the readings at rest in the counted part of a block, counts; `None` without any.
    #[allow(clippy::cast_precision_loss)]
    pub fn level(&self, line: &Name, block: usize) -> Option<f64> {
        let (n, sum) = *self.lines.get(line)?.rest.get(block)?;
        (n > 0).then(|| sum as f64 / n as f64)
    }

    /// When each excursion of any line began, in order.
    pub fn excursion_times(&self) -> Vec<Nanoseconds> {
        let mut times: Vec<Nanoseconds> =
            self.lines.values().flat_map(|line| line.excursions.begun()).copied().collect();
        times.sort_unstable();
        times
    }

    /// Excursions of all lines that began in this time.
    pub fn excursions(&self, from: Nanoseconds, to: Nanoseconds) -> u64 {
        let before = |line: &Line, t| line.excursions.begun().partition_point(|begun| *begun < t);
        let within = self.lines.values().map(|line| before(line, to).saturating_sub(before(line, from)));
        within.sum::<usize>() as u64
    }

    /// Of them those that begin more than `gap` after the one before on their line.
    pub fn fresh(&self, within: Span, gap: Nanoseconds) -> u64 {
        let of = |line: &Line| {
            let begun = line.excursions.begun();
            let first = begun.partition_point(|t| *t < within.start);
            let past = begun.partition_point(|t| *t < within.end);
            let after = |i: usize| i.checked_sub(1).and_then(|i| begun.get(i));
            let fresh = |i: &usize| after(*i).is_none_or(|before| begun[*i] - *before > gap);
            (first..past).filter(fresh).count()
        };
        self.lines.values().map(of).sum::<usize>() as u64
    }
}

/// Fills the lines while a recorded provocation is decoded.
#[derive(Debug)]
pub struct Recorded<'a> {
    provocation: &'a Provocation,
    lines: BlockLines,
}

impl<'a> Recorded<'a> {
    /// Of this provocation.
    pub fn new(provocation: &'a Provocation) -> Self {
        Self { provocation, lines: BlockLines::default() }
    }

    /// What was met.
    pub fn lines(self) -> BlockLines {
        self.lines
    }
}

impl Watch for Recorded<'_> {
    fn report(&mut self, report: &Report) {
        self.lines.report(report, self.provocation);
    }

    fn event(&mut self, event: &Event) {
        self.lines.event(event);
    }
}
