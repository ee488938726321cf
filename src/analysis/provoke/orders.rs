//! The orders that the numbers could have stood in: all of them where they are few, else a seeded draw.

use crate::analysis::random::Random;

/// At most this many orders are listed, which holds fifteen pairs; beyond that they are drawn.
pub(crate) const LISTED: usize = 32_768;
/// This many are drawn, the one that was carried out among them.
pub(crate) const DRAWN: usize = 5_000;

/// Orders of `width` numbers in each of some rounds. The first one is what was carried out.
pub(crate) struct Orders {
    permutations: Vec<Vec<u8>>,
    rounds: u32,
    drawn: Option<(Random, usize)>,
}

impl Orders {
    /// All orders of this many rounds, or `draws` of them where they are more than `listed`.
    pub(crate) fn new(width: usize, rounds: usize, listed: usize, draws: usize, seed: u64) -> Self {
        let mut permutations = vec![Vec::new()];
        for next in 0..u8::try_from(width).unwrap_or(u8::MAX) {
            let longer = |place: usize| {
                permutations.iter().map(move |short: &Vec<u8>| {
                    let mut long = short.clone();
                    long.insert(place, next);
                    long
                })
            };
            // The last place first, so that the order carried out stays in front.
            permutations = (0..=usize::from(next)).rev().flat_map(longer).collect();
        }
        let rounds = u32::try_from(rounds).unwrap_or(u32::MAX);
        let all = permutations.len().checked_pow(rounds).is_some_and(|all| all <= listed);
        Self { permutations, rounds, drawn: (!all).then(|| (Random::new(seed), draws)) }
    }

    /// How many.
    pub(crate) fn count(&self) -> usize {
        self.drawn.as_ref().map_or_else(|| self.permutations.len().pow(self.rounds), |(_, draws)| *draws)
    }

    /// For each order the permutation of this round: label `i` gets the number of `permutation[i]`. Rounds are
    /// asked for in turn, each once; what is drawn for a round does not depend on how many follow.
    pub(crate) fn round(&mut self, round: usize) -> Vec<&[u8]> {
        let kinds = self.permutations.len();
        let picks: Vec<usize> = match &mut self.drawn {
            Some((random, draws)) => {
                (0..*draws).map(|order| if order == 0 { 0 } else { random.below(kinds) }).collect()
            }
            None => {
                let step = kinds.pow(u32::try_from(round).unwrap_or(u32::MAX));
                (0..kinds.pow(self.rounds)).map(|order| order / step % kinds).collect()
            }
        };
        picks.into_iter().map(|pick| self.permutations[pick].as_slice()).collect()
    }
}

/// For each round one or zero for each order: whether a pair is the other way round there. The first order is as it was.
pub(crate) fn swaps(rounds: usize, seed: u64) -> Vec<Vec<f64>> {
    let mut orders = Orders::new(2, rounds, LISTED, DRAWN, seed);
    (0..rounds).map(|round| orders.round(round).iter().map(|order| f64::from(order[0])).collect()).collect()
}

/// For each order the sum of the values of those rounds that are swapped in it.
pub(crate) fn swapped(swaps: &[Vec<f64>], values: &[f64]) -> Vec<f64> {
    let mut sums = vec![0.0; swaps.first().map_or(1, Vec::len)];
    for (swaps, value) in swaps.iter().zip(values) {
        for (sum, swap) in sums.iter_mut().zip(swaps) {
            *sum += swap * value;
        }
    }
    sums
}
