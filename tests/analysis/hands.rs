//! Input with hands on: key check, suspicion, cause and effect.

use std::collections::BTreeMap;

use straykey::analysis::EventSequence;
use straykey::analysis::cause::CauseFinder;
use straykey::analysis::keycheck::{Prompt, check};
use straykey::analysis::ledger::Builder;
use straykey::analysis::random::Random;
use straykey::analysis::stray::suspect;
use straykey::base::{ControlPath, Event, EventKind, Key, Nanoseconds};
use straykey::source::{Mark, What};
use straykey::timeline::Watch as _;

use super::simulate::{key, poisson, press, sequence, span};

fn prompt(seconds: f64, index: usize) -> Prompt {
    Prompt { t: Nanoseconds::from_seconds(seconds), key: key(index) }
}

#[test]
fn a_key_check_tells_right_wrong_missing_and_stray() {
    let prompts = [prompt(10.0, 0), prompt(20.0, 1), prompt(30.0, 2)];
    let mut repeat = press(11.6, 0);
    repeat.kind = EventKind::Repeat;
    let events = [press(5.0, 3), press(10.05, 4), press(11.0, 0), repeat, press(14.0, 3), press(21.0, 5)];
    let found = check(&prompts, &events);
    assert_eq!((found.right, found.wrong, found.missing), (1, 1, 1));
    // Before any prompt, faster than a hand, and after the answer: stray.
    assert_eq!(found.strays, [0, 1, 4]);
    let wrong = found.table.iter().find(|cell| cell.asked == key(1)).unwrap();
    assert_eq!((wrong.seen, wrong.count), (Some(key(5)), 1));
    let silent = found.table.iter().find(|cell| cell.asked == key(2)).unwrap();
    assert_eq!(silent.seen, None);
}

#[test]
fn a_stray_frame_of_the_key_that_is_asked_for_answers_no_prompt_of_the_keypad() {
    let prompts = [prompt(10.0, 0), prompt(20.0, 1), prompt(30.0, 2)];
    let mut frame = press(20.3, 1);
    frame.path = ControlPath::Infrared;
    let events = [press(10.8, 0), frame, press(20.9, 1), press(30.8, 2)];
    let found = check(&prompts, &events);
    assert_eq!((found.right, found.wrong, found.missing), (3, 0, 0));
    assert_eq!(found.strays, [1]);
    // One who answers with the remote control is heard there, also where a key of the set strays first.
    let remote = |mut event: Event| {
        event.path = ControlPath::Infrared;
        event
    };
    let events = [remote(press(10.8, 0)), press(20.3, 1), remote(press(20.9, 1)), remote(press(30.8, 2))];
    assert_eq!(check(&prompts, &events).strays, [1]);
}

/// One hand answers each prompt after 0.6 to 0.8 s, and the fault presses keys of its own between.
#[test]
fn what_comes_when_this_hand_never_presses_is_no_answer() {
    let prompts: Vec<Prompt> = (1..9).map(|n| prompt(10.0 * f64::from(n), (n % 4) as usize)).collect();
    let answer = |n: i32| press(10.0 * f64::from(n) + 0.6 + 0.2 * f64::from(n % 2), (n % 4) as usize);
    // The key asked for strays before the hand presses it, and once long after.
    let mut events: Vec<Event> = (1..8).map(answer).collect();
    events.extend([press(20.2, 2), press(35.0, 3)]);
    // The last prompt was answered by nobody; another key strays long after it.
    events.push(press(86.0, 1));
    events.sort_by_key(|event| event.t);
    let found = check(&prompts, &events);
    assert_eq!((found.right, found.wrong, found.missing), (7, 0, 1));
    let strays: Vec<f64> = found.strays.iter().map(|at| events[*at].t.seconds()).collect();
    assert_eq!(strays, [20.2, 35.0, 86.0]);
    // Read as another key, but when the hand presses: an answer.
    *events.last_mut().unwrap() = press(80.7, 1);
    let found = check(&prompts, &events);
    assert_eq!((found.right, found.wrong, found.missing, found.strays.len()), (7, 1, 0, 2));
    // The same where the key asked for strays far sooner than this hand presses.
    events.insert(events.len() - 1, press(80.2, 0));
    let found = check(&prompts, &events);
    assert_eq!((found.right, found.wrong, found.missing), (7, 1, 0));
    let strays: Vec<f64> = found.strays.iter().map(|at| events[*at].t.seconds()).collect();
    assert_eq!(strays, [20.2, 35.0, 80.2]);
}

