//! The simulated set's bytes through the real decoder, against the truth that the simulation keeps.

#![allow(clippy::unwrap_used)] // helpers of tests are not seen as tests by the lint

use std::sync::LazyLock;

use straykey::base::{ControlPath, Event, EventKind, Key, Nanoseconds};
use straykey::decode::library::Library;
use straykey::decode::text::TextDecoder;
use straykey::simulator::keypad::Action;
use straykey::simulator::{Faults, Leak, Scenario, SimulatedSet, Style};

fn minutes(n: i64) -> Nanoseconds {
    Nanoseconds(n * 60 * Nanoseconds::SECOND.0)
}

/// Compiled once for all tests here: that takes seconds in a debug build.
static LIBRARY: LazyLock<Library> = LazyLock::new(|| Library::shipped().unwrap());

/// Events decoded from bytes alone, timed by the set.
fn decoded(chassis: &str, bytes: &[u8]) -> Vec<Event> {
    let mut decoder = TextDecoder::new(LIBRARY.chassis(chassis).unwrap(), "simulated".into());
    let mut events = Vec::new();
    decoder.push(None, 0, bytes, &mut events);
    decoder.finish(&mut events);
    events
}

/// Presses and releases that the firmware registered, in its order.
fn truth(set: &SimulatedSet) -> Vec<(bool, Key)> {
    set.registered()
        .iter()
        .filter(|registered| registered.line.is_some())
        .filter_map(|registered| match registered.action {
            Action::Press(key) => Some((true, key)),
            Action::Release(key) => Some((false, key)),
            Action::Repeat(_) => None,
        })
        .collect()
}

fn seen(events: &[Event]) -> Vec<(bool, Key)> {
    events
        .iter()
        .filter(|event| matches!(event.kind, EventKind::Press | EventKind::Release))
        .filter(|event| event.path == ControlPath::Keypad)
        .filter_map(|event| Some((event.kind == EventKind::Press, event.key?)))
        .collect()
}

#[test]
fn the_decoder_finds_every_press_that_the_firmware_registered_and_no_other() {
    let faults = Scenario::two_causes(5).faults_at(0).unwrap();
    // The same leak on the first line, warm from the start: rowan's second has no key that it could mean.
    let leak = faults.leak.map(|leak| Leak { line: 0, ease: 0.2, ..leak });
    for (style, faults) in [(Style::Alder, faults.clone()), (Style::Rowan, Faults { leak, ..faults })] {
        let mut set = SimulatedSet::new(style, faults, 5);
        let mut bytes = set.advance(minutes(5));
        for (i, (key, _)) in set.ladders()[0].keys.clone().into_iter().enumerate() {
            set.press(key, Nanoseconds::from_millis(900 * i as i64), Nanoseconds::from_millis(350));
        }
        bytes.extend(set.advance(minutes(1)));
        let truth = truth(&set);
        assert!(truth.len() > 10, "{style:?}: {}", truth.len());
        assert_eq!(seen(&decoded(style.chassis(), &bytes)), truth, "{style:?}");
    }
}

/// Birch prints no release, so a second press within the time-out may count as a repeat; but no line is lost.
#[test]
fn named_keys_of_birch_are_all_found() {
    let faults = Scenario::two_causes(5).faults_at(0).unwrap();
    let mut set = SimulatedSet::new(Style::Birch, faults, 5);
    let bytes = set.advance(minutes(10));
    let printed: Vec<Key> = set
        .registered()
        .iter()
        .filter(|registered| !matches!(registered.action, Action::Release(_)))
        .filter(|registered| registered.line.is_some())
        .map(|registered| registered.action.key())
        .collect();
    let found: Vec<Key> = decoded("birch", &bytes)
        .iter()
        .filter(|event| event.is_input() && event.path == ControlPath::Keypad)
        .filter_map(|event| event.key)
        .collect();
    assert!(printed.len() > 5);
    assert_eq!(found, printed);
}

/// By infrared as on the keypad: presses of the story's first stage, in their order and at their time.
#[test]
fn infrared_codes_of_alder_are_all_found() {
    let mut set = Scenario::two_causes(5).set_at(0).unwrap();
    let bytes = set.advance(minutes(10));
    let registered: Vec<(Nanoseconds, Key)> = set
        .registered()
        .iter()
        .filter(|registered| registered.line.is_none() && matches!(registered.action, Action::Press(_)))
        .map(|registered| (registered.at, registered.action.key()))
        .collect();
    let events = decoded("alder", &bytes);
    let pressed = |event: &&Event| event.path == ControlPath::Infrared && event.kind == EventKind::Press;
    let found: Vec<(Nanoseconds, Key)> =
        events.iter().filter(pressed).map(|event| (event.t, event.key.unwrap())).collect();
    assert!(registered.len() > 30, "{}", registered.len());
    assert_eq!(found.len(), registered.len());
    for ((t, key), (at, truth)) in found.iter().zip(&registered) {
        // The first line, 12 ms after power-on, is where the decoder's time begins; the set prints milliseconds.
        let late = (*at - *t).seconds() - 0.012;
        assert!(key == truth && late.abs() < 0.0011, "{key:?} {truth:?} {late}");
    }
}

#[test]
fn events_carry_the_sets_time_and_its_menu_answers() {
    let mut set = SimulatedSet::new(Style::Alder, Faults::default(), 5);
    let mut bytes = set.advance(minutes(20));
    set.press(Key::from_name("KEY_MENU").unwrap(), Nanoseconds::ZERO, Nanoseconds::from_millis(300));
    bytes.extend(set.advance(minutes(2)));
    let events = decoded("alder", &bytes);
    let press = events.iter().find(|event| event.kind == EventKind::Press).unwrap();
    // Twenty minutes less the 12 ms before the first line, and at most three scans of 50 ms.
    assert!((press.t.seconds() - 1200.0).abs() < 0.2, "{}", press.t);
    let changes: Vec<_> = events.iter().filter(|event| event.kind == EventKind::Change).collect();
    assert_eq!(changes.len(), 2, "menu shown, menu hidden");
    assert!((changes[1].t.seconds() - changes[0].t.seconds() - 60.0).abs() < 0.3);
}

#[test]
fn all_three_chassis_are_recognised_by_their_bytes() {
    for style in [Style::Alder, Style::Birch, Style::Rowan] {
        let mut set = SimulatedSet::new(style, Faults::default(), 5);
        let mut bytes = set.advance(minutes(2));
        set.press(Key::from_name("KEY_VOLUMEUP").unwrap(), Nanoseconds::ZERO, Nanoseconds(2_000_000_000));
        bytes.extend(set.advance(minutes(1)));
        assert_eq!(LIBRARY.recognise(&bytes).choice.as_deref(), Some(style.chassis()));
    }
}
