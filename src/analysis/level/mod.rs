//! Converter readings of one line in two stages: level, spread, drift, spikes and ripple.

mod excursion;
mod sample;

use serde::Serialize;

use crate::analysis::phase::{AliasCandidate, alias_candidates};
use crate::analysis::special::quantile;
use crate::analysis::spectrum::{Peak, periodogram, search_chance};
pub use excursion::{Departures, Excursions};
pub(crate) use excursion::{OF_LEVEL, goes_as_far};
pub use sample::{TwoSample, brunner_munzel, energy_chance, energy_distance, welch};

/// Readings of one line over time.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Readings {
    /// Seconds, ascending.
    pub t: Vec<f64>,
    /// Counts or volts; one unit for both sides of a comparison.
    pub value: Vec<f64>,
}

/// One stage's readings in numbers.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, schemars::JsonSchema)]
pub struct LevelSide {
    /// Readings.
    pub count: u64,
    /// Readings that count as independent after thinning.
    pub independent: u64,
    /// Median.
    pub level: f64,
    /// Robust standard deviation.
    pub spread: f64,
    /// Share of readings more than six spreads (and three units) off the median.
    pub spikes: f64,
    /// Change of the level per minute, by Theil and Sen.
    pub drift_per_min: f64,
}

/// What changed between two stages.
#[derive(Clone, Debug, PartialEq, Serialize, schemars::JsonSchema)]
pub struct LevelShift {
    /// Before.
    pub before: LevelSide,
    /// After.
    pub after: LevelSide,
    /// Level after less level before, in the unit of the readings.
    pub shift: f64,
    /// Interval of the difference of the means.
    pub shift_low: f64,
    /// Its upper end.
    pub shift_high: f64,
    /// Chance of so different means if nothing changed (Welch).
    pub chance_mean: f64,
    /// Chance of so different ranks if nothing changed, spreads free (Brunner-Munzel).
    pub chance_rank: f64,
    /// Chance of so different distributions if nothing changed (energy distance, permutation).
    pub chance_any: f64,
    /// What it means, in sentences.
    pub notes: Vec<String>,
}

/// Ripple on a line.
#[derive(Clone, Debug, PartialEq, Serialize, schemars::JsonSchema)]
pub struct Ripple {
    /// Frequency at which it is seen, Hz.
    pub frequency: f64,
    /// Share of the scatter that it explains.
    pub power: f64,
    /// Chance of such a peak in noise, over the whole search.
    pub chance: f64,
    /// Median rate of the readings, a second.
    pub rate: f64,
    /// Mains harmonics and lamp rates that would look so; more than one cannot be told apart by this sampling.
    pub candidates: Vec<AliasCandidate>,
}

/// Most readings that enter the permutation and the periodogram.
const MOST: usize = 2000;
const NEAR_ZERO: f64 = 0.1;

/// Every k-th reading, k being the first lag at which neighbours no longer resemble each other.
///
/// # Source
/// Practice in time-series work; skipping it is the usual cause of absurd p-values (methods reference, 6.2).
#[allow(clippy::cast_precision_loss)]
pub fn thin(values: &[f64]) -> Vec<f64> {
    let n = values.len();
    let mean = sample::mean(values);
    let whole: f64 = values.iter().map(|v| (v - mean) * (v - mean)).sum();
    if n < 8 || whole <= 0.0 {
        return values.to_vec();
    }
    let correlation = |lag: usize| {
        values.iter().zip(&values[lag..]).map(|(a, b)| (a - mean) * (b - mean)).sum::<f64>() / whole
    };
    // Noise alone gives correlations of this size.
    let limit = NEAR_ZERO.max(2.0 / (n as f64).sqrt());
    let lag = (1..n / 4).find(|lag| correlation(*lag).abs() < limit).unwrap_or(n / 4).max(1);
    values.iter().copied().step_by(lag).collect()
}

#[allow(clippy::cast_precision_loss)]
fn side(readings: &Readings, independent: usize) -> LevelSide {
    let mut sorted = readings.value.clone();
    sorted.sort_by(f64::total_cmp);
    let level = quantile(&sorted, 0.5);
    let mut off: Vec<f64> = sorted.iter().map(|v| (v - level).abs()).collect();
    off.sort_by(f64::total_cmp);
    let spread = 1.4826 * quantile(&off, 0.5);
    let limit = (6.0 * spread).max(3.0);
    let spikes = off.iter().filter(|distance| **distance > limit).count();
    LevelSide {
        count: sorted.len() as u64,
        independent: independent as u64,
        level,
        spread,
        spikes: spikes as f64 / sorted.len().max(1) as f64,
        drift_per_min: 60.0 * drift(readings),
    }
}

