//! Exports, read back by what is not ours: serde_json, the `csv` crate, Python's csv module, the `vcd` crate, pyarrow.

use std::collections::BTreeMap;
use std::io::Cursor;

use straykey::base::Event;

use super::program::{refused, sample, text};
use crate::support::program::{decoded, run};

const WIRES: [&str; 4] = ["--wire", "bench.IR=infrared", "--wire", "bench.CEC=cec"];

#[test]
fn json_lines_are_what_decode_prints() {
    let file = sample("alder/plain-lf.log");
    let lines = run(&["export", &file, "--to", "jsonl"]);
    assert!(!lines.is_empty());
    assert_eq!(text(&lines), text(&run(&["decode", "--json", &file])));
}

/// A result as one object is shown the same way.
#[test]
fn a_result_in_json_hides_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let job = folder.path().join("job").display().to_string();
    let made = run(&["job", "new", &job, "--set", "a\u{9b}2J\u{202e}b", "--json"]);
    let shown = text(&made);
    assert!(shown.contains("\\u009b") && shown.contains("\\u202e"), "{shown}");
    let state: serde_json::Value = serde_json::from_str(&shown).unwrap();
    assert_eq!(state["set"], "a\u{9b}2J\u{202e}b");
}

/// Name, time and value of every change as the `vcd` crate reads them.
fn by_vcd_crate(bytes: &[u8]) -> Vec<(String, u64, String)> {
    fn names(items: &[vcd::ScopeItem], path: &str, all: &mut BTreeMap<vcd::IdCode, String>) {
        for item in items {
            match item {
                vcd::ScopeItem::Scope(scope) => {
                    names(&scope.items, &format!("{path}{}.", scope.identifier), all)
                }
                vcd::ScopeItem::Var(var) => drop(all.insert(var.code, format!("{path}{}", var.reference))),
                _ => {}
            }
        }
    }
    let mut parser = vcd::Parser::new(Cursor::new(bytes));
    let header = parser.parse_header().unwrap();
    let tick = match header.timescale {
        Some((1, vcd::TimescaleUnit::NS)) => 1,
        Some((1, vcd::TimescaleUnit::US)) => 1_000,
        other => panic!("{other:?}"),
    };
    let mut of_code = BTreeMap::new();
    names(&header.items, "", &mut of_code);
    let (mut now, mut all) = (0, Vec::new());
    for command in parser {
        match command.unwrap() {
            vcd::Command::Timestamp(t) => now = t * tick,
            vcd::Command::ChangeScalar(code, value) => {
                all.push((of_code[&code].clone(), now, value.to_string()))
            }
            vcd::Command::ChangeReal(code, value) => {
                all.push((of_code[&code].clone(), now, value.to_string()))
            }
            _ => {}
        }
    }
    all
}

fn of<'a>(all: &'a [(String, u64, String)], name: &str) -> Vec<(u64, &'a str)> {
    all.iter().filter(|(n, ..)| n == name).map(|(_, t, value)| (*t, value.as_str())).collect()
}

#[test]
fn a_dump_holds_the_recorded_channels_and_the_events() {
    let file = sample("dump/receiver-and-cec.vcd");
    let mut arguments = vec!["export", &file, "--to", "vcd"];
    arguments.extend(WIRES);
    let dump = run(&arguments);
    let read = by_vcd_crate(&dump);
    let original = by_vcd_crate(&std::fs::read(&file).unwrap_or_default());
    for channel in ["bench.IR", "bench.CEC"] {
        let recorded = format!("recorded.{}", channel.replace('.', "_"));
        let mut now = of(&read, &recorded);
        // Before the first value the channel is not known.
        now.retain(|(_, value)| *value != "x");
        let before = of(&original, channel);
        assert!(before.len() > 20, "{channel}");
        assert_eq!(now, before, "{channel}");
    }
    let mut arguments = vec![file.as_str()];
    arguments.extend(WIRES);
    let events = decoded(&arguments);
    let mut held = 0;
    for event in &events {
        let Some(key) = event.key else { continue };
        let at = u64::try_from(event.t.0).unwrap();
        let name = format!("{}.{}.held", event.path.word(), key.name());
        let level = match event.kind.word() {
            "press" => "1",
            "release" => "0",
            _ => continue,
        };
        held += 1;
        assert!(of(&read, &name).contains(&(at, level)), "{name} at {at}: {:?}", of(&read, &name));
    }
    assert!(held > 1, "no key in the sample");
}

