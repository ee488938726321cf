//! Thresholds and glitches. 0.8 and 2.0 V are the LVTTL input levels (JEDEC JESD8; from memory).

use straykey::base::Nanoseconds;
use straykey::signal::edge::{EdgeFinder, Hysteresis};
use straykey::signal::{Edge, Level};
use straykey::source::{Change, Value};

fn change(t: i64, value: Value) -> Change {
    Change { t: Nanoseconds(t), channel: 0, value, offset: t as u64 }
}

fn edges(glitch: i64, end: i64, values: &[(i64, Value)]) -> Vec<(i64, Level)> {
    let mut finder = EdgeFinder::new(Hysteresis::default(), Nanoseconds(glitch));
    let mut out = Vec::new();
    for (t, value) in values {
        finder.push(change(*t, *value), &mut out);
    }
    finder.finish(Nanoseconds(end), &mut out);
    out.into_iter().map(|edge: Edge| (edge.t.0, edge.level)).collect()
}

use Level::{High, Low};

#[test]
fn the_first_level_and_every_change_are_edges() {
    let got = edges(0, 99, &[(5, Value::High), (10, Value::Low), (11, Value::Low), (20, Value::High)]);
    assert_eq!(got, [(5, High), (10, Low), (20, High)]);
}

#[test]
fn between_the_thresholds_the_level_stays() {
    let volts = [3.3, 1.9, 0.9, 1.9, 0.8, 1.9, 2.0, 0.9].map(Value::Volts);
    let samples: Vec<(i64, Value)> = volts.into_iter().enumerate().map(|(i, v)| (i as i64 * 10, v)).collect();
    // The edges lie at the samples here because each meets its threshold exactly.
    assert_eq!(edges(0, 99, &samples), [(0, High), (40, Low), (60, High)]);
}

#[test]
fn an_analog_edge_lies_on_the_line_between_its_samples() {
    // From 3.3 V at 0 to 0 V at 1000 ns the line meets 0.8 V at 2.5/3.3 of the way: 757.6 ns.
    let got = edges(0, 2000, &[(0, Value::Volts(3.3)), (1000, Value::Volts(0.0))]);
    assert_eq!(got, [(0, High), (758, Low)]);
}

#[test]
fn what_is_no_level_makes_no_edge() {
    let got = edges(
        0,
        99,
        &[(0, Value::Low), (10, Value::Unknown), (20, Value::Low), (30, Value::Unknown), (40, Value::High)],
    );
    assert_eq!(got, [(0, Low), (40, High)]);
}

#[test]
fn glitches_vanish_with_both_their_ends() {
    let levels =
        [(0, Value::High), (1000, Value::Low), (1050, Value::High), (3000, Value::Low), (3100, Value::High)];
    assert_eq!(edges(100, 9000, &levels), [(0, High), (3000, Low), (3100, High)]);
    assert_eq!(edges(0, 9000, &levels).len(), 5);
    let mut finder = EdgeFinder::new(Hysteresis::default(), Nanoseconds(100));
    for (t, value) in levels {
        finder.push(change(t, value), &mut Vec::new());
    }
    assert_eq!(finder.glitches(), 1);
}
