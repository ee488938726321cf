//! Readings and ripple. Counts by the rule of an ideal converter, worked by hand: a ladder of 10 k to 3.3 V
//! with a key of 3.9 k gives 3.3 × 3.9/13.9 = 0.9259 V, 287 of 1023 counts. Frequencies are those that the
//! test puts in; 50, 60, 100 and 120 Hz are the mains and their doubles.

use straykey::base::{Counts, Nanoseconds, Volts};
use straykey::signal::level::{LevelReader, LevelSpec, Reading};
use straykey::source::{Change, Value};

const SPEC: LevelSpec =
    LevelSpec { full_scale: 1023, reference: Volts(3.3), period: Nanoseconds::from_millis(10) };

fn sample(t: i64, volts: f64) -> Change {
    Change { t: Nanoseconds(t), channel: 0, value: Value::Volts(volts as f32), offset: t as u64 }
}

/// Samples of `volts(seconds)` at this rate over so many seconds.
fn readings(rate_hz: f64, seconds: f64, volts: impl Fn(f64) -> f64) -> Vec<Reading> {
    let mut reader = LevelReader::new(SPEC);
    let mut out = Vec::new();
    let count = (rate_hz * seconds) as i64;
    for i in 0..count {
        let t = i as f64 / rate_hz;
        reader.push(sample((t * 1e9).round() as i64, volts(t)), &mut out);
    }
    reader.finish(Nanoseconds::from_seconds((count - 1) as f64 / rate_hz), &mut out);
    out
}

#[test]
fn volts_become_counts_by_the_full_scale() {
    let table = [(3.3, 1023), (0.0, 0), (0.9259, 287), (1.65, 512), (-0.2, 0), (5.0, 1023), (f64::NAN, 0)];
    for (volts, counts) in table {
        assert_eq!(SPEC.counts(volts), Counts(counts), "{volts}");
    }
}

#[test]
fn readings_come_at_the_scan_period_at_any_sample_rate() {
    let key_down = |t: f64| if (0.5..0.75).contains(&t) { 0.9259 } else { 3.3 };
    for rate in [100.0, 130.0, 1_000.0, 44_100.0] {
        let got = readings(rate, 1.0, key_down);
        assert!(got.len().abs_diff(100) <= 1, "{rate}: {}", got.len());
        assert!(got.windows(2).all(|pair| (pair[1].t - pair[0].t) == SPEC.period), "{rate}");
        let down: Vec<f64> = got.iter().filter(|r| r.counts == Counts(287)).map(|r| r.t.seconds()).collect();
        assert!(down.len().abs_diff(25) <= 1, "{rate}: {}", down.len());
        assert!(
            (down[0] - 0.5).abs() <= 0.011 && (down[down.len() - 1] - 0.745).abs() <= 0.011,
            "{rate}: {down:?}"
        );
        assert!(got.iter().all(|reading| [287, 1023].contains(&reading.counts.0)));
    }
}

#[test]
fn what_the_firmware_misses_is_kept_beside_the_reading() {
    // A dip of 2 ms between two scans of 10 ms.
    let got = readings(10_000.0, 0.1, |t| if (0.0512..0.0532).contains(&t) { 0.4 } else { 3.3 });
    assert!(got.iter().all(|reading| reading.counts == Counts(1023)));
    let dips: Vec<f64> = got.iter().filter(|r| r.lowest.0 < 1.0).map(|r| r.t.seconds()).collect();
    assert_eq!(dips, [0.06]);
}

#[test]
fn ripple_is_measured_with_its_frequency() {
    for rate in [2_000.0, 10_000.0, 96_000.0] {
        for hz in [50.0, 60.0, 100.0, 120.0, 433.0] {
            let amplitude = 0.05;
            let got = readings(rate, 1.5, |t| 2.0 + amplitude * (std::f64::consts::TAU * hz * t).sin());
            let ripples: Vec<_> = got.iter().filter_map(|reading| reading.ripple).collect();
            assert!(!ripples.is_empty(), "{rate} {hz}");
            for ripple in ripples {
                let found = ripple.frequency_hz.unwrap();
                assert!((found - hz).abs() < 0.5, "{rate} {hz}: {ripple:?}");
                // A sine of amplitude A has the standard deviation A/sqrt(2).
                assert!((ripple.rms.0 - amplitude / 2f64.sqrt()).abs() < 0.001, "{rate} {hz}: {ripple:?}");
                assert!((ripple.peak_to_peak.0 - 2.0 * amplitude).abs() < 0.008, "{rate} {hz}: {ripple:?}");
            }
        }
    }
}

#[test]
fn noise_has_no_frequency() {
    let state = std::cell::Cell::new(1u64);
    let got = readings(10_000.0, 2.0, |_| {
        state
            .set(state.get().wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407));
        2.0 + (state.get() >> 40) as f64 / 1e9
    });
    let ripples: Vec<_> = got.iter().filter_map(|reading| reading.ripple).collect();
    assert!(!ripples.is_empty() && ripples.iter().all(|ripple| ripple.frequency_hz.is_none()), "{ripples:?}");
}

#[test]
fn a_key_is_no_ripple() {
    // Pressed five times a second: the line never rests for a whole block of 0.2 s.
    let got = readings(10_000.0, 3.0, |t| if (t * 5.0).fract() < 0.5 { 0.93 } else { 3.3 });
    assert!(got.iter().all(|reading| reading.ripple.is_none()));
}

#[test]
fn a_long_pause_is_bounded() {
    let mut reader = LevelReader::new(SPEC);
    let mut out = Vec::new();
    reader.push(sample(0, 3.3), &mut out);
    reader.push(sample(3_600_000_000_000, 0.9), &mut out);
    reader.push(sample(i64::MAX, 0.9), &mut out);
    reader.finish(Nanoseconds(i64::MAX), &mut out);
    assert!(out.len() < 300, "{}", out.len());
    let after = out.iter().find(|reading| reading.volts.0 < 1.0).unwrap();
    assert_eq!(after.t, Nanoseconds(3_600_000_000_000));
}

#[test]
fn levels_and_non_numbers_are_passed_over() {
    let mut reader = LevelReader::new(SPEC);
    let mut out = Vec::new();
    for value in [Value::High, Value::Unknown, Value::Volts(f32::NAN), Value::Volts(f32::INFINITY)] {
        reader.push(Change { t: Nanoseconds(5), channel: 0, value, offset: 0 }, &mut out);
    }
    reader.finish(Nanoseconds(1_000_000_000), &mut out);
    assert!(out.is_empty());
}
