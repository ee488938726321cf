//! A bench: a simulated set on a pseudo-terminal, the program on the other end, a job between them.

use std::io::{BufRead, BufReader};
use std::os::unix::fs::symlink;
use std::path::Path;
use std::time::{Duration, Instant};

use super::program::{straykey, text};
use crate::support::daemon::readings;
use crate::support::soak::{listening, new_job, spawn};
use crate::support::terminal::Terminal;

#[test]
fn watch_shows_a_press_and_ends_when_the_port_is_gone() {
    let mut terminal = Terminal::open();
    let port = terminal.path().to_str().unwrap().to_owned();
    let mut child =
        spawn(&["watch", "--port", &port, "--chassis", "alder", "--json", "--cautions-read", "--no-wait"]);
    let told = listening(&mut child);
    let mut events = BufReader::new(child.stdout.take().unwrap()).lines();
    terminal.print(readings(1000, false, 4).as_bytes());
    terminal.print(readings(1200, true, 4).as_bytes());
    let press = events.by_ref().map_while(Result::ok).find(|line| line.contains("\"press\"")).unwrap();
    // 1023 * 27000 / 37000 = 746.5: the divider rule, MENU of the reference ladder.
    assert!(press.contains("\"key\":\"KEY_MENU\"") && press.contains("\"counts\":747"), "{press}");
    terminal.unplug();
    let rest: Vec<String> = events.map_while(Result::ok).collect();
    assert_eq!(child.wait().unwrap().code(), Some(4));
    assert!(rest.iter().any(|line| line.contains("\"fault\"")), "{rest:?}");
    assert!(told.join().unwrap().contains("the port is gone"));
}

/// What a watch is told by its port ends with the adapter, and goes on with it; the set is not blamed.
#[test]
fn watch_waits_for_the_adapter_and_goes_on() {
    let folder = tempfile::tempdir().unwrap();
    let port = folder.path().join("adapter");
    let port_text = port.to_str().unwrap();
    let mut first = Terminal::open();
    symlink(first.path(), &port).unwrap();
    let mut child = spawn(&[
        "watch",
        "--port",
        port_text,
        "--chassis",
        "alder",
        "--json",
        "--cautions-read",
        "--seconds",
        "30",
    ]);
    let mut told = BufReader::new(child.stderr.take().unwrap()).lines();
    let mut said = |word: &str| told.by_ref().map_while(Result::ok).any(|line| line.contains(word));
    assert!(said("Watching"));
    // Not a byte came before it was pulled.
    std::fs::remove_file(&port).unwrap();
    first.unplug();
    assert!(said("The adapter is unplugged"));
    let mut second = Terminal::open();
    symlink(second.path(), &port).unwrap();
    assert!(said("The adapter is back"));
    let mut events = BufReader::new(child.stdout.take().unwrap()).lines();
    second.print((readings(1000, false, 4) + readings(1200, true, 4).as_str()).as_bytes());
    assert!(events.by_ref().map_while(Result::ok).any(|line| line.contains("KEY_MENU")));
    std::fs::remove_file(&port).unwrap();
    second.unplug();
    assert!(said("The adapter is unplugged"));
    let signal = ["-INT", &child.id().to_string()];
    assert!(std::process::Command::new("kill").args(signal).status().unwrap().success());
    assert_eq!(child.wait().unwrap().code(), Some(0));
    let rest: Vec<String> = told.map_while(Result::ok).collect();
    assert!(!rest.iter().any(|line| line.contains("is the set on")), "{rest:?}");
}

#[test]
fn a_watch_without_an_adapter_does_not_talk_of_the_set() {
    let mut terminal = Terminal::open();
    let port = terminal.path().to_str().unwrap().to_owned();
    let mut child = spawn(&["watch", "--port", &port, "--cautions-read", "--no-wait"]);
    let told = listening(&mut child);
    terminal.unplug();
    assert_eq!(child.wait().unwrap().code(), Some(4));
    let told = told.join().unwrap();
    assert!(told.contains("the port is gone") && !told.contains("is the set on"), "{told}");
}

#[test]
fn a_busy_port_is_refused() {
    let terminal = Terminal::open();
    let port = terminal.path().to_str().unwrap().to_owned();
    let mut first = spawn(&["watch", "--port", &port, "--cautions-read"]);
    let told = listening(&mut first);
    let output = straykey(&["watch", "--port", &port, "--cautions-read"]);
    assert_eq!(output.status.code(), Some(4));
    assert!(text(&output.stderr).contains("in use by process"), "{}", text(&output.stderr));
    first.kill().unwrap();
    first.wait().unwrap();
    drop(told.join());
}

#[test]
fn an_unplugged_soak_keeps_what_was_read() {
    let folder = tempfile::tempdir().unwrap();
    let job = folder.path().join("job");
    new_job(&job);
    let mut terminal = Terminal::open();
    let port = terminal.path().to_str().unwrap().to_owned();
    let job_text = job.to_str().unwrap();
    let mut child = spawn(&[
        "soak",
        job_text,
        "--port",
        &port,
        "--minutes",
        "5",
        "--cautions-read",
        "--json",
        "--no-wait",
    ]);
    let told = listening(&mut child);
    let bytes =
        readings(1000, false, 10) + readings(1500, true, 10).as_str() + readings(2000, false, 10).as_str();
    terminal.print(bytes.as_bytes());
    // The kernel throws away what is unread when the port goes: wait until it is on disk.
    let journal = job.join("raw/0001-soak.journal");
    let patience = Instant::now();
    while std::fs::metadata(&journal).map_or(0, |m| m.len()) < bytes.len() as u64 {
        assert!(patience.elapsed() < Duration::from_secs(20), "nothing reached the disk");
        std::thread::sleep(Duration::from_millis(10));
    }
    terminal.unplug();
    assert_eq!(child.wait().unwrap().code(), Some(4));
    let told = told.join().unwrap();
    assert!(told.contains("Kept as 0001-soak"), "{told}");
    let shown: serde_json::Value =
        serde_json::from_slice(&straykey(&["job", "show", job_text, "--json"]).stdout).unwrap();
    assert_eq!(shown["stages"][0]["strays"], 1, "{shown}");
    assert!(shown["stages"][0]["captures"][0]["sha256"].is_string());
    let output = straykey(&["decode", journal.to_str().unwrap(), "--json"]);
    assert!(text(&output.stdout).contains("\"fault\""), "the gap is in the record");
}

