//! Whether a stressor does anything: the randomisation test, exact whatever the strays do by themselves.

use crate::analysis::provoke::orders::{DRAWN, LISTED, Orders};
use crate::analysis::provoke::table::{Direction, Table};

/// Looks at the end of each round, at an error that is spent as the rounds go on.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Looks {
    /// Error of all looks together.
    pub alpha: f64,
    /// Rounds that are to count, at the end of the plan.
    pub planned: u32,
}

impl Looks {
    /// Error that may be spent by the end of this round (from 1).
    ///
    /// # Source
    /// Lan & DeMets 1983, Biometrika 70:659; with the third power, Kim & DeMets 1987, Biometrika 74:149: an eighth at half
    /// time, so that the end loses little.
    #[allow(clippy::cast_precision_loss)]
    fn spent(self, rounds: usize) -> f64 {
        self.alpha * (rounds as f64 / f64::from(self.planned.max(1))).min(1.0).powi(3)
    }
}

/// What the test says of one stressor.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Outcome {
    /// Adjusted for all stressors of the plan: calling an effect where this is at most `alpha` errs with chance `alpha` at
    /// most that any stressor without effect is called. With looks, adjusted for them too.
    pub p: f64,
    /// With looks: the effect is certain at their `alpha` since the end of this round (from 1), so this stressor needs no
    /// more of them. Later rounds do not take it back.
    pub certain: Option<u32>,
}

/// The randomisation test for each stressor, in their order. Without a row each `p` is one.
///
/// Cost: for each of the 2^s - 1 sets of s stressors, 32 768 orders at most, times rounds and labels.
///
/// # Formula
/// For each set S of stressors: the numbers of S and of leave alone are permuted within each round, those of all other
/// stressors stay. M = max over j in S of the sum over rounds of j's number less the mean of S and leave alone, for
/// `Either` as an absolute value. p(S) = share of orders with M at least as large as that carried out; all orders up to
/// 32 768, else 5000 drawn by `seed` with that one among them: p = (1 + b)/(1 + m). The adjusted p of j is the largest
/// p(S) with j in S.
/// With looks, orders leave as their M passes the boundary that spends the error up to that round; p(S) is the share that
/// left in earlier rounds or has at least this M.
///
/// # Source
/// Fisher 1935, Edgington & Onghena 2007; m + 1 by Phipson & Smyth 2010, Stat. Appl. Genet. Mol. Biol. 9:39. Max-T after
/// Westfall & Young 1993; all sets are tested in place of their step-down short cut (closed testing, Marcus, Peritz &
/// Gabriel 1976, Biometrika 63:655), because the short cut needs that one set's test does not depend on the effects of the
/// others, which stressors that work on into the next block break.
pub fn judge(table: &Table, direction: Direction, looks: Option<Looks>, seed: u64) -> Vec<Outcome> {
    let stressors = table.stressors();
    let mut outcomes = vec![Outcome { p: 0.0, certain: looks.map(|_| 0) }; stressors];
    for set in 1usize..1 << stressors {
        let columns: Vec<usize> =
            std::iter::once(0).chain((1..=stressors).filter(|j| set >> (j - 1) & 1 == 1)).collect();
        let outcome = Walk { table, direction, looks, seed, listed: LISTED, draws: DRAWN }.walk(&columns);
        for column in &columns[1..] {
            let own = &mut outcomes[column - 1];
            own.p = own.p.max(outcome.p);
            own.certain = own.certain.zip(outcome.certain).map(|(a, b)| a.max(b));
        }
    }
    outcomes
}

/// One walk through the rounds, for one set of labels that are permuted.
pub(crate) struct Walk<'a> {
    pub(crate) table: &'a Table,
    pub(crate) direction: Direction,
    pub(crate) looks: Option<Looks>,
    pub(crate) seed: u64,
    pub(crate) listed: usize,
    pub(crate) draws: usize,
}

impl Walk<'_> {
    /// The test of the hypothesis that none of these columns, leave alone first, differs from it.
    #[allow(clippy::cast_precision_loss)]
    pub(crate) fn walk(&self, columns: &[usize]) -> Outcome {
        let (rows, width) = (self.table.rows(), columns.len());
        let planned = self.looks.map_or(rows.len(), |looks| rows.len().max(looks.planned as usize));
        let mut orders = Orders::new(width, planned, self.listed, self.draws, self.seed);
        let count = orders.count();
        let mut sums = vec![0.0; count * width];
        // Orders that have left at an earlier look.
        let mut left = vec![false; count];
        let (mut gone, mut p, mut size) = (0, 1.0, 0.0);
        for (number, row) in rows.iter().enumerate() {
            let own: Vec<f64> = columns.iter().map(|column| row[*column]).collect();
            let mean = own.iter().sum::<f64>() / width as f64;
            for (sum, order) in sums.chunks_exact_mut(width).zip(orders.round(number)) {
                for (total, from) in sum.iter_mut().zip(order) {
                    *total += own[usize::from(*from)] - mean;
                }
            }
            size += own.iter().map(|value| value.abs()).sum::<f64>();
            if self.looks.is_none() && number + 1 < rows.len() {
                continue;
            }
            let (grain, largest) = (GRAIN * size, self.largest(&sums, width));
            let reach =
                largest.iter().zip(&left).filter(|(m, left)| !**left && **m >= largest[0] - grain).count();
            p = (gone + reach) as f64 / count as f64;
            let Some(looks) = self.looks else { continue };
            let allowed = looks.spent(number + 1) * (1.0 + 1e-12);
            if p <= allowed {
                return Outcome { p, certain: u32::try_from(number + 1).ok() };
            }
            if let Some(least) = boundary(&largest, &left, grain, allowed * count as f64 - gone as f64) {
                for (left, m) in left.iter_mut().zip(&largest) {
                    *left |= *m >= least - grain;
                }
                gone = left.iter().filter(|left| **left).count();
            }
        }
        Outcome { p, certain: None }
    }

    fn largest(&self, sums: &[f64], width: usize) -> Vec<f64> {
        let size = |sum: &f64| if self.direction == Direction::More { *sum } else { sum.abs() };
        sums.chunks_exact(width)
            .map(|sum| sum[1..].iter().map(size).fold(f64::NEG_INFINITY, f64::max))
            .collect()
    }
}

/// Sums closer than this share of all numbers' sizes are equal but for rounding.
const GRAIN: f64 = 1e-12;

/// The lowest value that at most `room` of those still there reach, equal ones going together.
#[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
fn boundary(largest: &[f64], left: &[bool], grain: f64, room: f64) -> Option<f64> {
    let room = room.max(0.0) as usize;
    let mut there: Vec<f64> = largest.iter().zip(left).filter(|(_, left)| !**left).map(|(m, _)| *m).collect();
    if room == 0 || room >= there.len() {
        return None;
    }
    // The first one that may not go, and those that may.
    let (before, next, _) = there.select_nth_unstable_by(room, |a, b| b.total_cmp(a));
    before.iter().copied().filter(|m| *m > *next + grain).min_by(f64::total_cmp)
}
