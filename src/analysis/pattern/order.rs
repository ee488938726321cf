//! Sequences with foreign presses between their keys: seldom seen whole, yet each key is nearly always followed by the
//! next, at once or after what is foreign.
//!
//! The order of the busiest keys is the round in which most is followed by what comes next, mended key by key. It counts
//! where the tokens cost fewer bits as this round than as a chain in which each hangs on the one before: after a foreign
//! press the key that was due still comes, while keys that only prefer some neighbours go on from the foreign one.

use crate::analysis::pattern::field::Field;
use crate::analysis::pattern::token::{Sequence, Token, collect_between};

/// Keys of a round.
const MOST: usize = 8;
const FEWEST: usize = 4;
/// Worth of a follower at once, after one press, and after two.
const WORTH: [f64; 3] = [1.0, 0.5, 0.25];
/// Foreign presses between two keys that a sequence bears.
pub(super) const BETWEEN: usize = 3;
/// Bits that a round must save: at 7, as elsewhere, chains of preferences pass for rounds in 6 of 1000 (`examples/judge`).
const SAVES: f64 = 10.0;
/// Fewest times that it is seen whole.
const WHOLE: u64 = 2;
/// Shares of foreign tokens that are tried.
const FOREIGN: [f64; 6] = [0.02, 0.1, 0.2, 0.3, 0.4, 0.5];
/// Of foreign tokens, those after which the round goes on from them.
const LOST: f64 = 0.1;

/// What follows what among the busiest keys.
struct Follows {
    keys: usize,
    worth: [[f64; MOST]; MOST],
}

impl Follows {
    fn of(ids: &[u8], left: &[usize], keys: usize) -> Self {
        let mut worth = [[0.0; MOST]; MOST];
        for (place, from) in ids.iter().enumerate() {
            for (ahead, value) in (1..).zip(WORTH) {
                let Some(to) = ids.get(place + ahead).filter(|_| left[place] > ahead) else { break };
                let (from, to) = (usize::from(*from), usize::from(*to));
                if from < keys && to < keys && from != to {
                    worth[from][to] += value;
                }
            }
        }
        Self { keys, worth }
    }

    /// The round through all keys that is worth most.
    ///
    /// # Source
    /// Held & Karp 1962, J. SIAM 10:196 (the best round by subsets).
    fn round(&self) -> Vec<u8> {
        let n = self.keys;
        let whole = 1usize << n;
        // Best path from key 0 through a set to a last key, and the key before that.
        let mut best = vec![[f64::NEG_INFINITY; MOST]; whole];
        let mut before = vec![[0u8; MOST]; whole];
        best[1][0] = 0.0;
        for set in 1..whole {
            for last in 0..n {
                let here = best[set][last];
                if here == f64::NEG_INFINITY {
                    continue;
                }
                for next in (1..n).filter(|next| set & (1 << next) == 0) {
                    let (to, value) = (set | 1 << next, here + self.worth[last][next]);
                    if value > best[to][next] {
                        best[to][next] = value;
                        before[to][next] = u8::try_from(last).unwrap_or_default();
                    }
                }
            }
        }
        let mut set = whole - 1;
        let closed = |last: &usize| best[set][*last] + self.worth[*last][0];
        let last = (1..n).max_by(|a, b| closed(a).total_cmp(&closed(b))).unwrap_or_default();
        let mut order = Vec::with_capacity(n);
        let mut at = last;
        for _ in 0..n {
            order.push(u8::try_from(at).unwrap_or_default());
            let earlier = usize::from(before[set][at]);
            set &= !(1 << at);
            at = earlier;
        }
        order.reverse();
        order
    }
}

/// Tokens as the codes see them: numbers of the busiest keys, the rest as one; `None` where a capture begins.
fn letters(ids: &[u8], left: &[usize], keys: usize) -> Vec<Option<usize>> {
    let mut letters = Vec::with_capacity(ids.len());
    for (place, id) in ids.iter().enumerate() {
        if place > 0 && left[place - 1] == 1 {
            letters.push(None);
        }
        letters.push(Some(usize::from(*id).min(keys)));
    }
    letters
}

