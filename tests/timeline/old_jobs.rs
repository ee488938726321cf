//! Jobs that an earlier version wrote are opened, shown, reported and exported by this one.
//!
//! What is expected was counted in the lines that the set played and shown by the program that wrote the jobs.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use serde_json::Value;
use straykey::timeline::job::Job;

/// A capture: its name, where the hands were, how many prompts it has, how many presses, releases and menu changes.
type Capture = (&'static str, &'static str, u64, [usize; 3]);

/// A stage: what was done, kind of step, parts, strays, captures.
type Stage = (&'static str, Option<&'static str>, &'static [&'static str], u64, &'static [Capture]);

const BUILT: &[Stage] = &[
    (
        "as received",
        None,
        &[],
        8,
        &[("0001-as-received", "off", 0, [8, 8, 8]), ("0002-check", "on", 2, [2, 2, 2])],
    ),
    ("key board unplugged", Some("isolate"), &["key-board"], 2, &[("0003-unplugged", "off", 0, [2, 2, 2])]),
    (
        "key board plugged in again",
        Some("restore"),
        &["key-board"],
        3,
        &[("0004-plugged", "off", 0, [3, 3, 3])],
    ),
    (
        "main board cleaned at the key connector",
        Some("repair"),
        &["main-board"],
        0,
        &[("0005-cleaned", "off", 0, [0, 0, 0])],
    ),
];

const SOAKED: &[Stage] = &[("as received", None, &[], 3, &[("0001-soak", "off", 0, [3, 3, 3])])];

const SERVED: &[Stage] = &[
    ("as received", None, &[], 3, &[("0001-soak", "off", 0, [3, 3, 3])]),
    ("key board unplugged", Some("isolate"), &["key-board"], 0, &[("0002-watch", "on", 1, [1, 1, 1])]),
];

const CLOSED: &[Stage] = &[
    ("as received", None, &[], 3, &[("0001-plugged", "off", 0, [3, 3, 3])]),
    ("key cable replaced", Some("repair"), &["key-cable"], 0, &[("0002-cleaned", "off", 0, [0, 0, 0])]),
];

/// What 0.1.0 could not write: typed marks, a provocation.
const NEW_IN_0_2_0: [&str; 3] = ["unplugged", "provoked", "provoked.pack.tar.gz"];

const UNPLUGGED: &[Stage] = &[("as received", None, &[], 8, &[("0001-soak", "off", 0, [8, 8, 0])])];

const PROVOKED: &[Stage] = &[
    ("as received", None, &[], 0, &[("0001-provoke", "on", 0, [PLAYED, PLAYED, 0])]),
    ("key cable replaced", Some("repair"), &["key-cable"], 0, &[]),
];

/// Presses of two readings and more, counted in the lines that the set printed while its cable was tapped.
const PLAYED: usize = 37;

/// A job as that version wrote it.
fn kept(name: &str) -> PathBuf {
    let version = if NEW_IN_0_2_0.contains(&name) { "0.2.0" } else { "0.1.0" };
    Path::new(env!("CARGO_MANIFEST_DIR")).join(format!("captures/jobs-{version}")).join(name)
}

fn copy(from: &Path, to: &Path) {
    fs::create_dir_all(to).unwrap();
    for entry in fs::read_dir(from).unwrap().map(Result::unwrap) {
        let target = to.join(entry.file_name());
        if entry.path().is_dir() {
            copy(&entry.path(), &target);
        } else {
            fs::copy(entry.path(), target).unwrap();
        }
    }
}

fn run(arguments: &[&str]) -> String {
    let output = Command::new(env!("CARGO_BIN_EXE_straykey"))
        .args(arguments)
        .env_remove("STRAYKEY_PROTOCOLS")
        .env_remove("STRAYKEY_SOCKET")
        .output()
        .unwrap();
    let told = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(0), "{arguments:?}: {told}");
    String::from_utf8(output.stdout).unwrap()
}

/// The job as the program shows it is the job as it was written.
fn holds(job: &Path, set: &str, expected: &[Stage]) {
    let folder = job.display().to_string();
    let shown: Value = serde_json::from_str(&run(&["job", "show", &folder, "--json"])).unwrap();
    assert_eq!((&shown["set"], &shown["chassis"]), (&set.into(), &"alder".into()));
    let stages = shown["stages"].as_array().unwrap();
    assert_eq!(stages.len(), expected.len());
    let lines = run(&["export", &folder, "--to", "jsonl"]);
    let events = counted(&lines);
    for (stage, (text, kind, parts, strays, captures)) in stages.iter().zip(expected) {
        assert_eq!((&stage["step"], stage["kind"].as_str()), (&Value::from(*text), *kind));
        assert_eq!(
            (&stage["parts"], &stage["strays"]),
            (&Value::from(*parts), &Value::from(*strays)),
            "{text}"
        );
        let told: Vec<_> = stage["captures"]
            .as_array()
            .unwrap()
            .iter()
            .map(|capture| {
                let name = capture["name"].as_str().unwrap();
                let events = events.get(name).copied().unwrap_or_default();
                (name, capture["hands"].as_str().unwrap(), capture["prompts"].as_u64().unwrap(), events)
            })
            .collect();
        assert_eq!(told, *captures);
    }
    assert_eq!(Job::read(job).unwrap().verify().unwrap(), Vec::<String>::new());
    let report = job.with_extension("html");
    run(&["report", &folder, "--out", report.to_str().unwrap()]);
    let page = fs::read_to_string(report).unwrap();
    for (text, ..) in expected {
        assert!(page.contains(text), "the report has no \"{text}\"");
    }
}

