//! Rate, framing and polarity found from edges alone; a line that changes; several lines in one file. The
//! bits are made by the independent generator in `wire.rs`. Eight samples a bit are the least that a capture
//! should have (common practice, no source).

use straykey::base::Nanoseconds;
use straykey::signal::edge::{EdgeFinder, Hysteresis};
use straykey::signal::uart::{Framing, Parity, Receiver, UartSpec};
use straykey::signal::{Character, Edge, Level};
use straykey::source::SampleSource;
use straykey::source::csv::{CsvOptions, CsvSource};

use super::uart::{LOG, receive, spec, text, values};
use super::wire::{WIRE, Wire};

#[test]
fn rate_and_framing_are_found_from_text() {
    for rate_hz in [300.0, 9_600.0, 38_400.0, 115_200.0, 921_600.0, 1_500_000.0, 31_250.0, 74_880.0] {
        for (data_bits, parity, stop_bits) in
            [(8, b'N', 1), (7, b'E', 1), (7, b'O', 1), (8, b'E', 1), (8, b'O', 1), (8, b'N', 2), (7, b'N', 1)]
        {
            for inverted in [false, true] {
                let wire = Wire { rate_hz, data_bits, parity, stop_bits, inverted };
                let bits = wire.text(LOG, 200);
                let edges = wire.edges(1e6, &bits);
                let (got, found) = receive(UartSpec::default(), &edges, 2e6 + wire.length_ns(&bits));
                let found = found.unwrap();
                let name = format!("{data_bits}{}{stop_bits}", char::from(parity));
                assert_eq!(found.framing.to_string(), name, "{rate_hz} {inverted} {found:?}");
                assert_eq!(found.inverted, inverted, "{rate_hz} {name}");
                assert!((found.rate_hz / rate_hz - 1.0).abs() < 0.005, "{rate_hz} {name} {found:?}");
                assert!(found.certainty > 0.99, "{rate_hz} {name} {found:?}");
                assert_eq!(text(&got).as_bytes(), LOG);
            }
        }
    }
}

#[test]
fn a_line_that_changes_its_rate_is_found_anew() {
    let boot = Wire { rate_hz: 115_200.0, ..WIRE };
    let system = Wire { rate_hz: 921_600.0, ..WIRE };
    let boot_bits = boot.text(&LOG.repeat(40), 20);
    let system_bits = system.text(&LOG.repeat(60), 200);
    let mut edges = boot.edges(1e6, &boot_bits);
    let change = 2e6 + boot.length_ns(&boot_bits);
    edges.extend(system.edges(change, &system_bits).into_iter().skip(1));
    let end = change + system.length_ns(&system_bits) + 1e6;
    let mut receiver = Receiver::new(UartSpec::default());
    let mut out = Vec::new();
    for edge in &edges {
        receiver.push(*edge, &mut out);
    }
    assert_eq!(receiver.changes(), 1);
    receiver.finish(Nanoseconds(end as i64), &mut out);
    assert_eq!(receiver.found().unwrap().usual_hz, Some(921_600.0));
    assert!(out.windows(2).all(|pair| pair[0].t < pair[1].t));
    let sound: Vec<Character> = out.iter().filter(|character| character.fault.is_none()).cloned().collect();
    let text = text(&sound).into_bytes();
    assert!(
        text.starts_with(&LOG.repeat(40)) && text.ends_with(&LOG.repeat(59)),
        "{} {}",
        text.len(),
        100 * LOG.len()
    );
    // Where the rate is given, the faults are the finding.
    let (got, found) = receive(spec(115_200.0, "8N1", false), &edges, end);
    assert_eq!(found.unwrap().rate_hz, 115_200.0);
    assert!(got.iter().filter(|character| character.fault.is_some()).count() > 100);
}

#[test]
fn coarse_captures_are_enough() {
    // Steps of 250 ns to 1 us at 115200 bits a second: 35 to 8.7 samples a bit, 8 being the least that one
    // should take (common practice); then 4.3, which is too few for comfort and still received.
    for step in [250.0, 1_000.0, 2_000.0] {
        for start in [0, 1, 5, 12] {
            let bits = WIRE.text(&LOG.repeat(3), 100);
            let mut edges = WIRE.edges(1e6, &bits);
            for edge in &mut edges {
                edge.t = Nanoseconds(((edge.t.0 as f64 / step).floor() * step) as i64);
            }
            let (got, found) = receive(UartSpec::default(), &edges[start..], 2e6 + WIRE.length_ns(&bits));
            let found = found.unwrap();
            assert_eq!(
                (found.usual_hz, found.framing, found.inverted),
                (Some(115_200.0), Framing::default(), false)
            );
            assert!(found.certainty > 0.95, "{step} {start} {found:?}");
            assert!(text(&got).as_bytes().ends_with(LOG), "{step} {start} {:?}", text(&got));
        }
    }
}

