//! Whether a stressor does anything: the randomisation test, exact whatever the strays do by themselves.

use crate::analysis::provoke::orders::{DRAWN, LISTED, Orders};
use crate::analysis::provoke::table::{Direction, Kind, Table};

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
/// As [`judge_all`] with one kind of number.
pub fn judge(table: &Table, direction: Direction, looks: Option<Looks>, seed: u64) -> Vec<Outcome> {
    let all = judge_all(&[Kind { views: vec![table.clone()], direction }], looks, seed);
    all.into_iter().filter_map(|kinds| kinds.first().copied()).collect()
}

/// The randomisation test for each stressor on several kinds of numbers of the same rounds: episodes, excursions, the level
/// of each line. Gives for each stressor an outcome for each kind, adjusted for all stressors and kinds together.
///
/// Cost: for each of the 2^s - 1 sets of s stressors and each size of groups, 32 768 orders at most, times rounds, labels
/// and sets of kinds.
///
/// # Formula
/// For a set S of stressors and a set E of kinds: the numbers of S and of leave alone are permuted within each round, all
/// kinds of a block together; those of all other stressors stay. T(j, e) = sum over rounds of j's number less the mean of S
/// and leave alone, over the standard deviation that it has under these orders, for `Either` as an absolute value; M = its
/// largest over S, E and the views of each kind. p(S, E) = share of orders with M at least as large as that carried out; all orders up to
/// 32 768, else 5000 drawn by `seed` with that one among them: p = (1 + b)/(1 + m).
/// A hypothesis is any set of pairs (stressor, kind) without effect. It falls into g groups, each of the kinds that have
/// the same stressors; its p is g times the smallest p of a group. The adjusted p of a pair is the largest over all
/// hypotheses that hold it. One stressor makes one group, so that nothing is lost beside the joint M; groups are counted as
/// at most the sets of stressors there are, and taken as free of each other, which is on the safe side.
/// With looks, orders leave as their M passes the boundary that spends the error (of g groups a g-th each) up to that round;
/// p(S, E) is the share that left in earlier rounds or has at least this M.
///
/// # Source
/// Fisher 1935, Edgington & Onghena 2007; m + 1 by Phipson & Smyth 2010, Stat. Appl. Genet. Mol. Biol. 9:39. Max-T after
/// Westfall & Young 1993, over kinds as well; the standard deviation is the same under all orders, so it only makes the
/// kinds comparable. All sets are tested in place of their step-down short cut (closed testing, Marcus, Peritz & Gabriel
/// 1976, Biometrika 63:655), because the short cut needs that one set's test does not depend on the effects of the
/// others, which stressors that work on into the next block break. Where two kinds have other idle stressors, no order
/// leaves both as they were: Bonferroni's bound joins them.
pub fn judge_all(kinds: &[Kind], looks: Option<Looks>, seed: u64) -> Vec<Vec<Outcome>> {
    let stressors = kinds.iter().flat_map(|kind| &kind.views).next().map_or(0, Table::stressors);
    let sets = 1usize << stressors;
    let most = kinds.len().min(sets.saturating_sub(1));
    // Without looks the walks of all sizes of groups are the same.
    let walked = if looks.is_some() { most } else { most.min(1) };
    let found: Vec<Found> = (1..=walked)
        .map(|groups| {
            let share = looks.map(|looks| Looks { alpha: looks.alpha / count(groups), ..looks });
            let mut found = Found::new(stressors, kinds.len());
            for set in 1..sets {
                let members: Vec<usize> = (1..=stressors).filter(|j| set >> (j - 1) & 1 == 1).collect();
                let columns: Vec<usize> = std::iter::once(0).chain(members.iter().copied()).collect();
                let walk = Walk { kinds, looks: share, seed, listed: LISTED, draws: DRAWN };
                found.take(&members, &walk.walk(&columns));
            }
            found
        })
        .collect();
    let pair = |stressor: usize, kind: usize| {
        let base = most + 1;
        let all = (0..base.pow(u32::try_from(kinds.len()).unwrap_or(u32::MAX)))
            .filter(|code| code / base.pow(u32::try_from(kind).unwrap_or(u32::MAX)) % base == 0);
        let mut worst = Outcome { p: 0.0, certain: looks.map(|_| 0) };
        for mut code in all {
            // Each kind is in a group, that of the pair first, or in none.
            let mut groups = vec![0usize; base];
            for kind in 0..kinds.len() {
                groups[code % base] |= 1 << kind;
                code /= base;
            }
            let number = groups[..most].iter().filter(|group| **group != 0).count();
            let Some(found) = found.get(number.min(walked).wrapping_sub(1)) else { continue };
            let each = groups[..most].iter().enumerate().filter(|(_, group)| **group != 0);
            let each = each.map(|(at, group)| found.worst(if at == 0 { stressor + 1 } else { 0 }, *group));
            let (p, certain) = each.fold((1.0f64, NEVER), |(p, certain), one| {
                (p.min(count(number) * one.0), certain.min(one.1))
            });
            worst.p = worst.p.max(p);
            worst.certain = worst.certain.map(|round| round.max(certain));
        }
        Outcome { certain: worst.certain.filter(|round| *round != NEVER), ..worst }
    };
    (0..stressors).map(|stressor| (0..kinds.len()).map(|kind| pair(stressor, kind)).collect()).collect()
}

