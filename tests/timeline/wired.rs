//! Logic tables through the whole chain: UART bytes from one channel, infrared from another.

use std::fmt::Write as _;
use std::io::Cursor;

use straykey::base::{Event, EventKind};
use straykey::timeline::{Options, Protocols, decode_reader};

/// Levels of one channel: instants in nanoseconds and the level from then on.
type Levels = Vec<(i64, bool)>;

/// A UART line from the definition of the frame: idle high, start bit low, eight data bits, least significant
/// first, one stop bit high. `broken` gives the index of a character whose stop bit is low.
fn uart(start: i64, baud: i64, text: &[u8], broken: Option<usize>) -> Levels {
    let bit = |n: i64| n * 1_000_000_000 / baud;
    let mut levels = vec![(0, true)];
    for (i, byte) in text.iter().enumerate() {
        // Twelve bit times a character: a pause of two after the stop bit.
        let at = start + bit(12 * i as i64);
        levels.push((at, false));
        for n in 0..8 {
            levels.push((at + bit(n + 1), byte >> n & 1 == 1));
        }
        levels.push((at + bit(9), broken != Some(i)));
        levels.push((at + bit(10), true));
    }
    levels
}

/// Marks and spaces in microseconds, beginning with a mark; `mark` is the level of light.
fn infrared(start: i64, lengths: &[i64], mark: bool) -> Levels {
    let mut levels = vec![(0, !mark)];
    let mut at = start;
    for (i, length) in lengths.iter().enumerate() {
        levels.push((at, (i % 2 == 0) == mark));
        at += length * 1000;
    }
    levels.push((at, !mark));
    levels
}

/// One row a change, in seconds.
fn table(first: &Levels, second: &Levels) -> String {
    let mut instants: Vec<i64> = first.iter().chain(second).map(|(t, _)| *t).collect();
    instants.push(instants.iter().max().unwrap() + 500_000_000);
    instants.sort_unstable();
    instants.dedup();
    let at = |levels: &Levels, t: i64| levels.iter().rev().find(|(from, _)| *from <= t).unwrap().1;
    let mut text = String::from("Time [s],RX,IR\r\n");
    for t in instants {
        let row = (u8::from(at(first, t)), u8::from(at(second, t)));
        writeln!(text, "{}.{:09},{},{}\r", t / 1_000_000_000, t % 1_000_000_000, row.0, row.1).unwrap();
    }
    text
}

fn decode(table: &str, uart: &str) -> Vec<Event> {
    let protocols = Protocols::load(None).unwrap();
    let options = Options {
        chassis: Some("alder".into()),
        wires: vec![format!("RX={uart}").parse().unwrap(), "IR=infrared".parse().unwrap()],
        ..Options::default()
    };
    let mut events = Vec::new();
    decode_reader(
        "bench.csv",
        Box::new(Cursor::new(table.to_owned().into_bytes())),
        &protocols,
        &options,
        &mut |e| {
            events.push(e);
            Ok(())
        },
    )
    .unwrap();
    events
}

const LINES: &[u8] = b"[1.000] keyscan: line=KEY1 adc=0x3ff\r\n[1.050] keyscan: line=KEY1 adc=0x2eb\r\n\
    [1.100] keyscan: line=KEY1 adc=0x2eb\r\n[1.150] keyscan: line=KEY1 adc=0x3ff\r\n[1.200] keyscan: line=KEY1 adc=0x3ff\r\n";

/// NEC, address 4, command 8: a frame on which PyPI infrared-protocols 10.7.0 and the crate `infrared` 0.14.2
/// agree; microseconds.
const NEC: [i64; 67] = [
    9000, 4500, 563, 563, 563, 563, 563, 1688, 563, 563, 563, 563, 563, 563, 563, 563, 563, 563, 563, 1688,
    563, 1688, 563, 563, 563, 1688, 563, 1688, 563, 1688, 563, 1688, 563, 1688, 563, 563, 563, 563, 563, 563,
    563, 1688, 563, 563, 563, 563, 563, 563, 563, 563, 563, 1688, 563, 1688, 563, 1688, 563, 563, 563, 1688,
    563, 1688, 563, 1688, 563, 1688, 563,
];

#[test]
fn bytes_and_frames_come_from_their_channels_in_either_polarity() {
    for mark in [false, true] {
        let table = table(&uart(10_000_000, 9600, LINES, None), &infrared(60_000_000, &NEC, mark));
        for signal in ["uart@9600", "uart"] {
            let events = decode(&table, signal);
            let press = |path: &str| {
                events
                    .iter()
                    .find(|event| event.kind == EventKind::Press && event.path.word() == path)
                    .unwrap_or_else(|| panic!("no press on {path}: {events:?}"))
            };
            assert_eq!(press("keypad").key.map(|key| key.name()), Some("KEY_MENU"));
            let infrared = press("infrared");
            assert_eq!((infrared.address, infrared.command), (Some(4), Some(8)));
            assert_eq!(infrared.t.0, 60_000_000, "the press stands where its first mark began");
            assert!(events.windows(2).all(|pair| pair[0].t <= pair[1].t), "in order of time");
            assert!(!events.iter().any(|event| event.kind == EventKind::Fault));
        }
    }
}

#[test]
fn a_framing_error_is_an_event_and_the_rest_is_read() {
    // In the middle of the first line: its tenth character.
    let table = table(&uart(10_000_000, 9600, LINES, Some(10)), &vec![(0, true)]);
    let events = decode(&table, "uart@9600");
    let faults: Vec<&Event> = events.iter().filter(|event| event.kind == EventKind::Fault).collect();
    assert_eq!(faults.len(), 1, "{faults:?}");
    assert!(faults[0].note.as_deref().is_some_and(|note| note.contains("framing")), "{faults:?}");
    // Twelve bit times a character at 9600 baud, ten characters after the first.
    let at = 10_000_000 + 120 * 1_000_000_000 / 9600;
    assert_eq!(faults[0].t.0, at);
    assert!(events.iter().any(|event| event.kind == EventKind::Press), "the lines after it are whole");
}
