//! UART characters. The frame is universal (from memory); worked bytes and run lengths are made by hand, the
//! other bits by the independent generator in `wire.rs`. Bit times of the usual rates: one second divided by
//! the rate. Error budget: the last of ten samples may slip half a bit, 0.5/9.5 = 5.26 %.

use proptest::prelude::*;
use straykey::base::Nanoseconds;
use straykey::signal::uart::{BREAK, FRAMING, Found, Framing, PARITY, Parity, Receiver, UartSpec};
use straykey::signal::{Character, Edge, Level};

use super::wire::{WIRE, Wire};

pub(crate) fn spec(rate_hz: f64, framing: &str, inverted: bool) -> UartSpec {
    UartSpec { rate_hz: Some(rate_hz), framing: Some(framing.parse().unwrap()), inverted: Some(inverted) }
}

pub(crate) fn receive(spec: UartSpec, edges: &[Edge], end: f64) -> (Vec<Character>, Option<Found>) {
    let mut receiver = Receiver::new(spec);
    let mut out = Vec::new();
    for edge in edges {
        receiver.push(*edge, &mut out);
    }
    receiver.finish(Nanoseconds(end as i64), &mut out);
    (out, receiver.found())
}

pub(crate) fn values(characters: &[Character]) -> Vec<u16> {
    characters.iter().map(|character| character.value).collect()
}

pub(crate) fn text(characters: &[Character]) -> String {
    characters.iter().map(|c| char::from(c.value as u8)).collect()
}

pub(crate) const LOG: &[u8] =
    b"[   12.345678] keyscan: line=KEY1 adc=0x1f2\r\n[   12.445678] menu: volume 12\r\n";

/// Edges of `0x4B`, 8N1, by hand: low 1, high 2, low 1, high 1, low 2, high 1, low 1, then high.
fn worked_byte(bit_ns: i64) -> Vec<Edge> {
    let mut edges = vec![Edge { t: Nanoseconds(0), level: Level::High, offset: 0 }];
    let mut t = 1_000_000;
    let mut level = Level::Low;
    for run in [1, 2, 1, 1, 2, 1, 1, 0] {
        edges.push(Edge { t: Nanoseconds(t), level, offset: t as u64 });
        t += run * bit_ns;
        level = if level == Level::Low { Level::High } else { Level::Low };
    }
    edges
}

#[test]
fn the_worked_byte_is_received_at_every_usual_rate() {
    // Bit times in nanoseconds, rounded, of the usual rates.
    let table = [
        (9_600.0, 104_167),
        (19_200.0, 52_083),
        (38_400.0, 26_042),
        (57_600.0, 17_361),
        (115_200.0, 8_681),
        (230_400.0, 4_340),
        (460_800.0, 2_170),
        (921_600.0, 1_085),
        (1_500_000.0, 667),
    ];
    for (rate, bit_ns) in table {
        let edges = worked_byte(bit_ns);
        let end = edges.last().unwrap().t.0 as f64;
        let (got, found) = receive(spec(rate, "8N1", false), &edges, end);
        assert_eq!(
            got,
            [Character { t: Nanoseconds(1_000_000), value: 0x4b, fault: None, offset: 1_000_000 }]
        );
        assert_eq!(found.unwrap().certainty, 1.0);
        let (got, found) = receive(UartSpec::default(), &edges, end);
        let found = found.unwrap();
        assert_eq!((values(&got), found.usual_hz), (vec![0x4b], Some(rate)), "{found:?}");
        assert!(found.certainty < 0.9, "one character is no proof: {found:?}");
    }
}

#[test]
fn every_framing_is_received_when_given() {
    for (name, data_bits, parity, stop_bits) in [
        ("8N1", 8, b'N', 1),
        ("7E1", 7, b'E', 1),
        ("7O2", 7, b'O', 2),
        ("8E1", 8, b'E', 1),
        ("8O2", 8, b'O', 2),
        ("9N1", 9, b'N', 1),
        ("9E2", 9, b'E', 2),
        ("5N2", 5, b'N', 2),
        ("6O1", 6, b'O', 1),
    ] {
        for inverted in [false, true] {
            let wire = Wire { data_bits, parity, stop_bits, inverted, ..WIRE };
            let sent: Vec<u16> = (0..1 << data_bits).collect();
            let bits: Vec<bool> = sent.iter().flat_map(|value| wire.bits(u32::from(*value))).collect();
            let edges = wire.edges(5e5, &bits);
            let (got, _) = receive(spec(WIRE.rate_hz, name, inverted), &edges, 1e6 + wire.length_ns(&bits));
            assert_eq!(values(&got), sent, "{name} {inverted}");
            assert!(got.iter().all(|character| character.fault.is_none()), "{name} {inverted}");
        }
    }
}

