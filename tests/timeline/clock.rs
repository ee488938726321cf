//! Set time to host time, on simulated sets with known truth.

use straykey::base::Nanoseconds;
use straykey::timeline::clock::{REBOOT_AFTER, SetClock};

use crate::support::random::Random;

const MS: i64 = 1_000_000;

/// A set that prints every `period`, whose clock is slow by `ppm`, read through lumps of 16 ms and a host
/// that is late by up to 3 ms more. Gives (true instant, arrival, set time).
fn set(seed: u64, lines: i64, period: i64, ppm: f64, boot: i64) -> Vec<(i64, i64, i64)> {
    let mut random = Random(seed);
    (0..lines)
        .map(|i| {
            let truth = boot + i * period + random.below(5 * MS as usize) as i64;
            let set_time = ((truth - boot) as f64 * (1.0 - ppm * 1e-6)) as i64;
            let lump = (truth / (16 * MS) + 1) * (16 * MS);
            (truth, lump + random.below(3 * MS as usize) as i64, set_time)
        })
        .collect()
}

#[test]
fn lumps_of_the_adapter_are_taken_out() {
    for ppm in [0.0, 50.0, -50.0] {
        let mut clock = SetClock::new();
        let mut worst = 0;
        let mut last = i64::MIN;
        for (i, (truth, arrival, set_time)) in
            set(1, 40_000, 20 * MS, ppm, 7_000 * MS).into_iter().enumerate()
        {
            let fitted = clock.push(Nanoseconds(arrival), Nanoseconds(set_time));
            assert!(!fitted.rebooted);
            assert!(fitted.t.0 <= arrival && fitted.t.0 >= last);
            last = fitted.t.0;
            if i > 500 {
                worst = worst.max((fitted.t.0 - truth).abs());
            }
        }
        // Arrivals are late by up to 19 ms. Left over: the smallest delay met (below 1 ms among 3000
        // lines of a window) and 60 s of drift at 50 ppm, 3 ms.
        let bound = if ppm == 0.0 { MS } else { 4 * MS };
        assert!(worst < bound, "{ppm} ppm: {} us", worst / 1000);
    }
}

#[test]
fn drift_is_found() {
    for ppm in [80.0, -35.0] {
        let mut clock = SetClock::new();
        for (_, arrival, set_time) in set(2, 120_000, 20 * MS, ppm, 0) {
            clock.push(Nanoseconds(arrival), Nanoseconds(set_time));
        }
        let found = clock.drift_ppm().unwrap();
        assert!((found - ppm).abs() < 2.0, "{found} for {ppm}");
    }
}

#[test]
fn drift_is_not_known_before_three_minutes() {
    let mut clock = SetClock::new();
    for (_, arrival, set_time) in set(3, 8_000, 20 * MS, 80.0, 0) {
        clock.push(Nanoseconds(arrival), Nanoseconds(set_time));
    }
    assert_eq!(clock.drift_ppm(), None);
}

#[test]
fn an_uptime_that_falls_back_is_a_reboot() {
    let mut clock = SetClock::new();
    let second = |s: i64| Nanoseconds(s * 1_000 * MS);
    for s in 100..110 {
        assert!(!clock.push(second(s), second(s + 500)).rebooted);
    }
    let fitted = clock.push(second(115), second(2));
    assert!(fitted.rebooted);
    assert_eq!(fitted.t, second(115));
    assert_eq!(clock.offset(), Some(second(113)));
    assert!(!clock.push(second(116), second(3)).rebooted);
    assert_eq!(clock.reboots(), 1);
}

#[test]
fn lines_slightly_out_of_order_are_no_reboot_and_time_never_runs_back() {
    let mut clock = SetClock::new();
    let at = |ms: i64| Nanoseconds(ms * MS);
    clock.push(at(10_000), at(5_000));
    let fitted = clock.push(at(10_001), at(5_000) - REBOOT_AFTER + at(1));
    assert!(!fitted.rebooted);
    assert_eq!(fitted.t, at(10_000));
}

#[test]
fn hostile_times_do_not_panic() {
    let mut clock = SetClock::new();
    for extreme in [i64::MIN, i64::MAX, 0, -1, 1] {
        clock.push(Nanoseconds(extreme), Nanoseconds(i64::MIN));
        clock.push(Nanoseconds(i64::MAX), Nanoseconds(extreme));
        let _ = clock.drift_ppm();
    }
}