/// In place of a round that never came.
const NEVER: u32 = u32::MAX;

#[allow(clippy::cast_precision_loss)]
fn count(number: usize) -> f64 {
    number as f64
}

/// The largest p, and the last round to be certain, over sets of stressors: of all, or of those that hold one stressor.
struct Found {
    /// By stressor from 1, 0 is any; then by set of kinds.
    worst: Vec<Vec<(f64, u32)>>,
}

impl Found {
    fn new(stressors: usize, kinds: usize) -> Self {
        Self { worst: vec![vec![(0.0, 0); 1 << kinds]; stressors + 1] }
    }

    fn take(&mut self, members: &[usize], outcomes: &[Outcome]) {
        for stressor in std::iter::once(&0).chain(members) {
            // Sets of kinds count from one: none of them is empty.
            for (own, outcome) in self.worst[*stressor].iter_mut().skip(1).zip(outcomes) {
                *own = (own.0.max(outcome.p), own.1.max(outcome.certain.unwrap_or(NEVER)));
            }
        }
    }

    fn worst(&self, stressor: usize, kinds: usize) -> (f64, u32) {
        self.worst[stressor][kinds]
    }
}

/// One walk through the rounds, for one set of labels that are permuted.
pub(crate) struct Walk<'a> {
    pub(crate) kinds: &'a [Kind],
    pub(crate) looks: Option<Looks>,
    pub(crate) seed: u64,
    pub(crate) listed: usize,
    pub(crate) draws: usize,
}

/// What one view has come to under each order.
struct Sums {
    sums: Vec<f64>,
    /// Variance of a label's sum under all orders.
    variance: f64,
    /// All numbers, without their signs.
    size: f64,
}

/// One set of kinds on its way through the looks.
struct Course {
    /// Orders that have left at an earlier look.
    left: Vec<bool>,
    gone: usize,
    outcome: Outcome,
}

