//! Provocation: what a drawn plan shows, live and from the job, and what is left when it is broken off.

use std::path::Path;
use std::process::{Command, Stdio};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use serde_json::Value;
use straykey::analysis::provoke::Label;
use straykey::base::{Anchor, Nanoseconds};
use straykey::bench::Loaded;
use straykey::bench::provoke::{Now, ProvokeRun, ProvokedState, planned, provoked, uses};
use straykey::source::{ByteSource, Chunk, Pulled};
use straykey::timeline::job::{CaptureOptions, Hands, Job, JobInfo, Provocation, Spoiled};
use straykey::timeline::live::Session;
use straykey::timeline::{Protocols, Unwatched};

use super::program::{straykey, text};
use crate::support::terminal::Terminal;

pub(super) fn json(arguments: &[&str]) -> Value {
    serde_json::from_slice(&straykey(arguments).stdout).unwrap_or_default()
}

/// What KEY1 of a set reads while something is done to it, by the millisecond.
pub(super) type Reads = dyn Fn(Label, u64) -> u32 + Send;

/// A set in simulated time: each 50 ms it prints its key line.
struct Set {
    doing: Arc<Mutex<Label>>,
    reads: Box<Reads>,
    ms: u64,
    offset: u64,
    line: String,
}

impl ByteSource for Set {
    fn pull(&mut self) -> straykey::base::Result<Pulled<'_>> {
        let ms = self.ms;
        let counts = (self.reads)(*self.doing.lock().unwrap(), ms);
        self.offset += self.line.len() as u64;
        self.line = format!("[{}.{:03}] keyscan: line=KEY1 adc=0x{counts:03x}\r\n", ms / 1000, ms % 1000);
        self.ms += 50;
        let arrival = Some(Nanoseconds::from_millis(i64::try_from(ms).unwrap()));
        Ok(Pulled::Chunk(Chunk { arrival, offset: self.offset, bytes: self.line.as_bytes() }))
    }

    fn anchor(&self) -> Option<Anchor> {
        Anchor::parse("2026-03-01T10:00:00Z")
    }
}

/// Carries a plan out on a set; `struck` is a second at which hands moved. Gives what it showed live and what the job says.
pub(super) fn carry_out(
    job: &mut Job,
    plan: Provocation,
    reads: impl Fn(Label, u64) -> u32 + Send + 'static,
    struck: Option<u64>,
) -> ProvokedState {
    let options = CaptureOptions { hands: Hands::On, name: Some("provoke".into()), ..Default::default() };
    let anchor = Anchor::parse("2026-03-01T10:00:00Z").unwrap();
    let capture = job.begin_capture(&options, "pty", &serde_json::json!({}), anchor).unwrap();
    let name = capture.name().to_owned();
    job.provoke(&name, plan.clone()).unwrap();
    let mut run = ProvokeRun::of(plan, None).unwrap();
    let doing = Arc::new(Mutex::new(Label::LeaveAlone));
    let set =
        Set { doing: Arc::clone(&doing), reads: Box::new(reads), ms: 0, offset: 0, line: String::new() };
    let protocols = Protocols::load(None).unwrap();
    let mut session = Session::new(Box::new(set), Some(capture), &protocols, Some("alder")).unwrap();
    let mut events = Vec::new();
    loop {
        session.step(&mut run, &mut events).unwrap();
        events.clear();
        let now = session.now();
        if struck.is_some_and(|second| now == Nanoseconds::from_millis(1000 * second as i64)) {
            let round = run.strike(Spoiled::HandsMoved).unwrap();
            job.strike_round(&name, round, Spoiled::HandsMoved).unwrap();
        }
        match run.now(now) {
            Now::Begin(block, does) => {
                job.begin_block(&name, block).unwrap();
                *doing.lock().unwrap() = does;
            }
            Now::Going(_) => {}
            Now::Done => break,
        }
    }
    let live = run.state(session.now());
    let (_, recorder) = session.finish(&mut run, &mut events).unwrap();
    job.end_capture(recorder.unwrap()).unwrap();
    live
}

