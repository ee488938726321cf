//! Soaks on a pseudo-terminal.

use std::os::unix::fs::symlink;
use std::path::Path;
use std::process::{Child, Command, Output, Stdio};
use std::time::{Duration, Instant};

use serde_json::Value;

use super::{alder, believed_repaired, line, not_gone, reasons};
use crate::support::terminal::Terminal;

/// A soak is planned for so long: an unrepaired set strays ten times meanwhile.
const MINUTES: &str = "0.1";
const MS: u64 = 6_000;

pub(super) fn soak(job: &Path, port: &Path, more: &[&str]) -> Child {
    let port = port.to_str().unwrap();
    Command::new(env!("CARGO_BIN_EXE_straykey"))
        .args([
            "soak",
            job.to_str().unwrap(),
            "--port",
            port,
            "--minutes",
            MINUTES,
            "--cautions-read",
            "--json",
        ])
        .args(more)
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap()
}

/// Each 50 ms of the set's own time until the soak ends.
pub(super) fn each_50_ms(child: &mut Child, mut then: impl FnMut(u64)) {
    let begun = Instant::now();
    let mut ms = 0;
    while child.try_wait().unwrap().is_none() {
        assert!(begun.elapsed() < Duration::from_secs(90), "the soak does not end");
        while begun.elapsed().as_millis() as u64 >= ms {
            then(ms);
            ms += 50;
        }
        std::thread::sleep(Duration::from_millis(5));
    }
}

/// The set prints until the soak ends: `says` gives what it prints in each 50 ms.
fn prints(
    terminal: &mut Terminal,
    child: &mut Child,
    mut says: impl FnMut(u64, &mut Terminal, u32) -> Vec<u8>,
) {
    let id = child.id();
    each_50_ms(child, |ms| {
        let bytes = says(ms, terminal, id);
        terminal.offer(&bytes);
    });
}

/// Runs a soak on a set that prints so; gives the exit status, the soak, and the ledger of KEY1 in the job.
fn run(says: impl FnMut(u64, &mut Terminal, u32) -> Vec<u8>) -> (i32, Value, Value) {
    run_with(&[], says)
}

fn run_with(more: &[&str], says: impl FnMut(u64, &mut Terminal, u32) -> Vec<u8>) -> (i32, Value, Value) {
    let folder = tempfile::tempdir().unwrap();
    let job = believed_repaired(folder.path());
    let mut terminal = Terminal::open();
    let mut child = soak(&job, terminal.path(), more);
    prints(&mut terminal, &mut child, says);
    proves_nothing(child, &job)
}

/// The exit status of a soak that has ended, the soak, and the ledger of KEY1 in the job; nowhere is anything gone.
pub(super) fn proves_nothing(child: Child, job: &Path) -> (i32, Value, Value) {
    let output = child.wait_with_output().unwrap();
    let told = String::from_utf8_lossy(&output.stderr).into_owned();
    let soak: Value =
        serde_json::from_slice(&output.stdout).unwrap_or_else(|error| panic!("{error}: {told}"));
    let soak = soak["soak"].clone();
    assert_ne!(soak["verdict"], "gone", "{soak}");
    let own = not_gone(job);
    // What the soak said is what the job says.
    let path = soak["paths"].as_array().unwrap().iter().find(|path| path["line"] == "KEY1").unwrap();
    assert_eq!(path["observed_s"], own["observed_s"], "live {path}\nstored {own}");
    assert_eq!(path["blind"], own["blind"], "live {path}\nstored {own}");
    (output.status.code().unwrap(), soak, own)
}

pub(super) fn observed(path: &Value) -> f64 {
    path["observed_s"].as_f64().unwrap()
}

