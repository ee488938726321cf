//! Sequences that come again and again at no steady beat: one key, another, a third, in this order, whatever the time
//! between them and whatever comes in between the repeats.
//!
//! Presses of one symbol on end are one token. The tokens in their order are searched for the run of two to eight that
//! comes oftenest beside what its symbols' shares would give, and what nearly always comes before and after it is added;
//! the same search over permuted tokens tells how often chance does as well. Tokens are permuted only
//! among four neighbours of one burst, and never so that two of a kind come to lie side by side: what comes from bursts,
//! from keys that stay, or from keys that are active for a while, is there in the permuted orders too.
//!
//! A sequence of eight that is played on end and begins and ends with the same key is told as a round of seven.

use crate::analysis::episode::learn_gap;
use crate::analysis::pattern::field::Field;
use crate::analysis::pattern::order::order;
use crate::analysis::pattern::token::{LONGEST, PERMUTED, Sequence, Token, collect_between, permute, tokens};
use crate::analysis::random::Random;

/// Tokens that enter the search; of more, three segments of them.
const TOKENS: usize = 1500;
/// Neighbouring tokens that are permuted among each other: few, so that keys active for a short while stay together.
const WINDOW: usize = 4;
const BETTER: f64 = 1.35;
/// Fewest repeats.
const FEWEST: usize = 5;
/// Of the times that it began (with its first two, or its first where it is two long), it must have gone on to its end
/// in this share, and hold this share of the tokens of its symbols: a walk among neighbouring keys does not. Rules of
/// our own, checked by simulation.
const COMPLETE: f64 = 0.6;
const COVERED: f64 = 0.4;
/// These shares are so much less for each key beyond three.
const LONGER: f64 = 0.9;
/// Each key must nearly always call the next one, or the whole must come oftener by so many bits than the pairs in it
/// make it: keys that only prefer some neighbours come in no sequence. Rules of our own, checked by simulation.
const CALLED: f64 = 0.75;
const BEYOND_PAIRS: f64 = 20.0;
/// Symbols told apart, the rest lumped.
const OTHER: u8 = u8::MAX;

/// The best sequence among the free presses, if chance does not do as well and it has `shortest` keys at least.
pub(super) fn sequence(field: &Field<'_>, seed: u64, shortest: usize) -> Option<Sequence> {
    let tokens = sample(field);
    let names = names(&tokens);
    let ids: Vec<u8> = tokens
        .iter()
        .map(|token| names.iter().position(|name| *name == token.symbol))
        .map(|place| place.and_then(|place| u8::try_from(place).ok()).unwrap_or(OTHER))
        .collect();
    let round = order(field, &tokens, &names, &ids).filter(|found| found.symbols.len() >= shortest);
    let run = unbroken(field, &tokens, &names, &ids, seed, shortest);
    // Foreign presses hide part of a run; a round has no key twice.
    [run, round].into_iter().flatten().max_by_key(|found| found.taken.len())
}

/// The sequence that comes whole often enough.
fn unbroken(
    field: &Field<'_>,
    tokens: &[Token],
    names: &[u32],
    ids: &[u8],
    seed: u64,
    shortest: usize,
) -> Option<Sequence> {
    let search = Search::new(ids, tokens);
    let (score, found) = search.best(ids)?;
    let motif = root(&search.whole(ids, found), ids);
    if motif.len() < shortest || !holds(ids, tokens, &motif) {
        return None;
    }
    let mut random = Random::new(seed);
    let windows = windows(field, tokens);
    for _ in 0..PERMUTED {
        let permuted = permute(ids, &windows, &mut random);
        if search.best(&permuted).is_some_and(|(other, _)| BETTER * other >= score) {
            return None;
        }
    }
    let symbols: Vec<u32> = motif.iter().filter_map(|id| names.get(usize::from(*id)).copied()).collect();
    Some(Sequence { chance: 1.0 / f64::from(PERMUTED + 1), ..collect_between(field, symbols, 0) })
}

/// All tokens, or of many those of three segments, each as a capture of its own.
fn sample(field: &Field<'_>) -> Vec<Token> {
    let mut all = Vec::new();
    tokens(field, 0, |token| {
        all.push(token);
        all.len() <= TOKENS
    });
    if all.len() <= TOKENS {
        return all;
    }
    let mut some: Vec<Token> = Vec::with_capacity(TOKENS);
    for (part, segment) in (0..3).zip(0u32..) {
        let from = field.presses.len() / 3 * part;
        let end = some.len() + TOKENS / 3;
        tokens(field, from, |token| {
            some.push(Token { segment: token.segment.wrapping_mul(3).wrapping_add(segment), ..token });
            some.len() < end
        });
    }
    some
}

