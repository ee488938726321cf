//! The evidence on one path over all captures of a stage.

use serde::{Serialize, Serializer};

use crate::analysis::event_sequence::EventSequence;
use crate::analysis::ledger::{BlindSpan, Intervals, Ledger, Level, Observed, PathId};
use crate::base::words::{capital, duration};
use crate::base::{Nanoseconds, Span};

/// A share of the time that was not observed is said from here on.
const WORTH_SAYING: f64 = 0.02;
/// Blind intervals that are listed; the rest is counted.
const LISTED: usize = 1000;

/// The evidence on one path of a stage, as every face shows it.
#[derive(Clone, Debug, PartialEq, Serialize, schemars::JsonSchema)]
pub struct PathTotal {
    /// Which path.
    #[serde(flatten)]
    pub id: PathId,
    /// How long the captures are, by the clock, seconds.
    pub span_s: f64,
    /// Time in which a stray would have left an event.
    #[serde(rename = "observed_s", serialize_with = "seconds")]
    pub observed: Observed,
    /// After the last sign of life: shown, not judged, seconds.
    pub pending_s: f64,
    /// Share of the observed time in which a key was held.
    pub held_share: f64,
    /// The last thousand intervals that were not observed, and why; on the clock of their capture.
    pub blind: Vec<BlindSpan>,
    /// How many more there are.
    pub blind_more: usize,
    /// Levels of all readings, by state.
    pub levels: Vec<Level>,
}

fn seconds<S: Serializer>(observed: &Observed, serializer: S) -> Result<S::Ok, S::Error> {
    serializer.serialize_f64(observed.seconds())
}

impl PathTotal {
    /// Over these captures.
    pub fn of(id: &PathId, captures: &[Ledger]) -> Self {
        let of_one = |ledger: &Ledger| {
            let path = ledger.path(id);
            Self {
                span_s: ledger.length().seconds(),
                observed: path.map(crate::analysis::ledger::PathLedger::observed).unwrap_or_default(),
                pending_s: path.map_or(0.0, crate::analysis::ledger::PathLedger::pending_s),
                held_share: path.map_or(0.0, |path| path.held_share),
                blind: ledger.blind(id),
                levels: path.map(|path| path.levels.clone()).unwrap_or_default(),
                ..Self::empty(id.clone())
            }
        };
        captures.iter().map(of_one).reduce(|one, two| one.and(two)).unwrap_or_else(|| Self::empty(id.clone()))
    }

    /// Of a simulated sequence, whose segments are observed throughout: for simulations with a known truth.
    pub fn simulated(id: PathId, sequence: &EventSequence) -> Self {
        let length = sequence.exposure();
        Self { span_s: length.seconds(), observed: Observed(length), ..Self::empty(id) }
    }

    /// As if a sign of life came now: what is pending is observed.
    pub(crate) fn with_pending(self) -> Self {
        let pending = Observed(Nanoseconds::from_seconds(self.pending_s));
        Self { observed: self.observed.and(pending), pending_s: 0.0, ..self }
    }

    /// Together with a later capture.
    pub(crate) fn and(&self, later: Self) -> Self {
        let mut total = self.clone();
        let (one, two) = (self.observed.seconds(), later.observed.seconds());
        let held_s = self.held_share * one + later.held_share * two;
        total.span_s += later.span_s;
        total.observed = total.observed.and(later.observed);
        total.pending_s += later.pending_s;
        total.held_share = if one + two > 0.0 { held_s / (one + two) } else { 0.0 };
        total.blind.extend(later.blind);
        total.blind_more += later.blind_more + total.blind.len().saturating_sub(LISTED);
        total.blind.drain(..total.blind.len().saturating_sub(LISTED));
        for level in &later.levels {
            match total.levels.iter_mut().find(|known| known.state == level.state) {
                Some(known) => *known = joined(known, level),
                None => total.levels.push(level.clone()),
            }
        }
        total
    }

