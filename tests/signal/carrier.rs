//! Carrier-level infrared. NEC timing as published: leader 9 and 4.5 ms, bit mark 560 us, spaces 560 and
//! 1690 us, on 38 kHz; the carrier is made here as plain on-off cycles of one third duty (the data sheets of
//! infrared diodes and remote-control chips recommend a third to a half; from memory). The least burst of a
//! receiver module is 6 or 10 cycles (Vishay TSOP data sheets, "suitable data format").

use straykey::base::Nanoseconds;
use straykey::signal::carrier::{Infrared, Stripper};
use straykey::signal::pulse::Polarity;
use straykey::signal::{Edge, Level, Pulse};

/// NEC frame 0x04/0x08 as marks and spaces in microseconds, least significant bit first, from the rule.
fn nec() -> Vec<i64> {
    let mut lengths = vec![9_000, 4_500];
    for byte in [0x04u8, !0x04, 0x08, !0x08] {
        for bit in 0..8 {
            lengths.extend([560, if byte >> bit & 1 == 1 { 1_690 } else { 560 }]);
        }
    }
    lengths.push(560);
    lengths
}

/// Edges of a line that is idle for `idle` us, then sends marks as cycles.
fn carrier_edges(lengths: &[i64], hz: f64, idle_us: i64, lit: Level, step_ns: i64) -> Vec<Edge> {
    let dark = if lit == Level::High { Level::Low } else { Level::High };
    let snap = |t: f64| Nanoseconds((t / step_ns as f64).round() as i64 * step_ns);
    let mut edges = vec![Edge { t: Nanoseconds(0), level: dark, offset: 0 }];
    let cycle = 1e9 / hz;
    let mut t = idle_us as f64 * 1e3;
    for (i, length) in lengths.iter().enumerate() {
        let length = *length as f64 * 1e3;
        if i % 2 == 0 {
            for k in 0..(length / cycle).round() as i64 {
                let on = t + k as f64 * cycle;
                edges.push(Edge { t: snap(on), level: lit, offset: edges.len() as u64 });
                edges.push(Edge { t: snap(on + cycle / 3.0), level: dark, offset: edges.len() as u64 });
            }
        }
        t += length;
    }
    edges
}

fn receive(infrared: &mut Infrared, edges: &[Edge], end: Nanoseconds) -> Vec<Pulse> {
    let mut out = Vec::new();
    for edge in edges {
        infrared.push(*edge, &mut out);
    }
    infrared.finish(end, &mut out);
    out
}

#[test]
fn envelope_and_carrier_are_found_at_every_usual_frequency() {
    for hz in [30_300.0, 33_000.0, 36_000.0, 37_900.0, 38_000.0, 40_000.0, 56_000.0] {
        for (lit, polarity) in [(Level::High, Polarity::MarkHigh), (Level::Low, Polarity::MarkLow)] {
            // Steps of 1 and of 1000 ns: a fine capture, and one of 1 MHz.
            for step in [1, 1_000] {
                let lengths = nec();
                let edges = carrier_edges(&lengths, hz, 5_000, lit, step);
                let end = edges.last().unwrap().t + Nanoseconds::from_millis(40);
                let mut infrared = Infrared::new(None);
                let got = receive(&mut infrared, &edges, end);
                let carrier = infrared.carrier().unwrap();
                assert!((carrier.hz / hz - 1.0).abs() < 0.003, "{hz} {step}: {carrier:?}");
                assert!((carrier.duty - 1.0 / 3.0).abs() < 0.02, "{hz} {step}: {carrier:?}");
                assert_eq!(infrared.polarity(), Some(polarity));
                assert_eq!(got.len(), lengths.len() + 2, "{hz} {step}");
                for (pulse, length) in got[1..].iter().zip(&lengths) {
                    // A mark is a whole number of cycles, so that it may be off by half of one.
                    let off = (pulse.length.micros() - *length as f64).abs();
                    assert!(off <= 0.5e6 / hz + 2.0 * step as f64 / 1e3, "{hz} {step}: {pulse:?} {length}");
                }
                assert!(got.windows(2).all(|pair| pair[0].mark != pair[1].mark));
                assert!(got.windows(2).all(|pair| pair[0].t + pair[0].length == pair[1].t));
            }
        }
    }
}

#[test]
fn a_receiver_modules_output_passes_through() {
    let lengths = nec();
    let mut edges = vec![Edge { t: Nanoseconds(0), level: Level::High, offset: 0 }];
    let mut t = 20_000_000;
    for (i, length) in lengths.iter().enumerate() {
        edges.push(Edge {
            t: Nanoseconds(t),
            level: if i % 2 == 0 { Level::Low } else { Level::High },
            offset: 0,
        });
        t += length * 1000;
    }
    edges.push(Edge { t: Nanoseconds(t), level: Level::High, offset: 0 });
    let mut infrared = Infrared::new(None);
    let got = receive(&mut infrared, &edges, Nanoseconds(t + 40_000_000));
    let marks: Vec<i64> = got[1..].iter().map(|pulse| pulse.length.0 / 1000).collect();
    assert_eq!((infrared.carrier(), &marks[..lengths.len()]), (None, &lengths[..]));
}

#[test]
fn a_lost_cycle_does_not_split_a_mark() {
    let mut edges = carrier_edges(&[9_000, 4_500, 560], 38_000.0, 1_000, Level::High, 1);
    edges.drain(101..103);
    let got = receive(&mut Infrared::new(None), &edges, Nanoseconds::from_millis(60));
    let marks: Vec<bool> = got.iter().map(|pulse| pulse.mark).collect();
    assert_eq!(marks, [false, true, false, true, false]);
}

#[test]
fn spikes_are_counted_and_no_marks() {
    let mut stripper = Stripper::new(Polarity::MarkHigh);
    let mut out = Vec::new();
    // Five cycles are fewer than any module passes, six are a mark.
    for edge in carrier_edges(&[130, 5_000, 158], 38_000.0, 1_000, Level::High, 1) {
        stripper.push(edge, &mut out);
    }
    stripper.finish(Nanoseconds::from_millis(20), &mut out);
    let marks: Vec<bool> = out.iter().map(|pulse| pulse.mark).collect();
    assert_eq!((marks.as_slice(), stripper.dropped()), (&[false, true, false][..], 1));
    assert_eq!(out[0].length, Nanoseconds::from_micros(1_000 + 130 + 5_000));
}

#[test]
fn memory_does_not_grow_with_the_line() {
    let edges = carrier_edges(&[600; 4_001], 38_000.0, 1_000, Level::High, 1);
    let mut infrared = Infrared::new(None);
    let mut out = Vec::new();
    let mut largest = 0;
    for edge in &edges {
        infrared.push(*edge, &mut out);
        largest = largest.max(out.len());
        out.clear();
    }
    assert!(largest < 40, "{largest}");
}
