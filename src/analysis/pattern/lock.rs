//! Whether events hang on the mains or on a lamp's pulse rate, and what the time stamps' own grid may hide.

use crate::analysis::phase::{AliasCandidate, alias_candidates};
use crate::analysis::special::chi_square_upper;

/// What events hang on.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Lock {
    /// Hz.
    pub(super) frequency: f64,
    /// Chance of so much order anywhere in the search.
    pub(super) chance: f64,
}

/// Mains wanders; over so many seconds it keeps its phase (0.02 Hz is a usual excursion; common practice, no
/// source).
const COHERENT_S: f64 = 10.0;
/// Half-width of the search about each mains frequency: EN 50160, synchronous networks.
const TOLERANCE: f64 = 0.01;
/// Most times that enter the test.
const MOST: usize = 4000;
const CHANCE: f64 = 1e-3;

/// Tests times (seconds, with the capture that each belongs to) for the mains' half-waves and full waves and for
/// lamp rates, by Z² summed over bins short enough for the mains to keep its phase.
///
/// `scatter` is how far the times stray from any beat of their own, seconds: a steady clock agrees with some
/// frequency near the mains always, and proves nothing, unless it strays by more than a third of a wave.
#[allow(clippy::cast_precision_loss, clippy::cast_possible_truncation, clippy::cast_sign_loss)]
pub(super) fn lock(times: &[(f64, u32)], scatter: f64, grain: Option<f64>, lamps: &[f64]) -> Option<Lock> {
    let times = times.get(..times.len().min(MOST))?;
    let bases = [50.0, 60.0, 100.0, 120.0].into_iter().chain(lamps.iter().copied());
    let mut best: Option<Lock> = None;
    let mut trials = 0.0;
    for base in bases {
        // Stamps on a coarser grid than a fifth of the wave cannot show it.
        if scatter < 0.3 / base || grain.is_some_and(|grain| grain > 0.2 / base) {
            continue;
        }
        let step = 0.25 / COHERENT_S;
        let steps = (base * TOLERANCE / step).ceil() as i64;
        for i in -steps..=steps {
            let frequency = base + step * i as f64;
            trials += 1.0;
            let (sum, bins) = bins(times, frequency);
            let chance = chi_square_upper(sum, 2.0 * bins);
            if bins > 0.0 && best.is_none_or(|best| chance < best.chance) {
                best = Some(Lock { frequency, chance });
            }
        }
    }
    best.map(|lock| Lock { chance: (lock.chance * trials).min(1.0), ..lock })
        .filter(|lock| lock.chance < CHANCE)
}

/// Sum of Z² over bins with at least five times, and how many those are.
///
/// # Source
/// Buccheri et al. 1983; sums of independent Z² are chi-square, two degrees of freedom each.
#[allow(clippy::cast_precision_loss)]
fn bins(times: &[(f64, u32)], frequency: f64) -> (f64, f64) {
    let (mut sum, mut count) = (0.0, 0.0);
    let mut from = 0;
    while let Some(first) = times.get(from) {
        let to =
            times[from..].iter().take_while(|t| t.1 == first.1 && t.0 - first.0 <= COHERENT_S).count() + from;
        if to - from >= 5 {
            let (mut c, mut s) = (0.0, 0.0);
            for (t, _) in &times[from..to] {
                let (sin, cos) = (std::f64::consts::TAU * (frequency * (t - first.0)).fract()).sin_cos();
                c += cos;
                s += sin;
            }
            // The bin begins at its first event, whose phase is therefore zero: it is no evidence.
            let n = (to - from - 1) as f64;
            sum += 2.0 * ((c - 1.0).powi(2) + s * s) / n;
            count += 1.0;
        }
        from = to;
    }
    (sum, count)
}

const GRIDS: [f64; 16] =
    [1.0, 0.5, 0.25, 0.2, 0.125, 0.1, 0.0625, 0.05, 0.04, 0.025, 0.02, 0.016, 0.01, 0.008, 0.005, 0.002];

/// The grid on which nearly all times lie, if there is a coarse one: the rate at which the set looks.
#[allow(clippy::cast_precision_loss)]
pub(super) fn grid(times: &[(f64, u32)]) -> Option<f64> {
    let times = times.get(..times.len().min(MOST)).filter(|times| times.len() >= 8)?;
    let start = times[0].0;
    GRIDS.into_iter().find(|grid| {
        let near = times.iter().filter(|(t, _)| {
            let turns = (t - start) / grid;
            (turns - turns.round()).abs() < 0.03
        });
        near.count() as f64 >= 0.98 * times.len() as f64
    })
}

/// Mains and lamp rates that would appear at this period when looked at on this grid.
pub(super) fn aliases(period: f64, error: f64, grid: f64, lamps: &[f64]) -> Vec<AliasCandidate> {
    let seen = 1.0 / period;
    if seen >= 0.5 / grid {
        return Vec::new();
    }
    alias_candidates(seen, 1.0 / grid, error / (period * period), lamps)
}

/// A beat of one to four half-waves of the mains, to 0.2 %: what the mains keeps to nearly always.
pub(super) fn mains_beat(period: f64) -> Option<f64> {
    [100.0, 120.0].into_iter().find(|half| {
        let waves = period * half;
        let whole = waves.round();
        (1.0..=4.0).contains(&whole) && (waves / whole - 1.0).abs() < 0.002
    })
}
