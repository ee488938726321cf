//! A fault that needs warmth: quiet counts from switching on, as the set's own messages tell. Simulated truth, seeds
//! fixed: nothing comes before the set has been on for twelve minutes, then a stray a minute and a half on average.

use straykey::analysis::EventSequence;
use straykey::analysis::compare::{CompareOptions, Observation, Verdict, compare, plan};
use straykey::analysis::power::{OnTime, Origin};
use straykey::analysis::random::Random;
use straykey::analysis::soak::Soak;
use straykey::base::{ControlPath, Event, EventKind, Nanoseconds, Span};

use super::simulate::press;

const ONSET: f64 = 720.0;
const MEAN: f64 = 90.0;

fn seconds(s: f64) -> Nanoseconds {
    Nanoseconds::from_seconds(s)
}

fn system(s: f64, kind: EventKind, value: Option<&str>) -> Event {
    let mut event = Event::new(seconds(s), ControlPath::System, kind);
    event.value = value.map(Into::into);
    event
}

fn boot(s: f64) -> Event {
    system(s, EventKind::Boot, None)
}

/// Strays of a set that was switched on at `on`, until `end`.
fn thermal(random: &mut Random, on: f64, end: f64) -> Vec<Event> {
    let mut events = Vec::new();
    let mut t = on + ONSET + MEAN * random.exponential();
    while t < end {
        events.push(press(t, 0));
        t += MEAN * random.exponential();
    }
    events
}

fn observation(events: &[Event], from: f64, to: f64) -> Observation {
    let mut sequence = EventSequence::new();
    events.iter().for_each(|event| sequence.push(event));
    sequence.observe(Span { start: seconds(from), end: seconds(to) });
    Observation::soak(sequence)
}

/// The set as received, switched on at the start of the capture.
fn from_cold(random: &mut Random) -> Observation {
    let mut events = vec![boot(0.0)];
    events.extend(thermal(random, 0.0, 2700.0));
    observation(&events, 0.0, 2700.0)
}

/// The repair does nothing. The technician restarts the set again and again, never on for twelve minutes.
#[test]
fn restarts_and_short_soaks_never_prove_a_thermal_fault_gone() {
    let mut random = Random::new(1_201);
    for _ in 0..40 {
        let before = from_cold(&mut random);
        let mut soak = Soak::new(Some(&before), &CompareOptions::default(), None);
        let mut after = Vec::new();
        let mut t = 0.0;
        while t < 5.0 * 3600.0 {
            after.push(boot(t));
            soak.push_observed(&boot(t));
            t += ONSET * (0.3 + 0.69 * random.unit());
            let state = soak.tick_observed(seconds(t - 0.01));
            assert_eq!(state.verdict, Verdict::Undecided, "{state:?}");
            assert!(state.soak_more_s.is_none_or(|more| more > 0.0));
        }
        let found = compare(&before, &observation(&after, 0.0, t), &CompareOptions::default());
        assert_eq!(found.figures.verdict, Verdict::Undecided, "{found:?}");
        assert!(found.notes.iter().any(|note| note.contains("after switching on")), "{:?}", found.notes);
    }
}

/// Runs a soak from switching on, unrepaired, until it could be handed back or the first stray: whether it is called gone,
/// and ready for hand-back.
fn is_called_gone(random: &mut Random, before: &Observation) -> (bool, bool) {
    let mut soak = Soak::new(Some(before), &CompareOptions::default(), None);
    soak.push_observed(&boot(0.0));
    let begun = soak.tick_observed(Nanoseconds::ZERO);
    let end = begun.soak_more_s.or(begun.soak_more_95_s).unwrap_or(7200.0) + 1.0;
    let first = thermal(random, 0.0, end).first().map_or(end, |event| event.t.seconds() - 0.001);
    let state = soak.tick_observed(seconds(first));
    (state.verdict == Verdict::Gone, state.hand_back)
}

/// At most one in twenty is called gone and one in a hundred ready for hand-back, and three standard errors.
fn seldom(found: &[(bool, bool)]) {
    let gone = found.iter().filter(|found| found.0).count() as f64;
    let back = found.iter().filter(|found| found.1).count() as f64;
    for (count, limit) in [(gone, 0.05), (back, 0.01)] {
        let most = limit * found.len() as f64;
        assert!(count <= most + 3.0 * most.sqrt(), "{count} of {} at {limit}", found.len());
    }
}