/// The symbols, the busiest first, as many as are told apart.
fn names(tokens: &[Token]) -> Vec<u32> {
    let mut symbols: Vec<u32> = tokens.iter().map(|token| token.symbol).collect();
    symbols.sort_unstable();
    let mut counted: Vec<(usize, u32)> = Vec::new();
    for symbol in symbols {
        match counted.last_mut().filter(|last| last.1 == symbol) {
            Some(last) => last.0 += 1,
            None => counted.push((1, symbol)),
        }
    }
    counted.sort_by_key(|(count, symbol)| (std::cmp::Reverse(*count), *symbol));
    counted.truncate(usize::from(OTHER));
    counted.into_iter().map(|(_, symbol)| symbol).collect()
}

/// Segments of tokens that may change places: so many of one burst; as ends.
fn windows(field: &Field<'_>, tokens: &[Token]) -> Vec<usize> {
    let gap = |a: &Token, b: &Token| {
        let (a, b) = (&field.presses[a.last as usize], &field.presses[b.first as usize]);
        (b.t - a.end).seconds().max(0.0)
    };
    let inside: Vec<f64> = tokens
        .windows(2)
        .filter(|pair| pair[0].segment == pair[1].segment)
        .map(|pair| gap(&pair[0], &pair[1]))
        .collect();
    let pause = learn_gap(&inside).map_or(f64::INFINITY, |mixture| mixture.threshold);
    let mut ends = Vec::new();
    let mut from = 0;
    for (place, pair) in (1..).zip(tokens.windows(2)) {
        let apart = pair[0].segment != pair[1].segment || gap(&pair[0], &pair[1]) > pause;
        if apart || place - from >= WINDOW {
            ends.push(place);
            from = place;
        }
    }
    ends.push(tokens.len());
    ends
}

/// What the search needs to know of the tokens, whatever their order.
struct Search {
    /// Share of the tokens, by number of the symbol.
    shares: Vec<f64>,
    /// For each token, how many of its capture follow it, itself counted.
    left: Vec<usize>,
}

impl Search {
    #[allow(clippy::cast_precision_loss)]
    fn new(ids: &[u8], tokens: &[Token]) -> Self {
        let mut shares = vec![0.0; 256];
        ids.iter().for_each(|id| shares[usize::from(*id)] += 1.0 / ids.len() as f64);
        let mut left = vec![1; ids.len()];
        for place in (1..tokens.len()).rev() {
            if tokens[place - 1].segment == tokens[place].segment {
                left[place - 1] = left[place] + 1;
            }
        }
        Self { shares, left }
    }

    /// Chance of this run by the shares alone, no symbol following itself.
    fn expected(&self, run: &[u8]) -> f64 {
        let mut chance = 1.0;
        let mut before = 0.0;
        for id in run {
            let share = self.shares[usize::from(*id)];
            chance *= (share / (1.0 - before)).min(1.0);
            before = share.min(1.0 - 1e-9);
        }
        chance
    }

    /// The run that comes oftenest beside its chance: bits and symbols.
    #[allow(clippy::cast_precision_loss, clippy::cast_possible_truncation)]
    fn best(&self, ids: &[u8]) -> Option<(f64, Vec<u8>)> {
        let mut best: Option<(f64, u64, usize)> = None;
        let mut runs: Vec<u64> = Vec::with_capacity(ids.len());
        for length in 2..=LONGEST {
            runs.clear();
            for (place, run) in ids.windows(length).enumerate() {
                if self.left[place] >= length && !run.contains(&OTHER) {
                    runs.push(run.iter().fold(0, |key, id| key << 8 | u64::from(*id)));
                }
            }
            runs.sort_unstable();
            for same in runs.chunk_by(|a, b| a == b).filter(|same| same.len() >= FEWEST) {
                let bytes = same[0].to_be_bytes();
                let count = same.len() as f64;
                let expected = runs.len() as f64 * self.expected(&bytes[LONGEST - length..]);
                if count > expected {
                    let score =
                        count * (count / expected).log2() - (count - expected) * std::f64::consts::LOG2_E;
                    if best.is_none_or(|(most, _, _)| score > most) {
                        best = Some((score, same[0], length));
                    }
                }
            }
        }
        best.map(|(score, key, length)| (score, key.to_be_bytes()[LONGEST - length..].to_vec()))
    }

