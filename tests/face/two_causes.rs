//! The demo's story at any seed: what the simulated set registers is what its truth makes it register.
//!
//! A plain build plays every tenth of a hundred seeds, an optimised one all of them; no pseudo-terminal, no wall clock.

#![allow(clippy::unwrap_used)] // helpers of tests are not seen as tests by the lint

use std::sync::atomic::{AtomicU32, Ordering};

use straykey::analysis::EventSequence;
use straykey::analysis::compare::{CompareOptions, Observation, Verdict, compare};
use straykey::base::{ControlPath, Event, EventKind, Key, Nanoseconds, Span};
use straykey::simulator::keypad::Action;
use straykey::simulator::leak::{LeakState, warmth};
use straykey::simulator::{Connection, Scenario};
use straykey::timeline::job::{Step, StepKind};

fn seeds() -> impl Iterator<Item = u64> {
    (0..100).step_by(if cfg!(debug_assertions) { 10 } else { 1 })
}

/// Which strays a stage must show, by control path.
#[derive(Clone, Copy)]
struct Must {
    infrared: bool,
    keypad: bool,
}

/// The stages of the story: as received, receiver covered, remote found, cable off at the key board, cable off at the
/// main board, cable replaced.
const MUST: [Must; 6] = [
    Must { infrared: true, keypad: true },
    Must { infrared: false, keypad: true },
    Must { infrared: false, keypad: true },
    Must { infrared: false, keypad: true },
    Must { infrared: false, keypad: false },
    Must { infrared: false, keypad: false },
];

/// The presses of one stage, by control path.
struct Seen {
    time: Nanoseconds,
    infrared: Vec<(Nanoseconds, Key)>,
    keypad: Vec<(Nanoseconds, Key)>,
}

fn play(scenario: &Scenario) -> Vec<Seen> {
    let stage = |number: usize| {
        let mut set = scenario.set_at(number).unwrap();
        let time = scenario.stages[number].time();
        set.advance(time);
        let mut seen = Seen { time, infrared: Vec::new(), keypad: Vec::new() };
        for registered in set.registered() {
            let Action::Press(key) = registered.action else { continue };
            assert!(!registered.by_hand, "hands are off");
            match registered.line {
                None => seen.infrared.push((registered.at, key)),
                Some(_) => seen.keypad.push((registered.at, key)),
            }
        }
        seen
    };
    (0..scenario.stages.len()).map(stage).collect()
}

/// Both halves of the seeds at once: a test has two cores.
fn each(check: impl Fn(u64, &Scenario, &[Seen]) + Sync) {
    let all: Vec<u64> = seeds().collect();
    std::thread::scope(|scope| {
        for half in all.chunks(all.len().div_ceil(2)) {
            let check = &check;
            scope.spawn(move || {
                for seed in half {
                    let scenario = Scenario::two_causes(*seed);
                    check(*seed, &scenario, &play(&scenario));
                }
            });
        }
    });
}

fn all_are(presses: &[(Nanoseconds, Key)], name: &str) -> bool {
    presses.iter().all(|(_, key)| key.name() == name)
}

/// Limits of the counts: the remote control sends 2 to 4 presses a train (mean 3), a train each 26 to 34 s, so 35 to 47
/// trains in 20 minutes; five standard deviations of the number of presses are 28. The leak's counts come from the
/// simulation itself: at seeds 0 to 99 a stage showed 63 to 153 presses in 20 minutes, and 1.4 to 2.8 times as many in
/// their second halves as in their first.
#[test]
fn any_seed_tells_the_story() {
    let undecided = AtomicU32::new(0);
    each(|seed, scenario, seen| {
        assert_eq!(seen.len(), MUST.len());
        for (number, (seen, must)) in seen.iter().zip(MUST).enumerate() {
            let place = format!("seed {seed}, stage {}", number + 1);
            let (infrared, keypad) = (seen.infrared.len(), seen.keypad.len());
            assert!(all_are(&seen.infrared, "KEY_INFO"), "{place}: the remote control sends Info alone");
            assert!(all_are(&seen.keypad, "KEY_VIDEO"), "{place}: the leak means Source alone");
            if must.infrared {
                assert!((35 * 3 - 28..=47 * 3 + 28).contains(&infrared), "{place}: {infrared} by infrared");
            } else {
                assert_eq!(infrared, 0, "{place}: infrared is quiet");
            }
            if must.keypad {
                assert!((40..=200).contains(&keypad), "{place}: {keypad} on the keypad");
            } else {
                assert_eq!(keypad, 0, "{place}: the keypad is quiet");
            }
        }
        // Worse as it warms: by a fifth at least, the second ten minutes of four stages against the first ten.
        let half = Nanoseconds(seen[0].time.0 / 2);
        let all = seen.iter().flat_map(|s| &s.keypad).count();
        let cold = seen.iter().flat_map(|s| &s.keypad).filter(|(t, _)| *t < half).count();
        let warm = all - cold;
        assert!(5 * warm > 6 * cold, "seed {seed}: {cold} cold, {warm} warm");
        // The remote control keeps its own beat and knows nothing of warmth.
        beats(seed, scenario, &seen[0].infrared);
        undecided.fetch_add(paths_say(seed, seen), Ordering::Relaxed);
    });
    // One of a hundred, on 28 November 2026.
    assert!(undecided.into_inner() <= 2);
}

