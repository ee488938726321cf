//! Two-sample tests, each for a question of its own.

use crate::analysis::random::Random;
use crate::analysis::special::{student_quantile, student_upper};

/// Statistic and two-sided p.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TwoSample {
    /// The test's statistic.
    pub statistic: f64,
    /// Degrees of freedom, where the test has them.
    pub freedom: f64,
    /// Two-sided p.
    pub p: f64,
}

#[allow(clippy::cast_precision_loss)]
pub(super) fn mean(values: &[f64]) -> f64 {
    values.iter().sum::<f64>() / values.len() as f64
}

#[allow(clippy::cast_precision_loss)]
pub(super) fn variance(values: &[f64]) -> f64 {
    let mean = mean(values);
    values.iter().map(|v| (v - mean) * (v - mean)).sum::<f64>() / (values.len() as f64 - 1.0)
}

/// Whether the means differ, with the interval of first less second.
///
/// # Source
/// Welch 1947, Biometrika 34:28; degrees of freedom by Satterthwaite 1946.
#[allow(clippy::cast_precision_loss)]
pub fn welch(first: &[f64], second: &[f64], confidence: f64) -> (TwoSample, (f64, f64)) {
    let (a, b) = (variance(first) / first.len() as f64, variance(second) / second.len() as f64);
    let difference = mean(first) - mean(second);
    let spread = (a + b).sqrt();
    let freedom =
        (a + b) * (a + b) / (a * a / (first.len() as f64 - 1.0) + b * b / (second.len() as f64 - 1.0));
    let statistic = difference / spread;
    let p = 2.0 * student_upper(statistic.abs(), freedom);
    let reach = student_quantile((1.0 - confidence) / 2.0, freedom) * spread;
    (TwoSample { statistic, freedom, p }, (difference - reach, difference + reach))
}

/// Ranks of the joined samples, ties shared, and the sum of t³ - t over ties.
#[allow(clippy::cast_precision_loss)]
fn ranks(values: &[f64]) -> (Vec<f64>, f64) {
    let mut order: Vec<usize> = (0..values.len()).collect();
    order.sort_by(|a, b| values[*a].total_cmp(&values[*b]));
    let mut ranks = vec![0.0; values.len()];
    let mut ties = 0.0;
    let mut from = 0;
    while from < order.len() {
        let mut to = from + 1;
        while to < order.len() && values[order[to]] == values[order[from]] {
            to += 1;
        }
        let shared = (from + to + 1) as f64 / 2.0;
        order[from..to].iter().for_each(|place| ranks[*place] = shared);
        let tied = (to - from) as f64;
        ties += tied * tied * tied - tied;
        from = to;
    }
    (ranks, ties)
}

/// Whether a value of the first sample is as likely below one of the second as above, spreads being free.
///
/// # Source
/// Brunner & Munzel 2000, Biometrical J. 42:17, with their t approximation.
#[allow(clippy::cast_precision_loss)]
pub fn brunner_munzel(first: &[f64], second: &[f64]) -> TwoSample {
    let joined: Vec<f64> = first.iter().chain(second).copied().collect();
    let (all, _) = ranks(&joined);
    let (own1, own2) = (ranks(first).0, ranks(second).0);
    let (n1, n2) = (first.len() as f64, second.len() as f64);
    let (all1, all2) = all.split_at(first.len());
    let (mean1, mean2) = (mean(all1), mean(all2));
    let scatter = |all: &[f64], own: &[f64], mean: f64, n: f64| {
        all.iter().zip(own).map(|(r, i)| (r - i - mean + (n + 1.0) / 2.0).powi(2)).sum::<f64>() / (n - 1.0)
    };
    let (s1, s2) = (scatter(all1, &own1, mean1, n1), scatter(all2, &own2, mean2, n2));
    let statistic = n1 * n2 * (mean2 - mean1) / ((n1 + n2) * (n1 * s1 + n2 * s2).sqrt());
    let freedom =
        (n1 * s1 + n2 * s2).powi(2) / ((n1 * s1).powi(2) / (n1 - 1.0) + (n2 * s2).powi(2) / (n2 - 1.0));
    TwoSample { statistic, freedom, p: 2.0 * student_upper(statistic.abs(), freedom) }
}

/// Joined samples in order, with the sample that each value came from.
struct Joined {
    value: Vec<f64>,
    own: Vec<bool>,
}

impl Joined {
    fn new(first: &[f64], second: &[f64]) -> Self {
        let own = first.iter().map(|v| (*v, true)).chain(second.iter().map(|v| (*v, false)));
        let mut joined: Vec<(f64, bool)> = own.collect();
        joined.sort_by(|a, b| a.0.total_cmp(&b.0));
        Self { value: joined.iter().map(|j| j.0).collect(), own: joined.iter().map(|j| j.1).collect() }
    }

    /// Energy distance in one pass over the sorted values: each value adds its distance to all before it.
    fn energy(&self) -> f64 {
        // Counts and sums of the values so far, of the second and the first sample.
        let (mut count, mut sum) = ([0.0f64; 2], [0.0f64; 2]);
        let (mut within, mut across) = ([0.0f64; 2], 0.0);
        for (value, own) in self.value.iter().zip(&self.own) {
            let (here, there) = (usize::from(*own), usize::from(!*own));
            within[here] += value * count[here] - sum[here];
            across += value * count[there] - sum[there];
            count[here] += 1.0;
            sum[here] += value;
        }
        let [m, n] = count;
        2.0 * across / (n * m) - 2.0 * within[1] / (n * n) - 2.0 * within[0] / (m * m)
    }
}

/// Energy distance: 2 E|X-Y| - E|X-X'| - E|Y-Y'|; zero only for equal distributions. It sees what means do not.
/// O(n log n).
///
/// # Source
/// Székely & Rizzo 2004, InterStat 5; 2013, J. Stat. Planning & Inference 143:1249.
pub fn energy_distance(first: &[f64], second: &[f64]) -> f64 {
    Joined::new(first, second).energy()
}

/// Most splits that are counted one by one.
const MOST_SPLITS: f64 = 200_000.0;
const SHUFFLES: u32 = 999;

/// Permutation p of the energy distance: all splits where there are few, else seeded shuffles.
#[allow(clippy::cast_precision_loss)]
pub fn energy_chance(first: &[f64], second: &[f64], seed: u64) -> f64 {
    let mut joined = Joined::new(first, second);
    let seen = joined.energy() * (1.0 - 1e-12);
    let (n, k) = (joined.value.len(), first.len());
    let splits: f64 = (0..k).map(|i| (n - i) as f64 / (k - i) as f64).product();
    if splits <= MOST_SPLITS {
        let mut chosen: Vec<usize> = (0..k).collect();
        let (mut reached, mut whole) = (0u32, 0u32);
        loop {
            joined.own.fill(false);
            chosen.iter().for_each(|place| joined.own[*place] = true);
            whole += 1;
            reached += u32::from(joined.energy() >= seen);
            // Next combination in order.
            let Some(place) = (0..k).rev().find(|place| chosen[*place] < n - k + place) else { break };
            chosen[place] += 1;
            (place + 1..k).for_each(|later| chosen[later] = chosen[later - 1] + 1);
        }
        return f64::from(reached) / f64::from(whole);
    }
    let mut random = Random::new(seed);
    let mut reached = 1u32;
    for _ in 0..SHUFFLES {
        random.shuffle(&mut joined.own);
        reached += u32::from(joined.energy() >= seen);
    }
    f64::from(reached) / f64::from(SHUFFLES + 1)
}
