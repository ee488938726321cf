//! What the fit makes of simulated jobs with known truth; the long run is `examples/identifiability.rs`.

use super::simulation::{KINDS, coverage, run};

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