/// From train to train it is one beat, within five standard deviations of its jitter (0.4 %).
fn beats(seed: u64, scenario: &Scenario, presses: &[(Nanoseconds, Key)]) {
    let beat = scenario.faults_at(0).unwrap().remote.unwrap().beat_s;
    assert!((26.0..34.0).contains(&beat), "seed {seed}: {beat}");
    let starts: Vec<f64> = presses
        .iter()
        .enumerate()
        .filter(|(i, (t, _))| *i == 0 || (*t - presses[i - 1].0).seconds() > 10.0)
        .map(|(_, (t, _))| t.seconds())
        .collect();
    for pair in starts.windows(2) {
        let ratio = (pair[1] - pair[0]) / beat;
        assert!((ratio - 1.0).abs() < 0.021, "seed {seed}: {ratio} beats from train to train");
    }
}

/// The verdict of each control path by itself, stage against stage with the same condition but for the step. The one
/// place that knows how verdicts per path are asked for. Gives 1 where the pauses of this seed are so uneven that an hour of
/// quiet does not prove the new cable.
fn paths_say(seed: u64, seen: &[Seen]) -> u32 {
    let mut undecided = 0;
    let soak = |presses: &[(Nanoseconds, Key)], path, time| {
        let mut sequence = EventSequence::new();
        for (t, key) in presses {
            let mut event = Event::new(*t, path, EventKind::Press);
            event.key = Some(*key);
            sequence.push(&event);
        }
        sequence.observe(Span { start: Nanoseconds::ZERO, end: time });
        Observation::soak(sequence)
    };
    let said = |before: usize, after: usize, path: ControlPath| {
        let of = |stage: usize| {
            let presses =
                if path == ControlPath::Infrared { &seen[stage].infrared } else { &seen[stage].keypad };
            soak(presses, path, seen[stage].time)
        };
        let (before, after) = (of(before), of(after));
        compare(&before, &after, &CompareOptions::of_job(&[&before])).figures.verdict
    };
    let (infrared, keypad) = (ControlPath::Infrared, ControlPath::Keypad);
    // `None`: not asked for certain. An isolation, where a soak of 40 minutes may be too short to prove what it shows; or a pair that no job compares,
    // as the keypad strayed later in a stage of like condition.
    for (before, after, path, gone) in [
        (0, 1, infrared, Some(true)), // receiver covered
        (0, 1, keypad, Some(false)),
        (0, 2, infrared, Some(true)), // remote control found
        (0, 2, keypad, Some(false)),
        (2, 3, keypad, Some(false)),  // cable off at the key board
        (2, 4, keypad, None),         // cable off at the main board
        (2, 5, keypad, None),         // cable replaced
        (0, 5, infrared, Some(true)), // the whole repair
        (0, 5, keypad, None),
    ] {
        let verdict = said(before, after, path);
        let place = format!("seed {seed}: {path:?}, stage {} against {}", after + 1, before + 1);
        match gone {
            Some(gone) => assert_eq!(verdict == Verdict::Gone, gone, "{place}: {verdict:?}"),
            None => assert!(matches!(verdict, Verdict::Gone | Verdict::Undecided), "{place}: {verdict:?}"),
        }
        undecided += u32::from((before, after) == (2, 5) && verdict == Verdict::Undecided);
    }
    undecided
}

/// The divider rule by hand: 5.1 kohm below 10 kohm is 1024 * 5.1 / 15.1 = 345.9 counts; Source is read below 470.5
/// (halfway between 327 and 614). The leak's logarithm scatters by 0.03, five times that is 4.39 to 5.93 kohm.
#[test]
fn the_leak_is_read_as_source_and_follows_the_warmth() {
    assert_eq!(warmth(0.0), 0.0);
    // One heat capacity: 63.2 % of the way after one time constant of 400 s, 95.0 % after three.
    assert!((warmth(400.0) - 0.6321).abs() < 1e-4 && (warmth(1200.0) - 0.9502).abs() < 1e-4);
    for seed in seeds().take(10) {
        let leak = Scenario::two_causes(seed).faults_at(0).unwrap().leak.unwrap();
        let mut touched = [0_u32; 2];
        let mut state = LeakState::new(seed, 1);
        for (warm, at) in [(0, 0.0), (1, 3600.0)] {
            for _ in 0..60_000 {
                let siemens = state.advance(0.01, at, Some(&leak));
                if siemens > 0.0 {
                    touched[warm] += 1;
                    let ohm = 1.0 / siemens;
                    assert!((4_390.0..5_930.0).contains(&ohm), "seed {seed}: {ohm}");
                }
            }
        }
        assert!(
            touched[1] > 2 * touched[0],
            "seed {seed}: ten minutes cold and warm touch {touched:?} steps"
        );
    }
}

