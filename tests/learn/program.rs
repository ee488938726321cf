//! `protocol learn` and `protocol new` as a user runs them.

use std::fs;
use std::path::Path;
use std::process::{Command, Output};

use super::dialect::{Dialect, Heard};

fn run(folder: &Path, arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_straykey"))
        .args(arguments)
        .current_dir(folder)
        .env_remove("STRAYKEY_PROTOCOLS")
        .stdin(std::process::Stdio::null())
        .output()
        .unwrap()
}

#[track_caller]
fn good(folder: &Path, arguments: &[&str]) -> String {
    let output = run(folder, arguments);
    let text = String::from_utf8_lossy(&output.stdout).into_owned();
    assert!(output.status.success(), "{arguments:?}: {}\n{text}", String::from_utf8_lossy(&output.stderr));
    text
}

/// Writes a capture and its prompts as files; the host's stamps as seconds with six places.
fn save(folder: &Path, name: &str, heard: &Heard) {
    let line = |(arrival, line): &(Option<f64>, String)| match arrival {
        Some(t) => format!("2026-03-01T10:{:02}:{:09.6}Z {line}\n", (*t / 60.0) as u32, t % 60.0),
        None => format!("{line}\n"),
    };
    fs::write(folder.join(format!("{name}.log")), heard.lines.iter().map(line).collect::<String>()).unwrap();
    let prompt = |(t, key): &(f64, straykey::base::Key)| format!("{{\"t\": {t:.3}, \"key\": \"{key}\"}}\n");
    fs::write(folder.join(format!("{name}.jsonl")), heard.prompts.iter().map(prompt).collect::<String>())
        .unwrap();
}

#[test]
fn a_capture_that_teaches_nothing_leaves_no_file() {
    let folder = tempfile::tempdir().unwrap();
    fs::write(folder.path().join("short.log"), "hello\nhello\n").unwrap();
    let refused =
        run(folder.path(), &["protocol", "learn", "short.log", "--name", "elm", "--out", "elm.toml"]);
    let said = String::from_utf8_lossy(&refused.stderr).into_owned();
    assert_eq!(refused.status.code(), Some(3), "{said}");
    assert!(said.contains("none of its 2 lines") && said.contains("--prompts"), "{said}");
    assert!(!folder.path().join("elm.toml").exists());
}

#[test]
fn a_log_becomes_a_file_that_checks_and_decodes_and_grows() {
    let folder = tempfile::tempdir().unwrap();
    let at = folder.path();
    // One chassis of each way to speak.
    for seed in 101..=115 {
        let dialect = Dialect::new(seed);
        let (first, second) = (dialect.hear(1_000 + seed, 3), dialect.hear(2_000 + seed, 3));
        save(at, "first", &first);
        save(at, "second", &second);
        let (name, file) = (format!("elm-{seed}"), format!("elm-{seed}.toml"));
        good(
            at,
            &["protocol", "learn", "first.log", "--prompts", "first.jsonl", "--name", &name, "--out", &file],
        );
        good(at, &["protocol", "check", &file]);
        let events = good(at, &["decode", "second.log", "--chassis", &name, "--protocols", ".", "--json"]);
        let presses = events.lines().filter(|line| line.contains("\"kind\":\"press\"")).count();
        let made = second.presses.len();
        assert!(presses.abs_diff(made) * 20 <= made, "{dialect:?}: {presses} presses, {made} made");
        let before = fs::read_to_string(at.join(&file)).unwrap();
        good(at, &["protocol", "learn", "second.log", "--prompts", "second.jsonl", "--extend", &file]);
        good(at, &["protocol", "check", &file]);
        let after = fs::read_to_string(at.join(&file)).unwrap();
        assert!(after.len() >= before.len());
    }
}

