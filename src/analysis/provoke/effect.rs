//! How large an effect is: the factor on a rate, the shift of a level, both by inverting the randomisation test.

use std::cmp::Ordering;

use crate::analysis::provoke::orders::{swapped, swaps};
use crate::analysis::provoke::table::Table;
use crate::analysis::random::Random;
use crate::analysis::rate::Interval;

/// By what factor a stressor changes how often something comes.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Ratio {
    /// Count under the stressor over count under leave alone; infinite if only the latter is zero, `None` if both are.
    pub ratio: Option<f64>,
    /// Interval of the factor; from 0 or to infinity where the data do not bound it.
    pub interval: Interval,
}

/// Factor of one stressor (from 0) on the counts of the table, which are whole numbers.
///
/// The lower end of the 90 % interval is a one-sided bound of 95 %: it is above one where the test of this stressor alone
/// finds an effect at 5 %. Cost: ln(events) passes over 32 768 orders at most for each end.
///
/// # Formula
/// Does a stressor make events θ times as frequent, then keeping each of its events with chance 1/θ (below one: each of
/// leave alone's with chance θ) leaves two labels that only the order tells apart, so the test on what is kept is exact.
/// Each event has one random number for all θ, so that the p value rises with θ; equal sums count by another one. Ends are
/// the θ at which p passes (1 - c)/2 and (1 + c)/2, moved out to the ratio itself if that lies outside.
///
/// # Source
/// Ours; thinning as Lewis & Shedler 1979, Naval Res. Logist. Q. 26:403, randomised p as Lehmann & Romano 2005, Testing
/// Statistical Hypotheses, 3rd edition, section 15.2. Covers as it says where the stressor calls each event
/// by itself, whatever the rates without it; with very few events it covers more. The price: ends depend on the seed, and
/// what is kept varies by 2/n where the counts vary by (1 + 1/θ)/n, so at a factor of ten the interval is 1.35 times as long
/// (in logarithm) as if rates did not vary by themselves. Scores with the binomial variance, the rounds' own or both, and
/// means over many thinnings covered 81 to 100 % in place of 95 on counts that cluster or are few.
#[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, clippy::cast_precision_loss)]
pub fn ratio(table: &Table, stressor: usize, confidence: f64, seed: u64) -> Ratio {
    let counts: Vec<(u32, u32)> = table
        .pairs(stressor)
        .into_iter()
        .map(|(alone, under)| (alone.round().max(0.0) as u32, under.round().max(0.0) as u32))
        .collect();
    let sum = |of: fn(&(u32, u32)) -> u32| counts.iter().map(|pair| f64::from(of(pair))).sum::<f64>();
    let (alone, under) = (sum(|pair| pair.0), sum(|pair| pair.1));
    if alone + under == 0.0 {
        return Ratio { ratio: None, interval: Interval { low: 0.0, high: f64::INFINITY } };
    }
    let estimate = under / alone;
    let mut random = Random::new(seed);
    let tie = random.unit();
    let mut marks = |count: u32| (0..count).map(|_| random.unit()).collect::<Vec<f64>>();
    let marks: Vec<(Vec<f64>, Vec<f64>)> =
        counts.iter().map(|(alone, under)| (marks(*alone), marks(*under))).collect();
    let swaps = swaps(counts.len(), seed);
    let p = |theta: f64| {
        let kept = |marks: &[f64], chance: f64| marks.iter().filter(|mark| **mark < chance).count() as f64;
        let gained: Vec<f64> =
            marks.iter().map(|(alone, under)| kept(under, 1.0 / theta) - kept(alone, theta)).collect();
        let weight = |moved: &f64| match moved.total_cmp(&0.0) {
            Ordering::Less => 1.0,
            Ordering::Equal => tie,
            Ordering::Greater => 0.0,
        };
        let moved = swapped(&swaps, &gained);
        moved.iter().map(weight).sum::<f64>() / moved.len() as f64
    };
    // Between these factors nothing changes.
    let mut steps: Vec<f64> = marks
        .iter()
        .flat_map(|(alone, under)| alone.iter().copied().chain(under.iter().map(|mark| 1.0 / mark)))
        .chain([0.0, f64::INFINITY])
        .collect();
    steps.sort_by(f64::total_cmp);
    let tail = (1.0 - confidence) / 2.0;
    let low = steps[first(&steps, |theta| p(theta) > tail)].min(estimate);
    let high = steps[first(&steps, |theta| p(theta) >= 1.0 - tail)].max(estimate);
    Ratio { ratio: Some(estimate), interval: Interval { low, high } }
}

/// The first step, ends for good measure, after which a rising condition holds; the last one if it never does.
fn first(steps: &[f64], holds: impl Fn(f64) -> bool) -> usize {
    let (mut low, mut high) = (0, steps.len() - 1);
    while low < high {
        let middle = low.midpoint(high);
        let (from, to) = (steps[middle], steps[middle + 1]);
        if holds(if to.is_finite() { from.midpoint(to) } else { 2.0 * from.max(1.0) }) {
            high = middle;
        } else {
            low = middle + 1;
        }
    }
    low
}

/// By how much a stressor moves a level.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Shift {
    /// Mean over rounds of stressor minus leave alone, in the table's unit.
    pub shift: f64,
    /// Interval of the shift; `None` where there are too few rounds for any (fewer than six at 95 %).
    pub interval: Option<Interval>,
}

/// Shift of one stressor (from 0) on the levels of the table; `None` without a row.
///
/// # Source
/// Exact inversion of the test on the sum: its ends are ordered means of subsets of the rounds' differences. Hartigan 1969,
/// J. Am. Stat. Assoc. 64:1303 (typical values). Assumes that the stressor moves the level by the same amount in each block.
#[allow(clippy::cast_precision_loss, clippy::cast_possible_truncation, clippy::cast_sign_loss)]
pub fn shift(table: &Table, stressor: usize, confidence: f64, seed: u64) -> Option<Shift> {
    let moved: Vec<f64> = table.pairs(stressor).into_iter().map(|(alone, under)| under - alone).collect();
    if moved.is_empty() {
        return None;
    }
    let shift = moved.iter().sum::<f64>() / moved.len() as f64;
    let swaps = swaps(moved.len(), seed);
    let picked = swapped(&swaps, &vec![1.0; moved.len()]);
    let sums = swapped(&swaps, &moved);
    let mut means: Vec<f64> = sums
        .iter()
        .zip(picked)
        .filter(|(_, picked)| *picked > 0.0)
        .map(|(sum, picked)| sum / picked)
        .collect();
    means.sort_by(f64::total_cmp);
    // p at a shift = (1 + means at most that)/(1 + means), so the k-th mean from either end has k of them beyond it.
    let beyond = ((1.0 - confidence) / 2.0 * (means.len() + 1) as f64 * (1.0 + 1e-12)) as usize;
    let interval = beyond.checked_sub(1).and_then(|k| {
        Some(Interval { low: *means.get(k)?, high: *means.get(means.len().checked_sub(beyond)?)? })
    });
    Some(Shift { shift, interval })
}
