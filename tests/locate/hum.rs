//! Hum on the readings, and key checks.

use straykey::analysis::ladder::keycheck::{Asked, Checked, check, readings};
use straykey::analysis::ladder::ripple::{Coupling, alias_hz, coupling, find, hidden};
use straykey::analysis::ladder::{Condition, Fault, Gatherer, fit};
use straykey::analysis::locate::{Outcome, locate};
use straykey::base::{Key, Nanoseconds};

use super::ladders::{KEYS, conditions, key, reference};
use super::tree::stage;

#[test]
fn aliases_are_those_of_the_worked_table() {
    // f_a = |f - round(f/fs) fs|, worked table for 25 and 100 scans a second and 20.5.
    for (rate, expected) in [
        (25.0, [0.0, 10.0, 0.0, 5.0, 5.0, 0.0, 10.0, 5.0, 10.0]),
        (100.0, [50.0, 40.0, 0.0, 20.0, 20.0, 0.0, 40.0, 20.0, 40.0]),
        (20.5, [9.0, 1.5, 2.5, 3.0, 4.5, 5.0, 6.0, 8.5, 3.5]),
        (99.0, [49.0, 39.0, 1.0, 21.0, 18.0, 2.0, 42.0, 15.0, 30.0]),
    ] {
        for (f, alias) in [50.0, 60.0, 100.0, 120.0, 180.0, 200.0, 240.0, 480.0, 960.0].iter().zip(expected) {
            assert!((alias_hz(*f, rate) - alias).abs() < 1e-9, "{f} at {rate}");
        }
    }
    // Every 10 ms: 100 and 200 Hz look steady, 50 and 60 Hz do not. Every 50 ms: 50 Hz does not.
    assert_eq!(hidden(Nanoseconds::from_millis(10), &[300.0, 310.0]), [100.0, 200.0, 300.0]);
    assert!(!hidden(Nanoseconds::from_millis(50), &[]).contains(&50.0));
    assert!(hidden(Nanoseconds::from_millis(20), &[]).contains(&50.0));
}

/// Readings with a sine of this frequency and peak, and a little pseudo-random noise.
fn hum(frequency: f64, peak: f64, period_s: f64, level: f64) -> Vec<(Nanoseconds, u32)> {
    let mut state = 1u64;
    (0..1_000)
        .map(|i| {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            let noise = (state >> 40) as f64 / f64::from(1u32 << 24) * 2.0 - 1.0;
            // Scans that wander by a tenth of their period.
            let t = (f64::from(i) + 0.1 * noise) * period_s;
            let counts = level + peak * (2.0 * std::f64::consts::PI * frequency * t).sin() + noise;
            (Nanoseconds::from_seconds(t), counts.max(0.0) as u32)
        })
        .collect()
}

#[test]
fn a_mains_line_is_found_beyond_the_scan_rate_and_plain_noise_is_not() {
    let found = find(&Condition::Idle, &hum(100.4, 6.0, 0.03, 400.0), &[]).unwrap();
    assert!((found.source_hz - 100.4).abs() < 0.1, "{found:?}");
    assert!((found.amplitude - 6.0).abs() < 0.5, "{found:?}");
    assert_eq!(find(&Condition::Idle, &hum(100.4, 0.0, 0.03, 400.0), &[]), None);
    // A line that is neither mains nor declared, nor folds onto one that is, is not called mains.
    assert_eq!(find(&Condition::Idle, &hum(90.0, 6.0, 0.03, 400.0), &[]), None);
    assert!(find(&Condition::Idle, &hum(90.0, 6.0, 0.03, 400.0), &[90.0]).is_some());
}

