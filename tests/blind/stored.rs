//! Saved captures of a set that was not repaired.

use std::fmt::Write as _;
use std::path::Path;

use serde_json::Value;

use super::{alder, json, line, path, reasons};
use crate::face::program::{straykey, text};

fn compared(before: &str, after: &str) -> Value {
    let folder = tempfile::tempdir().unwrap();
    let (one, two) = (folder.path().join("before.log"), folder.path().join("after.log"));
    std::fs::write(&one, before).unwrap();
    std::fs::write(&two, after).unwrap();
    let files = [one.to_str().unwrap(), two.to_str().unwrap()];
    let found = json(&["compare", files[0], files[1], "--chassis", "alder", "--json"]);
    assert_ne!(found["verdict"], "gone", "{found}");
    let said = text(&straykey(&["compare", files[0], files[1], "--chassis", "alder"]).stdout);
    assert!(!said.contains("Verdict: gone"), "{said}");
    found
}

fn key1(found: &Value) -> Value {
    path(found, "KEY1")
}

#[test]
fn a_set_that_is_seen_to_be_quiet_is_gone() {
    let folder = tempfile::tempdir().unwrap();
    let (one, two) = (folder.path().join("before.log"), folder.path().join("after.log"));
    std::fs::write(&one, alder(1000, 61_000, true)).unwrap();
    std::fs::write(&two, alder(1000, 61_000, false)).unwrap();
    let found =
        json(&["compare", one.to_str().unwrap(), two.to_str().unwrap(), "--chassis", "alder", "--json"]);
    assert_eq!(found["verdict"], "gone", "{found}");
    let observed = key1(&found)["observed_s"].as_f64().unwrap();
    assert!((observed - 59.95).abs() < 0.1, "{observed}");
}

#[test]
fn the_first_seconds_and_the_last_line_of_a_long_log() {
    let after = [alder(1000, 1_300, false), line(1_201_000, "KEY1", super::REST)].concat();
    let found = compared(&alder(1000, 61_000, true), &after);
    let own = key1(&found);
    assert!(own["observed_s"].as_f64().unwrap() < 0.5 && own["span_s"].as_f64().unwrap() > 1199.0, "{own}");
    assert_eq!(reasons(&own), ["silent"]);
}

#[test]
fn two_seconds_of_readings_in_an_hour_of_nothing() {
    let mut after = String::new();
    let stamp = |ms: u64| {
        let s = ms / 1000;
        format!("2026-03-02T{:02}:{:02}:{:02}.{:03}Z ", 10 + s / 3600, s / 60 % 60, s % 60, ms % 1000)
    };
    for ms in (1000..3000).step_by(50) {
        let _ = write!(after, "{}{}", stamp(ms), line(ms, "KEY1", super::REST));
    }
    for ms in (10_000..3_600_000).step_by(10_000) {
        let _ = write!(after, "{}[{}.000] osd: set item=volume value=3\r\n", stamp(ms), ms / 1000);
    }
    let own = key1(&compared(&alder(1000, 61_000, true), &after));
    assert!(own["observed_s"].as_f64().unwrap() < 2.1, "{own}");
    assert!(own["span_s"].as_f64().unwrap() > 3500.0, "{own}");
    assert_eq!(reasons(&own), ["line_absent"]);
}

#[test]
fn one_readable_line_in_ninety() {
    let mut number = 0;
    let torn: String = alder(1000, 92_000, false)
        .split_inclusive('\n')
        .map(|line| {
            number += 1;
            if number % 89 == 1 { line.to_owned() } else { line.replace("adc=0x", "adc=\u{1}\u{2}") }
        })
        .collect();
    let own = key1(&compared(&alder(1000, 61_000, true), &torn));
    assert!(own["observed_s"].as_f64().unwrap() < 1.0, "{own}");
    let why = reasons(&own);
    assert!(why.iter().all(|why| why == "unreadable"), "{why:?}");
}

/// A hole in the baseline made the same set "worse" after the step.
#[test]
fn a_hole_in_the_baseline_makes_nothing_worse() {
    let before = [alder(1000, 31_000, true), alder(331_000, 361_000, true)].concat();
    let found = compared(&before, &alder(1000, 61_000, true));
    assert_ne!(found["verdict"], "worse", "{found}");
    let ratio = found["ratio"].as_f64().unwrap();
    assert!((ratio - 1.0).abs() < 0.1, "{ratio}");
}

/// A wrong rate for half of the time made the same set "reduced".
#[test]
fn a_wrong_rate_for_a_while_reduces_nothing() {
    let mut random = crate::support::random::Random(3);
    let noise: String = (0..200)
        .flat_map(|i| {
            let line = format!("[{}.500] ", 31 + i / 7);
            let junk: String = (0..20).map(|_| char::from(1 + random.below(8) as u8)).collect();
            [line, junk, "\n".to_owned()]
        })
        .collect();
    let after = [alder(1000, 31_000, true), noise, alder(61_000, 91_000, true)].concat();
    let found = compared(&alder(1000, 91_000, true), &after);
    assert_ne!(found["verdict"], "reduced", "{found}");
    let own = key1(&found);
    assert!((own["observed_s"].as_f64().unwrap() - 60.0).abs() < 1.5, "{own}");
}

