//! The set's uptime on the capture clock.

use straykey::base::Nanoseconds;
use straykey::decode::set_clock::{SetClock, TimeBasis};

fn ms(milliseconds: i64) -> Nanoseconds {
    Nanoseconds::from_millis(milliseconds)
}

/// Seeded generator of delays; the quality of the randomness does not matter.
struct Delays(u64);

impl Delays {
    fn next(&mut self) -> i64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
        // Lumps of 16 ms, as a USB adapter with its usual latency timer delivers (common practice).
        i64::try_from(self.0 >> 33).unwrap_or(0) % 16_000_000
    }
}

#[test]
fn lumpy_delivery_is_smoothed_to_the_envelope() {
    // Truth: uptime u was printed at u + 7 s; it arrives 1 ms to 17 ms later.
    let mut clock = SetClock::new();
    let mut delays = Delays(42);
    let mut worst = 0;
    for i in 0..2_000i64 {
        let uptime = ms(50 * i);
        let printed = uptime + ms(7_000);
        let arrival = Nanoseconds(printed.0 + 1_000_000 + delays.next());
        let placed = clock.place(Some(arrival), Some(uptime), None, false);
        assert!(placed.t <= arrival, "an event before its bytes is impossible");
        if i > 100 {
            worst = worst.max((placed.t.0 - printed.0 - 1_000_000).abs());
        }
    }
    // Smallest of about 1 200 delays spread evenly over 16 ms lies below 0.4 ms with a chance of 1 - e^-29.
    assert!(worst < 400_000, "{worst} ns");
    assert_eq!(clock.basis(), TimeBasis::Arrival);
}

#[test]
fn a_drifting_crystal_is_followed() {
    // 200 ppm slow, an hour: 0.72 s in all, at most 12 ms in the minute of the window.
    let mut clock = SetClock::new();
    let mut worst = 0;
    for i in 0..72_000i64 {
        let printed = ms(50 * i);
        let uptime = Nanoseconds(printed.0 - printed.0 / 5_000);
        let placed = clock.place(Some(printed), Some(uptime), None, false);
        worst = worst.max((printed.0 - placed.t.0).abs());
    }
    assert!(worst <= 12_300_000, "{worst} ns");
}

#[test]
fn time_never_runs_backwards_and_a_fall_of_the_uptime_is_a_restart() {
    let mut clock = SetClock::new();
    clock.place(None, Some(ms(90_000)), None, false);
    let before = clock.place(None, Some(ms(95_000)), None, false);
    assert_eq!(before.t, ms(5_000));
    let after = clock.place(None, Some(ms(300)), None, false);
    assert_eq!(after.restarted_from, Some(ms(95_000)));
    assert_eq!(after.t, ms(5_000));
    assert_eq!(clock.place(None, Some(ms(800)), None, false).t, ms(5_500));
    // Two processors that print a little out of order are no restart.
    let swapped = clock.place(None, Some(ms(700)), None, false);
    assert_eq!((swapped.t, swapped.restarted_from), (ms(5_500), None));
}

#[test]
fn a_wall_clock_that_is_set_back_is_no_restart() {
    let mut clock = SetClock::new();
    clock.place(None, Some(ms(1_700_000_000_000)), None, true);
    let back = clock.place(None, Some(ms(1_600_000_000_000)), None, true);
    assert_eq!((back.t, back.restarted_from), (ms(0), None));
    assert_eq!(clock.place(None, Some(ms(1_600_000_000_250)), None, true).t, ms(250));
}

#[test]
fn one_damaged_stamp_does_not_carry_the_clock_away() {
    let mut clock = SetClock::new();
    for i in 0..100 {
        clock.place(Some(ms(1_000 + 50 * i)), Some(ms(50 * i)), None, false);
    }
    let damaged = clock.place(Some(ms(6_000)), Some(ms(905_000)), None, false);
    assert_eq!(damaged.t, ms(6_000));
    let next = clock.place(Some(ms(6_050)), Some(ms(5_050)), None, false);
    assert_eq!((next.t, next.restarted_from), (ms(6_050), None));
}

/// A terminal that stamps whole seconds must not spoil stamps of milliseconds.
#[test]
fn coarse_arrivals_leave_the_sets_own_times_whole() {
    for (start, ppm) in [(0.0, 0.0), (0.3, 0.0), (0.999, 0.0), (0.5, 200.0)] {
        let mut clock = SetClock::new();
        clock.coarse(Nanoseconds::SECOND);
        let mut delays = Delays(7);
        let (mut last, mut worst): (Option<f64>, f64) = (None, 0.0);
        let mut first = None;
        for i in 0..20_000i64 {
            let printed = start + 1.105 * i as f64;
            let uptime = Nanoseconds::from_seconds(printed * (1.0 - ppm * 1e-6));
            let arrival = (printed + delays.next() as f64 / 1e9).floor();
            let first = *first.get_or_insert(arrival);
            let t =
                clock.place(Some(Nanoseconds::from_seconds(arrival - first)), Some(uptime), None, false).t;
            if let Some(last) = last {
                worst = worst.max((t.seconds() - last - 1.105_f64).abs());
            }
            last = Some(t.seconds());
            // The first stamp may be a step early, and so may this one.
            let off = t.seconds() - (printed - first);
            assert!((-2.02..=1.02).contains(&off), "{start}: {} at {printed}", t.seconds());
        }
        // The clock is put right by what lumps of the adapter and the drift between them make, no more.
        assert!(worst < 0.035, "{start}: a beat of 1.105 s is off by {worst} s");
    }
}
