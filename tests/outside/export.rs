//! Exports, read back by Python's csv module and by pyarrow.

use std::collections::BTreeMap;
use std::path::Path;
use std::process::Command;

use straykey::base::Event;

#[cfg(feature = "parquet")]
use crate::support::program::sample;
use crate::support::program::{decoded, run, text};

/// Rows as Python's csv module reads them, as JSON.
fn by_python(file: &Path) -> Vec<BTreeMap<String, String>> {
    let program = "import csv, json, sys\nprint(json.dumps(list(csv.DictReader(open(sys.argv[1], newline='', encoding='utf-8'), strict=True))))";
    let output = Command::new("python3").args(["-c", program]).arg(file).output().expect("python3 is there");
    assert!(output.status.success(), "{}", text(&output.stderr));
    serde_json::from_slice(&output.stdout).unwrap()
}

#[test]
fn a_table_is_read_by_another_reader_field_by_field() {
    let folder = tempfile::tempdir().unwrap();
    let log = folder.path().join("set.log");
    // Quotes, commas and foreign letters in what the set prints.
    let said = "[1.000] osd: set item=volume value=a \"b\", \u{fc}\n[1.500] keyscan: line=KEY1 adc=0x085\n[1.550] keyscan: line=KEY1 adc=0x085\n";
    std::fs::write(&log, said).unwrap();
    let log = log.display().to_string();
    let out = folder.path().join("set.csv");
    run(&["export", &log, "--chassis", "alder", "--to", "csv", "--out", &out.display().to_string()]);
    let events = decoded(&[&log, "--chassis", "alder"]);
    let rows = by_python(&out);
    assert_eq!((rows.len(), events.len() >= 3), (events.len(), true));
    assert_eq!(rows[0]["value"], "a \"b\", \u{fc}");
    for (row, event) in rows.iter().zip(&events) {
        let object = serde_json::to_value(event).unwrap();
        for (name, cell) in row {
            let expected = &object[name];
            match expected {
                serde_json::Value::Null => assert_eq!(cell, "", "{name}"),
                serde_json::Value::String(word) => assert_eq!(cell, word, "{name}"),
                serde_json::Value::Number(number) => {
                    let (read, meant): (f64, f64) = (cell.parse().unwrap(), number.as_f64().unwrap());
                    assert!((read - meant).abs() < 1e-6, "{name}: {cell} is not {number}");
                }
                other => panic!("{name}: {other}"),
            }
        }
        for name in object.as_object().unwrap().keys() {
            assert!(row.contains_key(name), "the table has no column {name}");
        }
    }
}

/// What a set prints is put before people: no cell runs in a spreadsheet, nothing moves or hides its neighbours.
#[test]
fn what_a_set_prints_is_harmless_in_tables_and_on_screens() {
    let folder = tempfile::tempdir().unwrap();
    let log = folder.path().join("set.log");
    let evil = [
        "=cmd|'/c calc'!A1",
        "+1+cmd",
        "-2+3",
        "@SUM(1)",
        " =1+1",
        "\u{ff1d}1+1",
        "a\u{9b}2Jb",
        "c\u{202e}d\u{2066}e\u{200b}f\u{feff}g\u{61c}h\u{2028}i",
    ];
    let lines: Vec<String> = evil
        .iter()
        .enumerate()
        .map(|(i, value)| format!("[{i}.000] osd: set item=volume value={value}\n"))
        .collect();
    std::fs::write(&log, lines.concat()).unwrap();
    let log = log.display().to_string();
    let out = folder.path().join("set.csv");
    run(&["export", &log, "--chassis", "alder", "--to", "csv", "--out", &out.display().to_string()]);
    let rows = by_python(&out);
    assert_eq!(rows.len(), evil.len());
    for row in &rows {
        for (name, cell) in row.iter().filter(|(name, _)| !["t", "volts"].contains(&name.as_str())) {
            let first = cell.trim_start().chars().next().unwrap_or('a');
            assert!(!"=+-@\u{ff1d}".contains(first), "{name}: {cell}");
            assert!(cell.chars().all(|c| !straykey::base::is_hidden(c)), "{name}: {cell:?}");
        }
    }
    assert_eq!(rows[0]["value"], format!("'{}", evil[0]));
    assert_eq!(rows[6]["value"], "a\\u{9b}2Jb");
    // JSON says the same in escapes: it reads back as it was.
    for printed in [
        run(&["export", &log, "--chassis", "alder", "--to", "jsonl"]),
        run(&["decode", &log, "--chassis", "alder", "--json"]),
    ] {
        let shown = text(&printed);
        assert!(shown.chars().all(|c| c == '\n' || !straykey::base::is_hidden(c)), "{shown:?}");
        let values: Vec<String> = shown
            .lines()
            .map(|line| serde_json::from_str::<Event>(line).unwrap().value.unwrap().to_string())
            .collect();
        assert_eq!(values[6..], evil[6..]);
    }
}

/// The independent reader is pyarrow, which `tests/run` installs.
#[cfg(feature = "parquet")]
#[test]
fn a_columnar_file_is_read_by_pyarrow_row_by_row() {
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().join("events.parquet");
    let file = sample("alder/plain-lf.log");
    run(&["export", &file, "--to", "parquet", "--out", &out.display().to_string()]);
    let program = "import json, sys, pyarrow.parquet as p\nt = p.read_table(sys.argv[1])\nt = t.set_column(t.schema.get_field_index('t'), 't', t['t'].cast('int64'))\nt = t.set_column(t.schema.get_field_index('held'), 'held', t['held'].cast('int64'))\nprint(json.dumps(t.to_pylist()))";
    let output =
        crate::support::python().args(["-c", program]).arg(&out).output().expect("python with pyarrow");
    assert!(output.status.success(), "{}", text(&output.stderr));
    let rows: Vec<serde_json::Map<String, serde_json::Value>> =
        serde_json::from_slice(&output.stdout).unwrap();
    let events = decoded(&[&file]);
    assert_eq!(rows.len(), events.len());
    for (row, event) in rows.iter().zip(&events) {
        assert_eq!(row["t"].as_i64(), Some(event.t.0));
        assert_eq!(row["held"].as_i64(), event.held.map(|held| held.0));
        assert_eq!(row["path"].as_str(), Some(event.path.word()));
        assert_eq!(row["kind"].as_str(), Some(event.kind.word()));
        assert_eq!(row["key"].as_str(), event.key.map(|key| key.name()));
        assert_eq!(row["counts"].as_u64(), event.counts.map(u64::from));
        assert_eq!(row["offset"].as_u64(), event.offset);
        assert_eq!(row["item"].as_str(), event.item.as_deref());
        assert_eq!(row["volts"].as_f64(), event.volts);
    }
}
