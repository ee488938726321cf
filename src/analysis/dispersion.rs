//! Whether counts scatter as independent episodes would, and tests for when they do not.

use crate::analysis::random::Random;
use crate::analysis::special::{boundary, chi_square_upper, gamma_upper, ln_gamma, poisson_at_least};

/// Scatter of counts in equal bins of time.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Dispersion {
    /// Sum of squared deviations over the mean.
    pub statistic: f64,
    /// Degrees of freedom.
    pub freedom: f64,
    /// Chance of so much scatter or more among independent events.
    pub p: f64,
}

impl Dispersion {
    /// Variance to mean: one for independent events, more for bursts, less for a clock.
    pub fn index(&self) -> f64 {
        if self.freedom > 0.0 { self.statistic / self.freedom } else { 1.0 }
    }

    /// The rule for bursts: index over 1.5 and p below one in a hundred.
    pub fn is_bursty(&self) -> bool {
        self.index() > 1.5 && self.p < 0.01
    }
}

/// Index of dispersion of several groups of counts, each about its own mean.
///
/// # Source
/// Fisher 1950, Biometrics 6:17: D = Σ(x - mean)² / mean is chi-square with n - 1 degrees of freedom.
#[allow(clippy::cast_precision_loss)]
pub fn dispersion(groups: &[&[u64]]) -> Dispersion {
    let (mut statistic, mut freedom) = (0.0, 0.0);
    for group in groups.iter().filter(|group| group.iter().any(|count| *count > 0)) {
        let n = group.len() as f64;
        let mean = group.iter().sum::<u64>() as f64 / n;
        statistic += group.iter().map(|count| (*count as f64 - mean).powi(2) / mean).sum::<f64>();
        freedom += n - 1.0;
    }
    let p = if freedom > 0.0 { chi_square_upper(statistic, freedom) } else { 1.0 };
    Dispersion { statistic, freedom, p }
}

/// Which alternative a test looks for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Tail {
    /// The rates differ.
    Both,
    /// The first rate is lower.
    Less,
    /// The first rate is higher.
    Greater,
}

/// The E-test of two Poisson means: statistic and p. Not a headline: with unequal exposures its two tails are
/// lopsided, and being a plug-in it is no exact test.
///
/// # Source
/// Krishnamoorthy & Thomson 2004, J. Stat. Planning & Inference 119:23. The sum is cut where SciPy cuts it.
#[allow(clippy::cast_precision_loss)]
pub fn e_test(first: (u64, f64), second: (u64, f64), difference: f64, tail: Tail) -> (f64, f64) {
    let ((k1, n1), (k2, n2)) = (first, second);
    let statistic = |x1: f64, x2: f64| {
        let spread = (x1 / (n1 * n1) + x2 / (n2 * n2)).sqrt();
        (x1 / n1 - x2 / n2 - difference) / spread
    };
    let seen = statistic(k1 as f64, k2 as f64);
    let pooled = (k1 + k2) as f64 / (n1 + n2) - difference * n1 / (n1 + n2);
    if pooled <= 0.0 {
        return (0.0, 1.0);
    }
    let (mean1, mean2) = (n1 * (pooled + difference), n2 * pooled);
    let range1 = poisson_range(mean1);
    let range2: Vec<(f64, f64)> = poisson_range(mean2);
    let mut p = 0.0;
    for (x1, p1) in &range1 {
        for (x2, p2) in &range2 {
            let t = statistic(*x1, *x2);
            let counts = match tail {
                Tail::Both => t.abs() >= seen.abs(),
                Tail::Less => t <= seen,
                Tail::Greater => t >= seen,
            };
            if counts {
                p += p1 * p2;
            }
        }
    }
    (seen, p)
}

/// Counts that matter at this mean, with their chances.
#[allow(clippy::cast_precision_loss, clippy::cast_possible_truncation, clippy::cast_sign_loss)]
fn poisson_range(mean: f64) -> Vec<(f64, f64)> {
    let reach = 8.0 * mean.sqrt() + 30.0;
    let low = (mean - reach).max(0.0).floor() as u64;
    let high = (mean + reach).ceil() as u64;
    (low..=high)
        .filter(|k| gamma_upper(*k as f64 + 1.0, mean) > 1e-10 && poisson_at_least(*k, mean) > 1e-16)
        .map(|k| {
            let x = k as f64;
            (x, (x * mean.ln() - mean - ln_gamma(x + 1.0)).exp())
        })
        .collect()
}

/// Likelihood-ratio test of two groups of counts with negative-binomial scatter (variance m + a m²), equal
/// bins of time. Needs twenty bins a group to be trusted.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct NegativeBinomial {
    /// Log-likelihood with a mean for each group.
    pub apart: f64,
    /// Log-likelihood with one mean.
    pub together: f64,
    /// Scatter a with a mean for each group.
    pub scatter: f64,
    /// p of twice the difference as chi-square with one degree of freedom.
    pub p: f64,
}

/// See [`NegativeBinomial`].
///
/// # Source
/// Lawless 1987, Canadian J. Stat. 15:209 (NB2 regression); Cameron & Trivedi 2013, ch. 3.
pub fn negative_binomial(first: &[u64], second: &[u64]) -> NegativeBinomial {
    let whole: Vec<u64> = first.iter().chain(second).copied().collect();
    let (apart, scatter) = best_scatter(&[first, second]);
    let (together, _) = best_scatter(&[&whole]);
    let p = chi_square_upper(2.0 * (apart - together).max(0.0), 1.0);
    NegativeBinomial { apart, together, scatter, p }
}

