//! Excursions of a line, the same blocks before and after a repair, and why a round does not count.

use straykey::analysis::level::Excursions;
use straykey::analysis::provoke::{Before, fewer};
use straykey::base::Nanoseconds;
use straykey::timeline::job::Spoiled;

fn at(second: i64) -> Nanoseconds {
    Nanoseconds::from_millis(1000 * second)
}

fn rested(readings: impl Iterator<Item = u32>) -> Excursions {
    let mut found = Excursions::default();
    readings.for_each(|counts| found.push(Nanoseconds::ZERO, counts, true));
    found
}

#[test]
fn one_begins_beyond_the_band_and_ends_within_half_of_it() {
    // All equal: spread 0.5, so the band reaches 3 counts, and half of that is 1.5.
    let mut found = rested((0..200).map(|_| 1000));
    for (second, counts) in [(1, 997), (2, 996), (3, 998), (4, 996), (5, 999), (6, 996), (7, 1004)] {
        found.push(at(second), counts, true);
    }
    // 996 at 2 s; 998 is no end of it; 999 is; 996 at 6 s is the next, which 1004 goes on with.
    assert_eq!(found.begun(), [at(2), at(6)]);
}

#[test]
fn the_band_is_as_wide_as_the_noise_asks_for() {
    // Half of them 2 below, half 2 above: median deviation 2, spread 2.97, band 17.8 counts.
    let mut found = rested((0..200).map(|i| if i % 2 == 0 { 998 } else { 1002 }));
    found.push(at(1), 983, true);
    assert!(found.begun().is_empty());
    found.push(at(2), 982, true);
    assert_eq!(found.begun(), [at(2)]);
}

#[test]
fn what_became_a_press_is_a_stray_and_the_first_readings_make_the_band() {
    let mut found = rested((0..199).map(|_| 1000));
    // A key is no reading at rest: the band is not made yet.
    found.push(at(1), 700, false);
    found.push(at(2), 1000, true);
    found.push(at(3), 700, false);
    found.press(false);
    found.push(at(4), 700, false);
    found.push(at(5), 1000, true);
    found.push(at(6), 980, true);
    assert_eq!(found.begun(), [at(6)]);
}

#[test]
fn agrees_with_counting_by_hand() {
    // Of the 6 picks of two from 3, 1, 0, 1 those of sum 0 or 1: {0, 1} twice. Sum of now is 1.
    assert!((fewer(&[3, 1], &[0, 1]) - 2.0 / 6.0).abs() < 1e-12);
    // Seven blocks that each had some, and seven without: one pick of 3432.
    assert!((fewer(&[2, 1, 5, 1, 1, 3, 9], &[0; 7]) - 1.0 / 3432.0).abs() < 1e-12);
    // One burst in one block is one block, however many it holds: half of all picks leave it out.
    assert!((fewer(&[0, 0, 40, 0], &[0; 4]) - 0.5).abs() < 1e-12);
    assert_eq!(fewer(&[0, 0], &[0, 0]), 1.0);
    assert!((fewer(&[0, 0], &[4, 4]) - 1.0).abs() < 1e-12);
}

#[test]
fn many_blocks_do_not_overflow() {
    // A pick of 200 of 400 that are all equal is never fewer.
    assert!((fewer(&[1; 200], &[1; 200]) - 1.0).abs() < 1e-9);
    assert!(fewer(&[1; 200], &[0; 200]) < 1e-100);
}

/// Blocks of 20 s with events at these seconds.
fn before(blocks: &[&[i64]]) -> Before {
    let times: Vec<Vec<Nanoseconds>> =
        blocks.iter().map(|block| block.iter().map(|second| at(*second)).collect()).collect();
    Before::of(&times, at(20))
}

#[test]
fn the_quiet_that_is_needed_is_the_least_that_does() {
    // Every twenty seconds one: picking says 1/36 for two quiet blocks and 1/120 for three.
    let steady = before(&[&[5], &[6], &[5], &[4], &[5], &[6], &[5]]);
    assert!(steady.chance(&[0; 2]) >= 1.0 / 36.0);
    let needed = steady.quiet_blocks(0.01).unwrap();
    assert!((3..=7).contains(&needed), "{needed}");
    assert!(steady.chance(&vec![0; needed]) <= 0.01 && steady.chance(&vec![0; needed - 1]) > 0.01);
    // Where something comes, picking alone tells.
    assert_eq!(steady.chance(&[1, 0, 0]), fewer(&[1; 7], &[1, 0, 0]));
    assert_eq!(before(&[&[], &[]]).quiet_blocks(0.01), None);
}

/// As many events, evenly and with pauses from a second to minutes: what was quiet for long by itself needs a longer quiet.
#[test]
fn long_pauses_before_ask_for_more_quiet_now() {
    let even: Vec<&[i64]> = vec![&[3, 10, 17]; 12];
    let uneven: Vec<&[i64]> = vec![
        &[1, 2, 3, 4, 6, 8, 11, 12, 15, 19],
        &[2, 3, 7],
        &[],
        &[],
        &[18, 19],
        &[1, 2, 3, 5, 6, 8, 9, 12, 15, 17],
        &[],
        &[],
        &[],
        &[11],
        &[4, 6, 7, 9, 12, 14, 16, 18, 19],
        &[2],
    ];
    let quiet = |blocks: &[&[i64]]| before(blocks).quiet_blocks(0.01).unwrap_or(usize::MAX);
    assert!(quiet(&uneven) > 2 * quiet(&even), "{} {}", quiet(&uneven), quiet(&even));
}

/// The step log holds words: those of old logs must come back as they were, whatever they are.
#[test]
fn a_reason_is_its_words_in_json() {
    for (why, words) in [
        (Spoiled::HandsMoved, "\"hands moved\""),
        (Spoiled::PortGone, "\"the port was gone\""),
        (Spoiled::Paused, "\"paused\""),
        (Spoiled::Other("cat".to_owned()), "\"cat\""),
    ] {
        assert_eq!(serde_json::to_string(&why).unwrap(), words);
        assert_eq!(serde_json::from_str::<Spoiled>(words).unwrap(), why);
    }
}
