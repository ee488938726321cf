//! Keys that stay down: auto-repeat and long holds. Told before periods are looked for, since a held key's
//! repeats are one press.

use crate::analysis::episode::Press;
use crate::analysis::event_sequence::EventSequence;
use crate::analysis::special::quantile;
use crate::base::{EventKind, Nanoseconds};

/// So many repeats in one press make it an auto-repeat.
const REPEATS: u32 = 3;
/// Longer than any finger means: a rule of our own, no publication.
const LONG_HOLD: Nanoseconds = Nanoseconds::from_millis(5000);
/// Repeats further apart are not one hold (see the folding of presses).
const REPEAT_JOINS: f64 = 1.0;

/// The repeats of one symbol.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Repeats {
    pub(super) symbol: u32,
    pub(super) kind: EventKind,
    pub(super) count: u64,
    pub(super) missed: u64,
    pub(super) period: f64,
    pub(super) jitter: f64,
    pub(super) error: f64,
    pub(super) presses: Vec<u32>,
}

/// Presses of one symbol held long, without repeats.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Held {
    pub(super) symbol: u32,
    pub(super) presses: Vec<u32>,
    /// Median hold, seconds.
    pub(super) hold: f64,
}

/// Auto-repeats by symbol.
#[allow(clippy::cast_possible_truncation)]
pub(super) fn repeats(sequence: &EventSequence, presses: &[Press]) -> Vec<Repeats> {
    let mut by_symbol: Vec<Vec<u32>> = vec![Vec::new(); sequence.symbols().len()];
    for (index, press) in (0u32..).zip(presses).filter(|(_, press)| press.repeats >= REPEATS) {
        by_symbol[press.symbol as usize].push(index);
    }
    if by_symbol.iter().all(Vec::is_empty) {
        return Vec::new();
    }
    let mut gaps: Vec<Vec<f64>> = vec![Vec::new(); by_symbol.len()];
    let mut repeats = vec![0u64; by_symbol.len()];
    let mut last: Vec<Option<Nanoseconds>> = vec![None; by_symbol.len()];
    for segment in 0..sequence.segments().len() {
        last.fill(None);
        for occurrence in sequence.of_segment(segment) {
            let symbol = occurrence.symbol as usize;
            if by_symbol[symbol].is_empty() {
                continue;
            }
            repeats[symbol] += u64::from(occurrence.kind == EventKind::Repeat);
            let gap = last[symbol].map(|t| (occurrence.t - t).seconds());
            gaps[symbol].extend(gap.filter(|gap| *gap > 0.0 && *gap <= REPEAT_JOINS));
            last[symbol] = Some(occurrence.t);
        }
    }
    let mut found = Vec::new();
    for (symbol, presses_of) in by_symbol.into_iter().enumerate().filter(|(_, list)| !list.is_empty()) {
        let rate = rate(std::mem::take(&mut gaps[symbol]));
        let count = presses_of.iter().map(|i| u64::from(presses[*i as usize].repeats)).sum();
        let kind = if repeats[symbol] > 0 { EventKind::Repeat } else { EventKind::Press };
        found.push(Repeats {
            symbol: symbol as u32,
            kind,
            count,
            missed: rate.missed,
            period: rate.period,
            jitter: rate.jitter,
            error: rate.error,
            presses: presses_of,
        });
    }
    found
}

/// How fast a key repeats.
struct Rate {
    period: f64,
    jitter: f64,
    error: f64,
    missed: u64,
}

/// From the gaps between repeats, seconds: whole multiples of their median are repeats that were missed.
#[allow(clippy::cast_precision_loss, clippy::cast_possible_truncation, clippy::cast_sign_loss)]
fn rate(mut gaps: Vec<f64>) -> Rate {
    gaps.sort_unstable_by(f64::total_cmp);
    let median = quantile(&gaps, 0.5);
    // The delay before the first repeat is no multiple of the period.
    let near = |gap: f64| (gap / median).round().max(1.0);
    gaps.retain(|gap| (gap / near(*gap) / median - 1.0).abs() < 0.2 && near(*gap) < 4.0);
    let beats: f64 = gaps.iter().map(|gap| near(*gap)).sum();
    let period = gaps.iter().sum::<f64>() / beats;
    let spread: f64 = gaps.iter().map(|gap| (gap - near(*gap) * period).powi(2)).sum();
    let n = gaps.len() as f64;
    let jitter = (spread / (n - 1.0).max(1.0)).sqrt();
    Rate { period, jitter, error: jitter / beats.sqrt().max(1.0), missed: (beats - n).max(0.0) as u64 }
}

/// Long holds by symbol: a hold beyond five seconds, or the last press of a key that was never released
/// although other releases were seen and more than that time was still watched.
pub(super) fn held(sequence: &EventSequence, presses: &[Press]) -> Vec<Held> {
    let releases = presses.iter().any(|press| press.released);
    let mut by_symbol: Vec<(Vec<u32>, Vec<f64>)> = vec![Default::default(); sequence.symbols().len()];
    let mut last_of: Vec<Option<u32>> = vec![None; sequence.symbols().len()];
    for (index, press) in (0u32..).zip(presses) {
        last_of[press.symbol as usize] = Some(index);
        if press.repeats < REPEATS && press.end - press.t >= LONG_HOLD {
            let entry = &mut by_symbol[press.symbol as usize];
            entry.0.push(index);
            entry.1.push((press.end - press.t).seconds());
        }
    }
    for index in last_of.into_iter().flatten().filter(|_| releases) {
        let press = &presses[index as usize];
        let end = sequence.segments().get(press.segment as usize).map_or(press.t, |segment| segment.span.end);
        let open = !press.released && press.kind == EventKind::Press && press.repeats < REPEATS;
        if open && end - press.t >= LONG_HOLD {
            let entry = &mut by_symbol[press.symbol as usize];
            entry.0.push(index);
            entry.1.push((end - press.t).seconds());
        }
    }
    (0u32..)
        .zip(by_symbol)
        .filter(|(_, (list, _))| !list.is_empty())
        .map(|(symbol, (mut list, mut holds))| {
            holds.sort_unstable_by(f64::total_cmp);
            list.sort_unstable();
            list.dedup();
            Held { symbol, presses: list, hold: quantile(&holds, 0.5) }
        })
        .collect()
}