#[test]
fn hum_in_the_return_raises_the_ground_bond_and_hum_picked_up_does_not() {
    // Ratios from the node equations: 40 mV in the return against a current into the open node.
    let network = reference(0.01);
    let swing = |condition: &Condition| {
        let at = |volts| network.solve(condition, &[Fault::GroundOffset { volts }]).unwrap();
        (network.counts(at(0.04)) - network.counts(at(-0.04))) / 2.0
    };
    let all = [Condition::Idle, Condition::Key(key(KEYS[1])), Condition::Key(key(KEYS[5]))];
    let in_return: Vec<_> = all.iter().map(|c| (c.clone(), swing(c))).collect();
    assert!((in_return[1].1 - 10.5).abs() < 0.1, "worked: 10.5 counts at Volume down, {in_return:?}");
    assert_eq!(coupling(&network, &in_return), Coupling::Return);
    let picked: Vec<_> = all.iter().cloned().zip([12.0, 1.8, 8.7]).collect();
    assert_eq!(coupling(&network, &picked), Coupling::PickUp);
    assert_eq!(coupling(&network, &in_return[..1]), Coupling::Unknown);

    let readings = super::ladders::readings(
        &network,
        &conditions().iter().map(|c| network.code(network.solve(c, &[]).unwrap())).collect::<Vec<_>>(),
        &conditions(),
    );
    let line = |condition: &Condition, peak| find(condition, &hum(50.2, peak, 0.033, 300.0), &[]).unwrap();
    let without = fit(&network, &readings);
    let with = without
        .clone()
        .with_ripples(&[(all[1].clone(), line(&all[1], 10.5)), (all[2].clone(), line(&all[2], 3.4))]);
    let chance = |fit| {
        let located = locate(&[stage(None, "as received", &[], Outcome::Stays)], &[fit]).unwrap();
        let bond = located.locations.iter().find(|b| b.location == "ground-bond").unwrap().clone();
        (bond.probability, bond.because, located.notes)
    };
    let (before, after) = (chance(without), chance(with));
    assert!(after.0 > 2.0 * before.0, "{} to {}", before.0, after.0);
    assert!(after.1.contains("hum"), "{}", after.1);
    assert!(after.2.iter().any(|n| n.contains("return")), "{:?}", after.2);
}

#[test]
fn a_reading_that_jumps_between_two_levels_is_reported_as_two() {
    let mut gatherer = Gatherer::default();
    (0..200).for_each(|i| gatherer.push(if i % 3 == 0 { 300 + i % 2 } else { 340 + i % 2 }));
    let reading = gatherer.reading(Condition::Idle, 1023).unwrap();
    let (low, high) = reading.levels.unwrap();
    assert!((low - 300.5).abs() < 0.6 && (high - 340.5).abs() < 0.6, "{low} {high}");
    // Wide noise with one peak is one level.
    let mut noise = Gatherer::default();
    let mut state = 7u64;
    for _ in 0..2_000 {
        let mut sum = 0;
        for _ in 0..12 {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
            sum += (state >> 60) as u32;
        }
        noise.push(300 + sum);
    }
    assert_eq!(noise.reading(Condition::Idle, 1023).unwrap().levels, None);
}

/// Prompts, readings, and the keys that the set saw.
type Simulated = (Vec<Asked>, Vec<(Nanoseconds, u32)>, Vec<(Nanoseconds, Key)>);

/// A key check in which every key is held for a second, with the reading that the faults give.
fn simulated(faults: &[Fault], ramp: bool) -> Simulated {
    let network = reference(0.01);
    let windows = straykey::analysis::ladder::Windows::of(&network);
    let code = |c: &Condition| network.code(network.solve(c, faults).unwrap());
    let (mut asked, mut codes, mut seen) = (Vec::new(), Vec::new(), Vec::new());
    let mut t = 0i64;
    let mut hold = |t: &mut i64, code: u32, scans: i64| {
        for i in 0..scans {
            codes.push((
                Nanoseconds::from_millis(*t),
                code + u32::from(code > 3 && code < 1020) * (i % 2) as u32,
            ));
            *t += 10;
        }
    };
    hold(&mut t, code(&Condition::Idle), 200);
    for name in KEYS {
        let down = Condition::Key(key(name));
        asked.push(Asked { t: Nanoseconds::from_millis(t), key: key(name) });
        hold(&mut t, code(&Condition::Idle), 50);
        if ramp {
            // A contact that closes slowly passes through the windows above.
            hold(&mut t, 800.max(code(&down)), 1);
            hold(&mut t, 600.max(code(&down)), 1);
            hold(&mut t, code(&Condition::Idle), 1);
        }
        if let Some(key) = windows.key(f64::from(code(&down))) {
            seen.push((Nanoseconds::from_millis(t), key));
        }
        hold(&mut t, code(&down), 100);
        hold(&mut t, code(&Condition::Idle), 100);
    }
    (asked, codes, seen)
}

