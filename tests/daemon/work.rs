//! A bench at work: soak with a live verdict, steps, two clients, resume, the commands beside it.

use std::path::Path;
use std::process::{Command, Output};
use std::time::Duration;

use serde_json::{Value, json};

use crate::support::daemon::{Daemon, PATIENCE, bound, readings};
use crate::support::terminal::Terminal;

#[test]
fn a_job_without_a_name_is_named_after_its_set() {
    let folder = tempfile::tempdir().unwrap();
    let daemon = Daemon::start(folder.path(), "");
    let named = |set: &str| daemon.post("/jobs", &json!({ "set": set }))["name"].as_str().unwrap().to_owned();
    assert_eq!(named("Bedroom set, ticket <b>1187</b>"), "bedroom-set-ticket-b-1187-b");
    assert_eq!(named("Bedroom set, ticket <b>1187</b>"), "bedroom-set-ticket-b-1187-b-2");
    assert_eq!(named("../../etc"), "etc");
    let day = named("寝室");
    assert!(day.len() == 10 && day.starts_with("20"), "{day}");
    let long = named(&"hall ".repeat(40));
    assert!(long.starts_with("hall-hall") && long.len() <= 40, "{long}");
}

#[test]
fn a_soak_is_told_live_and_ends_with_its_verdict() {
    let folder = tempfile::tempdir().unwrap();
    let mut terminal = Terminal::open();
    let daemon = Daemon::start(folder.path(), &bound("a", terminal.path(), ""));
    daemon.post("/jobs", &json!({ "name": "one", "set": "kitchen set", "chassis": "alder" }));
    let soak = json!({ "port": "a", "minutes": 5 });
    // Cautions come before the first live capture.
    assert_eq!(daemon.ask("POST", "/jobs/one/soak", &soak).status, 409);
    daemon.post("/jobs/one/cautions", &json!({ "read": true }));
    let (first, second) = (daemon.follow(""), daemon.follow("?job=one"));
    assert_eq!(daemon.post("/jobs/one/soak", &soak)["capture"], "0001-soak");
    assert_eq!(daemon.ask("POST", "/jobs/one/soak", &soak).status, 409, "one at a time");
    let step = json!({ "text": "key board unplugged", "kind": "isolate", "parts": ["key-board"] });
    assert_eq!(
        daemon.ask("POST", "/jobs/one/steps", &step).status,
        409,
        "the set must not change in a stage"
    );
    assert_eq!(daemon.ask("POST", "/jobs/one/close", &json!({})).status, 409);
    terminal.print(
        (readings(1000, false, 4) + readings(1200, true, 6).as_str() + readings(1500, false, 4).as_str())
            .as_bytes(),
    );
    for client in [first, second] {
        let mut press = None;
        let mut strays = 0;
        while press.is_none() || strays == 0 {
            let (_, event, data) = client.recv_timeout(PATIENCE).unwrap();
            if event == "soak" {
                strays = data["soak"]["strays"].as_u64().unwrap();
            }
            if event == "events" {
                let events = data["events"].as_array().unwrap();
                press = press.or_else(|| events.iter().find(|event| event["kind"] == "press").cloned());
            }
        }
        let press = press.unwrap();
        // 1023 * 27000 / 37000 = 746.5: the divider rule, MENU of the reference ladder.
        assert_eq!(press["key"], "KEY_MENU");
        assert_eq!((&press["counts"], &press["stray"]), (&json!(747), &json!(true)));
    }
    let ended = daemon.ask("DELETE", "/jobs/one/soak", &Value::Null).is(200);
    assert_eq!(ended["soak"]["strays"], 1);
    assert_eq!(ended["soak"]["verdict"], "undecided");
    let job = daemon.get("/jobs/one");
    assert_eq!(job["stages"][0]["strays"], 1);
    assert!(job["stages"][0]["captures"][0]["sha256"].is_string());
    assert!(job["live"].as_array().unwrap().is_empty());
    let timeline = daemon.get("/jobs/one/timeline?strays=true");
    assert_eq!(timeline["total"], 1);
    assert_eq!(timeline["lanes"]["keypad"]["events"][0]["key"], "KEY_MENU");
    let line = readings(1000, false, 1);
    let raw = daemon.get(&format!("/jobs/one/raw?capture=0001-soak&offset=0&length={}", line.len()));
    assert_eq!(raw["text"], line.replace('\r', "\\x0d"));
    assert_eq!(daemon.post("/jobs/one/steps", &step)["stage"], 2);
    let revision = daemon.get("/jobs/one")["revision"].as_u64().unwrap();
    assert!(revision > job["revision"].as_u64().unwrap());
}

#[test]
fn two_parts_in_one_repair_are_gently_refused() {
    let folder = tempfile::tempdir().unwrap();
    let daemon = Daemon::start(folder.path(), "");
    daemon.job("one");
    let mut step =
        json!({ "text": "both boards cleaned", "kind": "repair", "parts": ["key-board", "main-board"] });
    let told = daemon.ask("POST", "/jobs/one/steps", &step).is(409);
    assert_eq!(told["error"]["warning"], "several-parts");
    assert!(told["error"]["what"].as_str().unwrap().contains("nobody can tell"));
    step["anyway"] = json!(true);
    let done = daemon.post("/jobs/one/steps", &step);
    assert_eq!((&done["stage"], done["warnings"].as_array().unwrap().len()), (&json!(2), 1));
    daemon.post("/jobs/one/close", &json!({}));
    assert_eq!(daemon.ask("POST", "/jobs/one/steps", &step).status, 409, "a closed job takes nothing");
}

