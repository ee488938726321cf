//! Logic captures through the whole chain: UART bytes from one channel, infrared or a second UART from another.

use std::fmt::Write as _;
use std::io::Cursor;

use straykey::base::{Event, EventKind};
use straykey::timeline::{Options, Protocols, Summary, decode_reader};

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

/// The instants at which one of the signals moves, and one half a second after the last.
fn instants(signals: &[&Levels]) -> Vec<i64> {
    let mut instants: Vec<i64> = signals.iter().flat_map(|levels| levels.iter().map(|(t, _)| *t)).collect();
    instants.push(instants.iter().max().unwrap() + 500_000_000);
    instants.sort_unstable();
    instants.dedup();
    instants
}

fn level(levels: &Levels, t: i64) -> bool {
    levels.iter().rev().find(|(from, _)| *from <= t).unwrap().1
}

/// One row a change, in seconds.
fn table(names: [&str; 2], signals: [&Levels; 2]) -> Vec<u8> {
    let mut text = format!("Time [s],{},{}\r\n", names[0], names[1]);
    for t in instants(&signals) {
        let row = signals.map(|levels| u8::from(level(levels, t)));
        writeln!(text, "{}.{:09},{},{}\r", t / 1_000_000_000, t % 1_000_000_000, row[0], row[1]).unwrap();
    }
    text.into_bytes()
}

/// The same as a value change dump in nanoseconds (IEEE 1364-2005, clause 18.2; number of the clause from memory).
fn dump(names: [&str; 2], signals: [&Levels; 2]) -> Vec<u8> {
    let mut text = format!(
        "$timescale 1 ns $end\n$scope module bench $end\n$var wire 1 ! {} $end\n$var wire 1 \" {} $end\n\
         $upscope $end\n$enddefinitions $end\n",
        names[0], names[1]
    );
    let mut before = [None, None];
    for t in instants(&signals) {
        writeln!(text, "#{t}").unwrap();
        let now = signals.map(|levels| Some(level(levels, t)));
        for (i, id) in ['!', '"'].into_iter().enumerate() {
            if now[i] != before[i] {
                writeln!(text, "{}{id}", u8::from(now[i] == Some(true))).unwrap();
            }
        }
        before = now;
    }
    text.into_bytes()
}

fn read(name: &str, bytes: Vec<u8>, chassis: Option<&str>, wires: &[&str]) -> (Vec<Event>, Summary) {
    let options = Options {
        chassis: chassis.map(str::to_owned),
        wires: wires.iter().map(|wire| wire.parse().unwrap()).collect(),
        ..Options::default()
    };
    let mut events = Vec::new();
    let protocols = Protocols::load(None).unwrap();
    let summary = decode_reader(name, Box::new(Cursor::new(bytes)), &protocols, &options, &mut |event| {
        events.push(event);
        Ok(())
    })
    .unwrap();
    (events, summary)
}

fn decode(table: Vec<u8>, uart: &str) -> Vec<Event> {
    read("bench.csv", table, Some("alder"), &[&format!("RX={uart}"), "IR=infrared"]).0
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
        let table =
            table(["RX", "IR"], [&uart(10_000_000, 9600, LINES, None), &infrared(60_000_000, &NEC, mark)]);
        for signal in ["uart@9600", "uart"] {
            let events = decode(table.clone(), signal);
            let press = |path: &str| {
                events
                    .iter()
                    .find(|event| event.kind == EventKind::Press && event.path.word() == path)
                    .unwrap_or_else(|| panic!("no press on {path}: {events:?}"))
            };
            assert_eq!(press("keypad").key.map(|key| key.name()), Some("KEY_MENU"));
            let infrared = press("infrared");
            assert_eq!((infrared.address, infrared.command), (Some(4), Some(8)));
            assert_eq!(press("keypad").channel.as_deref(), Some("RX"));
            assert_eq!(infrared.channel.as_deref(), Some("IR"));
            assert_eq!(infrared.t.0, 60_000_000, "the press stands where its first mark began");
            assert!(events.windows(2).all(|pair| pair[0].t <= pair[1].t), "in order of time");
            assert!(!events.iter().any(|event| event.kind == EventKind::Fault));
        }
    }
}

#[test]
fn a_framing_error_is_an_event_and_the_rest_is_read() {
    // In the middle of the first line: its tenth character.
    let table = table(["RX", "IR"], [&uart(10_000_000, 9600, LINES, Some(10)), &vec![(0, true)]]);
    let events = decode(table, "uart@9600");
    let faults: Vec<&Event> = events.iter().filter(|event| event.kind == EventKind::Fault).collect();
    assert_eq!(faults.len(), 1, "{faults:?}");
    assert!(faults[0].note.as_deref().is_some_and(|note| note.contains("framing")), "{faults:?}");
    // Twelve bit times a character at 9600 baud, ten characters after the first.
    let at = 10_000_000 + 120 * 1_000_000_000 / 9600;
    assert_eq!(faults[0].t.0, at);
    assert!(events.iter().any(|event| event.kind == EventKind::Press), "the lines after it are whole");
}

/// The second port of the same set: other lines at another rate, on the same uptime.
const OTHER: &[u8] = b"[1.000] osd: show picture\r\n[1.020] osd: set item=volume value=13\r\n\
    [1.200] mode: step to game\r\n[1.220] osd: hide\r\n";