#[test]
fn framing_error_break_and_parity_error_are_kept_with_their_time() {
    let wire = Wire { parity: b'E', ..WIRE };
    let bit = 1e9 / wire.rate_hz;
    let mut bits = wire.bits(0x41);
    let start_of_bad_stop = bits.len();
    let mut bad = wire.bits(0x42);
    *bad.last_mut().unwrap() = false;
    bits.extend(bad);
    bits.extend([true; 5]);
    let start_of_break = bits.len();
    bits.extend([false; 40]);
    bits.extend([true; 5]);
    let start_of_bad_parity = bits.len();
    let mut bad = wire.bits(0x43);
    bad[9] = !bad[9];
    bits.extend(bad);
    bits.extend(wire.bits(0x44));
    let edges = wire.edges(1e6, &bits);
    let (got, _) = receive(spec(wire.rate_hz, "8E1", false), &edges, 1e6 + wire.length_ns(&bits) + 1e6);
    let got: Vec<(u16, Option<&str>, i64)> = got.iter().map(|c| (c.value, c.fault, c.t.0)).collect();
    let at = |bits: usize| (1e6 + bits as f64 * bit).round() as i64;
    assert_eq!(
        got,
        [
            (0x41, None, at(0)),
            (0x42, Some(FRAMING), at(start_of_bad_stop)),
            (0, Some(BREAK), at(start_of_break)),
            (0x43, Some(PARITY), at(start_of_bad_parity)),
            (0x44, None, at(start_of_bad_parity + 11)),
        ]
    );
}

#[test]
fn a_set_that_loses_power_is_one_long_break() {
    let mut edges = WIRE.edges(1e6, &WIRE.bits(0x55));
    edges.push(Edge { t: Nanoseconds(5_000_000), level: Level::Low, offset: 7 });
    let (got, _) = receive(spec(115_200.0, "8N1", false), &edges, 9e9);
    assert_eq!((values(&got), got[1].fault), (vec![0x55, 0], Some(BREAK)));
}

#[test]
fn a_spike_is_no_start_bit() {
    let mut edges = WIRE.edges(1e6, &WIRE.bits(0x55));
    for (t, level) in [(5_000_000, Level::Low), (5_002_000, Level::High)] {
        edges.push(Edge { t: Nanoseconds(t), level, offset: 0 });
    }
    assert_eq!(values(&receive(spec(115_200.0, "8N1", false), &edges, 1e7).0), [0x55]);
}

#[test]
fn a_character_that_ends_in_idle_needs_no_further_edge() {
    let mut receiver = Receiver::new(spec(115_200.0, "8N1", false));
    let mut out = Vec::new();
    for edge in WIRE.edges(1e6, &WIRE.bits(0xf0)) {
        receiver.push(edge, &mut out);
    }
    assert_eq!(out, []);
    receiver.advance(Nanoseconds(1_000_000 + 82_000), &mut out);
    assert_eq!(out, [], "9.5 bits of 8.68 us are 82.5 us");
    receiver.advance(Nanoseconds(1_000_000 + 83_000), &mut out);
    assert_eq!(values(&out), [0xf0]);
}

#[test]
fn a_capture_that_begins_inside_a_character_recovers() {
    let bits = WIRE.text(LOG, 30);
    let edges = WIRE.edges(1e6, &bits);
    let (got, _) = receive(spec(115_200.0, "8N1", false), &edges[7..], 1e6 + WIRE.length_ns(&bits));
    assert!(text(&got).ends_with("menu: volume 12\r\n"), "{:?}", text(&got));
}