/// One key gives way to another at one instant.
fn change_over(seconds: f64, from: usize, to: usize) -> [Event; 2] {
    let mut up = press(seconds, from);
    up.kind = EventKind::Release;
    [up, press(seconds, to)]
}

/// A leak holds key 2 all the time; with it the hand's key 2 reads as key 3, and its other keys as they should.
#[test]
fn a_line_that_falls_back_to_what_holds_it_answers_no_prompt() {
    let prompts: Vec<Prompt> = (1..9).map(|n| prompt(10.0 * f64::from(n), (n % 4) as usize)).collect();
    let mut events = vec![press(0.1, 2)];
    for n in 1..9 {
        let (t, asked) = (10.0 * f64::from(n) + 0.6 + 0.2 * f64::from(n % 2), (n % 4) as usize);
        let seen = if asked == 2 { 3 } else { asked };
        events.extend(change_over(t, 2, seen));
        events.extend(change_over(t + 0.3, seen, 2));
    }
    let found = check(&prompts, &events);
    assert_eq!((found.right, found.wrong, found.missing), (6, 2, 0));
    let strays: Vec<(f64, Option<Key>)> =
        found.strays.iter().map(|at| (events[*at].t.seconds(), events[*at].key)).collect();
    // The leak itself, and its return after each press.
    assert_eq!(strays.len(), 9);
    assert!(strays.iter().all(|(_, seen)| *seen == Some(key(2))), "{strays:?}");
    // Also where the hand's level lies on a border: 3, 1, and 3 again.
    let mut events = vec![press(0.1, 2)];
    events.extend(change_over(10.7, 2, 3));
    events.extend(change_over(10.8, 3, 1));
    events.extend(change_over(10.9, 1, 3));
    events.extend(change_over(11.2, 3, 2));
    let found = check(&[prompt(10.0, 2)], &events);
    assert_eq!((found.right, found.wrong, found.strays.len()), (0, 1, 4));
}

/// A stray goes and the hand presses the same key: the line was without a key between.
#[test]
fn a_key_that_is_pressed_again_from_rest_is_an_answer() {
    let [up, other] = change_over(10.7, 2, 3);
    let [gone, _] = change_over(10.8, 3, 2);
    let events = [press(0.1, 2), up, other, gone, press(10.9, 2)];
    let found = check(&[prompt(10.0, 2)], &events);
    assert_eq!((found.right, found.wrong, found.missing), (1, 0, 0));
    assert_eq!(found.strays, [0, 2]);
}

#[test]
fn a_prompt_file_line_reads_as_a_prompt() {
    let line = r#"{"t": 12.5, "key": "KEY_MENU"}"#;
    let found: Prompt = serde_json::from_str(line).unwrap();
    assert_eq!(found, prompt(12.5, 1));
}

#[test]
fn a_machine_is_suspected_and_a_hand_is_not() {
    let machine = sequence((0..700).map(|i| (1.0 + 0.9 * f64::from(i), 0)).collect(), 700.0);
    let found = suspect(&machine);
    assert!(found.suspects[0].probability > 0.9, "{found:?}");
    assert!(found.advice.contains("hands off"));
    let mut random = Random::new(61);
    let mut hand = EventSequence::new();
    let mut t = 1.0;
    for i in 0..60 {
        hand.push(&press(t, i % 3));
        let mut up = press(t + 0.08 + 0.05 * random.unit(), i % 3);
        up.kind = EventKind::Release;
        hand.push(&up);
        // Log-normal gaps with a wide scatter, as published for hands.
        t += 0.6 * (0.5 * random.normal()).exp() + 0.2;
    }
    hand.observe(span(t));
    let found = suspect(&hand);
    assert!(found.suspects.iter().all(|one| one.probability < 0.1), "{found:?}");
}

