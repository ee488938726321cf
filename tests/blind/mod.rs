//! Time in which a stray could not have been seen proves nothing: the program is run as a user runs it, on a set that was
//! not repaired, with one way of not seeing each. No face may say `gone`.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod faces; // one job in all faces
mod live; // soaks on a pseudo-terminal
mod menu; // menu lines that are not printed any more
mod near; // excursions of a line beside its strays
mod recorded; // recordings that say what is missing in them
mod same; // live and stored alike
mod served; // the daemon, its jobs and its page's API
mod server; // soaks over a serial server
mod sound; // sets that are well heard
mod stored; // saved captures
mod wires; // tables and dumps of a receiver or a keypad line

use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use serde_json::Value;

use crate::face::program::{straykey, text};
use crate::support::daemon::Daemon;

/// Reading at rest and with Volume down held: the divider rule, floor(1024 * 1800 / 11800) = 156.
const REST: u32 = 0x3ff;
const KEY: u32 = 0x09c;

/// What an alder prints from one moment to another, both lines each 50 ms; the fault presses Volume down for 0.15 s every
/// 1.2 s where `strays`.
fn alder(from_ms: u64, to_ms: u64, strays: bool) -> String {
    let mut log = String::new();
    for ms in (from_ms..to_ms).step_by(50) {
        let counts = if strays && ms % 1200 >= 300 && ms % 1200 < 450 { KEY } else { REST };
        let _ = write!(log, "{}", line(ms, "KEY1", counts));
        let _ = write!(log, "{}", line(ms, "KEY2", REST));
    }
    log
}

fn line(ms: u64, name: &str, counts: u32) -> String {
    format!("[{}.{:03}] keyscan: line={name} adc=0x{counts:03x}\r\n", ms / 1000, ms % 1000)
}

/// A job of an alder that was watched for two minutes, full of strays, and then repaired, as its owner believes.
fn believed_repaired(folder: &Path) -> PathBuf {
    let job = folder.join("job");
    std::fs::write(folder.join("before.log"), alder(1000, 121_000, true)).unwrap();
    let manifest = "set = \"hall set\"\nchassis = \"alder\"\n[[stage]]\nstep = \"as received\"\n\
                    [[stage.capture]]\nfile = \"before.log\"\nhands = \"off\"\n";
    std::fs::write(folder.join("job.toml"), manifest).unwrap();
    run(&["job", "build", folder.join("job.toml").to_str().unwrap(), "--out", job.to_str().unwrap()]);
    run(&["step", job.to_str().unwrap(), "key board cleaned", "--kind", "repair", "--part", "key-board"]);
    job
}

fn run(arguments: &[&str]) {
    let output = straykey(arguments);
    assert_eq!(output.status.code(), Some(0), "{arguments:?}: {}", text(&output.stderr));
}

fn json(arguments: &[&str]) -> Value {
    let output = straykey(arguments);
    serde_json::from_slice(&output.stdout)
        .unwrap_or_else(|error| panic!("{arguments:?}: {error}: {}", text(&output.stderr)))
}

/// What every face says of the job's last stage: never `gone`, and the same everywhere. Gives the path of KEY1.
fn not_gone(job: &Path) -> Value {
    not_gone_on(job, "keypad", Some("KEY1"))
}

/// The same, and the path with this name and line.
fn not_gone_on(job: &Path, name: &str, line: Option<&str>) -> Value {
    let job = job.to_str().unwrap();
    let shown = json(&["job", "show", job, "--json"]);
    let verdict = shown["verdict"].as_str().unwrap_or("none").to_owned();
    assert_ne!(verdict, "gone", "{shown}");
    assert_ne!(shown["advice"]["action"], "hand-back", "{}", shown["advice"]);
    let stage = shown["stages"].as_array().unwrap().last().unwrap().clone();
    assert_eq!(stage["comparison"]["verdict"].as_str().unwrap_or("none"), verdict, "{stage}");
    let compared = json(&["compare", job, "--json"]);
    assert_eq!(compared["verdict"].as_str().unwrap_or("none"), verdict, "{compared}");
    let terminal = text(&straykey(&["job", "show", job]).stdout);
    assert!(!terminal.contains("gone. Quiet"), "{terminal}");
    run(&["report", job]);
    let report = std::fs::read_to_string(Path::new(job).join("report.html")).unwrap();
    for word in ["Verdict: gone", "hand the set back", ">gone<", "gone. Quiet"] {
        assert!(!report.contains(word), "the report says {word:?}");
    }
    served(Path::new(job), &shown);
    let number = stage["stage"].as_u64().unwrap();
    let sides = [format!("{job}#1"), format!("{job}#{number}")];
    let pair = json(&["compare", &sides[0], &sides[1], "--json"]);
    assert_ne!(pair["verdict"], "gone", "{pair}");
    // A path of which nothing was met is in the comparison alone.
    let listed = |of: &Value| of["paths"].as_array().cloned().unwrap_or_default();
    let own = |path: &Value| path["path"] == name && path["line"].as_str() == line;
    let mut paths = listed(&stage).into_iter().chain(listed(&stage["comparison"]));
    paths.find(own).unwrap_or(Value::Null)
}

/// The daemon says the same of a job as the terminal.
fn served(job: &Path, shown: &Value) {
    let folder = tempfile::tempdir().unwrap();
    std::os::unix::fs::symlink(job.parent().unwrap(), folder.path().join("jobs")).unwrap();
    let daemon = Daemon::start(folder.path(), "");
    let served = daemon.get(&format!("/jobs/{}", job.file_name().unwrap().to_str().unwrap()));
    for field in ["verdict", "hand_back", "hand_back_paths", "advice"] {
        assert_eq!(served[field], shown[field], "{field}");
    }
    let last = |state: &Value| state["stages"].as_array().unwrap().last().unwrap().clone();
    for field in ["observed_s", "strays", "paths", "unobserved", "headline"] {
        assert_eq!(last(&served)[field], last(shown)[field], "{field}");
    }
}

/// Terminal, comparison and report all say so of the job.
fn says(job: &Path, words: &str) {
    let folder = job.to_str().unwrap();
    let plain = |text: &str| text.split_whitespace().collect::<Vec<_>>().join(" ");
    let report = std::fs::read_to_string(job.join("report.html")).unwrap();
    let faces = [
        ("job show", text(&straykey(&["job", "show", folder]).stdout)),
        ("compare", text(&straykey(&["compare", folder]).stdout)),
        ("report", report),
    ];
    for (face, said) in faces {
        assert!(plain(&said).contains(words), "{face} does not say {words:?}: {said}");
    }
}

/// The ledger's line of one keypad line.
fn path(stage: &Value, line: &str) -> Value {
    let paths = stage["paths"].as_array().unwrap();
    paths.iter().find(|path| path["line"] == line).cloned().unwrap_or(Value::Null)
}

/// The reasons for which a path was not observed.
fn reasons(path: &Value) -> Vec<String> {
    let blind = path["blind"].as_array().into_iter().flatten();
    blind.map(|blind| blind["reason"].as_str().unwrap_or_default().to_owned()).collect()
}