/// The baseline was taken on a warm set, the soak on one that was just switched on.
#[test]
fn a_warm_baseline_and_a_cold_soak_prove_nothing_early() {
    let mut random = Random::new(1_202);
    let found: Vec<(bool, bool)> = (0..400)
        .map(|_| {
            let events = thermal(&mut random, -ONSET, 1500.0);
            let before = observation(&events, 0.0, 1500.0);
            if before.sequence.len() < 3 { (false, false) } else { is_called_gone(&mut random, &before) }
        })
        .collect();
    seldom(&found);
}

/// The same with the switch-on seen on both sides.
#[test]
fn a_cold_baseline_and_a_cold_soak_ask_for_the_onset_and_no_half_hour() {
    let mut random = Random::new(1_203);
    let found: Vec<(bool, bool)> = (0..300)
        .map(|_| {
            let before = from_cold(&mut random);
            is_called_gone(&mut random, &before)
        })
        .collect();
    seldom(&found);
}

#[test]
fn age_counts_from_switching_on_and_a_warm_restart_does_not_make_the_set_cold() {
    // Off for a thousand seconds of the capture, then on; restarted at 1600 s; the first stray at 1750 s.
    let mut events = vec![boot(1000.0), boot(1600.0)];
    events.extend((0..10).map(|i| press(1750.0 + 20.0 * f64::from(i), 0)));
    let seen = plan(&observation(&events, 0.0, 2000.0), &CompareOptions::default());
    assert!(seen.switch_on_seen && seen.warms_up, "{seen:?}");
    assert_eq!(seen.onset_s, 750.0);
    // Without messages the start of the capture is all there is.
    events.drain(..2);
    let unseen = plan(&observation(&events, 0.0, 2000.0), &CompareOptions::default());
    assert_eq!((unseen.switch_on_seen, unseen.onset_s), (false, 1750.0));
}

#[test]
fn standby_is_no_quiet() {
    let even: Vec<Event> = (0..12).map(|i| press(f64::from(100 + 290 * i), 0)).collect();
    let before = observation(&even, 0.0, 3600.0);
    let needed = 3600.0 * (0.01f64.powf(-1.0 / 12.0) - 1.0);
    let events = [
        system(10.0, EventKind::Standby, Some("standby")),
        system(10.0 + needed, EventKind::Standby, Some("on")),
    ];
    let after = observation(&events, 0.0, needed + 30.0);
    let on = OnTime::of(&after.sequence);
    assert!((on.asleep_s - needed).abs() < 1e-6);
    assert_eq!(on.intervals.iter().map(|s| s.origin).collect::<Vec<_>>(), [Origin::Found, Origin::Cold]);
    let found = compare(&before, &after, &CompareOptions::default());
    assert_eq!(found.figures.verdict, Verdict::Undecided);
    assert!((found.after.observed_s - 30.0).abs() < 1e-6);
    let mut soak = Soak::new(Some(&before), &CompareOptions::default(), None);
    soak.tick_observed(Nanoseconds::ZERO);
    events.iter().for_each(|event| soak.push_observed(event));
    let state = soak.tick_observed(seconds(needed + 30.0));
    assert_eq!((state.verdict, state.done), (Verdict::Undecided, false));
    assert!((state.observed_s - 30.0).abs() < 1e-6);
}

/// The switch-on lies in another capture of the same stage: the set is no warmer for that.
#[test]
fn a_cold_start_in_an_earlier_capture_of_the_stage_counts() {
    let mut random = Random::new(1_205);
    let events = thermal(&mut random, -ONSET, 2700.0);
    let before = observation(&events, 0.0, 2700.0);
    let mut sequence = EventSequence::new();
    sequence.push(&boot(0.0));
    sequence.observe(Span { start: seconds(0.0), end: seconds(20.0) });
    sequence.observe(Span { start: seconds(0.0), end: seconds(ONSET - 60.0) });
    let after = Observation::soak(sequence);
    let found = compare(&before, &after, &CompareOptions::default());
    assert_eq!(found.figures.verdict, Verdict::Undecided, "{found:?}");
}