/// When the line with this number begins: the start bit of its first character, twelve bits a character.
fn line_begins(start: i64, baud: i64, text: &[u8], line: usize) -> i64 {
    let before: usize = text.split_inclusive(|byte| *byte == b'\n').take(line).map(<[u8]>::len).sum();
    start + 12 * before as i64 * 1_000_000_000 / baud
}

fn on<'a>(events: &'a [Event], channel: &str) -> Vec<&'a Event> {
    events.iter().filter(|event| event.channel.as_deref() == Some(channel)).collect()
}

type Writer = fn([&str; 2], [&Levels; 2]) -> Vec<u8>;
const WRITERS: [(&str, Writer); 2] = [("two.csv", table), ("two.vcd", dump)];

#[test]
fn two_uart_channels_of_one_file_are_read_each_at_its_rate_given_or_found() {
    let (one, two) = (10_000_000, 17_000_000);
    let signals = [&uart(one, 9600, LINES, None), &uart(two, 19_200, OTHER, None)];
    for (name, write) in WRITERS {
        for wires in
            [["CH0=uart@9600", "CH1=uart@19200"], ["CH0=uart@9600", "CH1=uart"], ["CH0=uart", "CH1=uart"]]
        {
            let (events, summary) = read(name, write(["CH0", "CH1"], signals), Some("alder"), &wires);
            let told = || format!("{name} {wires:?}: {events:#?}");
            let bench = if name == "two.vcd" { "bench." } else { "" };
            let (first, second) = (on(&events, &format!("{bench}CH0")), on(&events, &format!("{bench}CH1")));
            assert_eq!(first.len() + second.len(), events.len(), "every event names its channel; {}", told());
            assert!(events.iter().all(|event| event.kind != EventKind::Fault), "{}", told());
            assert!(events.iter().all(|event| event.capture.as_deref() == Some(name)), "{}", told());
            assert!(events.windows(2).all(|pair| pair[0].t <= pair[1].t), "{}", told());
            assert!(first.iter().all(|event| event.path.word() == "keypad"), "{}", told());
            let press = first.iter().find(|event| event.kind == EventKind::Press).unwrap();
            assert_eq!(press.key.map(|key| key.name()), Some("KEY_MENU"), "{}", told());
            let said: Vec<_> = second
                .iter()
                .map(|event| (event.item.as_deref().unwrap(), event.value.as_deref().unwrap()))
                .collect();
            let wanted = [
                ("On-screen display", "picture"),
                ("Volume", "13"),
                ("Mode", "game"),
                ("On-screen display", "hidden"),
            ];
            assert_eq!(said, wanted, "{}", told());
            // A set's own stamps are finer than when its line was sent, so an event may stand before its line,
            // by the set's clock; the first of each channel anchors that clock.
            assert_eq!(first[0].t.0, line_begins(one, 9600, LINES, 0), "{}", told());
            assert_eq!(second[0].t.0, line_begins(two, 19_200, OTHER, 0), "{}", told());
            for rate in ["9600 baud", "19200 baud"] {
                assert!(summary.remarks.iter().any(|remark| remark.contains(rate)), "{:?}", summary.remarks);
            }
        }
    }
}

#[test]
fn what_is_wrong_on_one_uart_channel_is_told_there_and_leaves_the_other_whole() {
    let whole = uart(17_000_000, 19_200, OTHER, None);
    let torn = uart(10_000_000, 9600, LINES, Some(10));
    for (name, write) in WRITERS {
        let wires = ["CH0=uart@9600", "CH1=uart@19200"];
        let (events, _) = read(name, write(["CH0", "CH1"], [&torn, &whole]), Some("alder"), &wires);
        let faults: Vec<&Event> = events.iter().filter(|event| event.kind == EventKind::Fault).collect();
        assert_eq!(faults.len(), 1, "{events:#?}");
        assert!(faults[0].channel.as_deref().unwrap().ends_with("CH0"), "{faults:?}");
        let changes = events.iter().filter(|event| event.kind == EventKind::Change);
        assert_eq!(changes.filter(|event| event.channel.as_deref().unwrap().ends_with("CH1")).count(), 4);
    }
}

#[test]
fn a_uart_channel_of_no_known_chassis_is_told_beside_the_one_that_is_read() {
    let strange = b"zzz qqq 17\r\n".repeat(30);
    let (known, strange) = (uart(10_000_000, 9600, LINES, None), uart(10_000_000, 19_200, &strange, None));
    let wires = ["CH0=uart@19200", "CH1=uart@9600"];
    let (events, summary) = read("two.csv", table(["CH0", "CH1"], [&strange, &known]), None, &wires);
    let told = on(&events, "CH0");
    assert_eq!(told.len(), 1, "{events:#?}");
    assert!(told[0].note.as_deref().is_some_and(|note| note.contains("no known chassis fits")), "{told:?}");
    assert!(on(&events, "CH1").iter().any(|event| event.kind == EventKind::Press), "{events:#?}");
    assert_eq!(summary.chassis.map(|choice| choice.name).as_deref(), Some("alder"));
    assert!(summary.remarks.iter().any(|remark| remark.starts_with("CH0: ")), "{:?}", summary.remarks);
    // Alone it is an error, as before.
    let options = Options { wires: vec!["CH0=uart@19200".parse().unwrap()], ..Options::default() };
    let bytes = table(["CH0", "CH1"], [&strange, &known]);
    let protocols = Protocols::load(None).unwrap();
    let error = decode_reader("two.csv", Box::new(Cursor::new(bytes)), &protocols, &options, &mut |_| Ok(()))
        .expect_err("nothing can be read");
    assert!(error.what().contains("no known chassis"), "{error}");
}
