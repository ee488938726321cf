//! Dumps written by a general Verilog simulator (Debian package `iverilog`), by the language's own
//! `$dumpvars` (IEEE 1364-2005). What the simulator prints of each change on standard output is the oracle;
//! the UART in the simulated circuit is the independent sender of all 256 bytes.

use std::collections::HashMap;
use std::process::Command;

use straykey::base::Nanoseconds;
use straykey::signal::edge::{EdgeFinder, Hysteresis};
use straykey::signal::uart::{Receiver, UartSpec};
use straykey::source::vcd::{VcdOptions, VcdSource};
use straykey::source::{SampleSource, Value};

/// The dump and what was printed.
fn simulate() -> (Vec<u8>, String) {
    let folder = tempfile::tempdir().unwrap();
    let source = folder.path().join("bench.v");
    std::fs::write(&source, include_str!("simulator.v")).unwrap();
    let run = |program: &str, arguments: &[&str]| {
        let output = Command::new(program)
            .args(arguments)
            .current_dir(folder.path())
            .output()
            .unwrap_or_else(|error| panic!("{program}: {error}; install the package iverilog"));
        assert!(output.status.success(), "{program}: {}", String::from_utf8_lossy(&output.stderr));
        String::from_utf8(output.stdout).unwrap()
    };
    run("iverilog", &["-o", "bench.vvp", "bench.v"]);
    let printed = run("vvp", &["-n", "bench.vvp"]);
    (std::fs::read(folder.path().join("out.vcd")).unwrap(), printed)
}

/// Every change of the dump: tenths of a nanosecond are cut to whole ones.
type Changes = HashMap<String, Vec<(i64, Value)>>;

fn changes(dump: &[u8]) -> Changes {
    let mut source = VcdSource::new(crate::support::drip::drip(dump, 1000), VcdOptions::default()).unwrap();
    let mut out = Vec::new();
    while source.pull(&mut out).unwrap() {}
    let mut changes = Changes::new();
    for change in out {
        let name = source.channels()[usize::from(change.channel)].name.clone();
        changes.entry(name).or_default().push((change.t.0, change.value));
    }
    changes
}

/// The same from what was printed, up to the time at which dumping was switched off.
fn printed(text: &str) -> Changes {
    let mut changes = Changes::new();
    for line in text.lines() {
        let words: Vec<&str> = line.split(' ').collect();
        let [t, name, value] = words[..] else { continue };
        let Ok(t) = t.parse::<i64>() else { continue };
        let t = t / 10;
        let mut put = |name: String, value: Value| {
            let list = changes.entry(name).or_default();
            if list.last().map(|(_, last)| *last) != Some(value) {
                list.push((t, value));
            }
        };
        if name == "volts" {
            put("bench.volts".to_owned(), Value::Volts(value.parse().unwrap()));
            continue;
        }
        for (i, digit) in value.chars().enumerate() {
            let index = match name {
                "bus" => format!("[{}]", 7 - i),
                "up" => format!("[{i}]"),
                _ => String::new(),
            };
            let value = match digit {
                '0' => Value::Low,
                '1' => Value::High,
                _ => Value::Unknown,
            };
            put(format!("bench.{name}{index}"), value);
        }
    }
    changes
}

#[test]
fn a_simulators_dump_says_what_the_simulator_printed() {
    let (dump, text) = simulate();
    let ours = changes(&dump);
    let theirs = printed(&text);
    assert_eq!(theirs.len(), 1 + 8 + 4 + 1 + 1);
    for (name, expected) in &theirs {
        let analog = matches!(expected[0].1, Value::Volts(_));
        // Before its first value a wire is x and a real 0: the dump says so, the language prints no change to
        // it.
        let begun = |change: &&(i64, Value)| change.0 > 0 || (change.1 != Value::Unknown && !analog);
        // Behind the expected changes dumping is switched off and on.
        let got: Vec<_> = ours[name].iter().filter(begun).take(expected.len()).copied().collect();
        assert_eq!(&got, expected, "{name}");
        let rest: Vec<Value> = ours[name].iter().rev().take(2).rev().map(|(_, value)| *value).collect();
        if !analog {
            assert_eq!(rest[0], Value::Unknown, "{name}: switched off");
            assert_eq!(rest[1], expected.last().unwrap().1, "{name}: switched on again");
        }
    }
    // One net under three names: in the sender, in the bench, and as a copy.
    assert_eq!(ours["bench.tx"], ours["bench.uart.tx"]);
    assert_eq!(ours["bench.tx"], ours["bench.copy"]);
    assert_eq!(ours.keys().filter(|name| name.starts_with("bench.count[")).count(), 32);
}

#[test]
fn a_simulated_uart_is_received_without_being_told_anything() {
    let (dump, _) = simulate();
    let mut source = VcdSource::new(crate::support::drip::drip(&dump, 0), VcdOptions::default()).unwrap();
    let channel = source.channels().iter().position(|channel| channel.name == "bench.tx").unwrap();
    let mut finder = EdgeFinder::new(Hysteresis::default(), Nanoseconds::ZERO);
    let mut receiver = Receiver::new(UartSpec::default());
    let (mut out, mut edges, mut characters) = (Vec::new(), Vec::new(), Vec::new());
    while source.pull(&mut out).unwrap() {
        for change in out.drain(..).filter(|change| usize::from(change.channel) == channel) {
            finder.push(change, &mut edges);
        }
        for edge in edges.drain(..) {
            receiver.push(edge, &mut characters);
        }
    }
    receiver.finish(source.span().unwrap().end, &mut characters);
    let found = receiver.found().unwrap();
    assert_eq!(
        (found.usual_hz, found.framing.to_string().as_str(), found.inverted),
        (Some(115_200.0), "8N1", false)
    );
    assert!(found.certainty > 0.99, "{found:?}");
    assert!(characters.iter().all(|character| character.fault.is_none()));
    assert_eq!(characters.iter().map(|c| c.value).collect::<Vec<_>>(), (0..256).collect::<Vec<u16>>());
}
