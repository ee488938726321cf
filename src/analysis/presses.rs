//! Misread presses of one key before and after a step, compared exactly, and how many prompts would show it.

use crate::analysis::special::{binomial_at_least, ln_gamma};

/// Prompts of one key, and how many of them another key or none answered.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Prompts {
    /// Prompts that were given.
    pub given: u32,
    /// Of these, misread or unanswered.
    pub misread: u32,
}

/// Which way the shares of misread presses may differ.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Change {
    /// Fewer after than before.
    Fewer,
    /// More after than before.
    More,
}

/// Points of the common share at which the chance is taken before the best is refined.
const POINTS: u32 = 512;

/// Boschloo's exact unconditional test: the largest chance, over all shares that both sides may have in common, of a
/// table at least as telling by Fisher's conditional p. Never weaker than Fisher's test, and never over its level.
///
/// # Source
/// Boschloo 1970, Statistica Neerlandica 24:1; Mehrotra, Chan & Berger 2003, Biometrics 59:441 (its power beside others).
pub fn boschloo(before: Prompts, after: Prompts, change: Change) -> f64 {
    let (more, fewer) = match change {
        Change::Fewer => (before, after),
        Change::More => (after, before),
    };
    let table = Tables::new(more.given, fewer.given);
    let seen = table.fisher(more.misread.min(more.given), fewer.misread.min(fewer.given));
    table.largest(seen)
}

/// The smallest number of prompts after the step, all of them read right, that shows fewer misread presses at `level`;
/// `None` if no number up to a thousand does.
pub fn prompts_needed(before: Prompts, level: f64) -> Option<u32> {
    if before.misread == 0 {
        return None;
    }
    let shows = |given: u32| boschloo(before, Prompts { given, misread: 0 }, Change::Fewer) <= level;
    let mut high = 1;
    while !shows(high) {
        high *= 2;
        if high > 1000 {
            return None;
        }
    }
    // More right answers never weaken it.
    let mut low = high / 2;
    while high - low > 1 {
        let middle = u32::midpoint(low, high);
        if shows(middle) { high = middle } else { low = middle }
    }
    Some(high)
}

/// Chance that so many prompts on each side show a fall from one share of misread presses to another at `level`.
pub fn power(given: u32, before: f64, after: f64, level: f64) -> f64 {
    let table = Tables::new(given, given);
    let mut chance = 0.0;
    for first in 0..=given {
        // Fewer misread after tell more: from the first that tells not, none does.
        for second in 0..=given {
            if table.largest(table.fisher(first, second)) > level {
                break;
            }
            chance += binomial(first, given, before) * binomial(second, given, after);
        }
    }
    chance
}

/// Fewest prompts a key, before and after each, that show such a fall with `wanted` power; up to 60.
pub fn prompts_for_power(before: f64, after: f64, level: f64, wanted: f64) -> Option<u32> {
    (1..=60).find(|given| power(*given, before, after, level) >= wanted)
}

/// All tables of two rows of given sizes.
struct Tables {
    first: u32,
    second: u32,
    /// Fisher's p by table, rows of the second count.
    p: Vec<f64>,
}

impl Tables {
    fn new(first: u32, second: u32) -> Self {
        let mut table = Self { first, second, p: Vec::new() };
        table.p = (0..=first)
            .flat_map(|a| (0..=second).map(move |b| (a, b)))
            .map(|(a, b)| fisher(a, first, b, second))
            .collect();
        table
    }

    fn fisher(&self, first: u32, second: u32) -> f64 {
        self.p.get(first as usize * (self.second as usize + 1) + second as usize).copied().unwrap_or(1.0)
    }

    /// Largest chance over the common share of a Fisher p no larger than this.
    fn largest(&self, seen: f64) -> f64 {
        // Of each first count, those second counts tell that are not above a limit.
        let limit = seen * (1.0 + 1e-9);
        let told: Vec<Option<u32>> = (0..=self.first)
            .map(|a| (0..=self.second).take_while(|b| self.fisher(a, *b) <= limit).last())
            .collect();
        let chance = |share: f64| -> f64 {
            let below =
                |most: u32| 1.0 - binomial_at_least(u64::from(most) + 1, u64::from(self.second), share);
            (0..=self.first)
                .zip(&told)
                .filter_map(|(a, most)| Some(binomial(a, self.first, share) * below((*most)?)))
                .sum()
        };
        let at = |i: u32| f64::from(i) / f64::from(POINTS);
        let best = (1..POINTS)
            .map(|i| (chance(at(i)), i))
            .fold((0.0, 1), |best, next| if next.0 > best.0 { next } else { best });
        let golden = 0.5 * (5f64.sqrt() - 1.0);
        let (mut low, mut high) = (at(best.1 - 1), at(best.1 + 1));
        while high - low > 1e-9 {
            let (a, b) = (high - golden * (high - low), low + golden * (high - low));
            if chance(a) > chance(b) { high = b } else { low = a }
        }
        chance(0.5 * (low + high)).max(best.0).min(1.0)
    }
}

/// One-sided conditional p: the first row holds `a` or more of the `a + b`.
///
/// # Source
/// Fisher 1935, J. Royal Stat. Soc. 98:39 (hypergeometric).
fn fisher(a: u32, first: u32, b: u32, second: u32) -> f64 {
    let whole = a + b;
    let most = first.min(whole);
    (a..=most)
        .map(|x| choose(first, x) + choose(second, whole - x) - choose(first + second, whole))
        .map(f64::exp)
        .sum::<f64>()
        .min(1.0)
}

/// Logarithm of the number of ways; minus infinity where there is none.
fn choose(n: u32, k: u32) -> f64 {
    if k > n {
        return f64::NEG_INFINITY;
    }
    ln_gamma(f64::from(n) + 1.0) - ln_gamma(f64::from(k) + 1.0) - ln_gamma(f64::from(n - k) + 1.0)
}

fn binomial(k: u32, n: u32, p: f64) -> f64 {
    let part = |count: u32, chance: f64| if count == 0 { 0.0 } else { f64::from(count) * chance.ln() };
    (choose(n, k) + part(k, p) + part(n - k, 1.0 - p)).exp()
}