    /// The same with the length of its captures.
    pub(crate) fn by_the_clock(self, span_s: f64) -> Self {
        let blind = vec![BlindSpan {
            from_s: 0.0,
            to_s: span_s,
            why: crate::analysis::ledger::Blind::NoSign { last: None },
        }];
        Self { span_s, blind, ..self }
    }

    fn empty(id: PathId) -> Self {
        Self {
            id,
            span_s: 0.0,
            observed: Observed::default(),
            pending_s: 0.0,
            held_share: 0.0,
            blind: Vec::new(),
            blind_more: 0,
            levels: Vec::new(),
        }
    }

    /// How much was observed, since when not, and why, in a sentence; `None` where next to all was.
    pub fn unobserved(&self) -> Option<String> {
        let least_s = WORTH_SAYING * self.span_s;
        if self.observed.seconds() >= self.span_s - least_s {
            return None;
        }
        let length = |blind: &BlindSpan| blind.to_s - blind.from_s;
        let longest = self.blind.iter().max_by(|a, b| length(a).total_cmp(&length(b)));
        let blind = longest.filter(|_| self.blind.iter().map(length).sum::<f64>() > least_s);
        let blind = blind.map(|blind| format!("; from {} on {}", duration(blind.from_s), blind.why.words()));
        let pending = (self.pending_s > least_s)
            .then(|| format!("; {} wait for a sign of life", duration(self.pending_s)));
        Some(format!(
            "{} was observed for {} of {}{}{}. Quiet in the rest proves nothing.",
            capital(&self.id.words()),
            duration(self.observed.seconds()),
            duration(self.span_s),
            blind.unwrap_or_default(),
            pending.unwrap_or_default()
        ))
    }
}

#[allow(clippy::cast_precision_loss)]
fn joined(one: &Level, two: &Level) -> Level {
    let (n1, n2) = (one.n as f64, two.n as f64);
    let n = (n1 + n2).max(1.0);
    let mean = (n1 * one.mean + n2 * two.mean) / n;
    let squares =
        n1 * (one.variance + (one.mean - mean).powi(2)) + n2 * (two.variance + (two.mean - mean).powi(2));
    Level {
        state: one.state.clone(),
        n: one.n + two.n,
        mean,
        variance: squares / n,
        min: one.min.min(two.min),
        max: one.max.max(two.max),
        at_min: of_end(one.min <= two.min, one.at_min) + of_end(two.min <= one.min, two.at_min),
        at_max: of_end(one.max >= two.max, one.at_max) + of_end(two.max >= one.max, two.at_max),
        // The levels of two captures are not one another's.
        modes: Vec::new(),
    }
}

fn of_end(is_end: bool, readings: u64) -> u64 {
    if is_end { readings } else { 0 }
}

impl Ledger {
    /// Of a simulated capture in which these paths were observed throughout: for simulations with a known truth.
    pub fn simulated(ids: &[PathId], span: Span) -> Self {
        let path = |id: &PathId| crate::analysis::ledger::PathLedger {
            id: id.clone(),
            sign: crate::analysis::ledger::Sign::Events,
            observed: Intervals::one(span),
            pending: Intervals::default(),
            blind: Vec::new(),
            held_share: 0.0,
            events: 0,
            levels: Vec::new(),
            departures: None,
        };
        Self { span: Some(span), paths: ids.iter().map(path).collect(), ..Self::default() }
    }

    /// When any of these paths was observed.
    pub fn any_observed<'a>(&self, ids: impl IntoIterator<Item = &'a PathId>) -> Intervals {
        ids.into_iter()
            .filter_map(|id| self.path(id))
            .flat_map(|path| path.observed.spans().iter().copied())
            .collect()
    }

    /// The length by the clock.
    pub fn length(&self) -> Nanoseconds {
        self.span.map_or(Nanoseconds::ZERO, Span::length)
    }
}