/// Presses, releases and changes of each capture.
fn counted(lines: &str) -> BTreeMap<String, [usize; 3]> {
    let mut counts = BTreeMap::<String, [usize; 3]>::new();
    for line in lines.lines() {
        let event: Value = serde_json::from_str(line).unwrap();
        let file = event["capture"].as_str().unwrap();
        let name = file.rsplit_once('.').map_or(file, |(name, _)| name);
        let at = ["press", "release", "change"].iter().position(|kind| event["kind"] == *kind);
        if let Some(at) = at {
            counts.entry(name.to_owned()).or_default()[at] += 1;
        }
    }
    counts
}

#[test]
fn a_job_from_a_manifest_of_version_0_1_0() {
    let folder = tempfile::tempdir().unwrap();
    let job = folder.path().join("built");
    copy(&kept("built"), &job);
    holds(&job, "hall set", BUILT);
    let checked: Value = serde_json::from_str(&run(&["keycheck", job.to_str().unwrap(), "--json"])).unwrap();
    assert_eq!((&checked["checks"][0]["prompts"], &checked["checks"][0]["right"]), (&2.into(), &2.into()));
}

#[test]
fn a_live_soak_of_version_0_1_0_in_order_and_torn() {
    let folder = tempfile::tempdir().unwrap();
    for name in ["ended", "killed"] {
        let job = folder.path().join(name);
        copy(&kept(name), &job);
        holds(&job, "shop set", SOAKED);
    }
    // Opened for work, the torn one is made whole, says so, and stays as it is.
    let killed = folder.path().join("killed");
    let remarks = Job::open(&killed).unwrap().remarks().to_vec();
    assert_eq!(
        remarks,
        [
            "0001-soak: the recording was cut short after 20.908924759 s",
            "0001-soak: a torn tail of 70 bytes was cut after a crash",
        ]
    );
    let whole = fs::read(killed.join("raw/0001-soak.journal")).unwrap();
    // That it was cut short stands in the job from then on.
    assert_eq!(Job::open(&killed).unwrap().remarks(), remarks);
    assert!(fs::read(killed.join("raw/0001-soak.journal")).unwrap() == whole);
    holds(&killed, "shop set", SOAKED);
}

#[test]
fn segments_of_the_daemon_of_version_0_1_0() {
    let folder = tempfile::tempdir().unwrap();
    let job = folder.path().join("served");
    copy(&kept("served"), &job);
    holds(&job, "bar set", SERVED);
    let lines = run(&["export", job.to_str().unwrap(), "--to", "jsonl"]);
    for gap in ["port gone", "port is back"] {
        assert_eq!(lines.lines().filter(|line| line.contains(gap)).count(), 1, "{gap}");
    }
}

#[test]
fn a_closed_job_and_its_pack_of_version_0_1_0() {
    let folder = tempfile::tempdir().unwrap();
    let job = folder.path().join("closed");
    copy(&kept("closed"), &job);
    holds(&job, "office set", CLOSED);
    let step = Command::new(env!("CARGO_BIN_EXE_straykey"))
        .args(["step", job.to_str().unwrap(), "once more", "--kind", "repair"])
        .output()
        .unwrap();
    assert_eq!(step.status.code(), Some(2), "a closed job takes no step");
    let opened = folder.path().join("opened");
    let pack = kept("closed.pack.tar.gz");
    run(&["job", "open", pack.to_str().unwrap(), "--out", opened.to_str().unwrap()]);
    holds(&opened, "office set", CLOSED);
}

#[test]
fn a_soak_of_version_0_2_0_whose_adapter_was_pulled_out() {
    let folder = tempfile::tempdir().unwrap();
    let job = folder.path().join("unplugged");
    copy(&kept("unplugged"), &job);
    holds(&job, "kitchen set", UNPLUGGED);
    // The adapter was away for five seconds, and a time for coming back; none of that is quiet.
    let shown: Value = serde_json::from_str(&run(&["job", "show", job.to_str().unwrap(), "--json"])).unwrap();
    let stage = &shown["stages"][0];
    let unobserved = stage["span_s"].as_f64().unwrap() - stage["observed_s"].as_f64().unwrap();
    assert!((5.0..20.0).contains(&unobserved), "{unobserved}");
    assert!(stage["unobserved"][0].as_str().unwrap().contains("the port was unplugged"), "{stage}");
}

#[test]
fn a_provocation_of_version_0_2_0_and_its_pack() {
    let folder = tempfile::tempdir().unwrap();
    let job = folder.path().join("provoked");
    copy(&kept("provoked"), &job);
    let opened = folder.path().join("opened");
    let pack = kept("provoked.pack.tar.gz");
    run(&["job", "open", pack.to_str().unwrap(), "--out", opened.to_str().unwrap()]);
    for job in [job, opened] {
        holds(&job, "hall set", PROVOKED);
        let shown: Value =
            serde_json::from_str(&run(&["job", "show", job.to_str().unwrap(), "--json"])).unwrap();
        let provoked = &shown["provocations"][0];
        assert_eq!(provoked["planned"], 8);
        let blocks = provoked["blocks"].as_array().unwrap();
        assert_eq!(blocks.len(), 16);
        let called = blocks.iter().filter(|block| block["episodes"] != 0).count();
        assert!(called >= 6, "{provoked}");
        for block in blocks {
            // It was the taps that called the fault, and the second round was left out by hand.
            assert!(block["stressor"] == "tap@key-cable" || block["episodes"] == 0, "{block}");
            assert_eq!(block["struck"] == "the cable was touched", block["round"] == 2, "{block}");
        }
    }
}