#[test]
fn a_silent_port_is_not_a_quiet_set() {
    let folder = tempfile::tempdir().unwrap();
    let job = folder.path().join("job");
    new_job(&job);
    let terminal = Terminal::open();
    let port = terminal.path().to_str().unwrap().to_owned();
    let job = job.to_str().unwrap().to_owned();
    let output = straykey(&["soak", &job, "--port", &port, "--minutes", "0.005", "--cautions-read"]);
    assert_eq!(output.status.code(), Some(4));
    assert!(text(&output.stderr).contains("no quiet set"), "{}", text(&output.stderr));
}

#[test]
fn two_processes_do_not_work_on_one_job() {
    let folder = tempfile::tempdir().unwrap();
    let job = folder.path().join("job");
    new_job(&job);
    let terminal = Terminal::open();
    let port = terminal.path().to_str().unwrap().to_owned();
    let job = job.to_str().unwrap().to_owned();
    let mut first = spawn(&["soak", &job, "--port", &port, "--minutes", "5", "--cautions-read"]);
    let told = listening(&mut first);
    let output = straykey(&["step", &job, "key board unplugged", "--kind", "isolate", "--part", "key-board"]);
    assert_eq!(output.status.code(), Some(4));
    assert!(text(&output.stderr).contains(&first.id().to_string()), "{}", text(&output.stderr));
    // Looking is allowed at any time.
    assert_eq!(straykey(&["job", "show", &job]).status.code(), Some(0));
    first.kill().unwrap();
    first.wait().unwrap();
    drop(told.join());
}

#[test]
fn cautions_come_before_the_first_live_capture_and_once_a_job() {
    let folder = tempfile::tempdir().unwrap();
    let job = folder.path().join("job");
    new_job(&job);
    let terminal = Terminal::open();
    let port = terminal.path().to_str().unwrap().to_owned();
    let job = job.to_str().unwrap().to_owned();
    let soak = |more: &[&str]| {
        let mut arguments = vec!["soak", &job, "--port", &port, "--minutes", "0.002"];
        arguments.extend(more);
        straykey(&arguments)
    };
    let refused = soak(&[]);
    assert_eq!(refused.status.code(), Some(2));
    let told = text(&refused.stderr);
    assert!(told.contains("Mains inside") && told.contains("--cautions-read"), "{told}");
    assert!(text(&soak(&["--cautions-read"]).stderr).contains("Mains inside"));
    let again = text(&soak(&[]).stderr);
    assert!(!again.contains("Mains inside") && again.contains("Listening"), "{again}");
}

#[test]
fn two_parts_in_one_step_are_warned_of() {
    let folder = tempfile::tempdir().unwrap();
    let job = folder.path().join("job");
    new_job(&job);
    let job = job.to_str().unwrap();
    let output = straykey(&[
        "step",
        job,
        "cleaned both boards",
        "--kind",
        "repair",
        "--part",
        "key-board",
        "--part",
        "main-board",
    ]);
    assert_eq!(output.status.code(), Some(0));
    assert!(text(&output.stderr).contains("nobody can tell which one"), "{}", text(&output.stderr));
}

#[test]
fn a_job_built_from_a_manifest_gives_the_same_findings_after_its_index_is_deleted() {
    let folder = tempfile::tempdir().unwrap();
    let logs = Path::new(env!("CARGO_MANIFEST_DIR")).join("captures/alder/plain-lf.log");
    std::fs::copy(&logs, folder.path().join("one.log")).unwrap();
    std::fs::copy(&logs, folder.path().join("two.log")).unwrap();
    let manifest = folder.path().join("ticket.toml");
    std::fs::write(
        &manifest,
        "set = \"kitchen set\"\nchassis = \"alder\"\n[[stage]]\nstep = \"as received\"\n[[stage.capture]]\nfile = \"one.log\"\nhands = \"off\"\n\
         [[stage]]\nstep = \"key board cleaned\"\nkind = \"repair\"\nparts = [\"key-board\"]\n[[stage.capture]]\nfile = \"two.log\"\nhands = \"off\"\n",
    )
    .unwrap();
    let job = folder.path().join("job");
    let job = job.to_str().unwrap();
    let built = straykey(&["job", "build", manifest.to_str().unwrap(), "--out", job, "--json"]);
    assert_eq!(built.status.code(), Some(0), "{}", text(&built.stderr));
    let first: serde_json::Value = serde_json::from_slice(&built.stdout).unwrap();
    assert!(first["stages"][0]["strays"].as_u64().unwrap() > 0);
    for file in ["straykey.db", "straykey.db-wal", "straykey.db-shm"] {
        let _ = std::fs::remove_file(Path::new(job).join(file));
    }
    let again: serde_json::Value =
        serde_json::from_slice(&straykey(&["job", "show", job, "--json"]).stdout).unwrap();
    assert_eq!(first, again);
    let difference = straykey(&["compare", &format!("{job}#1"), &format!("{job}#2"), "--json"]);
    let difference: serde_json::Value = serde_json::from_slice(&difference.stdout).unwrap();
    assert_ne!(difference["verdict"], "gone");
}
