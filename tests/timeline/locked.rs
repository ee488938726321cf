//! A job and two processes.

use std::io::{BufRead, BufReader, Read, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};

use straykey::base::{Anchor, Nanoseconds};
use straykey::source::{Chunk, Pulled};
use straykey::timeline::job::{Job, StepKind};

use super::{hands_off, small_job, step};

const FOLDER_VARIABLE: &str = "STRAYKEY_TEST_LOCKED_JOB";

/// The other process: opens the job, begins a capture, says so, and holds it until its input ends.
#[test]
#[ignore = "a process of its own, started by the tests of this file"]
fn the_other_process() {
    let Some(folder) = std::env::var_os(FOLDER_VARIABLE).map(PathBuf::from) else { return };
    let mut job = Job::open(&folder).unwrap();
    let mut capture =
        job.begin_capture(&hands_off(), "port", &serde_json::json!({}), Anchor { unix_ns: 5 }).unwrap();
    let arrival = Some(Nanoseconds::SECOND);
    capture.take(&Pulled::Chunk(Chunk { arrival, offset: 0, bytes: b"acknowledged" })).unwrap();
    capture.commit().unwrap();
    println!("holding");
    std::io::stdout().flush().unwrap();
    let _ = std::io::stdin().read(&mut [0u8; 1]).unwrap();
}

fn hold(folder: &Path) -> Child {
    let mut child = Command::new(std::env::current_exe().unwrap())
        .args(["timeline::locked::the_other_process", "--exact", "--ignored", "--nocapture"])
        .env(FOLDER_VARIABLE, folder)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let holding = BufReader::new(child.stdout.as_mut().unwrap())
        .lines()
        .map_while(Result::ok)
        .any(|line| line.contains("holding"));
    assert!(holding, "the other process opened the job");
    child
}

#[test]
fn a_job_is_worked_on_by_one_process_and_the_other_is_told_which() {
    let folder = tempfile::tempdir().unwrap();
    drop(small_job(folder.path()));
    let path = folder.path().join("job");
    let mut child = hold(&path);
    let error = Job::open(&path).unwrap_err();
    assert_eq!(error.exit_status(), 4);
    let text = error.to_string();
    assert!(text.contains(&format!("the job is open in process {}", child.id())), "{text}");
    // Looking is allowed beside it, and sees the running capture.
    let looked = Job::read(&path).unwrap();
    assert!(!looked.captures().last().unwrap().is_closed());
    drop(child.stdin.take());
    assert!(child.wait().unwrap().success());
    Job::open(&path).unwrap();
}

#[test]
fn a_killed_process_leaves_no_lock_and_no_acknowledged_byte_behind() {
    let folder = tempfile::tempdir().unwrap();
    drop(small_job(folder.path()));
    let path = folder.path().join("job");
    let mut child = hold(&path);
    child.kill().unwrap();
    child.wait().unwrap();
    let mut job = Job::open(&path).unwrap();
    assert!(job.remarks().iter().any(|remark| remark.contains("cut short")), "{:?}", job.remarks());
    let capture = job.captures().last().unwrap().clone();
    assert!(capture.is_closed());
    let reader = straykey::journal::Reader::open(&capture.path).unwrap();
    assert_eq!(crate::journal::replay_reader(reader).unwrap().bytes, b"acknowledged");
    job.add_step(step("work goes on", StepKind::Repair, &[])).unwrap();
    assert_eq!(job.stages().len(), 4);
}
