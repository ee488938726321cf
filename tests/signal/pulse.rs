//! Marks and spaces. A receiver module idles high and is low for a mark (Vishay TSOP48.. data sheet, 82238).
//! NEC leader: mark 9 ms, space 4.5 ms; bits of 560 us (published timing).

use straykey::base::Nanoseconds;
use straykey::signal::pulse::{Polarity, Slicer};
use straykey::signal::{Edge, Level, Pulse};

/// Idle, then marks and spaces in microseconds by turns.
fn edges(idle: Level, lengths: &[i64]) -> Vec<Edge> {
    let mark = if idle == Level::High { Level::Low } else { Level::High };
    let mut t = 0;
    let mut edges = vec![Edge { t: Nanoseconds(0), level: idle, offset: 0 }];
    for (i, length) in lengths.iter().enumerate() {
        t += length * 1000;
        edges.push(Edge {
            t: Nanoseconds(t),
            level: if i % 2 == 0 { mark } else { idle },
            offset: i as u64 + 1,
        });
    }
    edges
}

fn pulses(slicer: &mut Slicer, edges: &[Edge], end_us: i64) -> Vec<Pulse> {
    let mut out = Vec::new();
    for edge in edges {
        slicer.push(*edge, &mut out);
    }
    slicer.finish(Nanoseconds(end_us * 1000), &mut out);
    out
}

fn shape(pulses: &[Pulse]) -> Vec<(bool, i64)> {
    pulses.iter().map(|pulse| (pulse.mark, pulse.length.0 / 1000)).collect()
}

#[test]
fn both_polarities_give_the_same_marks() {
    let lengths = [3_000, 9_000, 4_500, 560, 560, 560, 1_690, 560];
    let end = lengths.iter().sum::<i64>() + 40_000;
    let expected = [
        (false, 3_000),
        (true, 9_000),
        (false, 4_500),
        (true, 560),
        (false, 560),
        (true, 560),
        (false, 1_690),
        (true, 560),
        (false, 40_000),
    ];
    for (idle, polarity) in [(Level::High, Polarity::MarkLow), (Level::Low, Polarity::MarkHigh)] {
        for given in [None, Some(polarity)] {
            let mut slicer = Slicer::new(given);
            let got = pulses(&mut slicer, &edges(idle, &lengths), end);
            assert_eq!(shape(&got), expected, "{idle:?} {given:?}");
            assert_eq!(slicer.polarity(), Some(polarity));
            assert_eq!((got[1].t, got[1].offset), (Nanoseconds(3_000_000), 1));
        }
    }
}

#[test]
fn a_capture_that_begins_in_a_mark_is_not_turned_round() {
    let mut edges = edges(Level::High, &[0, 5_000, 4_500, 560, 1_690, 560, 60_000, 9_000, 4_500, 560]);
    edges.remove(0);
    let got = pulses(&mut Slicer::new(None), &edges, 200_000);
    assert_eq!(shape(&got)[..2], [(true, 5_000), (false, 4_500)]);
}

#[test]
fn a_set_that_was_off_does_not_turn_the_marks_round() {
    // Low for ten seconds, then the receiver has power: idle high, and a frame every 110 ms.
    let mut edges = vec![Edge { t: Nanoseconds(0), level: Level::Low, offset: 0 }];
    let mut t = 10_000_000;
    for _ in 0..5 {
        for (level, length) in
            [(Level::High, 110_000), (Level::Low, 9_000), (Level::High, 2_250), (Level::Low, 560)]
        {
            edges.push(Edge { t: Nanoseconds(t * 1000), level, offset: 0 });
            t += length;
        }
    }
    edges.push(Edge { t: Nanoseconds(t * 1000), level: Level::High, offset: 0 });
    let mut slicer = Slicer::new(None);
    let got = pulses(&mut slicer, &edges, t + 1_000_000);
    assert_eq!(slicer.polarity(), Some(Polarity::MarkLow));
    assert_eq!(shape(&got)[1..4], [(false, 110_000), (true, 9_000), (false, 2_250)]);
}

#[test]
fn a_line_that_never_rests_is_decided_by_total_time() {
    let lengths: Vec<i64> = (0..10_000).map(|i| if i % 2 == 1 { 600 } else { 900 }).collect();
    let mut slicer = Slicer::new(None);
    let mut out = Vec::new();
    for edge in edges(Level::Low, &lengths) {
        slicer.push(edge, &mut out);
    }
    assert_eq!(slicer.polarity(), Some(Polarity::MarkHigh));
    assert!(out.len() > 9_990, "nothing waits for the end: {}", out.len());
}

#[test]
fn equal_levels_in_a_row_are_one_stretch() {
    let mut edges = edges(Level::High, &[20_000, 560, 20_000]);
    edges.insert(2, Edge { t: Nanoseconds(20_100_000), level: Level::Low, offset: 9 });
    assert_eq!(
        shape(&pulses(&mut Slicer::new(None), &edges, 40_560)),
        [(false, 20_000), (true, 560), (false, 20_000)]
    );
}