/// Maximises over the scatter by golden section in its logarithm; the mean of a group is its average.
fn best_scatter(groups: &[&[u64]]) -> (f64, f64) {
    let likelihood = |ln_a: f64| groups.iter().map(|group| nb_likelihood(group, ln_a.exp())).sum::<f64>();
    let golden = 0.5 * (5f64.sqrt() - 1.0);
    let (mut low, mut high) = (-12.0, 7.0);
    while high - low > 1e-10 {
        let (a, b) = (high - golden * (high - low), low + golden * (high - low));
        if likelihood(a) > likelihood(b) {
            high = b;
        } else {
            low = a;
        }
    }
    (likelihood(low), low.exp())
}

#[allow(clippy::cast_precision_loss)]
fn nb_likelihood(group: &[u64], scatter: f64) -> f64 {
    let mean = group.iter().sum::<u64>() as f64 / group.len().max(1) as f64;
    if mean <= 0.0 {
        return 0.0;
    }
    let size = 1.0 / scatter;
    group
        .iter()
        .map(|count| {
            let k = *count as f64;
            ln_gamma(k + size) - ln_gamma(size) - ln_gamma(k + 1.0) - size * (scatter * mean).ln_1p()
                + k * (scatter * mean / (1.0 + scatter * mean)).ln()
        })
        .sum()
}

/// Permutation of equal bins of time between before and after: one-sided p of a fall and two-sided p.
///
/// Exact while the number of sums is small enough, by counting subsets; else 20 000 seeded shuffles, where the
/// seen order counts as one of them.
///
/// # Source
/// Fisher 1935, Design of Experiments; subset counting: Pagano & Tritchler 1983, JASA 78:435.
pub fn permutation(before: &[u64], after: &[u64], seed: u64) -> (f64, f64) {
    let all: Vec<u64> = before.iter().chain(after).copied().collect();
    let total: u64 = all.iter().sum();
    let work = (all.len() * before.len()) as u64 * (total + 1);
    if work <= 20_000_000 { exact(&all, before, total) } else { shuffled(all, before, seed) }
}

/// How far the first group's sum lies from what its share of the bins would give.
#[allow(clippy::cast_precision_loss)]
fn distance(sum: u64, total: u64, share: f64) -> f64 {
    sum as f64 - share * total as f64
}

#[allow(clippy::cast_precision_loss, clippy::cast_possible_truncation)]
fn exact(all: &[u64], before: &[u64], total: u64) -> (f64, f64) {
    let size = before.len();
    let width = total as usize + 1;
    // ways[taken][sum], kept as shares so that they stay in range: each value is divided by C(n, taken) at the end.
    let mut ways = vec![vec![0.0f64; width]; size + 1];
    ways[0][0] = 1.0;
    for count in all {
        let count = *count as usize;
        for taken in (1..=size).rev() {
            let (lower, upper) = ways.split_at_mut(taken);
            let (from, to) = (&lower[taken - 1], &mut upper[0]);
            for sum in (count..width).rev() {
                to[sum] += from[sum - count];
            }
        }
    }
    let row = &ways[size];
    let whole: f64 = row.iter().sum();
    let seen: u64 = before.iter().sum();
    let share = size as f64 / all.len() as f64;
    let off = distance(seen, total, share).abs();
    let fall: f64 = row.iter().skip(seen as usize).sum();
    let both: f64 = (0u64..)
        .zip(row)
        .filter(|(sum, _)| distance(*sum, total, share).abs() >= off - 1e-9)
        .map(|(_, ways)| ways)
        .sum();
    (fall / whole, both / whole)
}

const SHUFFLES: u32 = 20_000;

#[allow(clippy::cast_precision_loss)]
fn shuffled(mut all: Vec<u64>, before: &[u64], seed: u64) -> (f64, f64) {
    let total: u64 = all.iter().sum();
    let seen: u64 = before.iter().sum();
    let share = before.len() as f64 / all.len() as f64;
    let off = distance(seen, total, share).abs();
    let mut random = Random::new(seed);
    let (mut fall, mut both) = (1u32, 1u32);
    for _ in 0..SHUFFLES {
        random.shuffle(&mut all);
        let sum: u64 = all.iter().take(before.len()).sum();
        fall += u32::from(sum >= seen);
        both += u32::from(distance(sum, total, share).abs() >= off - 1e-9);
    }
    let whole = f64::from(SHUFFLES + 1);
    (f64::from(fall) / whole, f64::from(both) / whole)
}

/// Weibull shape of gaps by maximum likelihood: below one for long off-times, above one for a worn clock.
///
/// # Source
/// Cohen 1965, Technometrics 7:579: the root of Σ x^c ln x / Σ x^c - 1/c = mean ln x.
#[allow(clippy::cast_precision_loss)]
pub fn weibull(gaps: &[f64]) -> Option<(f64, f64)> {
    let gaps: Vec<f64> = gaps.iter().copied().filter(|gap| *gap > 0.0).collect();
    if gaps.len() < 2 || gaps.iter().all(|gap| *gap == gaps[0]) {
        return None;
    }
    let top = gaps.iter().copied().fold(0.0, f64::max);
    let n = gaps.len() as f64;
    let mean_ln = gaps.iter().map(|gap| (gap / top).ln()).sum::<f64>() / n;
    let sums = |c: f64| {
        gaps.iter().fold((0.0, 0.0), |(plain, weighted), gap| {
            let power = (gap / top).powf(c);
            (plain + power, weighted + power * (gap / top).ln())
        })
    };
    let shape = boundary(1e-3, 1e3, |c| {
        let (plain, weighted) = sums(c);
        weighted / plain - 1.0 / c < mean_ln
    });
    Some((shape, top * (sums(shape).0 / n).powf(1.0 / shape)))
}
