//! What the fit makes of simulated jobs with known truth, drawn with its own model; jobs of another simulator, through the
//! decoder, are `examples/place`.

use crate::simulation::{KINDS, coverage, run, sound};

/// Of sound ladders one in a hundred may be told of a fault; the numbers of readings are those of one press and of three
/// presses that are held, the noise that of a quiet and of a poor supply.
#[test]
fn sound_ladders_are_not_told_of_a_fault() {
    for (tolerance, count, noise) in [(0.0, 20, 1.0), (0.05, 20, 6.0), (0.05, 3, 1.0)] {
        let leaders = sound(60, 3, tolerance, count, noise);
        let told: usize = leaders.iter().filter(|(model, _)| *model != "healthy").map(|(_, n)| n).sum();
        // 1 % of 60 in each of three rows: four or more in a row come once in 300 runs of a seed.
        assert!(told < 4, "{tolerance} {count} {noise}: {leaders:?}");
    }
}

#[test]
fn intervals_hold_the_truth_and_the_place_is_among_the_first_two() {
    let trials = run(60, 1);
    let (share, intervals) = coverage(trials.iter());
    // 95 % of about 66: the binomial standard deviation is 2.7 %; three of them below.
    assert!(intervals >= 60 && share >= 0.87, "{share} of {intervals}");
    let among = trials.iter().filter(|t| t.is_place(t.first) || t.is_place(t.second)).count();
    assert!(among * 10 >= trials.len() * 8, "{among} of {}", trials.len());
    // The true model leads, alone or among those that no reading parts from it.
    let found = trials.iter().filter(|t| t.model_found).count();
    assert!(found * 10 >= trials.len() * 7, "{found} of {}", trials.len());
    assert!(KINDS.len() * 6 == trials.len());
}
