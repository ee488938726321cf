//! Sequences with foreign presses between their keys: seldom seen whole, yet each key is nearly always followed by the
//! next, at once or after what is foreign.
//!
//! The order of the busiest keys is the round in which most is followed by what comes next. It counts only where the keys
//! resume: after a foreign press comes the key that was due. Keys that only prefer some neighbours do not resume, since
//! what comes next hangs on the press just before.

use crate::analysis::pattern::sequence::{PERMUTED, Sequence, Token, collect_between, permute};
use crate::analysis::random::Random;
use crate::analysis::special::binomial_at_least;

use crate::analysis::pattern::field::Field;

/// Keys of a round.
const MOST: usize = 8;
const FEWEST: usize = 4;
/// Worth of a follower at once, after one press, and after two.
const WORTH: [f64; 3] = [1.0, 0.5, 0.25];
/// Foreign presses between two keys that a sequence bears.
pub(super) const BETWEEN: usize = 3;
/// Of the keys that a foreign press parted from the next, this share at least must resume; keys that are active for a
/// while, three at a time, come back by chance in a third. Rules of our own, checked by simulation.
const RESUMES: f64 = 0.45;
const BY_CHANCE: f64 = 1.0 / 3.0;
const CHANCE: f64 = 0.15;
/// Permuted trains must be worse by this factor, beside the resuming.
const BETTER: f64 = 1.05;
/// Fewest repeats, by the mean number of followers.
const REPEATS: f64 = 3.0;

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
    fn round(&self) -> (f64, Vec<u8>) {
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
        let score = closed(&last);
        let mut order = Vec::with_capacity(n);
        let mut at = last;
        for _ in 0..n {
            order.push(u8::try_from(at).unwrap_or_default());
            let earlier = usize::from(before[set][at]);
            set &= !(1 << at);
            at = earlier;
        }
        order.reverse();
        (score, order)
    }
}

/// How often a key parted from the next by one foreign press resumed, of how often it was parted.
fn resumed(ids: &[u8], left: &[usize], order: &[u8]) -> (u64, u64) {
    let next = |id: u8| {
        let place = order.iter().position(|key| *key == id)?;
        order.get((place + 1) % order.len()).copied()
    };
    let (mut resumed, mut parted) = (0, 0);
    for (place, three) in ids.windows(3).enumerate().filter(|(place, _)| left[*place] >= 3) {
        let Some(due) = next(three[0]) else { continue };
        // A press that is due itself after the one before is not known to be foreign.
        let own = place.checked_sub(1).and_then(|before| next(ids[before])) == Some(three[0]);
        if own && three[1] != due {
            parted += 1;
            resumed += u64::from(three[2] == due);
        }
    }
    (resumed, parted)
}

/// The sequence, if there is one that permuted orders do not hold as well.
#[allow(clippy::cast_precision_loss)]
pub(super) fn order(
    field: &Field<'_>,
    tokens: &[Token],
    names: &[u32],
    ids: &[u8],
    ends: &[usize],
    seed: u64,
) -> Option<Sequence> {
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
    let (score, order) = Follows::of(ids, &left, keys).round();
    let (again, parted) = resumed(ids, &left, &order);
    let enough = score / keys as f64 >= REPEATS
        && again as f64 >= RESUMES * parted as f64
        && binomial_at_least(again, parted, BY_CHANCE) <= CHANCE;
    if !enough {
        return None;
    }
    let mut random = Random::new(seed);
    for _ in 0..PERMUTED {
        let permuted = permute(ids, ends, &mut random);
        if BETTER * Follows::of(&permuted, &left, keys).round().0 >= score {
            return None;
        }
    }
    let symbols: Vec<u32> = order.iter().filter_map(|id| names.get(usize::from(*id)).copied()).collect();
    Some(Sequence { chance: 1.0 / f64::from(PERMUTED + 1), ..collect_between(field, symbols, BETWEEN) })
}
