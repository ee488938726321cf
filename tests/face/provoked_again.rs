//! The same stressors before and after a repair; pauses, and rounds that are left out afterwards.

use std::fs::File;
use std::path::Path;
use std::process::{Command, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use straykey::analysis::provoke::Label;
use straykey::bench::Loaded;
use straykey::bench::provoke::{AgainVerdict, again, planned, uses};
use straykey::timeline::Protocols;
use straykey::timeline::job::{Job, JobInfo, Step, StepKind};

use super::program::{straykey, text};
use super::provoke::{carry_out, each, json, soaked};
use super::schemas::faults;
use crate::support::terminal::Terminal;

/// Menu for 200 ms where `down`.
fn menu(down: bool) -> u32 {
    if down { 0x2eb } else { 0x3ff }
}

fn shown(job: &Path) -> String {
    let output = straykey(&["job", "show", job.to_str().unwrap()]);
    text(&output.stdout).split_whitespace().collect::<Vec<_>>().join(" ")
}

/// Soak, provocation, repair, the same provocation again on a set that strays as `after` says.
fn repaired(folder: &Path, after: fn(Label, u64) -> bool) -> std::path::PathBuf {
    let folder = folder.join("job");
    let mut job = Job::create(&folder, &JobInfo::new("hall set").chassis("alder")).unwrap();
    soaked(&mut job, 900, |_, ms| menu(each(170, ms - ms % 200)));
    let names = ["tap@key-cable".to_owned()];
    let (plan, _) = planned(&uses(&names).unwrap(), 15.0, 1.0, 20_261_130).unwrap();
    let calls = |label, ms: u64| menu(each(if label == Label::LeaveAlone { 170 } else { 9 }, ms - ms % 200));
    carry_out(&mut job, plan, calls, None);
    let repair =
        Step { kind: StepKind::Repair, text: "plug reseated".into(), parts: vec!["key-cable".into()] };
    job.add_step(repair).unwrap();
    let loaded = Loaded::index(job, &Protocols::load(None).unwrap(), false).unwrap();
    let plan = again(&loaded, 20_261_131).unwrap();
    let mut job = loaded.job;
    carry_out(&mut job, plan, move |label, ms| menu(after(label, ms - ms % 200)), None);
    folder
}

#[test]
fn a_stressor_that_calls_nothing_any_more_is_quiet_and_says_nothing_of_the_set_left_alone() {
    let folder = tempfile::tempdir().unwrap();
    let job = repaired(folder.path(), |_, _| false);
    let state = json(&["job", "show", job.to_str().unwrap(), "--json"]);
    let found = &state["provoked_again"][0];
    let one = &found["stressors"][0];
    assert_eq!((one["verdict"].as_str(), one["now"].as_u64()), (Some("quiet"), Some(0)), "{found}");
    assert!(one["before"].as_u64() > Some(5) && one["chance"].as_f64() <= Some(0.01), "{found}");
    // Before the effect was certain early; now the plan runs to its end.
    assert!(one["before_s"].as_f64() < one["now_s"].as_f64(), "{found}");
    // Every stray of both was Menu at its level.
    let support = &one["support"];
    assert!(support["alone"].as_u64() > Some(3) && support["same"] == support["presses"], "{found}");
    assert_eq!((support["level"].as_f64(), support["level_alone"].as_f64()), (Some(747.0), Some(747.0)));
    // Not watched since: nothing is proved, and what a soak needs stands beside it.
    assert!(found["soak"].is_null() && found["soak_more_s"].as_f64() > Some(600.0), "{found}");
    assert!(state["verdict"].is_null() && state["hand_back"] == false);
    assert_ne!(state["provocations"][0]["seed"], state["provocations"][1]["seed"]);
    let said = shown(&job);
    assert!(said.contains("Quiet under tap@key-cable: "), "{said}");
    assert!(said.contains("What that means: something loose there"), "{said}");
    assert!(said.contains("Menu on keypad KEY1, read as 747 counts under it and 747 by itself"), "{said}");
    assert!(
        said.contains("Only a soak proves the repair of the set left alone, and this stage has none"),
        "{said}"
    );
    let report = folder.path().join("report.html");
    straykey(&["report", job.to_str().unwrap(), "--out", report.to_str().unwrap()]);
    let report = std::fs::read_to_string(report).unwrap();
    assert!(report.contains("Quiet under tap@key-cable") && report.contains("Only a soak proves"));
    let printed = text(&straykey(&["job", "show", job.to_str().unwrap(), "--json"]).stdout);
    assert_eq!(faults("job show", &printed), Vec::<String>::new());
}

#[test]
fn a_stressor_that_still_calls_the_fault_is_never_called_quiet() {
    let folder = tempfile::tempdir().unwrap();
    let job = repaired(folder.path(), |label, ms| each(if label == Label::LeaveAlone { 170 } else { 9 }, ms));
    let loaded = Loaded::open(&job, &Protocols::load(None).unwrap(), false).unwrap();
    let state = straykey::bench::state(&loaded, &Protocols::load(None).unwrap()).unwrap();
    assert_eq!(state.provoked_again[0].stressors[0].verdict, AgainVerdict::Still);
    assert!(shown(&job).contains("tap@key-cable still calls the fault: "));
}

/// That a stressor calls the fault at the key cable doubles the odds of the cable against every other place but that of no fault:
/// 0.6 to 0.3, and 0.09 for a sound set.
#[test]
fn a_stressor_with_an_effect_raises_the_odds_of_its_place() {
    let folder = tempfile::tempdir().unwrap();
    let chances = |with: &[&str]| {
        let folder = folder.path().join(with.join("-") + "job");
        let mut job = Job::create(&folder, &JobInfo::new("hall set").chassis("alder")).unwrap();
        soaked(&mut job, 900, |_, ms| menu(each(170, ms - ms % 200)));
        let names: Vec<String> = with.iter().map(|name| (*name).to_owned()).collect();
        if !names.is_empty() {
            let (plan, _) = planned(&uses(&names).unwrap(), 15.0, 1.0, 20_261_130).unwrap();
            let calls =
                |label, ms: u64| menu(each(if label == Label::LeaveAlone { 170 } else { 9 }, ms - ms % 200));
            carry_out(&mut job, plan, calls, None);
        }
        drop(job);
        let located = json(&["locate", folder.to_str().unwrap(), "--json"]);
        let all = located["locations"].as_array().unwrap().clone();
        move |name: &str| {
            let found = all.iter().find(|one| one["location"] == name).unwrap();
            (found["probability"].as_f64().unwrap(), found["because"].as_str().unwrap().to_owned())
        }
    };
    let (alone, called) = (chances(&[]), chances(&["tap@key-cable"]));
    let odds = |of: &dyn Fn(&str) -> (f64, String), other: &str| of("key-cable").0 / of(other).0;
    for other in ["key-board", "main-board-input", "software"] {
        let moved = odds(&called, other) / odds(&alone, other);
        assert!((moved - 2.0).abs() < 1e-6, "{other}: {moved}");
    }
    assert!(called("key-cable").1.contains("tap@key-cable has an effect"), "{}", called("key-cable").1);
}

/// A level that falls while the key cable is warmed: what a leak does, and no contact, no offset of the ground that raises it, no
/// program. The odds of the cable rise by its place and by what its faults can do to the line, against a program by 2 and by
/// more than three.
#[test]
fn a_level_that_a_stressor_moves_is_weighed_by_the_circuit() {
    let folder = tempfile::tempdir().unwrap();
    let odds = |name: &str, moves: bool| {
        let folder = folder.path().join(name);
        let mut job = Job::create(&folder, &JobInfo::new("hall set").chassis("alder")).unwrap();
        soaked(&mut job, 900, |_, ms| menu(each(170, ms - ms % 200)));
        let names = ["warm@key-cable".to_owned()];
        let (plan, _) = planned(&uses(&names).unwrap(), 30.0, 1.0, 20_261_130).unwrap();
        let reads = move |label, ms: u64| {
            let rest = if moves && label != Label::LeaveAlone { 0x3ff - 40 } else { 0x3ff };
            if each(170, ms - ms % 200) { 0x2eb } else { rest }
        };
        carry_out(&mut job, plan, reads, None);
        drop(job);
        let located = json(&["locate", folder.to_str().unwrap(), "--json"]);
        let all = located["locations"].as_array().unwrap();
        let chance = |name: &str| all.iter().find(|one| one["location"] == name).unwrap().clone();
        let of = |name: &str| chance(name)["probability"].as_f64().unwrap();
        let because = chance("key-cable")["because"].as_str().unwrap().to_owned();
        (of("key-cable") / of("software"), of("key-board") / of("ground-bond"), because)
    };
    let (still, moved) = (odds("still", false), odds("moved", true));
    assert!(moved.2.contains("warm@key-cable lowers KEY1 by 40 counts"), "{}", moved.2);
    assert!(moved.0 > 6.0 * still.0, "{still:?} {moved:?}");
}

/// Three strays in half an hour: a soak after a repair would take hours. One each nine seconds: minutes.
#[test]
fn where_a_soak_takes_long_a_provocation_is_proposed_beside_it() {
    let folder = tempfile::tempdir().unwrap();
    let instead = |name: &str, seconds: u64| {
        let folder = folder.path().join(name);
        let mut job = Job::create(&folder, &JobInfo::new("hall set").chassis("alder")).unwrap();
        soaked(&mut job, 1800, move |_, ms| menu(each(seconds, ms - ms % 200)));
        drop(job);
        let advice = json(&["job", "show", folder.to_str().unwrap(), "--json"])["advice"].clone();
        let report = folder.with_extension("html");
        straykey(&["report", folder.to_str().unwrap(), "--out", report.to_str().unwrap()]);
        let told = [shown(&folder), std::fs::read_to_string(report).unwrap()];
        let proposed = !advice["instead"].is_null();
        assert_eq!(told[0].contains("Or: before any repair"), proposed, "{}", told[0]);
        assert_eq!(told[0].contains(" Risk high: powered with covers off."), proposed, "{}", told[0]);
        let heading = "<h3>Make the fault come</h3><p>30 minutes, risk high: powered with covers off.</p>";
        assert_eq!(told[1].contains(heading), proposed);
        advice
    };
    let advice = instead("rare", 600);
    let test = &advice["provoke"];
    assert_eq!((&test["minutes"], &test["risk"]), (&30.0.into(), &"high".into()), "{advice}");
    let proposed = &advice["instead"];
    let said = proposed.as_str().unwrap_or_default();
    assert!(said.contains("30 min of straykey provoke JOB"), "{proposed}");
    assert!(said.contains("a soak takes ") || said.contains("no soak would be long enough"), "{said}");
    let often = instead("often", 9);
    assert!(often["instead"].is_null() && often["provoke"].is_null(), "{often}");
}

#[test]
fn again_wants_a_provocation_of_an_earlier_stage() {
    let folder = tempfile::tempdir().unwrap();
    let job = folder.path().join("job");
    drop(Job::create(&job, &JobInfo::new("hall set")).unwrap());
    let begin = ["provoke", job.to_str().unwrap(), "--port", "/dev/null", "--cautions-read", "--again"];
    let output = straykey(&begin);
    assert_eq!(output.status.code(), Some(2));
    assert!(text(&output.stderr).contains("no earlier stage was provoked"), "{}", text(&output.stderr));
    let output = straykey(&["job", "strike", job.to_str().unwrap(), "1", "--why", "cat"]);
    assert!(text(&output.stderr).contains("nothing was provoked"), "{}", text(&output.stderr));
}

/// Waits until the condition holds, two minutes at most; `said` is what the program has said meanwhile.
fn until(what: &str, said: &Path, mut holds: impl FnMut() -> bool) {
    let begun = Instant::now();
    while !holds() {
        let late = begun.elapsed() > Duration::from_secs(120);
        assert!(!late, "{what}: {}", std::fs::read_to_string(said).unwrap());
        std::thread::sleep(Duration::from_millis(200));
    }
}

#[test]
fn a_pause_and_a_round_left_out_afterwards_stay_in_the_record() {
    let folder = tempfile::tempdir().unwrap();
    let job = folder.path().join("job");
    drop(Job::create(&job, &JobInfo::new("hall set").chassis("alder")).unwrap());
    let (mut set, mut keys) = (Terminal::open(), Terminal::open());
    let said = folder.path().join("said");
    let mut child = Command::new(env!("CARGO_BIN_EXE_straykey"))
        .args(["provoke", job.to_str().unwrap(), "--port", set.path().to_str().unwrap()])
        .args(["--with", "tap@key-cable", "--minutes", "15", "--cautions-read"])
        .stdin(Stdio::from(File::open(keys.path()).unwrap()))
        .stdout(Stdio::null())
        .stderr(Stdio::from(File::create(&said).unwrap()))
        .spawn()
        .unwrap();
    let over = Arc::new(AtomicBool::new(false));
    let ends = Arc::clone(&over);
    let prints = std::thread::spawn(move || {
        for ms in (1000_u64..).step_by(50).take_while(|_| !ends.load(Ordering::Relaxed)) {
            let line = format!("[{}.{:03}] keyscan: line=KEY1 adc=0x3ff\r\n", ms / 1000, ms % 1000);
            set.offer(line.as_bytes());
            std::thread::sleep(Duration::from_millis(50));
        }
    });
    let provoked = || json(&["job", "show", job.to_str().unwrap(), "--json"])["provocations"][0].clone();
    let blocks = || provoked()["blocks"].as_array().map_or(0, Vec::len);
    until("the first block", &said, || blocks() == 1);
    keys.print(b"p\n");
    until("the pause", &said, || provoked()["blocks"][0]["struck"] == "paused");
    // Nothing is asked for meanwhile.
    std::thread::sleep(Duration::from_secs(1));
    assert_eq!(blocks(), 1);
    keys.print(b"\n");
    until("the round after it", &said, || blocks() == 2);
    child.kill().unwrap();
    child.wait().unwrap();
    over.store(true, Ordering::Relaxed);
    prints.join().unwrap();
    let strike =
        |round: &str, why: &str| straykey(&["job", "strike", job.to_str().unwrap(), round, "--why", why]);
    let refused = |output: std::process::Output| {
        assert_eq!(output.status.code(), Some(2));
        text(&output.stderr)
    };
    assert!(refused(strike("1", "cat")).contains("left out already: paused"));
    assert!(refused(strike("3", "cat")).contains("its rounds are 1 to 2"));
    assert!(refused(strike("2", " ")).contains("for a reason"));
    assert!(text(&strike("2", "the door slammed").stdout).contains("It stays in the record"));
    let state = provoked();
    assert_eq!(
        (&state["blocks"][1]["struck"], &state["blocks"][1]["round"]),
        (&"the door slammed".into(), &2.into())
    );
    assert_eq!(state["struck_later"], serde_json::json!([2]), "{state}");
    let read = "shown in the terminal and confirmed";
    assert_eq!(state["cautions"], read);
    assert!(shown(&job).contains(&format!("The cautions of its stressors: {read}.")), "{}", shown(&job));
    assert!(shown(&job).contains("1 round left out when the counts were known"), "{}", shown(&job));
    let report = folder.path().join("report.html");
    straykey(&["report", job.to_str().unwrap(), "--out", report.to_str().unwrap()]);
    let report = std::fs::read_to_string(report).unwrap();
    assert!(report.contains("the door slammed") && report.contains("paused") && report.contains(read));
}