#[test]
fn a_key_check_shows_which_key_reads_as_which_and_the_fitted_leak_explains_it() {
    let network = reference(0.01);
    let leak = [Fault::SwitchLeak { key: key("KEY_VOLUMEDOWN"), ohm: 12e3 }];
    let (asked, codes, seen) = simulated(&leak, false);
    let checked = Checked { asked: &asked, readings: &codes, seen: &seen };
    let measured = readings(&network, &checked);
    assert_eq!(measured.len(), 7);
    let fit = fit(&network, &measured);
    let outcome = check(&network, &checked, Some(&fit));
    // Worked case F10: idle reads 593 = CH+; CH- reads 334 and is seen as VOL+.
    assert!((outcome.idle.unwrap() - 593.0).abs() < 2.0);
    let row = outcome.keys.iter().find(|r| r.key == key("KEY_CHANNELDOWN")).unwrap();
    assert!((row.counts.unwrap() - 334.5).abs() < 1.0, "{row:?}");
    assert_eq!(row.seen.get("KEY_VOLUMEUP"), Some(&1));
    assert!(row.margin.unwrap() < 0.0);
    assert!((row.explained.unwrap() - row.counts.unwrap()).abs() < 1.5, "{row:?}");
    // The stray key is not taken for the bad key: the fit names the leaking switch.
    assert!(outcome.text[0].contains("does not make Channel up the bad key"), "{:?}", outcome.text);
    assert!(outcome.text.iter().any(|t| t.contains("switch Volume down conducting")), "{:?}", outcome.text);
}

#[test]
fn a_slow_contact_is_seen_by_the_windows_that_it_crosses_and_its_bounce() {
    let network = reference(0.01);
    let (asked, codes, seen) = simulated(&[], true);
    let outcome = check(&network, &Checked { asked: &asked, readings: &codes, seen: &seen }, None);
    let row = outcome.keys.iter().find(|r| r.key == key("KEY_VOLUMEUP")).unwrap();
    assert_eq!(row.crossed, [key("KEY_MENU"), key("KEY_CHANNELUP")]);
    assert_eq!(row.bounces, 1);
    assert!((row.ohm.unwrap() / 3_900.0 - 1.0).abs() < 0.01, "{row:?}");
    assert!((row.settle_s.unwrap() - 0.03).abs() < 1e-9);
}

#[test]
fn a_key_that_does_not_move_the_line_says_so() {
    let network = reference(0.01);
    let (asked, mut codes, _) = simulated(&[], false);
    codes.iter_mut().for_each(|c| c.1 = 1023);
    let outcome = check(&network, &Checked { asked: &asked, readings: &codes, seen: &[] }, None);
    assert!(outcome.keys.iter().all(|r| r.counts.is_none() && r.seen.get("none") == Some(&1)));
    assert!(outcome.keys[2].text.contains("did not move"));
    // And no readings at all are no key check.
    let empty = check(&network, &Checked { asked: &asked, readings: &[], seen: &[] }, None);
    assert_eq!(empty.idle, None);
}

#[test]
fn of_a_line_that_falls_silent_no_idle_reading_is_told() {
    let mut network = reference(0.01);
    let (asked, codes, seen) = simulated(&[], false);
    let whole = check(&network, &Checked { asked: &asked, readings: &codes, seen: &seen }, None);
    let idle = whole.idle.unwrap();
    let pressed: Vec<(Nanoseconds, u32)> =
        codes.into_iter().filter(|(_, counts)| (f64::from(*counts) - idle).abs() > 20.0).collect();
    network.falls_silent = true;
    let checked = Checked { asked: &asked, readings: &pressed, seen: &seen };
    let silent = check(&network, &checked, None);
    assert_eq!(silent.idle, None);
    assert!(silent.text[0].contains("not known"), "{:?}", silent.text);
    for (row, other) in silent.keys.iter().zip(&whole.keys) {
        let moved = row.counts.unwrap() - other.counts.unwrap();
        assert!(moved.abs() < 1.0, "{row:?} against {other:?}");
    }
    assert!(readings(&network, &checked).iter().all(|reading| reading.condition != Condition::Idle));
}

#[test]
fn noise_of_the_converter_is_no_bad_contact() {
    let network = reference(0.01);
    let (asked, codes, seen) = simulated(&[], false);
    let mut random = crate::support::random::Random(9);
    let noisy: Vec<(Nanoseconds, u32)> =
        codes.iter().map(|(t, c)| (*t, (c + random.below(15) as u32).saturating_sub(7).min(1_023))).collect();
    let rows = |codes| check(&network, &Checked { asked: &asked, readings: codes, seen: &seen }, None).keys;
    for (quiet, loud) in rows(&codes).iter().zip(rows(&noisy)) {
        let moved = (loud.counts.unwrap() - quiet.counts.unwrap()).abs();
        assert!(moved < 5.0 && loud.margin.unwrap() > 0.0, "{loud:?}");
        assert_eq!((loud.bounces, loud.crossed.len(), loud.settle_s), (0, 0, quiet.settle_s), "{loud:?}");
    }
}
