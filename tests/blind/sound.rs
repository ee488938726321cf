//! Sets that are well heard are not called blind. `examples/sound.md` has the same for ten hours each and 600 captures.

use straykey::analysis::compare::{CompareOptions, Observation, Verdict};
use straykey::analysis::event_sequence::EventSequence;
use straykey::analysis::ledger::{Builder, PathId};
use straykey::analysis::soak::SoakState;
use straykey::base::{ControlPath, Event, EventKind, Key, Nanoseconds, Span};
use straykey::bench::{SoakPlan, SoakRun};
use straykey::timeline::Protocols;
use straykey::timeline::live::{Progress, Session};

use crate::support::hearing::{WriterHandle, live, saved};
use crate::support::sound::{Dialect, Hand, Plan, Set};

/// Twenty minutes with standby, a restart and a slow menu: at most 0.1 % of the time is lost, live.
#[test]
fn of_sound_soaks_next_to_nothing_is_lost() {
    let protocols = Protocols::load(None).unwrap();
    for dialect in Dialect::ALL {
        let standby = [(400.0, 520.0)];
        let sleeps = if dialect == Dialect::LinuxInput { &[][..] } else { &standby[..] };
        let plan = Plan::new(dialect, 1200.0, 77).with_breaks(sleeps, &[(900.0, 911.0)]);
        for heard in live(&plan, 77, &protocols) {
            assert!(heard.lost_s.unwrap() <= 0.001 * heard.truth_s, "{}: {heard:?}", dialect.name());
            assert!(heard.over_s.unwrap() <= 12.0, "{}: {heard:?}", dialect.name());
        }
    }
}

/// Short captures, live and as saved logs: what is called observed is within 2 % of the truth.
#[test]
fn no_sound_capture_is_called_unobserved() {
    let protocols = Protocols::load(None).unwrap();
    for seed in 0..4 {
        for dialect in Dialect::ALL {
            let plan = Plan::new(dialect, 30.0 + 40.0 * seed as f64, 900 + seed);
            for heard in [live(&plan, seed, &protocols), saved(&plan, seed, &protocols)].concat() {
                assert!(heard.off() < 0.02, "{} {seed}: {heard:?}", dialect.name());
            }
        }
    }
}

/// A baseline of a set that prints only on presses: a stray each minute for half an hour.
fn baseline() -> Observation {
    let mut sequence = EventSequence::new();
    for minute in 0..30 {
        let t = Nanoseconds(60_000_000_000 * minute + 1_000_000 * (minute * 7919 % 20_000));
        let mut event = Event::new(t, ControlPath::Keypad, EventKind::Press);
        event.key = Key::from_name("KEY_VOLUMEUP");
        sequence.push(&event);
    }
    sequence.observe(Span { start: Nanoseconds::ZERO, end: Nanoseconds(1_800_000_000_000) });
    Observation::soak(sequence)
}

/// A soak of forty minutes on a set that is repaired; a technician who is there presses what is asked for.
fn soak(dialect: Dialect, attended: bool, presses: bool) -> (SoakState, usize) {
    let protocols = Protocols::load(None).unwrap();
    let mut plan = Plan::new(dialect, 2400.0, 5);
    plan.presses.clear();
    // A menu that changes by itself is stray.
    plan.slow.clear();
    let hand = Hand::default();
    let set = Set::new(plan, 5, Hand::clone(&hand));
    let mut session =
        Session::new(Box::new(WriterHandle::new(set)), None, &protocols, Some(dialect.name())).unwrap();
    let keys = vec![(PathId::whole(ControlPath::Keypad), Key::from_name("KEY_VOLUMEUP").unwrap())];
    let plan = SoakPlan { seconds: 2300.0, full: false, attended, on_for: None };
    let mut run = SoakRun::new(Some(&baseline()), &CompareOptions::default(), plan, Builder::default(), keys);
    let (mut events, mut asked, mut next) = (Vec::new(), 0, Nanoseconds::ZERO);
    while let Progress::Going(now) = session.step(&mut run, &mut events).unwrap() {
        events.clear();
        if now < next {
            continue;
        }
        next = now + Nanoseconds::from_millis(250);
        run.tick(now);
        if run.proceed().is_some() {
            asked += 1;
            if presses {
                hand.lock().unwrap().push(now.seconds() + 2.0);
            }
        }
        if run.is_over() {
            break;
        }
    }
    (run.state().clone(), asked)
}

#[test]
fn a_set_that_prints_on_presses_only_is_gone_with_signs_of_life_and_never_without() {
    for dialect in [Dialect::Birch, Dialect::LinuxInput] {
        let (signed, asked) = soak(dialect, true, true);
        assert_eq!((signed.verdict, asked), (Verdict::Gone, 2), "{}: {:?}", dialect.name(), signed.notes);
        assert_eq!(signed.strays, 0, "what was asked for is no stray");
        for (attended, presses) in [(true, false), (false, false)] {
            let (silent, _) = soak(dialect, attended, presses);
            assert_eq!(silent.verdict, Verdict::Undecided, "{}: {:?}", dialect.name(), silent.notes);
            assert!(silent.observed_s == 0.0, "{}", silent.observed_s);
        }
    }
}