#[test]
fn repeats_without_a_press_are_suspect() {
    let mut events = EventSequence::new();
    for i in 0..20 {
        let mut repeat = press(5.0 + 0.11 * f64::from(i), 0);
        repeat.kind = EventKind::Repeat;
        events.push(&repeat);
    }
    events.observe(span(60.0));
    let found = suspect(&events);
    assert!(found.suspects[0].because.iter().any(|ground| ground.contains("without a press")), "{found:?}");
    assert!(found.suspects[0].probability > 0.5);
}

fn change(seconds: f64) -> Event {
    let mut event = Event::new(Nanoseconds::from_seconds(seconds), ControlPath::Menu, EventKind::Change);
    event.item = Some("volume".into());
    event
}

/// Planted: the keypad's changes come 0.21 to 0.25 s after the press, the infrared's 0.4 to 0.5 s, and twenty
/// changes come from the software.
#[test]
fn latency_is_learned_per_path_and_orphans_are_left_over() {
    let mut random = Random::new(62);
    let mut events = Vec::new();
    for (t, _) in poisson(&mut random, 0.05, 6000.0, &[0]) {
        events.push(press(t, 0));
        events.push(change(t + 0.21 + 0.04 * random.unit()));
    }
    for (t, _) in poisson(&mut random, 0.05, 6000.0, &[1]) {
        let mut event = press(t, 1);
        event.path = ControlPath::Infrared;
        events.push(event);
        events.push(change(t + 0.4 + 0.1 * random.unit()));
    }
    for (t, _) in poisson(&mut random, 0.0033, 6000.0, &[0]) {
        events.push(change(t));
    }
    let orphans = events.iter().filter(|e| e.kind == EventKind::Change).count()
        - events.iter().filter(|e| e.kind == EventKind::Press).count();
    events.sort_by_key(|event| event.t);
    let mut finder = CauseFinder::default();
    events.iter().for_each(|event| finder.push(event));
    let found = finder.finish();
    let of = |path| found.paths.iter().find(|p| p.path == path).unwrap();
    assert!((of(ControlPath::Keypad).latency_s.unwrap() - 0.23).abs() < 0.01, "{found:?}");
    assert!((of(ControlPath::Infrared).latency_s.unwrap() - 0.45).abs() < 0.02, "{found:?}");
    // A chance coincidence hides an orphan now and then.
    assert!(
        found.orphans as usize <= orphans && found.orphans as usize + 4 >= orphans,
        "{orphans} {found:?}"
    );
}

#[test]
fn unrelated_changes_are_all_orphans() {
    let mut random = Random::new(63);
    let mut finder = CauseFinder::default();
    let mut events: Vec<Event> =
        poisson(&mut random, 0.1, 3000.0, &[0]).iter().map(|(t, i)| press(*t, *i)).collect();
    events.extend(poisson(&mut random, 0.05, 3000.0, &[0]).iter().map(|(t, _)| change(*t)));
    events.sort_by_key(|event| event.t);
    events.iter().for_each(|event| finder.push(event));
    let found = finder.finish();
    assert_eq!(found.orphans, found.changes, "{:?}", found.paths);
}

fn mark(t: f64, what: What) -> Mark {
    Mark { t: Nanoseconds::from_seconds(t), what }
}

#[test]
fn hands_and_a_missing_port_together_pause_once() {
    let mut builder = Builder::new(BTreeMap::new());
    let now = Nanoseconds::from_seconds;
    assert_eq!(builder.paused(now(5.0)), Nanoseconds::ZERO);
    builder.mark(&mark(5.0, What::PortGone));
    assert_eq!(builder.paused(now(7.0)), now(2.0));
    builder.mark(&mark(8.0, What::PortBack { device: String::new() }));
    assert_eq!(builder.paused(now(9.0)), now(3.0));
    builder.mark(&mark(20.0, What::PortGone));
    builder.prompt(now(19.0), Key::from_name("KEY_MENU").unwrap());
    assert_eq!(builder.paused(now(21.0)), now(3.0 + 2.0));
}
