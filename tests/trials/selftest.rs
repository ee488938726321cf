//! Moderate self-test of the statistics; the long one is `examples/selftest.rs`. Simulated truth, seeds fixed;
//! each limit is the promise plus three standard errors at this number of runs.

use straykey::analysis::compare::{CompareOptions, Observation, Verdict, compare};
use straykey::analysis::pattern::{Class, PatternOptions, find};
use straykey::analysis::random::Random;
use straykey::analysis::soak::Soak;
use straykey::base::Nanoseconds;

use crate::simulate::{TRUTHS, Truth, press, sequence, strays};

fn observed(random: &mut Random, truth: Truth, mean: f64, seconds: f64) -> Observation {
    Observation::soak(sequence(strays(random, truth, mean, seconds), seconds))
}

/// An unrepaired set, looked at just before its first stray and just after it: whether it is called gone, and ready for
/// hand-back.
fn is_falsely_gone(random: &mut Random, truth: Truth) -> (bool, bool) {
    let (before, mean) = loop {
        let mean = 20.0 * 30f64.powf(random.unit());
        let warm = if truth == Truth::Thermal { 720.0 } else { 0.0 };
        let seconds = (mean * (4.0 + 26.0 * random.unit())).max(900.0) + warm;
        let before = observed(random, truth, mean, seconds);
        if before.sequence.len() >= 3 {
            break (before, mean);
        }
    };
    let mut soak = Soak::new(Some(&before), &CompareOptions::default(), None);
    let state = soak.tick_observed(Nanoseconds::ZERO);
    // Where quiet proves nothing, it proves nothing after a day either.
    let needed = state.soak_more_s.or(state.soak_more_95_s).unwrap_or(86_400.0);
    let first = strays(random, truth, mean, needed + 1.0).into_iter().find(|point| point.0 >= 0.0);
    let Some((t, key)) = first else {
        let late = soak.tick_observed(Nanoseconds::from_seconds(needed + 0.01));
        return (late.verdict == Verdict::Gone, late.hand_back);
    };
    let early = soak.tick_observed(Nanoseconds::from_seconds(t - 0.001));
    soak.push_observed(&press(t, key));
    let late = soak.tick_observed(Nanoseconds::from_seconds(t + 0.001));
    assert!(late.verdict != Verdict::Gone && !late.hand_back, "{late:?}");
    (early.verdict == Verdict::Gone, early.hand_back)
}

/// One in twenty is called gone, one in a hundred ready for hand-back, for each truth; gaps without a scale of their own
/// (Weibull of shape 1/2) included.
#[test]
fn an_unrepaired_set_is_seldom_called_gone() {
    let mut random = Random::new(71);
    for truth in TRUTHS {
        let runs = 250;
        let found: Vec<(bool, bool)> = (0..runs).map(|_| is_falsely_gone(&mut random, truth)).collect();
        let gone = found.iter().filter(|found| found.0).count();
        let back = found.iter().filter(|found| found.1).count();
        for (count, limit) in [(gone, 0.05), (back, 0.01)] {
            let most = runs as f64 * limit + 3.0 * (runs as f64 * limit).sqrt();
            assert!((count as f64) <= most, "{truth:?}: {count} of {runs} at {limit}");
        }
    }
}

/// Two looks at an unchanged set: at most one in twenty is called changed, and the interval holds one in 95 of 100.
#[test]
fn an_unchanged_set_is_seldom_called_changed() {
    let mut random = Random::new(72);
    for truth in TRUTHS {
        let runs = 150;
        let mut called = 0;
        for _ in 0..runs {
            let mean = 20.0 * 10f64.powf(random.unit());
            let seconds = (mean * (5.0 + 20.0 * random.unit())).max(1800.0);
            let [one, two] = [0, 1].map(|_| observed(&mut random, truth, mean, seconds));
            let found = compare(&one, &two, &CompareOptions::default());
            let changed = matches!(found.figures.verdict, Verdict::Reduced | Verdict::Worse | Verdict::Gone);
            called += usize::from(changed || found.figures.ratio_low > 1.0 || found.figures.ratio_high < 1.0);
        }
        let most = 0.05 * runs as f64 + 3.0 * (0.05 * 0.95 * runs as f64).sqrt();
        assert!((called as f64) <= most, "{truth:?}: {called} of {runs}");
    }
}

/// A fourfold fall in forty episodes is seen nearly always: power, not only caution.
#[test]
fn a_fourfold_fall_is_seen() {
    let mut random = Random::new(73);
    for truth in [Truth::Poisson, Truth::Bursty] {
        let seen = (0..60)
            .filter(|_| {
                let before = observed(&mut random, truth, 90.0, 3600.0);
                let after = observed(&mut random, truth, 360.0, 3600.0);
                compare(&before, &after, &CompareOptions::default()).figures.verdict == Verdict::Reduced
            })
            .count();
        assert!(seen >= 50, "{truth:?}: {seen} of 60");
    }
}

/// No beat in sequences without one; bursts are bursts.
#[test]
fn trains_without_a_beat_have_no_pattern_with_one() {
    let mut random = Random::new(74);
    for truth in TRUTHS {
        let mut wrong = 0;
        for _ in 0..60 {
            let seen = observed(&mut random, truth, 40.0, 3600.0);
            let found = find(&seen.sequence, &PatternOptions::default());
            let beat = |class| matches!(class, Class::Steady | Class::Cycle | Class::Locked);
            wrong += usize::from(found.patterns.iter().any(|pattern| beat(pattern.class)));
        }
        assert!(wrong <= 2, "{truth:?}: {wrong} of 60");
    }
}