impl Walk<'_> {
    /// The test of the hypothesis that none of these columns, leave alone first, differs from it: for each set of kinds, in
    /// the order of the numbers from one whose bits they are.
    pub(crate) fn walk(&self, columns: &[usize]) -> Vec<Outcome> {
        let views = || self.kinds.iter().flat_map(|kind| &kind.views);
        let rows = views().map(|table| table.rows().len()).min().unwrap_or(0);
        let width = columns.len();
        let planned = self.looks.map_or(rows, |looks| rows.max(looks.planned as usize));
        let mut orders = Orders::new(width, planned, self.listed, self.draws, self.seed);
        let all = orders.count();
        let mut kinds: Vec<Vec<Sums>> = self
            .kinds
            .iter()
            .map(|kind| kind.views.iter().map(|_| Sums::new(all * width)).collect())
            .collect();
        let mut courses: Vec<Course> = (1..1usize << self.kinds.len())
            .map(|_| Course { left: vec![false; all], gone: 0, outcome: Outcome { p: 1.0, certain: None } })
            .collect();
        for number in 0..rows {
            let orders = orders.round(number);
            for (view, table) in kinds.iter_mut().flatten().zip(views()) {
                let row = &table.rows()[number];
                view.push(&columns.iter().map(|column| row[*column]).collect::<Vec<f64>>(), &orders);
            }
            if self.looks.is_none() && number + 1 < rows {
                continue;
            }
            let largest: Vec<Vec<f64>> = kinds
                .iter()
                .zip(self.kinds)
                .map(|(views, kind)| {
                    let mut joint = vec![f64::NEG_INFINITY; all];
                    views.iter().for_each(|view| raise(&mut joint, &view.largest(width, kind.direction)));
                    joint
                })
                .collect();
            for (set, course) in
                (1..).zip(&mut courses).filter(|(_, course)| course.outcome.certain.is_none())
            {
                let within = || (0..kinds.len()).filter(move |kind| set >> kind & 1 == 1);
                let mut joint = vec![f64::NEG_INFINITY; all];
                within().for_each(|kind| raise(&mut joint, &largest[kind]));
                let grain = within().flat_map(|kind| &kinds[kind]).map(Sums::grain).fold(0.0, f64::max);
                course.look(&joint, grain, number + 1, self.looks);
            }
        }
        courses.into_iter().map(|course| course.outcome).collect()
    }
}

/// Each the larger of both.
fn raise(joint: &mut [f64], own: &[f64]) {
    joint.iter_mut().zip(own).for_each(|(joint, own)| *joint = joint.max(*own));
}

impl Sums {
    fn new(all: usize) -> Self {
        Self { sums: vec![0.0; all], variance: 0.0, size: 0.0 }
    }

    fn push(&mut self, own: &[f64], orders: &[&[u8]]) {
        let mean = own.iter().sum::<f64>() / count(own.len());
        for (sum, order) in self.sums.chunks_exact_mut(own.len()).zip(orders) {
            for (total, from) in sum.iter_mut().zip(*order) {
                *total += own[usize::from(*from)] - mean;
            }
        }
        self.variance += own.iter().map(|value| (value - mean).powi(2)).sum::<f64>() / count(own.len());
        self.size += own.iter().map(|value| value.abs()).sum::<f64>();
    }

    /// One over the standard deviation; zero where nothing varies but by rounding.
    fn scale(&self) -> f64 {
        let deviation = self.variance.sqrt();
        if deviation > GRAIN * self.size { 1.0 / deviation } else { 0.0 }
    }

    fn grain(&self) -> f64 {
        GRAIN * self.size * self.scale()
    }

    fn largest(&self, width: usize, direction: Direction) -> Vec<f64> {
        let scale = self.scale();
        let size = |sum: &f64| scale * if direction == Direction::More { *sum } else { sum.abs() };
        self.sums
            .chunks_exact(width)
            .map(|sum| sum[1..].iter().map(size).fold(f64::NEG_INFINITY, f64::max))
            .collect()
    }
}

impl Course {
    #[allow(clippy::cast_precision_loss)]
    fn look(&mut self, largest: &[f64], grain: f64, rounds: usize, looks: Option<Looks>) {
        let there = largest.iter().zip(&self.left).filter(|(_, left)| !**left);
        let reach = there.filter(|(m, _)| **m >= largest[0] - grain).count();
        let all = largest.len() as f64;
        self.outcome.p = (self.gone + reach) as f64 / all;
        let Some(looks) = looks else { return };
        let allowed = looks.spent(rounds) * (1.0 + 1e-12);
        if self.outcome.p <= allowed {
            self.outcome.certain = u32::try_from(rounds).ok();
        } else if let Some(least) = boundary(largest, &self.left, grain, allowed * all - self.gone as f64) {
            for (left, m) in self.left.iter_mut().zip(largest) {
                *left |= *m >= least - grain;
            }
            self.gone = self.left.iter().filter(|left| **left).count();
        }
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
