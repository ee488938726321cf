//! From events to readings to fits; the quick look.

use straykey::analysis::ladder::keycheck::Asked;
use straykey::analysis::ladder::{Condition, Fault, Mechanism, Network, Place, model_word, quick};
use straykey::analysis::locate::{Collector, StepKind, faults};
use straykey::base::{ControlPath, Event, EventKind, Nanoseconds};

use super::cases::CODES;
use super::ladders::{KEYS, conditions, key, readings, reference};

fn quick_case(case: &str) -> (Mechanism, f64) {
    let network = reference(0.0);
    let codes = CODES.iter().find(|(name, _)| *name == case).unwrap().1;
    let best = quick(&network, &readings(&network, &codes, &conditions())).swap_remove(0);
    (best.mechanism, best.value)
}

#[test]
fn the_quick_look_names_the_transform_with_the_constant_shift() {
    // Worked constants: shift of 1/x 10/33 and 10/13.8, of x/(1-x) 0.0240, ratio of 1-x 0.97576, of x/(1-x)
    // 1.66667, of x 0.950, each turned into the fault's number.
    for (case, mechanism, value, within) in [
        ("F01", Mechanism::KeyLeakGround, 33e3, 0.01),
        ("F02", Mechanism::KeyLeakGround, 33e3, 0.01),
        ("F04", Mechanism::PullUp, 6e3, 0.01),
        ("F06", Mechanism::GroundOffset, 0.08, 0.02),
        ("F08", Mechanism::Series, 240.0, 0.02),
        ("F10", Mechanism::SwitchLeak(key("KEY_VOLUMEDOWN")), 12e3, 0.01),
        ("F11", Mechanism::PullUp, 47e3, 0.01),
        ("F12", Mechanism::Supply, 0.95, 0.002),
    ] {
        let (found, number) = quick_case(case);
        assert_eq!(found, mechanism, "{case}: {number}");
        assert!((number / value - 1.0).abs() < within, "{case}: {number} against {value}");
    }
}

fn reading(t_ms: i64, counts: u32) -> Event {
    let mut event = Event::new(Nanoseconds::from_millis(t_ms), ControlPath::Keypad, EventKind::Reading);
    event.line = Some("KEY1".into());
    event.counts = Some(counts);
    event
}

/// The code of the `i`-th reading, with noise of about half a count (evenly spread numbers by the golden ratio).
fn code(network: &Network, condition: &Condition, faults: &[Fault], i: i64) -> u32 {
    let noise = (i as f64 * 0.618_033_988_749_895).fract() - 0.5;
    let volts = network.solve(condition, faults).unwrap();
    (network.counts(volts) + 0.5 + noise).floor().clamp(0.0, 1023.0) as u32
}

/// Soak as received, key check, unplugged, all with the same fault, then a repair after which all is well.
fn bench(fault: &[Fault]) -> Collector {
    let network = reference(0.01);
    let tree = faults().unwrap();
    let mut collector = Collector::new(vec![network.clone()]);
    collector.capture(true, &[]);
    for i in 0..400 {
        // The fault comes and goes: half of the time the line is at full scale.
        collector.event(&reading(
            i * 100,
            if i % 80 < 40 { 1023 } else { code(&network, &Condition::Idle, fault, i) },
        ));
    }
    let asked: Vec<Asked> = KEYS
        .iter()
        .enumerate()
        .map(|(i, name)| Asked { t: Nanoseconds::from_millis(1_000 + 3_000 * i as i64), key: key(name) })
        .collect();
    collector.capture(false, &asked);
    for t in (0..20_000i64).step_by(50) {
        let since = (t - 1_000).rem_euclid(3_000);
        let which = (t - 1_000).div_euclid(3_000);
        let down = (500..1_500).contains(&since) && (0..6).contains(&which);
        let condition = if down { Condition::Key(asked[which as usize].key) } else { Condition::Idle };
        collector.event(&reading(t, code(&network, &condition, fault, t / 50)));
    }
    collector.stage(tree, StepKind::Isolate, "key board unplugged", &["key-board".into()]);
    collector.capture(true, &[]);
    (0..100)
        .for_each(|i| collector.event(&reading(i * 100, code(&network, &Condition::Unplugged, fault, i))));
    collector.stage(tree, StepKind::Repair, "main board cleaned", &["main-board".into()]);
    collector.capture(true, &[]);
    (0..100).for_each(|i| collector.event(&reading(i * 100, 1023)));
    collector
}

#[test]
fn events_of_a_job_become_readings_and_the_fit_names_the_fault() {
    let fault = [Fault::LeakToGround { at: Place::MainBoard, ohm: 38e3 }];
    let mut collector = bench(&fault);
    let readings = collector.readings().remove(0).1;
    let condition = |wanted: &Condition| readings.iter().filter(|r| r.condition == *wanted).count();
    assert_eq!(condition(&Condition::Unplugged), 1);
    // One from the soak and one from the key check; none from after the repair.
    assert_eq!(condition(&Condition::Idle), 2);
    for name in KEYS {
        assert_eq!(condition(&Condition::Key(key(name))), 1, "{name}");
    }
    let fit = collector.fits().remove(0);
    assert!(fit.accepted, "{}", fit.statement());
    assert_eq!(model_word(&fit.models[0].model), "main-board-leak-to-ground");
    let leak = fit.models[0].estimates[0];
    assert!(leak.low.unwrap() < 38e3 && leak.high.unwrap() > 38e3, "{leak:?}");
    let text = fit.statement();
    assert!(text.contains("leak to ground on the key board alone cannot"), "{text}");
    assert!(text.contains("key board unplugged"), "{text}");
}

#[test]
fn key_readings_taken_while_the_fault_was_away_are_left_out() {
    let network = reference(0.01);
    let mut collector = Collector::new(vec![network.clone()]);
    collector.capture(true, &[]);
    (0..100).for_each(|i| collector.event(&reading(i * 100, 747 + (i % 2) as u32)));
    let asked = [Asked { t: Nanoseconds::from_millis(1_000), key: key("KEY_MENU") }];
    collector.capture(false, &asked);
    for t in (0..4_000).step_by(50) {
        let down = (1_500..2_500).contains(&t);
        collector.event(&reading(t, if down { 747 } else { 1023 }));
    }
    let readings = collector.readings().remove(0).1;
    assert_eq!(readings.len(), 1, "{readings:?}");
}

#[test]
fn a_wandering_level_is_worth_one_reading_and_noise_is_worth_many() {
    use straykey::analysis::ladder::Gatherer;
    let (mut wander, mut noise) = (Gatherer::default(), Gatherer::default());
    let mut state = 3u64;
    for i in 0..1_000u32 {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
        noise.push(500 + (state >> 60) as u32);
        wander.push(500 + i / 50);
    }
    let noise = noise.reading(Condition::Idle, 1023).unwrap();
    let wander = wander.reading(Condition::Idle, 1023).unwrap();
    assert!(noise.independent > 700.0, "{noise:?}");
    assert!((wander.independent - 1.0).abs() < 1e-12, "{wander:?}");
    assert!(wander.sigma() > 5.0 && noise.sigma() < 0.25);
}
