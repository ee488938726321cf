//! What is old becomes sums, so that memory and the time of a look are bounded however long a capture is.

use crate::analysis::ledger::build::{Builder, Past, Path};
use crate::analysis::ledger::{Blind, PathId};
use crate::base::{Nanoseconds, Span};

/// When there are more than twice so many runs, troubles or holds, the older ones become sums.
const MOST: usize = 200;

impl Builder {
    /// Makes sums of what is old, so that memory and the time of a look are bounded.
    pub(super) fn fold(&mut self) {
        let many = |length: usize| length > 2 * MOST;
        let path = |path: &Path| {
            many(path.reporter.runs_met().len()) || many(path.held.len()) || many(path.away.len())
        };
        if !many(self.troubles.len()) && !many(self.windows.worn.len()) && !self.paths.values().any(path) {
            return;
        }
        let crowded = |spans: &[Span]| {
            (spans.len() > 2 * MOST).then(|| spans.get(spans.len() - MOST).map(|span| span.start)).flatten()
        };
        let of_path = |path: &Path| {
            [path.reporter.runs_met(), &path.held, &path.away]
                .into_iter()
                .filter_map(|spans| crowded(spans))
                .max()
        };
        let cut: Vec<Span> = self.troubles.iter().map(|(span, _)| *span).collect();
        let worn = self.windows.worn.iter().map(|(span, ..)| *span).collect::<Vec<Span>>();
        let own = [crowded(&cut), crowded(&worn)];
        let until = self.paths.values().filter_map(of_path).chain(own.into_iter().flatten()).max();
        // A hole that is open reaches back: it stays whole.
        let open = [&self.gone, &self.hole].into_iter().flatten().map(|lasting| lasting.from).min();
        let Some(until) = until.map(|until| open.map_or(until, |open| until.min(open))) else { return };
        if self.paths.values().filter_map(|path| path.past.as_ref()).any(|past| past.until >= until) {
            return;
        }
        let span = Span { start: Nanoseconds::ZERO, end: until };
        let ids: Vec<PathId> = self.paths.keys().cloned().collect();
        for id in ids {
            let Some(path) = self.paths.get(&id) else { continue };
            let past = self.past_of(&id, path, span);
            if let Some(path) = self.paths.get_mut(&id) {
                path.reporter.forget(until);
                path.held.retain(|held| held.end > until);
                path.away.retain(|away| away.end > until);
                path.past = Some(past);
            }
        }
        self.troubles.retain(|(span, _)| span.end > until);
        self.windows.worn.retain(|(span, ..)| span.end > until);
    }

    /// A path up to the end of `span` as sums.
    fn past_of(&self, id: &PathId, path: &Path, span: Span) -> Past {
        let ledger = self.path_ledger(id, path, span);
        let observed = ledger.observed.length();
        let mut reasons: Vec<(f64, Blind)> = Vec::new();
        for blind in ledger.blind {
            let length = blind.to_s - blind.from_s;
            match reasons.iter_mut().find(|(_, why)| why.rank() == blind.why.rank()) {
                Some((sum, _)) => *sum += length,
                None => reasons.push((length, blind.why)),
            }
        }
        let most = reasons.into_iter().max_by(|one, two| one.0.total_cmp(&two.0));
        Past {
            until: span.end,
            observed,
            pending: ledger.pending.length(),
            held: Nanoseconds::from_seconds(ledger.held_share * observed.seconds()),
            why: most.map(|(_, why)| why),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::analysis::ledger::Expected;
    use crate::decode::report::{LineState, Report, Reported};
    use crate::timeline::Watch;

    /// Ten thousand runs of ten readings, a hole of five seconds after each: the sums are as exact as those of a few, and what
    /// is kept is bounded.
    #[test]
    fn what_is_old_is_kept_as_sums() {
        let mut builder = Builder::default();
        let line = "KEY1".to_owned();
        builder.expect(vec![Expected { line, period_s: Some(0.1), silent: false, debounce: 1 }]);
        let name = crate::base::Name::from("KEY1");
        let mut t = Nanoseconds::ZERO;
        let (mut seen, mut last) = (0.0, 0.0);
        for _ in 0..10_000 {
            for reading in 0..10 {
                let what = Reported::Reading { line: name.clone(), counts: 1023, state: LineState::Rest };
                builder.report(&Report { t, what });
                last = t.seconds();
                t = t + Nanoseconds::from_millis(if reading < 9 { 100 } else { 5100 });
            }
            seen += 0.9;
        }
        let ledger = builder.ledger(Some(Span { start: Nanoseconds::ZERO, end: t }));
        let path = &ledger.paths[0];
        assert!((path.observed().seconds() - seen).abs() < 1e-6, "{}", path.observed().seconds());
        assert!(path.observed.spans().len() < 500 && path.blind.len() < 500, "{}", path.blind.len());
        let blind: f64 = path.blind.iter().map(|blind| blind.to_s - blind.from_s).sum();
        assert!(
            (blind - (t.seconds() - seen)).abs() < 1e-6,
            "{blind} of {}, last reading {last}",
            t.seconds()
        );
    }
}
