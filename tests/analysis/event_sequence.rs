use straykey::analysis::EventSequence;
use straykey::analysis::episode::{EpisodeRule, episodes, fold, learn_gap};
use straykey::base::{ControlPath, Event, EventKind, Nanoseconds, Span};

use super::simulate::{press, sequence, span};

fn seconds(s: f64) -> Nanoseconds {
    Nanoseconds::from_seconds(s)
}

fn change(s: f64, item: &str) -> Event {
    let mut event = Event::new(seconds(s), ControlPath::Menu, EventKind::Change);
    event.item = Some(item.into());
    event
}

fn kind(mut event: Event, kind: EventKind) -> Event {
    event.kind = kind;
    event
}

#[test]
fn an_occurrence_is_24_bytes() {
    assert_eq!(size_of::<straykey::analysis::Occurrence>(), 24);
}

#[test]
fn in_a_soak_presses_and_repeats_are_stray_and_the_rest_is_not() {
    let mut sequence = EventSequence::new();
    sequence.push(&press(1.0, 0));
    sequence.push(&kind(press(1.5, 0), EventKind::Repeat));
    let mut up = kind(press(1.7, 0), EventKind::Release);
    up.held = Some(seconds(0.7));
    sequence.push(&up);
    sequence.push(&Event::new(seconds(2.0), ControlPath::Keypad, EventKind::Reading));
    sequence.push(&Event::new(seconds(3.0), ControlPath::Infrared, EventKind::Noise));
    sequence.push(&Event::new(seconds(4.0), ControlPath::System, EventKind::Boot));
    sequence.observe(span(10.0));
    assert_eq!(sequence.len(), 2);
    assert_eq!(sequence.exposure(), seconds(10.0));
    assert_eq!(sequence.occurrences()[0].held(), Some(seconds(0.7)), "the hold belongs to the press");
}

#[test]
fn a_menu_change_after_an_input_is_its_effect_and_without_one_an_orphan() {
    let mut sequence = EventSequence::new();
    sequence.push(&press(1.0, 0));
    sequence.push(&kind(press(1.1, 0), EventKind::Release));
    sequence.push(&change(1.2, "volume"));
    sequence.push(&change(30.0, "volume"));
    sequence.observe(span(60.0));
    assert_eq!((sequence.len(), sequence.orphans(), sequence.changes()), (2, 1, 2));
    assert_eq!(sequence.symbols()[1].item.as_deref(), Some("volume"));
}

#[test]
fn a_key_that_is_still_down_explains_what_the_menu_does_for_a_minute() {
    // The set repeats a held key by itself and prints only what the menu then does.
    let mut sequence = EventSequence::new();
    sequence.push(&press(1.0, 0));
    for i in 0..10 {
        sequence.push(&change(4.0 + f64::from(i), "channel"));
    }
    // The release never came: after a minute nobody believes in the hold any more.
    sequence.push(&change(90.0, "channel"));
    sequence.observe(span(120.0));
    assert_eq!((sequence.len(), sequence.orphans(), sequence.changes()), (2, 1, 11));
}

#[test]
fn captures_are_laid_end_to_end_and_their_exposures_add() {
    let mut sequence = EventSequence::new();
    sequence.push(&press(5.0, 0));
    sequence.observe(Span { start: seconds(2.0), end: seconds(20.0) });
    sequence.push(&press(3.0, 0));
    sequence.observe(Span { start: seconds(1.0), end: seconds(11.0) });
    sequence.observe(Span { start: seconds(100.0), end: seconds(130.0) });
    assert_eq!(sequence.exposure(), seconds(58.0));
    let times: Vec<_> = sequence.occurrences().iter().map(|o| o.t).collect();
    assert_eq!(times, [seconds(5.0), seconds(22.0)]);
    assert_eq!(
        (sequence.of_segment(0).len(), sequence.of_segment(1).len(), sequence.of_segment(2).len()),
        (1, 1, 0)
    );
}