/// A soak of so many seconds on a set.
pub(super) fn soaked(job: &mut Job, seconds: i64, reads: impl Fn(Label, u64) -> u32 + Send + 'static) {
    let options = CaptureOptions { hands: Hands::Off, name: Some("soak".into()), ..Default::default() };
    let anchor = Anchor::parse("2026-03-01T09:00:00Z").unwrap();
    let capture = job.begin_capture(&options, "pty", &serde_json::json!({}), anchor).unwrap();
    let set = Set {
        doing: Arc::new(Mutex::new(Label::LeaveAlone)),
        reads: Box::new(reads),
        ms: 0,
        offset: 0,
        line: String::new(),
    };
    let protocols = Protocols::load(None).unwrap();
    let mut session = Session::new(Box::new(set), Some(capture), &protocols, Some("alder")).unwrap();
    let mut events = Vec::new();
    while session.now() < Nanoseconds::from_millis(1000 * seconds) {
        session.step(&mut Unwatched, &mut events).unwrap();
    }
    let (_, recorder) = session.finish(&mut Unwatched, &mut events).unwrap();
    job.end_capture(recorder.unwrap()).unwrap();
}

/// A quarter of an hour of these stressors in a new job, on a set that presses Menu for 200 ms where `presses` says so.
fn pressed(
    folder: &Path,
    with: &[&str],
    presses: impl Fn(Label, u64) -> bool + Send + 'static,
    struck: Option<u64>,
) -> (ProvokedState, ProvokedState) {
    let reads = move |label, ms| if presses(label, ms - ms % 200) { 0x2eb } else { 0x3ff };
    read(folder, with, 15.0, reads, struck)
}

fn read(
    folder: &Path,
    with: &[&str],
    minutes: f64,
    reads: impl Fn(Label, u64) -> u32 + Send + 'static,
    struck: Option<u64>,
) -> (ProvokedState, ProvokedState) {
    let names: Vec<String> = with.iter().map(|name| (*name).to_owned()).collect();
    let (plan, _) = planned(&uses(&names).unwrap(), minutes, 1.0, 20_261_129).unwrap();
    let mut job = Job::create(&folder.join("job"), &JobInfo::new("hall set").chassis("alder")).unwrap();
    let live = carry_out(&mut job, plan, reads, struck);
    let loaded = Loaded::index(job, &Protocols::load(None).unwrap(), false).unwrap();
    let stored = provoked(&loaded, None).unwrap().remove(0);
    (ProvokedState { stage: 1, capture: stored.capture.clone(), ..live }, stored)
}

/// A press each so many seconds, for 200 ms.
pub(super) fn each(seconds: u64, ms: u64) -> bool {
    ms % (1000 * seconds) == 5000
}

