//! The program at a port, started and listened to.

use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::{Child, Command, Stdio};

use super::program::{straykey, text};

pub(crate) fn spawn(arguments: &[&str]) -> Child {
    Command::new(env!("CARGO_BIN_EXE_straykey"))
        .args(arguments)
        .env_remove("STRAYKEY_PROTOCOLS")
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap()
}

/// Waits until the program says on standard error that it listens.
pub(crate) fn listening(child: &mut Child) -> std::thread::JoinHandle<String> {
    let mut told = BufReader::new(child.stderr.take().unwrap());
    let mut line = String::new();
    let mut all = String::new();
    while !line.contains("Watching") && !line.contains("Listening") {
        line.clear();
        assert!(told.read_line(&mut line).unwrap() > 0, "ended early: {all}");
        all.push_str(&line);
    }
    std::thread::spawn(move || {
        for line in told.lines().map_while(Result::ok) {
            all.push_str(&line);
            all.push('\n');
        }
        all
    })
}

pub(crate) fn new_job(folder: &Path) {
    let output =
        straykey(&["job", "new", folder.to_str().unwrap(), "--set", "kitchen set", "--chassis", "alder"]);
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
}