/// Median of the slopes between each reading and the one half the record later, a second.
///
/// # Source
/// Theil 1950; Sen 1968, JASA 63:1379, in the incomplete form of Theil that pairs halves: O(n log n).
fn drift(readings: &Readings) -> f64 {
    let half = readings.t.len() / 2;
    let mut slopes: Vec<f64> = (0..half)
        .map(|i| (i, i + half))
        .filter(|(i, j)| readings.t[*j] > readings.t[*i])
        .map(|(i, j)| (readings.value[j] - readings.value[i]) / (readings.t[j] - readings.t[i]))
        .collect();
    slopes.sort_by(f64::total_cmp);
    if slopes.is_empty() { 0.0 } else { quantile(&slopes, 0.5) }
}

fn fewer(values: &[f64], most: usize) -> Vec<f64> {
    let step = values.len().div_ceil(most).max(1);
    values.iter().copied().step_by(step).collect()
}

/// Compares the readings of one line in two stages. `None` when one side has fewer than three readings.
pub fn compare_levels(before: &Readings, after: &Readings, seed: u64) -> Option<LevelShift> {
    let (one, two) = (thin(&before.value), thin(&after.value));
    if one.len() < 3 || two.len() < 3 {
        return None;
    }
    let sides = [side(before, one.len()), side(after, two.len())];
    let flat = sample::variance(&one) + sample::variance(&two) <= 0.0;
    let same = if sides[0].level == sides[1].level { 1.0 } else { 0.0 };
    let (mean_test, interval) = welch(&two, &one, 0.95);
    let rank = brunner_munzel(&one, &two);
    let any = energy_chance(&fewer(&one, MOST), &fewer(&two, MOST), seed);
    let shift = sides[1].level - sides[0].level;
    // Without any scatter a test has nothing to measure against: equal is equal and different is different.
    let or_flat = |p: f64| if flat || p.is_nan() { same } else { p };
    let mut found = LevelShift {
        before: sides[0],
        after: sides[1],
        shift,
        shift_low: if flat { shift } else { interval.0 },
        shift_high: if flat { shift } else { interval.1 },
        chance_mean: or_flat(mean_test.p),
        chance_rank: or_flat(rank.p),
        chance_any: any,
        notes: Vec::new(),
    };
    found.notes = notes(&found);
    Some(found)
}

fn notes(found: &LevelShift) -> Vec<String> {
    let mut notes = Vec::new();
    let certain = 0.01;
    if found.chance_any >= certain && found.chance_mean >= certain && found.chance_rank >= certain {
        notes.push("The readings are as before.".to_owned());
        return notes;
    }
    if found.shift.abs() >= 1.0 {
        notes.push(format!("The level was {:.0}, now it is {:.0}.", found.before.level, found.after.level));
    }
    let (before, after) = (100.0 * found.before.spikes, 100.0 * found.after.spikes);
    if (before - after).abs() > 1.0 {
        notes.push(format!("Spikes: {before:.0} % of the readings before, {after:.0} % after."));
    }
    if notes.is_empty() {
        notes.push("The level is as before; the readings scatter otherwise.".to_owned());
    }
    notes
}

/// The strongest ripple on a line, against noise, with the aliases under which mains and lamps may hide.
/// `None` for fewer than sixteen readings. Trend and level are taken off first.
#[allow(clippy::cast_precision_loss)]
pub fn ripple(readings: &Readings, lamps: &[f64]) -> Option<Ripple> {
    let n = readings.t.len().min(readings.value.len());
    if n < 16 {
        return None;
    }
    // A contiguous stretch, since thinning would bring aliases of its own.
    let from = (n - n.min(MOST)) / 2;
    let times: Vec<f64> = readings.t[from..from + n.min(MOST)].to_vec();
    let slope = drift(readings);
    let values: Vec<f64> = readings.value[from..from + n.min(MOST)]
        .iter()
        .zip(&times)
        .map(|(v, t)| v - slope * (t - times[0]))
        .collect();
    let span = times.last().copied()? - times[0];
    let mut gaps: Vec<f64> = times.windows(2).map(|pair| pair[1] - pair[0]).collect();
    gaps.sort_by(f64::total_cmp);
    let gap = quantile(&gaps, 0.5);
    if span <= 0.0 || gap <= 0.0 {
        return None;
    }
    let (highest, step) = (0.5 / gap, 0.2 / span);
    let peak = periodogram(&times, &values, step * 5.0, highest, step)
        .into_iter()
        .max_by(|a: &Peak, b| a.power.total_cmp(&b.power))?;
    Some(Ripple {
        frequency: peak.frequency,
        power: peak.power,
        chance: search_chance(peak.power, &times, highest),
        rate: 1.0 / gap,
        candidates: alias_candidates(peak.frequency, 1.0 / gap, 1.0 / span, lamps),
    })
}
