//! How often a path reports by itself, declared or learned, and the longest pause that this explains.

use serde::{Deserialize, Serialize};

use crate::base::{Nanoseconds, Span};

/// Intervals that a cadence is learned from, at least.
const FEWEST: u64 = 20;
/// Longer than so many periods, an interval is a hole and teaches nothing.
const HOLE: f64 = 20.0;
/// A limit is never shorter, seconds: a USB adapter delivers in lumps, a busy set prints late.
const LEAST_LIMIT_S: f64 = 0.5;
/// Share of the intervals that the limit must bear.
const QUANTILE: f64 = 0.999;
/// A line that prints its reading at each scan repeats itself now and then, even with noise; one that prints changes
/// only never does. At a spread of 1.5 counts a fifth of all readings equal the one before (normal noise, reckoned).
const REPEATS: f64 = 0.05;
/// Polls of a bus are a cadence when nine tenths of the intervals are no longer than so many medians.
const STEADY: f64 = 2.0;

/// A known cadence.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub struct Cadence {
    /// Time between two reports, seconds.
    pub period_s: f64,
    /// The longest pause that is none, seconds.
    pub limit_s: f64,
}

/// Buckets of a histogram of intervals, 6 % wide each, from a millisecond to eleven days.
const BUCKETS: usize = 256;
const PER_E: f64 = 12.0;

/// Follows the reports of one path. Memory is bounded.
#[derive(Clone, Debug, Default)]
pub(super) struct Reporter {
    declared_s: Option<f64>,
    known: Option<Cadence>,
    /// A poll need not differ from the one before.
    polls: bool,
    histogram: Vec<u32>,
    intervals: u64,
    equal: u64,
    last: Option<(Nanoseconds, u32)>,
    /// Runs of reports without a pause beyond half a second (more for a slow cadence); what is a hole among them is
    /// decided when asked.
    runs: Vec<Span>,
}

impl Reporter {
    pub(super) fn new(declared_s: Option<f64>, known: Option<Cadence>, polls: bool) -> Self {
        Self { declared_s: declared_s.filter(|period| *period > 0.0), known, polls, ..Self::default() }
    }

    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, clippy::cast_precision_loss)]
    pub(super) fn push(&mut self, t: Nanoseconds, value: u32) {
        if let Some((last, before)) = self.last {
            let seconds = (t - last).seconds().max(0.0);
            self.equal += u64::from(value == before);
            self.intervals += 1;
            if self.histogram.is_empty() {
                self.histogram = vec![0; BUCKETS];
            }
            let bucket = ((seconds / 1e-3).max(1.0).ln() * PER_E) as usize;
            if let Some(count) = self.histogram.get_mut(bucket.min(BUCKETS - 1)) {
                *count = count.saturating_add(1);
            }
        }
        let joins_s = self.joins_s();
        match self.runs.last_mut() {
            Some(run) if (t - run.end).seconds() <= joins_s => run.end = run.end.max(t),
            _ => self.runs.push(Span { start: t, end: t }),
        }
        self.last = Some((t, value));
    }

    /// The path held its last report up to `t`, without reporting again.
    pub(super) fn hold(&mut self, t: Nanoseconds) {
        if let (Some(run), Some((last, _))) = (self.runs.last_mut(), &mut self.last) {
            run.end = run.end.max(t);
            *last = (*last).max(t);
        }
    }

    fn joins_s(&self) -> f64 {
        let declared = self.declared_s.map_or(0.0, |period| 4.0 * period);
        LEAST_LIMIT_S.max(declared).max(self.known.map_or(0.0, |known| known.limit_s))
    }

    /// Upper edge of the bucket that holds this share of the intervals up to `most_s`.
    #[allow(clippy::cast_precision_loss)]
    fn quantile(&self, share: f64, most_s: f64) -> f64 {
        let edge = |bucket: usize| 1e-3 * ((bucket + 1) as f64 / PER_E).exp();
        let within = || self.histogram.iter().enumerate().filter(|(i, _)| edge(*i) <= most_s);
        let all: u64 = within().map(|(_, count)| u64::from(*count)).sum();
        let wanted = share * all as f64;
        let mut sum = 0u64;
        for (bucket, count) in within() {
            sum += u64::from(*count);
            if sum as f64 >= wanted && sum > 0 {
                return edge(bucket);
            }
        }
        0.0
    }

    /// The cadence; `None` for a path that does not report by itself, as far as is known.
    #[allow(clippy::cast_precision_loss)]
    pub(super) fn cadence(&self) -> Option<Cadence> {
        let period_s = match (self.declared_s, self.known) {
            (Some(period), _) => period,
            (None, _) if self.is_steady() => self.quantile(0.5, f64::INFINITY),
            (None, known) => return known,
        };
        let longest = if self.intervals >= FEWEST { self.quantile(QUANTILE, HOLE * period_s) } else { 0.0 };
        let limit_s = (4.0 * period_s).max(1.5 * longest).max(LEAST_LIMIT_S);
        Some(Cadence { period_s, limit_s: self.known.map_or(limit_s, |known| limit_s.max(known.limit_s)) })
    }

    /// Whether what came shows a path that reports by itself.
    #[allow(clippy::cast_precision_loss)]
    fn is_steady(&self) -> bool {
        if self.intervals < FEWEST {
            return false;
        }
        if self.polls {
            let period = self.quantile(0.5, f64::INFINITY);
            return self.quantile(0.9, f64::INFINITY) <= STEADY * period;
        }
        self.equal as f64 >= REPEATS * self.intervals as f64
    }

    /// The runs of reports at this cadence.
    pub(super) fn runs(&self, cadence: &Cadence) -> Vec<Span> {
        let mut joined: Vec<Span> = Vec::new();
        for run in &self.runs {
            match joined.last_mut() {
                Some(last) if (run.start - last.end).seconds() <= cadence.limit_s => last.end = run.end,
                _ => joined.push(*run),
            }
        }
        joined
    }

    /// The runs as they were met, holes not yet judged.
    pub(super) fn runs_met(&self) -> &Vec<Span> {
        &self.runs
    }

    /// Forgets the runs that ended by then.
    pub(super) fn forget(&mut self, until: Nanoseconds) {
        self.runs.retain(|run| run.end > until);
    }
}