/// The other side of all these: a set that is quiet and seen to be so is found gone, and the same in the job.
#[test]
fn a_set_that_is_seen_to_be_quiet_is_gone() {
    let folder = tempfile::tempdir().unwrap();
    let job = believed_repaired(folder.path());
    let mut terminal = Terminal::open();
    let mut child = soak(&job, terminal.path(), &[]);
    prints(&mut terminal, &mut child, |ms, _, _| alder(1000 + ms, 1050 + ms, false).into_bytes());
    let output = child.wait_with_output().unwrap();
    proves_the_repair(&output, &job);
}

/// Soak and job both say that the fault is gone.
pub(super) fn proves_the_repair(output: &Output, job: &Path) {
    let soak: Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!((output.status.code(), &soak["soak"]["verdict"]), (Some(0), &Value::from("gone")), "{soak}");
    let shown = super::json(&["job", "show", job.to_str().unwrap(), "--json"]);
    assert_eq!(shown["verdict"], "gone", "{}", shown["stages"][1]["comparison"]);
    assert_eq!(shown["advice"]["action"], "hand-back");
}

#[test]
fn a_port_that_is_silent_from_the_start() {
    let (status, soak, own) = run(|_, _, _| Vec::new());
    assert_eq!(status, 4);
    assert!(observed(&own) == 0.0 && soak["observed_s"] == 0.0, "{soak}");
    assert_eq!(reasons(&own), ["silent"]);
}

#[test]
fn random_bytes_as_of_a_wrong_rate() {
    let mut random = crate::support::random::Random(7);
    let (status, _, own) = run(|_, _, _| (0..50).map(|_| random.below(256) as u8).collect());
    assert_eq!(status, 4);
    assert!(observed(&own) == 0.0, "{own}");
}

#[test]
fn only_other_lines_of_the_set() {
    let says = |ms, _: &mut Terminal, _| format!("[{}.{:03}] net: link is up\r\n", ms / 1000, ms % 1000);
    let (status, _, own) = run(|ms, terminal, id| says(ms, terminal, id).into_bytes());
    assert_eq!(status, 4);
    assert_eq!((observed(&own), reasons(&own)), (0.0, vec!["line_absent".to_owned()]));
}

#[test]
fn only_a_shape_that_the_file_ignores() {
    let (status, _, own) =
        run(|ms, _, _| format!("[{}.{:03}] lamp: duty=40%\r\n", 1 + ms / 1000, ms % 1000).into_bytes());
    assert_eq!(status, 4);
    assert!(observed(&own) == 0.0, "{own}");
}

#[test]
fn readings_for_a_while_and_then_silence() {
    let (_, soak, own) =
        run(|ms, _, _| if ms < 900 { alder(1000 + ms, 1050 + ms, false).into_bytes() } else { Vec::new() });
    assert!(observed(&own) > 0.4 && observed(&own) < 1.6, "{own}");
    assert_eq!(reasons(&own).last().map(String::as_str), Some("silent"), "{soak}");
}

#[test]
fn the_line_is_missing_while_another_one_prints() {
    let (status, _, own) = run(|ms, _, _| line(1000 + ms, "KEY2", super::REST).into_bytes());
    assert_eq!((status, observed(&own)), (4, 0.0), "{own}");
    assert_eq!(reasons(&own), ["line_absent"]);
}

#[test]
fn the_adapter_is_pulled_and_a_script_does_not_wait() {
    let (status, _, own) = run_with(&["--no-wait"], |ms, terminal, _| {
        if ms >= 900 {
            terminal.unplug();
        }
        alder(1000 + ms, 1050 + ms, false).into_bytes()
    });
    assert_eq!(status, 4);
    assert!(observed(&own) < 1.6, "{own}");
}