/// Builds a job of captures of a birch, which speaks only when something happens.
fn birch(folder: &Path, after: &str, prompts: &str) -> Value {
    let press = |s: u64, key: &str| format!("[{s:>5}.000000][  T101] keypad: key {key}\n");
    let mut before = String::new();
    for s in (10..130).step_by(3) {
        before.push_str(&press(s, "VOL-"));
    }
    std::fs::write(folder.join("before.log"), before).unwrap();
    std::fs::write(folder.join("after.log"), after).unwrap();
    std::fs::write(folder.join("prompts.jsonl"), prompts).unwrap();
    let named = if prompts.is_empty() { "" } else { "prompts = \"prompts.jsonl\"\n" };
    let manifest = format!(
        "set = \"hall set\"\nchassis = \"birch\"\n[[stage]]\nstep = \"as received\"\n[[stage.capture]]\n\
         file = \"before.log\"\nhands = \"off\"\n[[stage]]\nstep = \"cleaned\"\nkind = \"repair\"\nparts = [\"key-board\"]\n\
         [[stage.capture]]\nfile = \"after.log\"\nhands = \"off\"\n{named}"
    );
    std::fs::write(folder.join("job.toml"), manifest).unwrap();
    let job = folder.join("job");
    let _ = std::fs::remove_dir_all(&job);
    super::run(&["job", "build", folder.join("job.toml").to_str().unwrap(), "--out", job.to_str().unwrap()]);
    json(&["job", "show", job.to_str().unwrap(), "--json"])
}

/// A set that prints only on presses is found gone with signs of life, and never without.
#[test]
fn quiet_without_signs_of_life_is_not_gone() {
    let folder = tempfile::tempdir().unwrap();
    let other = |s: u64| format!("[{s:>5}.000000][  T101] net: link is up\n");
    let chatter: String = (10..400).step_by(5).map(other).collect();
    let silent = birch(folder.path(), &chatter, "");
    assert_ne!(silent["verdict"], "gone", "{silent}");
    assert_ne!(silent["advice"]["action"], "hand-back");
    // The same time between two keys that were asked for and came.
    let press = |s: u64| {
        format!("[{s:>5}.000000][  T101] keypad: key VOL-\n[{:>5}.000000][  T101] net: link is up\n", s + 1)
    };
    let between: String = (20..400).step_by(5).map(other).collect();
    let signed = [press(12), between.clone(), press(401)].concat();
    let asked = "{\"t\": 0.0, \"key\": \"KEY_VOLUMEDOWN\"}\n{\"t\": 388.5, \"key\": \"KEY_VOLUMEDOWN\"}\n";
    let found = birch(folder.path(), &signed, asked);
    assert_eq!(found["verdict"], "gone", "{}", found["stages"][1]);
    assert_eq!(found["stages"][1]["strays"], 0, "what was asked for is no stray");
    // Without the last sign the time after the first is pending.
    let awake = "[  401.000000][  T101] power: wake (timer)\n".to_owned();
    let open = [press(12), between, awake].concat();
    let pending = birch(folder.path(), &open, "{\"t\": 0.0, \"key\": \"KEY_VOLUMEDOWN\"}\n");
    assert_eq!(pending["verdict"], "undecided", "{}", pending["stages"][1]);
    let path =
        &pending["stages"][1]["paths"].as_array().unwrap().iter().find(|p| p["path"] == "keypad").cloned();
    assert!(path.as_ref().unwrap()["pending_s"].as_f64().unwrap() > 300.0, "{path:?}");
}

/// A probe that is off, or a wire whose two levels are too near: a receiver's file that shows nothing is no quiet remote.
#[test]
fn a_receiver_wire_that_shows_nothing_is_not_quiet() {
    let before = Path::new(env!("CARGO_MANIFEST_DIR")).join("captures/infrared/receiver.tsv");
    let folder = tempfile::tempdir().unwrap();
    let flat = "time_us\tIR\n0.0\t0\n600000000.0\t0\n".to_owned();
    let mut hum = "t_s,IR\n".to_owned();
    for i in 0..6000 {
        let _ = writeln!(hum, "{:.5},{:.3}", f64::from(i) * 1e-5, 1.6 + 0.01 * f64::from(i % 3));
    }
    let cases = [("flat.tsv", flat, "no_sign"), ("hum.csv", hum, "no_crossing")];
    for (name, text, reason) in cases {
        let after = folder.path().join(name);
        std::fs::write(&after, text).unwrap();
        let files = [before.to_str().unwrap(), after.to_str().unwrap()];
        let found = json(&["compare", files[0], files[1], "--wire", "IR=infrared", "--json"]);
        assert_eq!(found["verdict"], "undecided", "{name}: {found}");
        let paths = found["paths"].as_array().unwrap();
        let own = paths.iter().find(|path| path["path"] == "infrared").unwrap();
        assert_eq!(own["observed_s"], 0.0, "{name}: {own}");
        assert_eq!(reasons(own), [reason], "{name}: {own}");
    }
}

/// A key that goes down 88 s after the start and stays down; then ten quiet minutes.
#[test]
fn a_key_that_was_held_and_is_free_asks_for_off_on_off() {
    let log = |from_ms: u64| -> String {
        let counts = |ms| if ms < from_ms { super::REST } else { super::KEY };
        (1000..301_000).step_by(50).map(|ms| line(ms, "KEY1", counts(ms))).collect()
    };
    let quiet: String = (1000..601_000).step_by(50).map(|ms| line(ms, "KEY1", super::REST)).collect();
    let found = compared(&log(88_000), &quiet);
    let held = &key1(&found)["held"];
    assert!((held["to_the_end_s"].as_f64().unwrap() - 212.9).abs() < 0.5, "{held}");
    assert!((held["before"].as_f64().unwrap() - 212.9 / 299.95).abs() < 0.01, "{held}");
    let notes = found["notes"].to_string();
    assert!(notes.contains("Keypad KEY1 was held for 3 min 33 s without a break"), "{notes}");
    assert!(notes.contains("Undo the step and do it again"), "{notes}");
}