/// The set prints how long it has been on. Watched from two minutes on, with strays all the time, it is asked for two minutes
/// after a cold start; of unknown age it may have been warm, and is asked for half an hour.
#[test]
fn quiet_counts_from_the_age_on_from_which_the_set_was_watched() {
    let strays: Vec<Event> =
        (0..40).map(|i| press(5.0 + 37.0 * f64::from(i) + f64::from(i % 7), 0)).collect();
    let before = |age: Option<f64>| {
        let mut sequence = EventSequence::new();
        strays.iter().for_each(|event| sequence.push(event));
        sequence.observe(Span { start: seconds(0.0), end: seconds(1500.0) });
        sequence.aged(age.map(seconds));
        Observation::soak(sequence)
    };
    let gone = |age: Option<f64>, quiet: f64| {
        let after = observation(&[boot(0.0)], 0.0, quiet);
        compare(&before(age), &after, &CompareOptions::default()).figures.verdict == Verdict::Gone
    };
    let needed = plan(&before(None), &CompareOptions::default()).likely_s.unwrap();
    assert!(needed < 400.0, "{needed}");
    for age in [0.0, 120.0, 600.0] {
        assert!(gone(Some(age), age + needed + 1.0) && !gone(Some(age), age + needed - 1.0), "{age}");
    }
    assert!(!gone(None, 1790.0) && !gone(Some(7200.0), 1790.0));
    assert!(gone(None, 1801.0 + needed));
    // Found on after the step, and younger than it was watched before.
    let mut sequence = EventSequence::new();
    sequence.observe(Span { start: seconds(0.0), end: seconds(needed + 10.0) });
    sequence.aged(Some(seconds(20.0)));
    let after = Observation::soak(sequence);
    let verdict = |age| compare(&before(Some(age)), &after, &CompareOptions::default()).figures.verdict;
    assert_eq!((verdict(20.0), verdict(120.0)), (Verdict::Gone, Verdict::Undecided));
}

/// A box on HDMI needs no warmth: its quiet counts from the first second, the set being switched on or not.
#[test]
fn only_a_keypad_needs_warmth() {
    let from_cec = |mut event: Event| {
        event.path = ControlPath::Cec;
        event
    };
    let strays: Vec<Event> = (0..40).map(|i| from_cec(press(20.0 + 37.0 * f64::from(i), 0))).collect();
    let before = observation(&strays, 0.0, 1500.0);
    let found = compare(&before, &observation(&[boot(0.0)], 0.0, 900.0), &CompareOptions::default());
    assert_eq!(found.figures.verdict, Verdict::Gone, "{found:?}");
}

/// Live and afterwards, the same events ask for the same.
#[test]
fn the_soak_and_the_comparison_agree() {
    let mut random = Random::new(1_204);
    for _ in 0..20 {
        let before = from_cold(&mut random);
        let mut soak = Soak::new(Some(&before), &CompareOptions::default(), None);
        soak.tick_observed(Nanoseconds::ZERO);
        let mut events = Vec::new();
        let mut t = 0.0;
        for i in 0..12 {
            t += 900.0 * random.unit();
            let off = system(t, EventKind::Standby, Some("standby"));
            events.push(if i % 3 == 1 { off } else { boot(t) });
        }
        events.iter().for_each(|event| soak.push_observed(event));
        let end = t + 700.0 * random.unit();
        let state = soak.tick_observed(seconds(end));
        let found = compare(&before, &observation(&events, 0.0, end), &CompareOptions::default());
        assert_eq!(state.verdict, found.figures.verdict);
        assert_eq!(state.hand_back, found.figures.hand_back);
        for (live, stored) in [
            (state.soak_more_s, found.figures.soak_more_99_s),
            (state.soak_more_95_s, found.figures.soak_more_95_s),
        ] {
            assert_eq!(live.is_some(), stored.is_some());
            assert!((live.unwrap_or(0.0) - stored.unwrap_or(0.0)).abs() < 1e-6);
        }
        assert!((state.quiet_anyway - found.figures.quiet_anyway).abs() < 1e-9);
    }
}
