//! Stamps: where they stand, how they are written, how long a unit is.

use straykey::base::Nanoseconds;
use straykey::decode::protocol::ClockUnit;
use straykey::learn::{Line, Prefix, Unit};

use crate::support::random::Random;

/// 200 lines at irregular times, stamped by `write` with the set's time in seconds, and host arrivals if wanted.
fn lines(arrivals: bool, write: &dyn Fn(f64) -> String) -> Vec<(Option<Nanoseconds>, String)> {
    let mut random = Random(3);
    let mut t = 0.0;
    (0..200)
        .map(|i| {
            t += 0.02 + random.below(1_000) as f64 / 2e3;
            let late = random.below(16) as f64 / 1e3;
            (
                arrivals.then(|| Nanoseconds::from_seconds(t + late)),
                format!("{}task{}: run {i}", write(41.5 + t), i % 3),
            )
        })
        .collect()
}

fn find(lines: &[(Option<Nanoseconds>, String)], asked: Option<f64>) -> Option<Prefix> {
    let lines: Vec<Line<'_>> = lines.iter().map(|(t, line)| (*t, line.as_bytes())).collect();
    Prefix::find(&lines, asked)
}

#[test]
fn stamp_and_unit_are_recognised_against_host_arrivals() {
    type Case = (&'static str, Unit, &'static dyn Fn(f64) -> String);
    let cases: [Case; 8] = [
        ("[{uptime:seconds}] ", Unit::Clock(ClockUnit::Seconds), &|t| format!("[{t:.3}] ")),
        ("[{uptime:seconds}] ", Unit::Clock(ClockUnit::Seconds), &|t| format!("[{t:12.6}] ")),
        ("{uptime:integer} ", Unit::Clock(ClockUnit::Milliseconds), &|t| format!("{:.0} ", t * 1e3)),
        ("<{uptime:integer}>", Unit::Clock(ClockUnit::Microseconds), &|t| format!("<{:.0}>", t * 1e6)),
        ("t={uptime:integer} ", Unit::Clock(ClockUnit::Milliseconds), &|t| format!("t={:.0} ", t * 1e3)),
        ("{uptime:integer}| ", Unit::Clock(ClockUnit::TenMilliseconds), &|t| format!("{:.0}| ", t * 100.0)),
        ("{uptime:integer}: ", Unit::Clock(ClockUnit::FourMilliseconds), &|t| format!("{:.0}: ", t * 250.0)),
        ("{uptime:hex}: ", Unit::Clock(ClockUnit::Milliseconds), &|t| format!("{:08x}: ", (t * 1e3) as u64)),
    ];
    for (shape, unit, write) in cases {
        let found = find(&lines(true, write), None).unwrap_or_else(|| panic!("{shape}: none found"));
        assert_eq!((found.shape().as_str(), found.unit), (shape, unit));
        assert!(!found.guessed);
    }
}

#[test]
fn ticks_are_measured_and_not_called_a_clock() {
    let found = find(&lines(true, &|t| format!("{:.0}| ", t * 75.0)), None).unwrap();
    let Unit::Ticks(seconds) = found.unit else { panic!("{:?}", found.unit) };
    assert!((seconds * 75.0 - 1.0).abs() < 1e-2, "{seconds}");
    assert_eq!(found.shape(), "{_ticks:integer}| ");
}

#[test]
fn prompts_tell_the_unit_where_the_host_does_not() {
    let found = find(&lines(false, &|t| format!("{:.0} ", t * 1e3)), Some(50.0)).unwrap();
    assert_eq!((found.unit, found.guessed), (Unit::Clock(ClockUnit::Milliseconds), false));
    let guessed = find(&lines(false, &|t| format!("{:.0} ", t * 1e3)), None).unwrap();
    assert!(guessed.guessed, "without arrivals and prompts the unit is a guess and must say so");
}

#[test]
fn numbers_that_go_up_and_down_are_no_stamp() {
    let mut random = Random(9);
    let lines: Vec<_> =
        (0..200).map(|_| (None, format!("{} {} volts", random.below(1023), random.below(99)))).collect();
    assert_eq!(find(&lines, None), None);
}