#[test]
fn a_subscriber_resumes_where_it_was_and_learns_of_another_start() {
    let folder = tempfile::tempdir().unwrap();
    let daemon = Daemon::start(folder.path(), "");
    daemon.job("one");
    let follow = daemon.follow("");
    for number in 0..3 {
        let step = json!({ "text": format!("step {number}"), "kind": "isolate", "parts": ["key-board"] });
        daemon.post("/jobs/one/steps", &step);
    }
    let ids: Vec<(String, Value)> = (0..3)
        .map(|_| {
            let (id, event, data) = follow.recv_timeout(PATIENCE).unwrap();
            assert_eq!(event, "job");
            (id, data["revision"].clone())
        })
        .collect();
    let again = daemon.follow(&format!("?after={}", ids[0].0));
    for (id, revision) in &ids[1..] {
        let (again, _, data) = again.recv_timeout(PATIENCE).unwrap();
        assert_eq!((&again, &data["revision"]), (id, revision));
    }
    let stranger = daemon.follow("?after=0123456789ab-2");
    let (_, event, data) = stranger.recv_timeout(PATIENCE).unwrap();
    assert_eq!(event, "gap");
    assert!(data["why"].as_str().unwrap().contains("restarted"));
}

#[test]
fn a_key_check_notes_what_was_asked_for_and_when() {
    let folder = tempfile::tempdir().unwrap();
    let mut terminal = Terminal::open();
    let daemon = Daemon::start(folder.path(), &bound("a", terminal.path(), ""));
    daemon.job("one");
    assert_eq!(
        daemon.ask("POST", "/jobs/one/prompt", &json!({ "port": "a", "key": "KEY_NOPE" })).status,
        400
    );
    daemon.post("/ports/a/open", &json!({ "job": "one", "hands": "on" }));
    terminal.print(readings(1000, false, 10).as_bytes());
    daemon.until("a", "heard", |port| port["bytes"].as_u64().unwrap() > 300);
    let asked = daemon.post("/jobs/one/prompt", &json!({ "port": "a", "key": "KEY_MENU" }));
    assert!(asked["t"].as_f64().unwrap() > 0.0);
    std::thread::sleep(Duration::from_millis(300));
    terminal.print((readings(2500, true, 6) + readings(2800, false, 6).as_str()).as_bytes());
    daemon.until("a", "pressed", |port| port["bytes"] == 22 * 38);
    daemon.post("/ports/a/close", &json!({}));
    let checked = daemon.get("/jobs/one/keycheck");
    assert_eq!(checked["checks"][0]["prompts"], 1);
    assert_eq!(checked["checks"][0]["right"], 1, "{checked}");
}

fn beside(daemon: &Daemon, arguments: &[&str]) -> Output {
    asking(&daemon.folder.join("s"), arguments)
}

fn asking(socket: &Path, arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_straykey"))
        .args(arguments)
        .env("STRAYKEY_SOCKET", socket)
        .env_remove("STRAYKEY_PROTOCOLS")
        .output()
        .unwrap()
}

/// While the daemon has a job, the commands ask it; when it has not, they work on the files.
#[test]
fn the_commands_talk_to_the_daemon_that_has_the_job() {
    let folder = tempfile::tempdir().unwrap();
    let mut terminal = Terminal::open();
    let daemon = Daemon::start(folder.path(), &bound("a", terminal.path(), ""));
    daemon.job("one");
    let job = folder.path().join("jobs/one");
    let job = job.to_str().unwrap();
    daemon.post("/ports/a/open", &json!({ "job": "one", "hands": "on" }));
    terminal.print(readings(1000, false, 10).as_bytes());
    let told = |output: &Output| String::from_utf8_lossy(&output.stderr).into_owned();
    // A step while a capture runs: the daemon's answer, not a locked file.
    let step = ["step", job, "key board unplugged", "--kind", "isolate", "--part", "key-board"];
    let refused = beside(&daemon, &step);
    assert_ne!(refused.status.code(), Some(0));
    assert!(told(&refused).contains("is being recorded from a"), "{}", told(&refused));
    // Without a way to the daemon the lock says who has the job.
    let blind = Command::new(env!("CARGO_BIN_EXE_straykey"))
        .args(step)
        .env("STRAYKEY_SOCKET", folder.path().join("none"))
        .output()
        .unwrap();
    assert!(told(&blind).contains(&format!("process {}", daemon.id())), "{}", told(&blind));
    let shown: Value =
        serde_json::from_slice(&beside(&daemon, &["job", "show", job, "--json"]).stdout).unwrap();
    assert_eq!(shown["live"][0]["port"], "a", "{shown}");
    // A soak of the job that the daemon has, on the port that it has.
    let port = terminal.path().to_str().unwrap().to_owned();
    let socket = daemon.folder.join("s");
    let soak = std::thread::scope(|scope| {
        let words = ["soak", job, "--port", &port, "--minutes", "0.06", "--json"];
        let soak = scope.spawn(move || asking(&socket, &words));
        // The set speaks once the soak runs, however long the command takes to begin it.
        daemon.until("a", "soaked", |port| port["soak"].is_object());
        terminal.print((readings(5000, true, 6) + readings(5300, false, 6).as_str()).as_bytes());
        soak.join().unwrap()
    });
    assert_eq!(soak.status.code(), Some(0), "{}", told(&soak));
    let state: Value = serde_json::from_slice(&soak.stdout).unwrap();
    assert_eq!(state["soak"]["strays"], 1, "{state}");
    daemon.until("a", "idle", |port| port["state"] == "off");
    // Nothing runs: the files are free.
    assert_eq!(beside(&daemon, &step).status.code(), Some(0));
    assert_eq!(daemon.get("/jobs/one")["stages"].as_array().unwrap().len(), 2);
}