/// The set does what is noted, in whatever order and however many steps; words of people are told apart by the fault
/// tree, and what it does not know changes nothing.
#[test]
fn the_set_follows_what_is_noted() {
    let scenario = Scenario::two_causes(3);
    let step = |text: &str, kind, part: &str| Step { text: text.into(), kind, parts: vec![part.into()] };
    use StepKind::{Isolate, Repair, Restore};
    // (steps, leak left, remote control left, receiver covered, connection)
    let cases = [
        (vec![], true, true, false, Connection::Plugged),
        (vec![step("looked inside", Isolate, "")], true, true, false, Connection::Plugged),
        (
            vec![step("covered the IR window", Isolate, "infrared-receiver")],
            true,
            true,
            true,
            Connection::Plugged,
        ),
        (
            vec![
                step("covered the IR window", Isolate, "infrared-receiver"),
                step("key board unplugged", Isolate, "key-board"),
                step("key board back in", Restore, "key-board"),
            ],
            true,
            true,
            true,
            Connection::Plugged,
        ),
        (vec![step("key board cleaned", Repair, "key-board")], true, true, false, Connection::Plugged),
        (
            vec![step("unplugged at the key board", Isolate, "key-cable")],
            true,
            true,
            false,
            Connection::CableOnly,
        ),
        (vec![step("key board unplugged", Isolate, "key-board")], true, true, false, Connection::Unplugged),
        (
            vec![
                step("key board unplugged", Isolate, "key-board"),
                step("new key cable", Repair, "key-cable"),
                step("remotes out of the room", Isolate, "remote"),
            ],
            false,
            false,
            false,
            Connection::Plugged,
        ),
        (
            vec![
                step("remotes out of the room", Isolate, "remote"),
                step("remotes back", Restore, "remote"),
                step("new key cable", Repair, "key-cable"),
            ],
            false,
            true,
            false,
            Connection::Plugged,
        ),
    ];
    for (steps, leak, remote, covered, connection) in cases {
        let faults = scenario.faults(&steps).unwrap();
        let got =
            (faults.leak.is_some(), faults.remote.is_some(), faults.receiver_covered, faults.connection);
        assert_eq!(got, (leak, remote, covered, connection), "{steps:?}");
    }
}

/// Played by the clock on the wall, as the page's demo is: four minutes as received, then the whole repair. Ten minutes of
/// quiet prove it at 99 % on both paths at 95 of 100 seeds (in trials at 40 seeds 495 s did for all).
#[test]
fn a_brisk_set_is_proved_within_minutes() {
    let (from, seen, soak) =
        (Nanoseconds(30_000_000_000), Nanoseconds(240_000_000_000), Nanoseconds(600_000_000_000));
    let observed = |scenario: &Scenario, stage: usize, length: Nanoseconds, path: ControlPath| {
        let mut set = scenario.set_at(stage).unwrap();
        set.advance(from);
        set.take_registered();
        set.advance(length);
        let mut sequence = EventSequence::new();
        for registered in
            set.registered().iter().filter(|r| r.line.is_none() == (path == ControlPath::Infrared))
        {
            let kind = match registered.action {
                Action::Press(_) => EventKind::Press,
                Action::Repeat(_) => EventKind::Repeat,
                Action::Release(_) => EventKind::Release,
            };
            let mut event = Event::new(registered.at - from, path, kind);
            event.key = Some(registered.action.key());
            sequence.push(&event);
        }
        sequence.observe(Span { start: Nanoseconds::ZERO, end: length });
        sequence.aged(Some(from));
        Observation::soak(sequence)
    };
    let proved = |seed: &u64| {
        let scenario = Scenario::two_causes(*seed).brisk();
        [ControlPath::Infrared, ControlPath::Keypad].into_iter().all(|path| {
            let before = observed(&scenario, 0, seen, path);
            let after = observed(&scenario, 5, soak, path);
            compare(&before, &after, &CompareOptions::of_job(&[&before])).figures.hand_back
        })
    };
    let all = seeds().count();
    let found = seeds().filter(proved).count();
    assert!(20 * found >= 19 * all, "{found} of {all}");
}