#[test]
fn what_calls_the_fault_is_found_and_what_does_not_is_not() {
    let folder = tempfile::tempdir().unwrap();
    let calls = |label, ms| match label {
        Label::Stressor(0) => each(7, ms),
        _ => each(71, ms),
    };
    let (live, stored) = pressed(folder.path(), &["tap@key-cable", "lamp"], calls, None);
    assert_eq!(live, stored, "live and stored");
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

/// A job has learned that strays ten seconds apart are one episode, and under the stressor one comes every four: each of its blocks
/// holds an episode, though none of them is the first after ten seconds of quiet.
#[test]
fn an_episode_that_began_before_a_block_is_seen_in_it() {
    let folder = tempfile::tempdir().unwrap();
    let calls = |label, ms| label != Label::LeaveAlone && ms % 4000 < 200;
    pressed(folder.path(), &["tap@key-cable"], calls, None);
    let job = folder.path().join("job");
    let loaded = Loaded::open(&job, &Protocols::load(None).unwrap(), false).unwrap();
    let found = provoked(&loaded, Some(Nanoseconds::from_millis(10_000))).unwrap().remove(0);
    for block in &found.blocks {
        assert_eq!(block.episodes, u64::from(block.stressor.is_some()), "{block:?}");
    }
    assert!(found.stressors[0].chance <= 0.01, "{found:?}");
}

/// A level that noise of a count moves about, 14 lower under the second stressor, and dips without a press under the first.
#[test]
fn a_level_that_moves_and_excursions_are_found_without_a_stray() {
    let folder = tempfile::tempdir().unwrap();
    let reads = |label, ms: u64| {
        let dips = if label == Label::Stressor(0) { each(6, ms) } else { each(61, ms) };
        let noise = u32::try_from(ms / 50 * 7 % 3).unwrap();
        1010 + noise - if label == Label::Stressor(1) { 14 } else { 0 } - if dips { 9 } else { 0 }
    };
    let (live, stored) = read(folder.path(), &["tap@key-board", "warm@key-cable", "lamp"], 40.0, reads, None);
    assert_eq!(live, stored, "live and stored");
    let [tap, warm, lamp] = &stored.stressors[..] else { panic!("{stored:?}") };
    assert_eq!(stored.stressors.iter().map(|one| one.episodes + one.alone).sum::<u64>(), 0);
    let dips = tap.excursions.as_ref().unwrap();
    assert!(dips.chance <= 0.05 && dips.times.unwrap() > 3.0 && dips.excursions > 10, "{tap:?}");
    let [level] = &warm.levels[..] else { panic!("{warm:?}") };
    assert!(level.line == "KEY1" && level.chance <= 0.05 && (level.shift + 14.0).abs() < 0.2, "{level:?}");
    assert!(level.low.unwrap() < -13.5 && level.high.unwrap() > -14.5, "{level:?}");
    assert!(lamp.levels[0].chance > 0.05 && lamp.excursions.as_ref().unwrap().chance > 0.05, "{lamp:?}");
    let shown = text(&straykey(&["job", "show", folder.path().join("job").to_str().unwrap()]).stdout);
    let shown = shown.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(shown.contains("KEY1's resting level by 14 counts"), "{shown}");
    assert!(shown.contains("a line leave its resting band without a press"), "{shown}");
    // A twentieth of a count, by the dips, is no news.
    assert!(!shown.contains("tap@key-board lowers") && !shown.contains("tap@key-board seems to lower"));
    assert!(shown.contains("lamp: no effect shown"), "{shown}");
}

#[test]
fn one_stressor_that_moves_the_level_is_certain_in_twenty_minutes() {
    let folder = tempfile::tempdir().unwrap();
    let reads = |label, ms: u64| {
        let noise = u32::try_from(ms / 50 * 7 % 3).unwrap();
        1010 + noise - if label == Label::LeaveAlone { 0 } else { 14 }
    };
    let (live, stored) = read(folder.path(), &["warm@key-cable"], 20.0, reads, None);
    assert_eq!(live, stored, "live and stored");
    let shown = text(&straykey(&["job", "show", folder.path().join("job").to_str().unwrap()]).stdout);
    assert!(shown.contains("warm@key-cable lowers KEY1's resting level by 14 counts"), "{shown}");
    // It is judged to the end: a level that moves does not say how often the fault comes.
    assert_eq!(stored.rounds, stored.planned as usize);
}

#[test]
fn a_set_that_strays_by_itself_is_not_provoked() {
    let folder = tempfile::tempdir().unwrap();
    // Twice a minute, whatever is done.
    let (_, stored) = pressed(folder.path(), &["tap@key-cable"], |_, ms| each(31, ms), None);
    assert!(stored.stressors[0].chance > 0.05, "{stored:?}");
    assert!(stored.stressors[0].alone > 3, "{stored:?}");
}

#[test]
fn a_spoiled_round_is_struck_out_told_and_done_again() {
    let folder = tempfile::tempdir().unwrap();
    let (live, stored) = pressed(folder.path(), &["tap@key-cable"], |_, ms| each(29, ms), Some(100));
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
    let (status, said) = tried(&["--with", "tap@key-cable", "--minutes", "1"]);
    assert!(
        status == Some(2) && said.contains("can show nothing") && said.contains("2 minutes or more"),
        "{said}"
    );
    let (status, said) = tried(&["--with", "tapp@key-cable"]);
    assert!(status == Some(2) && said.contains("no stressor") && said.contains("mains-low"), "{said}");
    let (status, said) = tried(&["--with", "tap"]);
    assert!(status == Some(2) && said.contains("needs a place"), "{said}");
    // The cautions of what is about to be done are shown before the port is touched.
    for (list, wrong) in [
        (["warm@key-bord", "lamp"], "warm@key-bord is put on no part of a set"),
        (["tap@key-cable", "tap@key-cable"], "tap@key-cable stands twice in the list"),
    ] {
        let (status, said) = tried(&["--with", list[0], "--with", list[1], "--minutes", "30"]);
        assert!(status == Some(2) && said.contains(wrong), "{status:?}: {said}");
    }
    let (status, said) = tried(&["--with", "tap@key-cable", "--minutes", "0"]);
    assert!(status == Some(2) && said.contains("from 0.1 to 10000"), "{status:?}: {said}");
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
