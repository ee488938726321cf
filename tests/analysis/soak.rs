use straykey::analysis::compare::{CompareOptions, Observation, Verdict, plan};
use straykey::analysis::random::Random;
use straykey::analysis::soak::Soak;
use straykey::base::{Nanoseconds, words};

use super::simulate::{poisson, press, sequence};

fn seconds(s: f64) -> Nanoseconds {
    Nanoseconds::from_seconds(s)
}

fn before(count: usize, length: f64) -> Observation {
    let points = (0..count).map(|i| ((0.1 + i as f64 * 0.618_034).fract() * length, 0)).collect();
    Observation::soak(sequence(points, length))
}

fn soak(before: &Observation) -> Soak {
    let mut soak = Soak::new(Some(before), &CompareOptions::default(), None);
    soak.tick_observed(Nanoseconds::ZERO);
    soak
}

#[test]
fn a_quiet_soak_stops_when_it_may_and_not_a_second_sooner() {
    let mut soak = soak(&before(12, 3600.0));
    let begun = soak.tick_observed(seconds(0.0));
    let (likely, certain) = (begun.soak_more_95_s.unwrap(), begun.soak_more_s.unwrap());
    assert!(300.0 < likely && likely < certain && certain < 3600.0, "{likely} {certain}");
    let early = soak.tick_observed(seconds(likely - 1.0));
    assert_eq!((early.verdict, early.hand_back, early.done), (Verdict::Undecided, false, false));
    assert!((early.soak_more_95_s.unwrap() - 1.0).abs() < 0.001);
    // Gone, but not yet to be handed back: the soak goes on.
    let gone = soak.tick_observed(seconds(likely + 0.001));
    assert_eq!((gone.verdict, gone.hand_back, gone.done), (Verdict::Gone, false, false));
    assert!(gone.quiet_anyway <= 0.05 && gone.quiet_anyway > 0.049, "{gone:?}");
    assert!(gone.notes.iter().any(|note| note.contains("For hand-back (1 %)")), "{:?}", gone.notes);
    let late = soak.tick_observed(seconds(certain + 0.001));
    assert_eq!((late.verdict, late.hand_back, late.done), (Verdict::Gone, true, true));
}

#[test]
fn the_first_stray_ends_a_clean_soak_for_good() {
    let mut soak = soak(&before(12, 3600.0));
    soak.push_observed(&press(100.0, 0));
    let state = soak.tick_observed(seconds(101.0));
    assert_eq!((state.strays, state.episodes, state.soak_more_s), (1, 1, None));
    soak.restart();
    let late = soak.tick_observed(seconds(100_000.0));
    assert_ne!(late.verdict, Verdict::Gone);
    assert_eq!(late.restarts, 1);
    assert!(late.notes.iter().any(|note| note.contains("restarted")), "{:?}", late.notes);
}

#[test]
fn an_earlier_soak_of_the_same_stage_counts() {
    let before = before(12, 3600.0);
    let mut fresh = soak(&before);
    fresh.resume(&Observation::soak(sequence(vec![(50.0, 0)], 60.0)));
    assert_ne!(
        fresh.tick_observed(seconds(7200.0)).verdict,
        Verdict::Gone,
        "the stray of the first try is not forgotten"
    );
    let mut quiet = soak(&before);
    quiet.resume(&Observation::soak(sequence(vec![], 1200.0)));
    assert!((quiet.tick_observed(seconds(600.0)).elapsed_s - 1800.0).abs() < 1e-6);
}

#[test]
fn a_baseline_says_how_much_quiet_a_repair_will_need() {
    let mut soak = Soak::new(None, &CompareOptions::default(), None);
    soak.tick_observed(Nanoseconds::ZERO);
    soak.push_observed(&press(100.0, 0));
    soak.push_observed(&press(400.0, 0));
    let state = soak.tick_observed(seconds(600.0));
    assert!(!state.done);
    // 10 min (0.05^(-1/2) - 1) = 34.72 min.
    assert!(state.notes.iter().any(|note| note.contains("34 min 43 s")), "{:?}", state.notes);
}

/// A capture that begins in the middle of a burst does not tell how often bursts begin.
#[test]
fn a_baseline_that_begins_stray_promises_nothing_yet() {
    let mut soak = Soak::new(None, &CompareOptions::default(), None);
    soak.tick_observed(Nanoseconds::ZERO);
    for i in 0..10 {
        soak.push_observed(&press(0.015 + 0.1 * f64::from(i), 0));
    }
    let state = soak.tick_observed(seconds(1.0));
    assert_eq!((state.episodes, state.done), (1, false));
    assert!(!state.notes.iter().any(|note| note.contains("95 %")), "{:?}", state.notes);
    soak.push_observed(&press(600.0, 0));
    let state = soak.tick_observed(seconds(601.0));
    assert!(state.notes.iter().any(|note| note.contains("95 %")), "{:?}", state.notes);
}

