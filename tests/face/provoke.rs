//! Provocation: what a drawn plan shows, live and from the job, and what is left when it is broken off.

use std::path::Path;
use std::process::{Command, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use serde_json::Value;
use straykey::analysis::provoke::Label;
use straykey::base::{Anchor, Nanoseconds};
use straykey::bench::Loaded;
use straykey::bench::provoke::{Now, ProvokeRun, ProvokedState, planned, provoked, uses};
use straykey::source::{Chunk, Pulled};
use straykey::timeline::Protocols;
use straykey::timeline::job::{CaptureOptions, Hands, Job, JobInfo};

use super::program::{straykey, text};
use crate::support::terminal::Terminal;

fn json(arguments: &[&str]) -> Value {
    serde_json::from_slice(&straykey(arguments).stdout).unwrap_or_default()
}

/// Carries a plan out on a set in simulated time: each 50 ms it prints its key line, pressed where `presses` says so. `struck`
/// is a second at which hands moved.
fn carry_out(
    folder: &Path,
    with: &[&str],
    presses: impl Fn(Label, u64) -> bool,
    struck: Option<u64>,
) -> (ProvokedState, ProvokedState) {
    let names: Vec<String> = with.iter().map(|name| (*name).to_owned()).collect();
    let (plan, _) = planned(&uses(&names).unwrap(), 15.0, 1.0, 20_261_129).unwrap();
    let job = folder.join("job");
    let mut job = Job::create(&job, &JobInfo::new("hall set").chassis("alder")).unwrap();
    let options = CaptureOptions { hands: Hands::On, name: Some("provoke".into()), ..Default::default() };
    let anchor = Anchor::parse("2026-03-01T10:00:00Z").unwrap();
    let mut capture = job.begin_capture(&options, "pty", &serde_json::json!({}), anchor).unwrap();
    let name = capture.name().to_owned();
    job.provoke(&name, plan.clone()).unwrap();
    let mut run = ProvokeRun::of(plan, None).unwrap();
    let (mut label, mut ms, mut offset) = (Label::LeaveAlone, 0_u64, 0_u64);
    let mut decoder = Vec::new();
    loop {
        let now = Nanoseconds::from_millis(i64::try_from(ms).unwrap());
        if struck == Some(ms / 1000) && ms % 1000 == 0 {
            let round = run.strike("hands moved").unwrap();
            job.strike_round(&name, round, "hands moved").unwrap();
        }
        match run.now(now) {
            Now::Begin(block, does) => {
                job.begin_block(&name, block).unwrap();
                label = does;
            }
            Now::Going(_) => {}
            Now::Done => break,
        }
        // A press is down for 200 ms.
        let down = presses(label, ms - ms % 200);
        let counts = if down { 0x2eb } else { 0x3ff };
        let line = format!("[{}.{:03}] keyscan: line=KEY1 adc=0x{counts:03x}\r\n", ms / 1000, ms % 1000);
        let chunk = Chunk { offset, arrival: Some(now), bytes: line.as_bytes() };
        capture.take(&Pulled::Chunk(chunk)).unwrap();
        offset += line.len() as u64;
        if down && decoder.last().is_none_or(|last: &u64| ms - last >= 250) {
            let mut event = straykey::base::Event::new(
                now,
                straykey::base::ControlPath::Keypad,
                straykey::base::EventKind::Press,
            );
            event.key = straykey::base::Key::from_name("KEY_MENU");
            run.take(&event);
        }
        if down {
            decoder.push(ms);
        }
        ms += 50;
    }
    let live = run.state(Nanoseconds::from_millis(i64::try_from(ms).unwrap()));
    job.end_capture(capture).unwrap();
    let loaded = Loaded::index(job, &Protocols::load(None).unwrap(), false).unwrap();
    let stored = provoked(&loaded, None).unwrap().remove(0);
    (live, stored)
}

/// A press each so many seconds, for 200 ms.
fn each(seconds: u64, ms: u64) -> bool {
    ms % (1000 * seconds) == 5000
}

#[test]
fn what_calls_the_fault_is_found_and_what_does_not_is_not() {
    let folder = tempfile::tempdir().unwrap();
    let calls = |label, ms| match label {
        Label::Stressor(0) => each(7, ms),
        _ => each(71, ms),
    };
    let (live, stored) = carry_out(folder.path(), &["tap@key-cable", "lamp"], calls, None);
    assert_eq!(
        ProvokedState { stage: 1, capture: stored.capture.clone(), ..live },
        stored,
        "live and stored"
    );
    let [tap, lamp] = &stored.stressors[..] else { panic!("{stored:?}") };
    assert!(tap.chance <= 0.01 && tap.times_low > 1.0 && tap.times.unwrap() > 3.0, "{tap:?}");
    assert!(lamp.chance > 0.05, "{lamp:?}");
    assert!(stored.blocks.iter().all(|block| block.struck.is_none()));
    // Each round holds each label once.
    for round in stored.blocks.chunks(3) {
        let mut names: Vec<_> = round.iter().map(|block| block.stressor.clone()).collect();
        names.sort();
        assert_eq!(names, [None, Some("lamp".to_owned()), Some("tap@key-cable".to_owned())]);
    }
    let job = folder.path().join("job");
    let shown = text(&straykey(&["job", "show", job.to_str().unwrap()]).stdout);
    assert!(shown.contains("tap@key-cable calls the fault: "), "{shown}");
    assert!(shown.contains("lamp: no effect shown"), "{shown}");
    let report = folder.path().join("report.html");
    straykey(&["report", job.to_str().unwrap(), "--out", report.to_str().unwrap()]);
    let report = std::fs::read_to_string(report).unwrap();
    assert!(report.contains("Stage 1: tap@key-cable calls the fault: ") && report.contains("leave alone"));
    // It is no stage that was watched, and no hand's input.
    let state = json(&["job", "show", job.to_str().unwrap(), "--json"]);
    assert_eq!(state["stages"][0]["figures"], Value::Null);
    assert_eq!(state["stages"][0]["suspicion"], Value::Null);
}

#[test]
fn a_set_that_strays_by_itself_is_not_provoked() {
    let folder = tempfile::tempdir().unwrap();
    // Twice a minute, whatever is done.
    let (_, stored) = carry_out(folder.path(), &["tap@key-cable"], |_, ms| each(29, ms), None);
    assert!(stored.stressors[0].chance > 0.05, "{stored:?}");
    assert!(stored.stressors[0].alone > 3, "{stored:?}");
}

#[test]
fn a_spoiled_round_is_struck_out_told_and_done_again() {
    let folder = tempfile::tempdir().unwrap();
    let (live, stored) = carry_out(folder.path(), &["tap@key-cable"], |_, ms| each(29, ms), Some(100));
    assert_eq!(live.blocks, stored.blocks);
    let struck: Vec<&str> = stored.blocks.iter().filter_map(|block| block.struck.as_deref()).collect();
    assert!(!struck.is_empty() && struck.iter().all(|why| *why == "hands moved"), "{struck:?}");
    assert_eq!(stored.rounds, stored.planned as usize, "as many count as were planned");
    assert_eq!(stored.blocks.last().unwrap().round, stored.rounds + 1, "one more was done");
}

#[test]
fn a_plan_that_can_show_nothing_is_not_begun() {
    let folder = tempfile::tempdir().unwrap();
    let job = folder.path().join("job");
    Job::create(&job, &JobInfo::new("hall set")).unwrap();
    let job = job.to_str().unwrap();
    let tried = |more: &[&str]| {
        let begin = ["provoke", job, "--port", "/dev/null", "--cautions-read"];
        let output = straykey(&[&begin[..], more].concat());
        (output.status.code(), text(&output.stderr))
    };
    let (status, said) = tried(&["--with", "tap@key-cable", "--minutes", "2"]);
    assert!(
        status == Some(2) && said.contains("can show nothing") && said.contains("3 minutes or more"),
        "{said}"
    );
    let (status, said) = tried(&["--with", "tapp@key-cable"]);
    assert!(status == Some(2) && said.contains("no stressor") && said.contains("mains-low"), "{said}");
    let (status, said) = tried(&["--with", "tap"]);
    assert!(status == Some(2) && said.contains("needs a place"), "{said}");
    // The cautions of what is about to be done are shown before the port is touched.
    let (status, said) = tried(&["--with", "warm@key-cable", "--minutes", "30"]);
    assert!(status != Some(0) && said.contains("Hot air") && said.contains("One hand"), "{said}");
}

#[test]
fn killed_in_a_block_the_job_keeps_the_plan_and_what_was_done() {
    let folder = tempfile::tempdir().unwrap();
    let job = folder.path().join("job");
    drop(Job::create(&job, &JobInfo::new("hall set").chassis("alder")).unwrap());
    let mut terminal = Terminal::open();
    let port = terminal.path().to_owned();
    let mut child = Command::new(env!("CARGO_BIN_EXE_straykey"))
        .args(["provoke", job.to_str().unwrap(), "--port", port.to_str().unwrap()])
        .args(["--with", "tap@key-cable", "--minutes", "15", "--cautions-read"])
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    // An alder reports each 50 ms, whoever else is busy.
    let over = Arc::new(AtomicBool::new(false));
    let until = Arc::clone(&over);
    let prints = std::thread::spawn(move || {
        for ms in (1000_u64..).step_by(50).take_while(|_| !until.load(Ordering::Relaxed)) {
            let line = format!("[{}.{:03}] keyscan: line=KEY1 adc=0x3ff\r\n", ms / 1000, ms % 1000);
            terminal.offer(line.as_bytes());
            std::thread::sleep(Duration::from_millis(50));
        }
    });
    // Until the second block is in the job: it is the first that could be broken off behind a whole one.
    let begun = Instant::now();
    let blocks =
        || json(&["job", "show", job.to_str().unwrap(), "--json"])["provocations"][0]["blocks"].clone();
    while blocks().as_array().is_none_or(|blocks| blocks.len() < 2) {
        assert!(begun.elapsed() < Duration::from_secs(120), "{}", blocks());
        std::thread::sleep(Duration::from_millis(300));
    }
    child.kill().unwrap();
    child.wait().unwrap();
    over.store(true, Ordering::Relaxed);
    prints.join().unwrap();
    let left = blocks();
    assert_eq!(left[1]["struck"], "broken off", "{left}");
    assert!(left[0]["from_s"].as_f64() < left[1]["from_s"].as_f64(), "{left}");
    let shown = json(&["job", "show", job.to_str().unwrap(), "--json"]);
    assert_eq!(shown["provocations"][0]["stressors"][0]["chance"], 1.0, "{shown}");
    assert!(shown["provocations"][0]["seed"].as_u64().unwrap() > 0);
}