/// What was recorded stands in the export once more: decoded from there, it says the same. Channels lie in a scope there.
#[test]
fn a_dump_decodes_like_the_capture_that_it_came_from() {
    let file = sample("dump/receiver-and-cec.vcd");
    let mut arguments = vec!["export", &file, "--to", "vcd"];
    arguments.extend(WIRES);
    let folder = tempfile::tempdir().unwrap();
    let copy = folder.path().join("copy.vcd");
    std::fs::write(&copy, run(&arguments)).unwrap();
    let copy = copy.display().to_string();
    let strip = |events: Vec<Event>| -> Vec<Event> {
        let bare = |event: Event| Event { capture: None, channel: None, offset: None, length: None, ..event };
        events.into_iter().map(bare).collect()
    };
    let mut arguments = vec![file.as_str()];
    arguments.extend(WIRES);
    let before = strip(decoded(&arguments));
    let wires = ["--wire", "recorded.bench_IR=infrared", "--wire", "recorded.bench_CEC=cec"];
    let after = strip(decoded(&[&[copy.as_str()], &wires[..]].concat()));
    assert!(before.len() > 5);
    assert_eq!(after, before);
}

#[test]
fn an_export_of_a_job_knows_its_stages_and_one_stage_stands_alone() {
    let folder = tempfile::tempdir().unwrap();
    drop(crate::timeline::small_job(folder.path()));
    let job = folder.path().join("job").display().to_string();
    let out = folder.path().join("all.csv");
    run(&["export", &job, "--to", "csv", "--out", &out.display().to_string()]);
    let table = std::fs::read(&out).unwrap();
    let rows: Vec<BTreeMap<String, String>> =
        csv::Reader::from_reader(&table[..]).deserialize().map(Result::unwrap).collect();
    let stages: Vec<&str> = rows.iter().map(|row| row["stage"].as_str()).collect();
    assert!(stages.contains(&"1") && stages.contains(&"2"), "{stages:?}");
    let second = rows.iter().filter(|row| row["stage"] == "2").count();
    let lines = run(&["export", &job, "--to", "jsonl", "--stage", "2"]);
    assert_eq!(text(&lines).lines().count(), second);
    // Captures end to end: ten readings a second apart, then the others; time never falls.
    let dump = by_vcd_crate(&run(&["export", &job, "--to", "vcd"]));
    let readings = of(&dump, "keypad.KEY1.counts");
    assert_eq!(readings.len(), rows.iter().filter(|row| row["kind"] == "reading").count());
    assert!(readings.windows(2).all(|pair| pair[0].0 <= pair[1].0));
    refused(&["export", &job, "--to", "csv", "--stage", "9"], 2, &["stage"]);
}

#[test]
fn an_export_never_replaces_its_own_capture_and_leaves_no_part_behind() {
    let folder = tempfile::tempdir().unwrap();
    let log = crate::timeline::log_file(folder.path(), "set.log", 5);
    let path = log.display().to_string();
    let before = std::fs::read(&log).unwrap();
    refused(&["export", &path, "--to", "csv", "--out", &path], 2, &["replace the capture"]);
    assert_eq!(std::fs::read(&log).unwrap(), before);
    let none = folder.path().join("missing.log").display().to_string();
    let out = folder.path().join("out.csv").display().to_string();
    refused(&["export", &none, "--to", "csv", "--out", &out], 3, &["missing.log"]);
    let left = std::fs::read_dir(folder.path()).unwrap().count();
    assert_eq!(left, 1, "only the log is there");
    refused(&["export", "-", "--to", "vcd"], 2, &["read twice"]);
    refused(&["export", &path, "--to", "csv", "--stage", "1"], 2, &["no stages"]);
}

#[cfg(not(feature = "parquet"))]
#[test]
fn without_the_feature_the_message_says_how_to_build_it() {
    refused(
        &["export", &sample("alder/plain-lf.log"), "--to", "parquet", "--out", "x"],
        2,
        &["--features parquet"],
    );
}