#[test]
fn the_span_may_be_said_before_the_events() {
    let mut sequence = EventSequence::new();
    sequence.observe(span(10.0));
    sequence.push(&press(5.0, 0));
    sequence.push(&press(7.0, 0));
    assert_eq!((sequence.segments().len(), sequence.exposure()), (1, seconds(10.0)));
}

#[test]
fn events_out_of_order_are_sorted_within_their_capture() {
    let mut sequence = EventSequence::new();
    for t in [5.0, 3.0, 4.0] {
        sequence.push(&press(t, 0));
    }
    sequence.observe(span(10.0));
    assert!(sequence.occurrences().is_sorted_by_key(|o| o.t));
}

#[test]
fn extreme_times_do_not_overflow() {
    let mut sequence = EventSequence::new();
    for t in [i64::MIN, i64::MAX, 0, i64::MIN + 1] {
        let mut event = press(0.0, 0);
        event.t = Nanoseconds(t);
        sequence.push(&event);
    }
    sequence.observe(Span { start: Nanoseconds(i64::MAX), end: Nanoseconds(i64::MIN) });
    sequence.push(&press(0.0, 0));
    assert!(!fold(&sequence).is_empty());
}

#[test]
fn a_held_key_is_one_press_however_many_repeats() {
    let mut sequence = EventSequence::new();
    sequence.push(&press(1.0, 0));
    for i in 0..40 {
        sequence.push(&kind(press(1.25 + 0.033 * f64::from(i), 0), EventKind::Repeat));
    }
    sequence.push(&press(60.0, 0));
    sequence.observe(span(100.0));
    let presses = fold(&sequence);
    assert_eq!(presses.iter().map(|p| p.repeats).collect::<Vec<_>>(), [40, 0]);
}

#[test]
fn a_held_key_that_is_printed_as_presses_is_one_press_too() {
    let mut sequence = EventSequence::new();
    sequence.push(&press(1.0, 0));
    for i in 0..20 {
        sequence.push(&press(1.45 + 0.1 * f64::from(i), 0));
    }
    sequence.observe(span(100.0));
    assert_eq!(fold(&sequence).iter().map(|p| p.repeats).collect::<Vec<_>>(), [20]);
}

/// Worked example of the methods reference (fit by SciPy's EM there): four bursts, threshold 4.313242 s.
#[test]
fn the_episode_gap_is_learned_from_two_gap_lengths() {
    let gaps = [0.8, 0.9, 1.1, 0.9, 14.0, 0.9, 1.0, 0.8, 22.0, 0.9, 0.9, 1.2, 0.8, 35.0, 0.9, 1.0];
    let mixture = learn_gap(&gaps).unwrap();
    assert!((mixture.gain - 15.307_443).abs() < 1e-5, "{mixture:?}");
    assert!((mixture.share - 0.787_938).abs() < 1e-5, "{mixture:?}");
    assert!((mixture.short - 0.930_397).abs() < 1e-5 && (mixture.long - 21.034_708).abs() < 1e-4);
    assert!((mixture.threshold - 4.313_242).abs() < 1e-5);
    let mut t = 0.0;
    let mut points = vec![(0.0, 0)];
    for gap in gaps {
        // Holds of 60 ms are taken off the gaps by the folding.
        t += gap + 0.06;
        points.push((t, 0));
    }
    let sequence = sequence(points, t + 1.0);
    let presses = fold(&sequence);
    let rule = EpisodeRule::learn(&[(&sequence, &presses)]);
    assert_eq!(episodes(&presses, rule.gap).len(), 4);
}

#[test]
fn single_presses_are_episodes_of_their_own() {
    let points: Vec<_> = [3.0, 40.0, 71.0, 99.0, 160.0].map(|t| (t, 0)).to_vec();
    let sequence = sequence(points, 200.0);
    let presses = fold(&sequence);
    assert_eq!(EpisodeRule::learn(&[(&sequence, &presses)]).gap, None);
    assert_eq!(episodes(&presses, None).len(), 5);
}
