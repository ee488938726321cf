//! Analog keypad lines through the whole chain, for every chassis that has some: volts at several sample rates to the
//! keys of its ladder. The voltages are those of the
//! divider rule, from the resistors that the files state.

use std::fmt::Write as _;
use std::io::Cursor;

use straykey::base::{Event, EventKind};
use straykey::timeline::{Options, Protocols, Summary, decode_reader};

/// Scan period of a line whose file gives none, as the decoder states it: common practice, no source.
const USUAL_PERIOD: f64 = 0.02;

struct Ladder {
    chassis: String,
    line: String,
    supply: f64,
    pull_up: f64,
    full_scale: f64,
    period: f64,
    debounce: f64,
    /// Name and resistance to ground (for a series string, the sum up to the tap).
    keys: Vec<(&'static str, f64)>,
}

/// The ladders of all shipped chassis.
fn ladders() -> Vec<Ladder> {
    let library = Protocols::load(None).unwrap().library;
    let mut ladders = Vec::new();
    for chassis in library.all() {
        for (name, windows) in chassis.lines() {
            let line = windows.line();
            let keys =
                line.key.iter().map(|key| (key.name.get_ref().name(), key.to_ground_ohm.unwrap())).collect();
            ladders.push(Ladder {
                chassis: chassis.name().to_owned(),
                line: name.to_string(),
                supply: line.supply_volts,
                pull_up: line.pull_up_ohm.unwrap(),
                full_scale: f64::from(line.full_scale),
                period: line.period_s.unwrap_or(USUAL_PERIOD),
                debounce: f64::from(line.debounce.unwrap_or(1)),
                keys,
            });
        }
    }
    assert!(ladders.len() >= 6, "{}", ladders.len());
    ladders
}

impl Ladder {
    /// The divider rule; infinite for no key.
    fn volts(&self, ohm: f64) -> f64 {
        if ohm.is_infinite() { self.supply } else { self.supply * ohm / (ohm + self.pull_up) }
    }

    /// What an ideal converter gives: the supply reads full scale.
    fn counts(&self, ohm: f64) -> f64 {
        self.volts(ohm) / self.supply * self.full_scale
    }
}

/// A table of volts, one row a sample: stretches of seconds and resistance, with a ripple (amplitude in volts, Hz).
fn sampled(ladder: &Ladder, rate: f64, stretches: &[(f64, f64)], ripple: (f64, f64)) -> String {
    let mut text = format!("Time [s],{} [V]\n", ladder.line);
    let mut row = 0u32;
    let mut end = 0.0;
    for (seconds, ohm) in stretches {
        end += seconds;
        while f64::from(row) / rate < end {
            let t = f64::from(row) / rate;
            let hum = ripple.0 * (std::f64::consts::TAU * ripple.1 * t).sin();
            writeln!(text, "{t:.6},{:.5}", ladder.volts(*ohm) + hum).unwrap();
            row += 1;
        }
    }
    text
}

fn decode(ladder: &Ladder, table: String) -> (Vec<Event>, Summary) {
    let options = Options {
        chassis: Some(ladder.chassis.clone()),
        wires: vec![format!("{0}=keypad:{0}", ladder.line).parse().unwrap()],
        ..Options::default()
    };
    let protocols = Protocols::load(None).unwrap();
    let reader = Box::new(Cursor::new(table.into_bytes()));
    let mut events = Vec::new();
    let summary = decode_reader("line.csv", reader, &protocols, &options, &mut |event| {
        events.push(event);
        Ok(())
    })
    .unwrap();
    (events, summary)
}

#[test]
fn every_key_of_every_line_is_read_at_any_sample_rate_and_a_bounce_is_none() {
    let idle = f64::INFINITY;
    for ladder in &ladders() {
        // Each key for ten scans, then rest; before all, contacts that touch for less than a scan.
        let (key, rest, touch) = (10.0 * ladder.period, 1.0, 0.9 * ladder.period);
        let mut stretches = vec![(1.0, idle), (touch, ladder.keys[0].1), (1.0, idle)];
        stretches.extend(ladder.keys.iter().flat_map(|(_, ohm)| [(key, *ohm), (rest, idle)]));
        // From coarser than the scan to a fine oscilloscope's.
        for rate in [2.0 / ladder.period, 333.0, 1_000.0, 20_000.0] {
            let (events, _) = decode(ladder, sampled(ladder, rate, &stretches, (0.0, 50.0)));
            let told = || format!("{} {} at {rate} Hz: {events:#?}", ladder.chassis, ladder.line);
            let of = |kind| events.iter().filter(move |event| event.kind == kind);
            let presses: Vec<_> = of(EventKind::Press).map(|event| event.key.unwrap().name()).collect();
            let keys: Vec<_> = ladder.keys.iter().map(|(name, _)| *name).collect();
            assert_eq!(presses, keys, "{}", told());
            let mut began = 2.0 + touch;
            for ((press, release), (_, ohm)) in
                of(EventKind::Press).zip(of(EventKind::Release)).zip(&ladder.keys)
            {
                let counts = f64::from(press.counts.unwrap());
                assert!((counts - ladder.counts(*ohm)).abs() <= 1.0, "{counts} {}", told());
                // The firmware sees it at its second scan: one to two scans later, and a sample for the export's grid.
                let late = press.t.seconds() - began;
                let slack = 1.0 / rate + 1e-6;
                assert!(late >= (ladder.debounce - 1.0) * ladder.period - slack, "{late} {}", told());
                assert!(late <= ladder.debounce * ladder.period + slack, "{late} {}", told());
                let held = release.held.unwrap().seconds();
                assert!((held - key).abs() <= ladder.period + slack, "{held} {}", told());
                began += key + rest;
            }
            assert_eq!(of(EventKind::Release).count(), keys.len(), "{}", told());
        }
    }
}

#[test]
fn ripple_is_measured_beside_the_keys_and_makes_none() {
    let idle = f64::INFINITY;
    for ladder in &ladders() {
        // Less than half of the narrowest window on each side.
        let amplitude = 0.012;
        let (name, ohm) = ladder.keys[ladder.keys.len() - 1];
        let stretches = [(4.0, idle), (1.0, ohm), (4.0, idle)];
        for hz in [50.0, 100.0, 120.0] {
            let (events, summary) = decode(ladder, sampled(ladder, 2_000.0, &stretches, (amplitude, hz)));
            let presses: Vec<_> = events.iter().filter(|event| event.kind == EventKind::Press).collect();
            assert_eq!(presses.len(), 1, "{} {} {hz}: {events:#?}", ladder.chassis, ladder.line);
            assert_eq!(presses[0].key.unwrap().name(), name);
            // A sine's effective value is its amplitude by the root of two, 8.5 mV; peak to peak 24 mV.
            let remark = summary.remarks.iter().find(|remark| remark.contains("ripple")).unwrap();
            assert!(remark.contains(&format!("{hz:.1} Hz")), "{hz}: {remark}");
            assert!(remark.contains("8.5 mV rms") || remark.contains("8.4 mV rms"), "{remark}");
        }
    }
}