/// The soak is planned for six seconds, and the adapter is away for eight: the clock stands still meanwhile.
#[test]
fn an_adapter_that_comes_back_is_waited_for_and_the_gap_is_blind() {
    let folder = tempfile::tempdir().unwrap();
    let job = believed_repaired(folder.path());
    let port = folder.path().join("adapter");
    let mut terminal = Terminal::open();
    symlink(terminal.path(), &port).unwrap();
    let mut child = soak(&job, &port, &[]);
    let mut pulled = None;
    prints(&mut terminal, &mut child, |ms, terminal, _| {
        if ms == 900 {
            std::fs::remove_file(&port).unwrap();
            // The pulled one lives on: its number must not go to another terminal.
            terminal.unplug();
            pulled = Some(std::mem::replace(terminal, Terminal::open()));
        }
        if ms == 9_000 {
            symlink(terminal.path(), &port).unwrap();
        }
        alder(1000 + ms, 1050 + ms, false).into_bytes()
    });
    let output = child.wait_with_output().unwrap();
    let told = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.code(), Some(0), "{told}");
    for said in ["The adapter is unplugged", "the clock stands still", "The adapter is back"] {
        assert_eq!(told.matches(said).count(), 1, "{said}: {told}");
    }
    assert!(!told.contains("BLIND") && !told.contains("is the set on"), "{told}");
    proves_the_repair_beside_a_gap(&output, &job);
}

/// The quiet on both sides of eight seconds without a port proves the repair, and the gap proves nothing.
pub(super) fn proves_the_repair_beside_a_gap(output: &Output, job: &Path) {
    proves_the_repair(output, job);
    let shown = super::json(&["job", "show", job.to_str().unwrap(), "--json"]);
    let own = super::path(shown["stages"].as_array().unwrap().last().unwrap(), "KEY1");
    assert!(observed(&own) > 2.0 && observed(&own) < 6.5, "{own}");
    let gap = own["blind"].as_array().unwrap().iter().find(|blind| blind["reason"] == "port_gone").unwrap();
    let gap = gap["to_s"].as_f64().unwrap() - gap["from_s"].as_f64().unwrap();
    assert!(gap > 7.0 && gap < 10.0, "{own}");
}

#[test]
fn the_program_is_stopped_for_most_of_the_time() {
    let mut stopped = false;
    let mut going = false;
    let (_, soak, own) = run(|ms, _, id| {
        let signal = |name: &str| {
            assert!(Command::new("kill").args([name, &id.to_string()]).status().unwrap().success());
        };
        if ms >= 900 && !stopped {
            stopped = true;
            signal("-STOP");
        }
        if ms >= MS - 300 && !going {
            going = true;
            signal("-CONT");
        }
        alder(1000 + ms, 1050 + ms, false).into_bytes()
    });
    assert!(observed(&own) < 4.5, "{own}");
    let why = reasons(&own);
    assert!(why.iter().any(|why| why == "process_stopped"), "{why:?} {soak}");
}

/// While it runs, the soak says within five seconds that it sees nothing.
#[test]
fn a_soak_that_sees_nothing_says_so_at_once() {
    use std::io::BufRead;
    let folder = tempfile::tempdir().unwrap();
    let job = believed_repaired(folder.path());
    let mut terminal = Terminal::open();
    let port = terminal.path().to_str().unwrap().to_owned();
    let mut child = Command::new(env!("CARGO_BIN_EXE_straykey"))
        .args(["soak", job.to_str().unwrap(), "--port", &port, "--minutes", "5", "--cautions-read"])
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut told = std::io::BufReader::new(child.stderr.take().unwrap()).lines();
    let said = |told: &mut dyn Iterator<Item = std::io::Result<String>>, word: &str| {
        told.map_while(Result::ok).find(|line| line.contains(word)).unwrap()
    };
    said(&mut told, "Listening");
    let begun = Instant::now();
    let mut ms = 0;
    while ms < 1_000 {
        if begun.elapsed().as_millis() as u64 >= ms {
            terminal.offer(alder(1000 + ms, 1050 + ms, false).as_bytes());
            ms += 50;
        }
    }
    let quiet = Instant::now();
    let line = said(&mut told, "BLIND");
    assert!(line.contains("KEY1") && line.contains("nothing came from the set"), "{line}");
    assert!(quiet.elapsed() < Duration::from_secs(5), "{:?}", quiet.elapsed());
    child.kill().unwrap();
    child.wait().unwrap();
}