#[test]
fn a_line_with_power_cuts_and_spikes_is_still_found() {
    let bits = WIRE.text(&LOG.repeat(4), 300);
    let mut edges = vec![
        Edge { t: Nanoseconds(-9_000_000_000), level: Level::Low, offset: 0 },
        Edge { t: Nanoseconds(-3_000_000_000), level: Level::High, offset: 0 },
    ];
    for t in [-2_000_000_000, -1_500_000_000, -700_000_000] {
        edges.push(Edge { t: Nanoseconds(t), level: Level::Low, offset: 0 });
        edges.push(Edge { t: Nanoseconds(t + 400), level: Level::High, offset: 0 });
    }
    edges.extend(WIRE.edges(1e6, &bits).into_iter().skip(1));
    let (got, found) = receive(UartSpec::default(), &edges, 2e6 + WIRE.length_ns(&bits));
    let found = found.unwrap();
    assert_eq!((found.usual_hz, found.framing, found.inverted), (Some(115_200.0), Framing::default(), false));
    assert_eq!(text(&got).as_bytes(), LOG.repeat(4));
}

#[test]
fn binary_data_is_found_as_well_as_text() {
    let mut state = 1u32;
    let bytes: Vec<u8> = (0..400)
        .map(|_| {
            state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
            (state >> 24) as u8
        })
        .collect();
    for (data_bits, parity) in [(8, b'N'), (8, b'E'), (8, b'O')] {
        let wire = Wire { data_bits, parity, rate_hz: 57_600.0, ..WIRE };
        let bits: Vec<bool> = bytes.iter().flat_map(|byte| wire.bits(u32::from(*byte))).collect();
        let edges = wire.edges(1e6, &bits);
        let (got, found) = receive(UartSpec::default(), &edges, 2e6 + wire.length_ns(&bits));
        let found = found.unwrap();
        assert_eq!(found.framing.parity == Parity::None, parity == b'N', "{found:?}");
        assert_eq!((found.usual_hz, found.framing.data_bits), (Some(57_600.0), 8));
        assert_eq!(values(&got), bytes.iter().map(|byte| u16::from(*byte)).collect::<Vec<_>>());
    }
}

/// The stated certainty is honest: of the lines that are called 95 % sure or more, at least 95 % are right,
/// and long texts are called sure. Seeded; contents, rates, framings, steps of the capture and pauses vary.
#[test]
fn the_stated_certainty_holds() {
    let mut state = 0x0057_7261u64;
    let mut random = move |below: u64| {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (state >> 33) % below
    };
    let (mut sure, mut right, mut long_sure, mut long) = (0, 0, 0, 0);
    for _ in 0..200 {
        let rate_hz =
            [9_600.0, 19_200.0, 38_400.0, 57_600.0, 115_200.0, 460_800.0, 1_500_000.0][random(7) as usize];
        let (data_bits, parity, stop_bits) = [
            (8, b'N', 1),
            (8, b'N', 1),
            (8, b'N', 2),
            (8, b'E', 1),
            (8, b'O', 1),
            (7, b'E', 1),
            (7, b'O', 1),
        ][random(7) as usize];
        let wire = Wire { rate_hz, data_bits, parity, stop_bits, inverted: random(4) == 0 };
        let count = 5 + random(120) as usize;
        let content: Vec<u8> = match random(3) {
            0 => LOG.iter().copied().cycle().skip(random(70) as usize).take(count).collect(),
            1 => (0..count).map(|_| random(1 << data_bits) as u8).collect(),
            _ => (0..count).map(|i| if i % 6 == 5 { b'\n' } else { b'0' + random(10) as u8 }).collect(),
        };
        let mut bits = Vec::new();
        for byte in &content {
            bits.extend(wire.bits(u32::from(*byte)));
            bits.extend(std::iter::repeat_n(true, if random(8) == 0 { random(60) as usize } else { 0 }));
        }
        let mut edges = wire.edges(2e9 / rate_hz * 20.0, &bits);
        // A capture of 8 to 64 samples a bit.
        let step = 1e9 / rate_hz / (8.0 + random(56) as f64);
        for edge in &mut edges {
            edge.t = Nanoseconds(((edge.t.0 as f64 / step).floor() * step) as i64);
        }
        let end = 4e10 / rate_hz + wire.length_ns(&bits) + 4e10 / rate_hz;
        let (_, found) = receive(UartSpec::default(), &edges, end);
        let name = format!("{data_bits}{}{stop_bits}", char::from(parity));
        let good = found.is_some_and(|found| {
            found.usual_hz == Some(rate_hz)
                && found.inverted == wire.inverted
                && found.framing.to_string() == name
        });
        let certain = found.is_some_and(|found| found.certainty >= 0.95);
        sure += u32::from(certain);
        right += u32::from(certain && good);
        long += u32::from(count > 60);
        long_sure += u32::from(count > 60 && certain && good);
    }
    println!(
        "{sure} of 200 called sure, {right} of them right; {long_sure} of {long} long ones sure and right"
    );
    assert!(right * 100 >= sure * 95, "{right} of {sure}");
    assert!(long_sure * 100 >= long * 90, "{long_sure} of {long}");
}