#[test]
fn two_captures_make_one_file() {
    let folder = tempfile::tempdir().unwrap();
    let at = folder.path();
    let dialect = Dialect::new(9);
    let mut first = dialect.hear(5, 3);
    let second = dialect.hear(6, 3);
    // The first key check ends early: some keys were never asked for.
    let keys = first.prompts.len() / 3;
    let end = first.prompts[keys - 2].0;
    first.prompts.truncate(keys - 2);
    first.lines.truncate(first.lines.len() * (keys - 2) / (3 * keys));
    assert!(end > 0.0);
    save(at, "first", &first);
    save(at, "second", &second);
    let both =
        ["--prompts", "first.jsonl", "--prompts", "second.jsonl", "--out", "elm.toml", "--name", "elm"];
    good(at, &[&["protocol", "learn", "first.log", "second.log"], both.as_slice()].concat());
    good(at, &["protocol", "check", "elm.toml"]);
    let events = good(at, &["decode", "second.log", "--chassis", "elm", "--protocols", ".", "--json"]);
    let presses = events.lines().filter(|line| line.contains("\"kind\":\"press\"")).count();
    assert_eq!(presses, second.presses.len());
}

#[test]
fn a_file_that_is_there_is_not_overwritten() {
    let folder = tempfile::tempdir().unwrap();
    let at = folder.path();
    save(at, "first", &Dialect::new(1).hear(1, 2));
    fs::write(at.join("elm.toml"), "mine").unwrap();
    let output = run(at, &["protocol", "learn", "first.log", "--name", "elm", "--out", "elm.toml"]);
    assert_eq!(output.status.code(), Some(2));
    let output = run(at, &["protocol", "new", "elm", "--speech", "keys", "--key", "KEY_MENU=MENU"]);
    assert_eq!(output.status.code(), Some(2));
    assert_eq!(fs::read_to_string(at.join("elm.toml")).unwrap(), "mine");
}

#[test]
fn a_new_file_passes_its_check_and_mistakes_are_told() {
    let folder = tempfile::tempdir().unwrap();
    let at = folder.path();
    good(
        at,
        &["protocol", "new", "elm", "--speech", "readings", "--key", "KEY_MENU=747", "--key", "KEY_POWER=0"],
    );
    good(at, &["protocol", "check", "elm.toml"]);
    // The guide's folder is not there yet.
    let beside = ["--speech", "keys", "--key", "KEY_MENU=MENU", "--out", "mine/elm.toml"];
    good(at, &[&["protocol", "new", "elm"], beside.as_slice()].concat());
    good(at, &["protocol", "check", "mine/elm.toml"]);
    for (arguments, word) in [
        (["--speech", "keys", "--key", "KEY_MENUE=MENU"], "KEY_MENU"),
        (["--speech", "keys", "--key", "KEY_MENU"], "KEY_MENU=MENU"),
        (["--speech", "readings", "--key", "KEY_MENU=high"], "whole number"),
    ] {
        let output = run(at, &[&["protocol", "new", "oak"], arguments.as_slice()].concat());
        let said = String::from_utf8_lossy(&output.stderr);
        assert_eq!(output.status.code(), Some(2), "{said}");
        assert!(said.contains(word), "{said}");
    }
    let output = run(at, &["protocol", "new", "oak"]);
    assert_eq!(output.status.code(), Some(2), "without a terminal nothing is asked");
    assert!(!at.join("oak.toml").exists());
}

#[test]
fn bad_input_is_named() {
    let folder = tempfile::tempdir().unwrap();
    let at = folder.path();
    fs::write(at.join("empty.log"), "").unwrap();
    fs::write(at.join("some.log"), "[1.0] a\n[2.0] b\n").unwrap();
    fs::write(at.join("table.csv"), "Time [s],CH0\n0.1,1\n0.2,0\n").unwrap();
    fs::write(at.join("noise.bin"), crate::support::random::Random(1).bytes(5_000)).unwrap();
    fs::write(at.join("bad.jsonl"), "{\"t\": 1, \"key\": \"KEY_MENU\"}\n{\"t\": 2}\n").unwrap();
    for (arguments, word) in [
        (vec!["empty.log"], "empty"),
        (vec!["missing.log"], "missing.log"),
        (vec!["."], "folder"),
        (vec!["table.csv"], "debug UART"),
        (vec!["noise.bin"], "sync"),
        (vec!["some.log", "--prompts", "bad.jsonl"], "bad.jsonl:2"),
    ] {
        let output = run(at, &[&["protocol", "learn"], arguments.as_slice()].concat());
        let said = String::from_utf8_lossy(&output.stderr);
        assert_eq!(output.status.code(), Some(3), "{arguments:?}: {said}");
        assert!(said.contains(word), "{arguments:?}: {said}");
    }
}
