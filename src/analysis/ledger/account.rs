//! From what was met to the account of one path: observed, pending, blind and why.

use std::collections::BTreeSet;

use crate::analysis::ledger::build::{Builder, HEARD, Lasting, Path};
use crate::analysis::ledger::unreadable::SHORTEST_PRESS_S;
use crate::analysis::ledger::{Blind, BlindSpan, Intervals, PathId, PathLedger, Sign};
use crate::analysis::level::Departures;
use crate::base::{Nanoseconds, Span};

impl Builder {
    /// What is blind on every path.
    fn common(&self, span: Span) -> Vec<(Span, Blind)> {
        let lasting = [&self.gone, &self.hole].into_iter().flatten();
        let open = lasting.map(|l| (Span { start: l.from, end: span.end.max(l.from) }, l.why.clone()));
        let asleep = self.asleep.map(|from| (Span { start: from, end: span.end.max(from) }, Blind::Standby));
        let hands = self.prompts.iter().map(|asked| {
            (Span { start: asked.t, end: asked.until.min(span.end).max(asked.t) }, Blind::HandsOn)
        });
        self.troubles.iter().cloned().chain(open).chain(asleep).chain(hands).collect()
    }

    pub(super) fn path_ledger(&self, id: &PathId, path: &Path, span: Span) -> PathLedger {
        let begun = span.start;
        let past = path.past.as_ref();
        // What is older is known by its sums.
        let span = Span { start: past.map_or(span.start, |past| past.until.max(span.start)), end: span.end };
        let whole = Intervals::one(span);
        let mut blind = self.common(span);
        let whole_time = |l: &Lasting| (Span { start: l.from, end: span.end }, l.why.clone());
        blind.extend(path.unseen.as_ref().map(whole_time));
        let cadence = path.cadence();
        let (base, sign) = match &cadence {
            Some(cadence) => {
                let runs: Intervals = path.reporter.runs(cadence).into_iter().collect();
                let sign = Sign::Cadence { period_s: cadence.period_s, limit_s: cadence.limit_s };
                (runs, sign)
            }
            None => {
                let ends = path.first.zip(path.last).map(|(start, end)| Span { start, end });
                (ends.into_iter().collect(), Sign::Events)
            }
        };
        let reports = cadence.map_or(1.0, |cadence| (SHORTEST_PRESS_S / cadence.period_s).floor());
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        let reports = if cadence.is_some() { reports.clamp(1.0, 1000.0) as u32 } else { 1 };
        let needed = if cadence.is_some() { path.debounce } else { 1 };
        blind.extend(self.windows.blind(reports, needed));
        let base = base.and(&whole);
        let cuts: Intervals = blind.iter().map(|(span, _)| *span).filter(|cut| cut.start < cut.end).collect();
        let mut observed = base.without(&cuts);
        let mut pending = Intervals::default();
        match &cadence {
            Some(cadence) => {
                for gap in whole.without(&base).spans().iter().filter(|gap| gap.length().0 > 0) {
                    let limit_s = cadence.limit_s;
                    if gap.length().seconds() > limit_s || gap.start > span.start && gap.end < span.end {
                        let away = path.away.iter().any(|away| away.start < gap.end && gap.start < away.end);
                        let why = if away { Blind::NotWired } else { self.unheard(*gap, limit_s) };
                        blind.push((*gap, why));
                    }
                }
            }
            None => {
                let first = path.first.unwrap_or(span.end).max(span.start).min(span.end);
                if first > span.start {
                    let why = Blind::NoSign { last: None };
                    blind.push((Span { start: span.start, end: first }, why));
                }
                // A sign of life now would not make good what is blind for another reason.
                let since = path.last.map(|last| Span { start: last.max(span.start), end: span.end });
                if let Some(since) = since.filter(|since| since.start < since.end) {
                    pending = Intervals::one(since).without(&cuts);
                }
            }
        }
        let held: Intervals = path
            .held
            .iter()
            .copied()
            .chain(path.down.map(|start| Span { start, end: span.end.max(start) }))
            .collect();
        let held_s = held.and(&observed).length().seconds() + past.map_or(0.0, |past| past.held.seconds());
        let mut blind = listed(blind, span);
        if let Some(past) = past {
            // By their sums, in order: not observed, observed, pending.
            let pends = Span { start: span.start - past.pending, end: span.start };
            let seen = Span { start: pends.start - past.observed, end: pends.start };
            if let Some(why) = past.why.clone().filter(|_| begun < seen.start) {
                blind.insert(0, BlindSpan { from_s: begun.seconds(), to_s: seen.start.seconds(), why });
            }
            let before = |span: Span, later: Intervals| -> Intervals {
                if span.start < span.end {
                    [span].into_iter().chain(later.spans().iter().copied()).collect()
                } else {
                    later
                }
            };
            pending = before(pends, pending);
            observed = before(seen, observed);
        }
        let share = held_s / observed.length().seconds().max(1e-9);
        PathLedger {
            id: id.clone(),
            sign,
            held_share: if observed.length().0 > 0 { share } else { 0.0 },
            blind,
            observed,
            pending,
            events: path.events,
            levels: path.levels.iter().map(|(state, levels)| levels.of(*state)).collect(),
            departures: path.excursions.departures().filter(|_| cadence.is_some()).map(|found| {
                // What is older is known by its sums, which do not tell when it was observed.
                let from = past.map_or(found.from, |past| past.until.max(found.from));
                Departures { from, ..found }
            }),
        }
    }

    /// Why a path that reports by itself did not: nothing came, or something else did.
    fn unheard(&self, gap: Span, limit_s: f64) -> Blind {
        let inside = Span { start: gap.start + HEARD, end: gap.end - HEARD };
        let next = self.heard.partition_point(|run| run.end <= inside.start);
        let heard = self.heard.get(next).is_some_and(|run| run.start < inside.end);
        if heard { Blind::LineAbsent { limit_s } } else { Blind::Silent { limit_s } }
    }
}

/// The reasons without overlaps, the first reason where several hold, in order of time.
fn listed(mut blind: Vec<(Span, Blind)>, whole: Span) -> Vec<BlindSpan> {
    blind.sort_by_key(|(span, why)| (why.rank(), span.start));
    let mut edges: Vec<(Nanoseconds, usize, bool)> = Vec::with_capacity(2 * blind.len());
    for (place, (span, _)) in blind.iter().enumerate() {
        let (start, end) = (span.start.max(whole.start), span.end.min(whole.end));
        if start < end {
            edges.extend([(start, place, true), (end, place, false)]);
        }
    }
    edges.sort_unstable();
    // The reasons that hold between two edges, the first of them first.
    let mut holding: BTreeSet<usize> = BTreeSet::new();
    let mut list: Vec<(usize, Span)> = Vec::new();
    let mut from = whole.start;
    for (t, place, begins) in edges {
        if let Some(first) = holding.first().copied().filter(|_| from < t) {
            match list.last_mut() {
                Some((last, span)) if *last == first && span.end == from => span.end = t,
                _ => list.push((first, Span { start: from, end: t })),
            }
        }
        from = t;
        if begins {
            holding.insert(place);
        } else {
            holding.remove(&place);
        }
    }
    let told = |(place, span): (usize, Span)| {
        let why = blind.get(place)?.1.clone();
        Some(BlindSpan { from_s: span.start.seconds(), to_s: span.end.seconds(), why })
    };
    list.into_iter().filter_map(told).collect()
}