/// Quiet that is no longer than the fault's own longest pause proves nothing, however many episodes came after it; what the
/// running baseline forecasts is what the soak after it will ask for.
#[test]
fn a_baseline_forecasts_what_the_soak_will_ask_for() {
    let mut soak = Soak::new(None, &CompareOptions::default(), None);
    soak.tick_observed(Nanoseconds::ZERO);
    for i in 0..8 {
        soak.push_observed(&press(1000.0 + 10.0 * f64::from(i), 0));
    }
    let state = soak.tick_observed(seconds(1080.0));
    // By the count alone 95 % would need 1080 s (0.05^(-1/8) - 1) = 8 min 11 s; the first pause was 1000 s.
    assert!(state.notes.iter().any(|note| note.contains("95 % will need 16 min 40 s")), "{:?}", state.notes);
    let mut random = Random::new(8);
    for mean in [20.0, 60.0, 200.0] {
        let points = poisson(&mut random, 1.0 / mean, 3600.0, &[0]);
        let mut soak = Soak::new(None, &CompareOptions::default(), None);
        soak.tick_observed(Nanoseconds::ZERO);
        points.iter().for_each(|(t, index)| soak.push_observed(&press(*t, *index)));
        let state = soak.tick_observed(seconds(3600.0));
        let options = CompareOptions { episode_gap: Some(Nanoseconds::SECOND), ..CompareOptions::default() };
        let asked = plan(&Observation::soak(sequence(points, 3600.0)), &options);
        let note = &state.notes[0];
        // The live soak takes an episode to end with its press, the plan with its release 60 ms later.
        let likely_s = asked.likely_s.unwrap();
        let said = |off: f64| note.contains(&words::duration(likely_s + off));
        assert!([-1.0, 0.0, 1.0].into_iter().any(said), "{note} {likely_s}");
    }
}

/// An unrepaired source at one a minute, the clock restarted after every stray, as long as the technician has
/// patience (four hours): a quiet run of three minutes comes every 19 minutes, but the stage is never "gone".
#[test]
fn restarting_the_clock_does_not_make_an_unrepaired_set_gone() {
    let mut random = Random::new(7);
    for _ in 0..50 {
        let baseline = poisson(&mut random, 1.0 / 60.0, 3600.0, &[0]);
        let before = Observation::soak(sequence(baseline, 3600.0));
        let mut soak = soak(&before);
        let events = poisson(&mut random, 1.0 / 60.0, 14_400.0, &[0]);
        let first = events.first().map_or(14_400.0, |event| event.0);
        let likely = soak.tick_observed(seconds(0.0)).soak_more_95_s.unwrap();
        for (t, index) in events {
            let state = soak.tick_observed(seconds(t - 0.001));
            assert!(state.verdict != Verdict::Gone || first > likely, "{state:?}");
            if state.done {
                break;
            }
            soak.push_observed(&press(t, index));
            soak.restart();
        }
    }
}

#[test]
fn fewer_strays_are_called_reduced_by_evidence_that_survives_looking() {
    let mut soak = soak(&before(60, 3600.0));
    soak.push_observed(&press(1800.0, 0));
    let state = soak.tick_observed(seconds(3600.0));
    assert_eq!(state.verdict, Verdict::Reduced);
}

/// A faulty set that is left on for months: every stray counts, and only the last ones are kept.
#[test]
fn strays_without_end_are_counted_and_not_kept() {
    let mut soak = Soak::new(None, &CompareOptions::default(), None);
    soak.tick_observed(Nanoseconds::ZERO);
    for i in 0..20_000 {
        soak.push_observed(&press(10.0 * f64::from(i), 0));
    }
    let state = soak.tick_observed(seconds(200_000.0));
    assert_eq!((state.strays, state.episodes), (20_000, 20_000));
    let mut all = sequence((0..100u32).map(|i| (f64::from(i), i as usize % 2)).collect(), 200.0);
    assert_eq!((all.forget(10), all.len(), all.forget(10)), (90, 10, 0));
    assert_eq!(all.occurrences().first().unwrap().t, seconds(90.0));
    assert_eq!(all.of_segment(0).len(), 10);
    assert_eq!(all.exposure(), seconds(200.0));
}
