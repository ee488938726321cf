//! Intervals in which so many records are damaged that a stray may have been missed.

use std::collections::VecDeque;

use crate::analysis::ledger::Blind;
use crate::analysis::special::{beta, boundary};
use crate::base::{Nanoseconds, Span};

/// A window is at least so long, and holds at least so many records.
const WINDOW: Nanoseconds = Nanoseconds(10_000_000_000);
const RECORDS: u64 = 50;
/// Above this chance of missing the shortest stray a window is blind: elsewhere about 2 % of the shortest are missed. Ours.
const MISSED: f64 = 0.02;
/// The shortest press of a finger, seconds: the fastest taps last a tenth (common practice, no source).
pub(super) const SHORTEST_PRESS_S: f64 = 0.1;

/// Chance that a stray of `k` reports, of which `d` are needed, is missed where a share `u` of the records is damaged.
pub(super) fn missed(u: f64, k: u32, d: u32) -> f64 {
    let (k, d) = (k.max(d).max(1), d.max(1));
    let mut term = u.powi(i32::try_from(k).unwrap_or(i32::MAX));
    if u >= 1.0 {
        return 1.0;
    }
    let mut sum = 0.0;
    for i in 0..d {
        sum += term;
        term *= f64::from(k - i) / f64::from(i + 1) * (1.0 - u) / u.max(f64::MIN_POSITIVE);
    }
    sum.min(1.0)
}

/// Counts damaged records in windows.
#[derive(Clone, Debug, Default)]
pub(super) struct Windows {
    /// Records of the present window.
    start: Option<Nanoseconds>,
    bad: u64,
    all: u64,
    last: Nanoseconds,
    /// Windows that are over and had damage: span, bad, all.
    pub(super) worn: VecDeque<(Span, u64, u64)>,
}

impl Windows {
    pub(super) fn push(&mut self, t: Nanoseconds, bad: bool) {
        let start = *self.start.get_or_insert(t);
        if t - start >= WINDOW && self.all >= RECORDS {
            self.close(t);
        }
        self.bad += u64::from(bad);
        self.all += 1;
        self.last = self.last.max(t);
    }

    fn close(&mut self, t: Nanoseconds) {
        if let Some(start) = self.start.replace(t)
            && self.bad > 0
        {
            self.worn.push_back((Span { start, end: t }, self.bad, self.all));
        }
        (self.bad, self.all) = (0, 0);
    }

    /// The windows that are blind for a path whose shortest stray has `k` reports and needs `d`; the present one counts
    /// as it stands.
    pub(super) fn blind(&self, k: u32, d: u32) -> impl Iterator<Item = (Span, Blind)> + '_ {
        let open = self
            .start
            .filter(|_| self.bad > 0)
            .map(|start| (Span { start, end: self.last.max(start) }, self.bad, self.all));
        self.worn.iter().copied().chain(open).filter_map(move |(span, bad, of)| {
            (missed(lower(bad, of), k, d) > MISSED).then_some((span, Blind::Unreadable { bad, of }))
        })
    }
}

/// Lower end of the 95 % interval of a share.
///
/// # Source
/// Clopper and Pearson 1934, Biometrika 26:404: the 2.5 % quantile of Beta(bad, all - bad + 1).
#[allow(clippy::cast_precision_loss)]
fn lower(bad: u64, all: u64) -> f64 {
    let (a, b) = (bad as f64, (all - bad + 1) as f64);
    if bad == 0 { 0.0 } else { boundary(0.0, 1.0, |x| beta(a, b, x) < 0.025) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_chance_of_a_missed_stray_is_the_binomial_tail() {
        // One record is enough: u itself.
        assert!((missed(0.3, 1, 1) - 0.3).abs() < 1e-12);
        // Two reports, both needed: 1 - 0.9^2, by hand.
        assert!((missed(0.1, 2, 2) - 0.19).abs() < 1e-12);
        // Three of which two are needed: 0.2^3 + 3 * 0.8 * 0.04, by hand.
        assert!((missed(0.2, 3, 2) - 0.104).abs() < 1e-12);
        assert!((missed(1.0, 3, 2) - 1.0).abs() < 1e-12);
        assert!(missed(0.0, 2, 2) < 1e-12);
    }

    #[test]
    fn the_lower_bound_is_that_of_clopper_and_pearson() {
        // 5 of 50: 3.33 % (SciPy 1.17, binomtest(5, 50).proportion_ci()).
        assert!((lower(5, 50) - 0.033_275).abs() < 1e-5, "{}", lower(5, 50));
    }
}