#[test]
fn a_drifting_sender_is_followed_and_told() {
    // 3 % in all, from 2 % slow to 1 % fast, the most that two ends of a line may well differ.
    let wire = WIRE;
    let bytes: Vec<u8> = LOG.iter().copied().cycle().take(4_000).collect();
    let mut edges = vec![Edge { t: Nanoseconds(0), level: Level::High, offset: 0 }];
    let mut t = 1e6;
    let mut last = true;
    for (i, byte) in bytes.iter().enumerate() {
        let rate = wire.rate_hz * (0.98 + 0.03 * i as f64 / bytes.len() as f64);
        for bit in wire.bits(u32::from(*byte)) {
            if bit != last {
                let level = if bit { Level::High } else { Level::Low };
                edges.push(Edge { t: Nanoseconds(t as i64), level, offset: 0 });
                last = bit;
            }
            t += 1e9 / rate;
        }
    }
    for spec in [spec(115_200.0, "8N1", false), UartSpec::default()] {
        let mut receiver = Receiver::new(spec);
        let mut out = Vec::new();
        for edge in &edges {
            receiver.push(*edge, &mut out);
        }
        receiver.finish(Nanoseconds(t as i64), &mut out);
        assert!(out.iter().all(|character| character.fault.is_none()));
        assert_eq!(values(&out), bytes.iter().map(|byte| u16::from(*byte)).collect::<Vec<_>>());
        let drift = receiver.drift().unwrap();
        assert!((drift.first_hz / (115_200.0 * 0.980_24) - 1.0).abs() < 5e-4, "{drift:?}");
        assert!((drift.last_hz / (115_200.0 * 1.009_5) - 1.0).abs() < 5e-4, "{drift:?}");
        assert_eq!((drift.windows, drift.lowest_hz, drift.highest_hz), (62, drift.first_hz, drift.last_hz));
    }
}

#[test]
fn a_steady_sender_shows_no_drift() {
    let bits = WIRE.text(&LOG.repeat(20), 50);
    let edges = WIRE.edges(1e6, &bits);
    let mut receiver = Receiver::new(spec(115_200.0, "8N1", false));
    let mut out = Vec::new();
    for edge in &edges {
        receiver.push(*edge, &mut out);
    }
    let drift = receiver.drift().unwrap();
    assert!(drift.highest_hz / drift.lowest_hz < 1.000_1, "{drift:?}");
}

#[test]
fn framings_are_written_as_technicians_write_them() {
    assert_eq!(
        "7e2".parse::<Framing>().unwrap(),
        Framing { data_bits: 7, parity: Parity::Even, stop_bits: 2 }
    );
    assert_eq!(Framing::default().to_string(), "8N1");
    for wrong in ["", "8N", "8N3", "4N1", "8X1", "8N11", "\u{e4}"] {
        assert_eq!(wrong.parse::<Framing>().err().unwrap().exit_status(), 2, "{wrong}");
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 200, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn bytes_survive_a_wrong_rate_inside_the_error_budget(
        bytes in proptest::collection::vec(any::<u8>(), 1..40),
        error in -0.045f64..0.045,
        jitter in proptest::collection::vec(-200i64..200, 400),
    ) {
        let wire = Wire { rate_hz: 115_200.0 * (1.0 + error), ..WIRE };
        let mut bits = Vec::new();
        for byte in &bytes {
            bits.extend(wire.bits(u32::from(*byte)));
            bits.push(true);
        }
        let mut edges = wire.edges(1e6, &bits);
        for (edge, jitter) in edges.iter_mut().skip(1).zip(&jitter) {
            edge.t = Nanoseconds(edge.t.0 + jitter);
        }
        let (got, _) = receive(spec(115_200.0, "8N1", false), &edges, 2e6 + wire.length_ns(&bits));
        prop_assert_eq!(values(&got), bytes.iter().map(|byte| u16::from(*byte)).collect::<Vec<_>>());
    }

    #[test]
    fn no_edges_make_it_panic(steps in proptest::collection::vec((0i64..1 << 40, any::<bool>()), 0..300), given: bool) {
        let mut t = i64::MIN / 2;
        let edges: Vec<Edge> = steps
            .iter()
            .map(|(step, high)| {
                t += step;
                Edge { t: Nanoseconds(t), level: if *high { Level::High } else { Level::Low }, offset: 0 }
            })
            .collect();
        let spec = if given { spec(115_200.0, "8N1", false) } else { UartSpec::default() };
        let _ = receive(spec, &edges, t as f64);
    }
}