#[test]
fn a_line_of_one_character_is_not_called_certain() {
    let bits: Vec<bool> = (0..200).flat_map(|_| WIRE.bits(0x55)).collect();
    let (_, found) = receive(UartSpec::default(), &WIRE.edges(1e6, &bits), 2e6 + WIRE.length_ns(&bits));
    assert!(found.is_none_or(|found| found.certainty < 0.95), "{found:?}");
}

#[test]
fn noise_is_no_line() {
    let mut state = 7u64;
    let mut t = 0i64;
    let mut edges = Vec::new();
    for i in 0..3000 {
        edges.push(Edge {
            t: Nanoseconds(t),
            level: if i % 2 == 0 { Level::High } else { Level::Low },
            offset: 0,
        });
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        t += 2_000 + (state >> 44) as i64 % 300_000;
    }
    let (_, found) = receive(UartSpec::default(), &edges, t as f64);
    assert!(found.is_none_or(|found| found.certainty < 0.7), "{found:?}");
}

/// A table of one row a change, from the edges of its channels.
fn table(lines: &[Vec<Edge>]) -> String {
    let mut rows: Vec<(i64, usize, bool)> = lines
        .iter()
        .enumerate()
        .flat_map(|(i, edges)| edges.iter().map(move |edge| (edge.t.0, i, edge.level == Level::High)))
        .collect();
    rows.sort();
    let mut levels: Vec<&str> = lines.iter().map(|_| "0").collect();
    let mut text = "Time [s],main,sub\r\n".to_owned();
    for (t, line, high) in rows {
        levels[line] = if high { "1" } else { "0" };
        text.push_str(&format!("{}.{:09},{}\r\n", t / 1_000_000_000, t % 1_000_000_000, levels.join(",")));
    }
    text
}

#[test]
fn two_lines_of_one_table_are_received_side_by_side() {
    let sub = Wire { rate_hz: 9_600.0, data_bits: 8, parity: b'E', stop_bits: 1, inverted: false };
    let main_bits = WIRE.text(&LOG.repeat(5), 300);
    let sub_text = b"KEY1:1023 KEY2:0498\r\n".repeat(3);
    let sub_bits = sub.text(&sub_text, 40);
    let file = table(&[WIRE.edges(1e6, &main_bits), sub.edges(1.7e6, &sub_bits)]);
    let reader = Box::new(std::io::Cursor::new(file.into_bytes()));
    let mut source = CsvSource::new(reader, CsvOptions::default()).unwrap();
    let mut lines: Vec<(EdgeFinder, Receiver, Vec<Character>)> = (0..2)
        .map(|_| {
            let finder = EdgeFinder::new(Hysteresis::default(), Nanoseconds::ZERO);
            (finder, Receiver::new(UartSpec::default()), Vec::new())
        })
        .collect();
    let (mut changes, mut edges) = (Vec::new(), Vec::new());
    while source.pull(&mut changes).unwrap() {
        for change in changes.drain(..) {
            let (finder, receiver, characters) = &mut lines[usize::from(change.channel)];
            finder.push(change, &mut edges);
            edges.drain(..).for_each(|edge| receiver.push(edge, characters));
        }
    }
    let end = source.span().unwrap().end;
    for (_, receiver, characters) in &mut lines {
        receiver.finish(end, characters);
    }
    assert_eq!(text(&lines[0].2).into_bytes(), LOG.repeat(5));
    assert_eq!(text(&lines[1].2).into_bytes(), sub_text);
    assert_eq!(lines[1].1.found().unwrap().framing.to_string(), "8E1");
}
