//! The events as tokens: runs of one key, what they are permuted into, and where a sequence of them is met.

use crate::analysis::pattern::field::{FREE, Field};
use crate::analysis::random::Random;

/// A sequence and where it was seen.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Sequence {
    /// Its symbols in order, two to eight.
    pub(crate) symbols: Vec<u32>,
    /// Median seconds of each after the first.
    pub(crate) offsets: Vec<f64>,
    /// How often it was seen whole.
    pub(crate) count: u64,
    /// The presses that belong to it.
    pub(crate) taken: Vec<u32>,
    /// Chance at most that as good a sequence comes where there is none.
    pub(crate) chance: f64,
}

/// Presses of one symbol on end.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Token {
    pub(crate) symbol: u32,
    pub(crate) first: u32,
    pub(crate) last: u32,
    pub(crate) segment: u32,
}

/// Longest sequence.
pub(crate) const LONGEST: usize = 8;

/// Permuted orders; a sequence counts when it tells this much more than the best of them: a rule of our own, since no
/// permutation keeps all that is not a sequence.
pub(crate) const PERMUTED: u32 = 499;

/// Exchanges tried for each token.
pub(crate) const EXCHANGES: usize = 6;

/// Joins the free presses from `from` on into tokens, and gives each to `take` until that says enough.
pub(crate) fn tokens(field: &Field<'_>, from: usize, mut take: impl FnMut(Token) -> bool) {
    let mut current: Option<Token> = None;
    for (place, press) in field.presses.iter().enumerate().skip(from) {
        if field.state.get(place) != Some(&FREE) {
            continue;
        }
        let Ok(index) = u32::try_from(place) else { return };
        match current.as_mut().filter(|t| t.symbol == press.symbol && t.segment == press.segment) {
            Some(token) => token.last = index,
            None => {
                let next = Token { symbol: press.symbol, first: index, last: index, segment: press.segment };
                if current.replace(next).is_some_and(|token| !take(token)) {
                    return;
                }
            }
        }
    }
    if let Some(token) = current {
        take(token);
    }
}

/// Permutes the tokens: pairs of one window change places, wherever no two of a kind come side by side by it. Every
/// arrangement without such pairs is equally likely in the long run, since each exchange is as likely as its reverse.
pub(crate) fn permute(ids: &[u8], ends: &[usize], random: &mut Random) -> Vec<u8> {
    let mut permuted = ids.to_vec();
    let mut from = 0;
    for end in ends {
        let length = end - from;
        for _ in 0..if length > 1 { EXCHANGES * length } else { 0 } {
            let (a, b) = (from + random.below(length), from + random.below(length));
            permuted.swap(a, b);
            let meets = |place: usize| {
                let before = place.checked_sub(1).and_then(|before| permuted.get(before));
                before == permuted.get(place) || permuted.get(place + 1) == permuted.get(place)
            };
            if meets(a) || meets(b) {
                permuted.swap(a, b);
            }
        }
        from = *end;
    }
    permuted
}

/// Every place in all the events where the sequence was seen, with so many foreign tokens between its keys at most.
pub(crate) fn collect_between(field: &Field<'_>, symbols: Vec<u32>, between: usize) -> Sequence {
    let mut reached: Vec<Token> = Vec::with_capacity(LONGEST);
    let mut offsets: Vec<Vec<f64>> = vec![Vec::new(); symbols.len()];
    let (mut taken, mut count, mut foreign) = (Vec::new(), 0, 0);
    tokens(field, 0, |token| {
        let apart = reached.last().is_some_and(|last| last.segment != token.segment);
        let due = symbols.get(reached.len()) == Some(&token.symbol);
        if apart || !due && foreign >= between {
            reached.clear();
        }
        if symbols.get(reached.len()) == Some(&token.symbol) {
            reached.push(token);
            foreign = 0;
        } else if !reached.is_empty() {
            foreign += 1;
        }
        if reached.len() == symbols.len() {
            count += 1;
            let start = field.seconds(reached[0].first as usize);
            for (offsets, token) in offsets.iter_mut().zip(&reached) {
                offsets.push(field.seconds(token.first as usize) - start);
                taken.extend((token.first..=token.last).filter(|i| field.state[*i as usize] == FREE));
            }
            reached.clear();
        }
        true
    });
    let median = |offsets: &mut Vec<f64>| {
        offsets.sort_unstable_by(f64::total_cmp);
        crate::analysis::special::quantile(offsets, 0.5)
    };
    Sequence { symbols, offsets: offsets.iter_mut().map(median).collect(), count, taken, chance: 1.0 }
}