/// Bits of the tokens when each hangs on the one before, and how is learned as they come.
///
/// # Source
/// Krichevsky & Trofimov 1981, IEEE Trans. IT 27:199 (half a count of each to begin with).
fn chained(letters: &[Option<usize>], keys: usize) -> f64 {
    let mut counts = [[0.5; MOST + 1]; MOST + 1];
    let mut bits = 0.0;
    for pair in letters.windows(2) {
        let &[Some(from), Some(to)] = pair else { continue };
        if from != to {
            let all: f64 = (0..=keys).filter(|other| *other != from).map(|other| counts[from][other]).sum();
            bits -= f64::log2(counts[from][to] / all);
            counts[from][to] += 1.0;
        }
    }
    bits
}

/// Bits of the tokens when each is the key due in this round or, in this share, foreign; after a foreign one the same key
/// is due, or seldom the one that follows the foreign one. Summed over all places in the round where it may stand.
#[allow(clippy::cast_precision_loss)]
fn in_turn(letters: &[Option<usize>], order: &[u8], foreign: f64) -> f64 {
    let keys = order.len();
    let mut place = [keys; MOST + 1];
    order.iter().enumerate().for_each(|(at, key)| place[usize::from(*key)] = at);
    let mut stands = [0.0; MOST];
    let (mut bits, mut before) = (0.0, None);
    for letter in letters {
        let (Some(to), Some(from)) = (letter, before) else {
            // Whichever key opens a capture, the next is due.
            stands = [1.0 / keys as f64; MOST];
            if let Some(at) = letter.map(|to| place[to]).filter(|at| *at < keys) {
                stands = [LOST / keys as f64; MOST];
                stands[at] += 1.0 - LOST;
            }
            before = *letter;
            continue;
        };
        before = *letter;
        if *to == from {
            continue;
        }
        let other = foreign / keys as f64;
        let mut next = stands.map(|chance| chance * other * (1.0 - LOST));
        if let Some(here) = next.get_mut(place[*to]).filter(|_| place[*to] < keys) {
            *here += stands[(place[*to] + keys - 1) % keys] * (1.0 - foreign) + other * LOST;
        }
        let all: f64 = next[..keys].iter().sum();
        bits -= all.log2();
        stands = next.map(|chance| chance / all);
    }
    bits
}

/// The share of foreign tokens for which the round costs least, and its bits.
fn cheapest(letters: &[Option<usize>], order: &[u8]) -> f64 {
    FOREIGN.iter().map(|share| in_turn(letters, order, *share)).fold(f64::INFINITY, f64::min)
}

/// The order with single keys moved as long as the round costs less by it.
fn mended(letters: &[Option<usize>], mut order: Vec<u8>) -> (f64, Vec<u8>) {
    let mut least = cheapest(letters, &order);
    loop {
        let before = least;
        let keys = order.len();
        for (from, to) in (0..keys).flat_map(|from| (0..keys).map(move |to| (from, to))) {
            let mut moved = order.clone();
            let key = moved.remove(from);
            moved.insert(to, key);
            let bits = cheapest(letters, &moved);
            if bits < least {
                (least, order) = (bits, moved);
            }
        }
        if least >= before {
            return (least, order);
        }
    }
}

/// The sequence, if its tokens cost less as this round than as a chain.
#[allow(clippy::cast_precision_loss)]
pub(super) fn order(field: &Field<'_>, tokens: &[Token], names: &[u32], ids: &[u8]) -> Option<Sequence> {
    let mut left = vec![1; ids.len()];
    for place in (1..tokens.len()).rev() {
        if tokens[place - 1].segment == tokens[place].segment {
            left[place - 1] = left[place] + 1;
        }
    }
    // Keys that come less than half as often as the busiest belong to no round of all.
    let count = |id: usize| ids.iter().filter(|other| usize::from(**other) == id).count();
    let most = count(0);
    let keys = (0..names.len().min(MOST)).take_while(|id| 2 * count(*id) >= most).count();
    if keys < FEWEST {
        return None;
    }
    let letters = letters(ids, &left, keys);
    let (bits, order) = mended(&letters, Follows::of(ids, &left, keys).round());
    // What it costs to say which of the (n - 1)! rounds and which share.
    let rounds: f64 = (1..keys).map(|n| (n as f64).log2()).sum();
    let gain = chained(&letters, keys) - bits - rounds - (FOREIGN.len() as f64).log2();
    if gain < SAVES {
        return None;
    }
    let symbols: Vec<u32> = order.iter().filter_map(|id| names.get(usize::from(*id)).copied()).collect();
    let found = collect_between(field, symbols, BETWEEN);
    (found.count >= WHOLE).then(|| Sequence { chance: (-gain).exp2(), ..found })
}
