//! Sequences at no steady beat, with simulated truth; the long runs are in `examples/selftest.rs`.

use straykey::analysis::Pattern;
use straykey::analysis::pattern::{Class, PatternOptions, find};
use straykey::analysis::random::Random;

use crate::simulate::{ORDERS, key, repeated, sequence, unordered};

fn found_in(points: Vec<(f64, usize)>, seconds: f64) -> Option<Pattern> {
    let found = find(&sequence(points, seconds), &PatternOptions::default());
    found.patterns.into_iter().find(|pattern| pattern.class == Class::Cycle)
}

fn is_motif(found: &Pattern, motif: &[usize]) -> bool {
    let mut wanted: Vec<_> = motif.iter().map(|index| key(*index)).collect();
    let keys: Vec<_> = found.motif.iter().filter_map(|event| event.symbol.key).collect();
    (0..wanted.len()).any(|_| {
        wanted.rotate_left(1);
        wanted == keys
    })
}

/// Three to eight keys, every time between them irregular, one foreign press in ten. Shares for other mixtures are in
/// `examples/selftest.md`: the search keeps false ones under one in a hundred first.
#[test]
fn a_sequence_at_no_steady_beat_is_found() {
    let mut random = Random::new(3_001);
    // Measured with other seeds: 95 % of three keys forty times, 91, 85, 75 % of five, six and eight twenty times.
    for (keys, repeats, least) in [(3, 40, 16), (5, 20, 14), (6, 20, 12), (8, 20, 9)] {
        let motif: Vec<usize> = (0..keys).collect();
        let right = (0..20)
            .filter(|_| {
                let (points, seconds) = repeated(&mut random, &motif, repeats, 0.1);
                let found = found_in(points, seconds);
                found.is_some_and(|found| {
                    assert!(found.period_s.is_none() && found.chance <= 0.01, "{found:?}");
                    is_motif(&found, &motif)
                })
            })
            .count();
        assert!(right >= least, "{keys} keys: {right} of 20");
    }
}

/// Seven keys round and round: the run of eight that begins and ends with the same key is the round and no more.
#[test]
fn a_round_is_told_once() {
    let mut random = Random::new(3_004);
    let motif: Vec<usize> = (0..7).collect();
    let right = (0..10)
        .filter(|_| {
            let (points, seconds) = repeated(&mut random, &motif, 20, 0.0);
            found_in(points, seconds).is_some_and(|found| is_motif(&found, &motif))
        })
        .count();
    assert!(right >= 8, "{right} of 10");
}

/// Keys in no order, in spells, in a walk among neighbours, in a chain: one in a hundred at most, and three standard
/// errors.
#[test]
fn keys_in_no_sequence_have_none() {
    let mut random = Random::new(3_002);
    for order in ORDERS {
        let runs = 100;
        let wrong = (0..runs)
            .filter(|_| {
                let presses = 60 + random.below(400);
                let (points, seconds) = unordered(&mut random, order, presses);
                found_in(points, seconds).is_some()
            })
            .count();
        assert!(wrong <= 1 + 3, "{order:?}: {wrong} of {runs}");
    }
}

/// Two keys that alternate tell nothing by their order alone: a key that follows itself is one press longer, no more.
#[test]
fn two_keys_in_turns_are_no_sequence() {
    let mut random = Random::new(3_003);
    let (points, seconds) = repeated(&mut random, &[0, 1], 100, 0.0);
    assert!(found_in(points, seconds).is_none());
}
