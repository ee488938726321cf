//! The program as a user runs it.

use std::path::Path;
use std::process::{Command, Output, Stdio};

use straykey::base::Event;

pub(crate) fn straykey(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_straykey"))
        .args(arguments)
        .env_remove("STRAYKEY_PROTOCOLS")
        .env("COLUMNS", "100")
        .stdin(Stdio::null())
        .output()
        .unwrap()
}

pub(crate) fn text(bytes: &[u8]) -> String {
    String::from_utf8_lossy(bytes).into_owned()
}

pub(crate) fn sample(name: &str) -> String {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("captures").join(name).display().to_string()
}

/// Runs and expects this exit status and these words on standard error.
pub(crate) fn refused(arguments: &[&str], status: i32, words: &[&str]) {
    let output = straykey(arguments);
    let told = text(&output.stderr);
    assert_eq!(output.status.code(), Some(status), "{arguments:?}: {told}");
    for word in words {
        assert!(told.contains(word), "{arguments:?} does not say \"{word}\": {told}");
    }
}

/// What a command that succeeds prints.
pub(crate) fn run(arguments: &[&str]) -> Vec<u8> {
    let output = straykey(arguments);
    assert_eq!(output.status.code(), Some(0), "{arguments:?}: {}", text(&output.stderr));
    output.stdout
}

/// The events that `decode` prints.
pub(crate) fn decoded(arguments: &[&str]) -> Vec<Event> {
    let mut all = vec!["decode", "--json"];
    all.extend(arguments);
    run(&all)
        .split(|b| *b == b'\n')
        .filter(|l| !l.is_empty())
        .map(|l| serde_json::from_slice(l).unwrap())
        .collect()
}