    /// The run with what nearly always comes before and after it: foreign presses make a part of a sequence come oftener
    /// than the whole.
    #[allow(clippy::cast_precision_loss)]
    fn whole(&self, ids: &[u8], mut run: Vec<u8>) -> Vec<u8> {
        let next = |run: &[u8], after: bool| {
            let mut counts = [0usize; 256];
            let mut all = 0u32;
            for (place, window) in ids.windows(run.len() + 1).enumerate() {
                let (own, other) =
                    if after { (&window[..run.len()], window[run.len()]) } else { (&window[1..], window[0]) };
                if own == run && self.left[place] > run.len() {
                    counts[usize::from(other)] += 1;
                    all += 1;
                }
            }
            let (id, most) =
                (0..OTHER).map(|id| (id, counts[usize::from(id)])).max_by_key(|(_, count)| *count)?;
            (most >= FEWEST && most as f64 >= COMPLETE * f64::from(all)).then_some(id)
        };
        while run.len() < LONGEST {
            if let Some(id) = next(&run, true) {
                run.push(id);
            } else if let Some(id) = next(&run, false) {
                run.insert(0, id);
            } else {
                break;
            }
        }
        run
    }
}

/// ABCABCAB is ABC, and so is ABCA where B mostly follows; a sequence may begin and end with the same key otherwise.
fn root(run: &[u8], ids: &[u8]) -> Vec<u8> {
    let turns = |length: &usize| run.iter().zip(run.iter().skip(*length)).all(|(a, b)| a == b);
    let goes_on = |length: &usize| {
        let followers = || ids.windows(run.len() + 1).filter(|window| window.starts_with(run));
        let next = run.get(run.len() % length);
        2 * length <= run.len() + 1
            || 2 * followers().filter(|w| w.last() == next).count() >= followers().count()
    };
    let length = (2..run.len()).find(|length| turns(length) && goes_on(length));
    run.get(..length.unwrap_or(run.len())).unwrap_or(run).to_vec()
}

/// Whether the motif goes on to its end when it has begun, and makes up much of its symbols.
#[allow(clippy::cast_precision_loss)]
fn holds(ids: &[u8], tokens: &[Token], motif: &[u8]) -> bool {
    let head = &motif[..(motif.len() - 1).min(2)];
    let same = |from: usize, to: usize| tokens[from].segment == tokens[to].segment;
    let (mut begun, mut whole, mut place) = (0usize, 0usize, 0usize);
    while let Some(rest) = ids.get(place..).filter(|rest| !rest.is_empty()) {
        begun += usize::from(rest.starts_with(head));
        if rest.starts_with(motif) && same(place, place + motif.len() - 1) {
            whole += 1;
            place += motif.len();
        } else {
            place += 1;
        }
    }
    let own = ids.iter().filter(|id| motif.contains(id)).count();
    // Two keys that take turns come in this order as often as in the other.
    let turned = ids.windows(2).filter(|pair| pair[0] == motif[1] && pair[1] == motif[0]).count();
    if motif.len() == 2 && 2 * turned > whole {
        return false;
    }
    let (mut least, mut expected) = (1.0f64, f64::NAN);
    for pair in motif.windows(2) {
        let (mut from, mut both) = (0.0, 0.0);
        for (place, _) in
            ids.windows(2).enumerate().filter(|(place, two)| two[0] == pair[0] && same(*place, place + 1))
        {
            from += 1.0;
            both += f64::from(u8::from(ids[place + 1] == pair[1]));
        }
        let share = if from > 0.0 { both / from } else { 0.0 };
        least = least.min(share);
        expected = if expected.is_nan() { both } else { expected * share };
    }
    let count = whole as f64;
    let beyond = count * (count / expected).log2() - (count - expected) * std::f64::consts::LOG2_E;
    if least < CALLED && (count <= expected || beyond < BEYOND_PAIRS) {
        return false;
    }
    // A foreign press breaks a long one oftener.
    let longer = LONGER.powi(i32::try_from(motif.len()).unwrap_or(8) - 3);
    whole >= FEWEST
        && count >= COMPLETE * longer * begun as f64
        && (whole * motif.len()) as f64 >= COVERED * longer * own as f64
}
