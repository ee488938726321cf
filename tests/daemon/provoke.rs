//! A provocation in the daemon: forecast, begun, followed, struck out, paused, ended, killed; and what it refuses.

use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::thread::JoinHandle;
use std::time::Duration;

use serde_json::{Value, json};

use crate::support::daemon::{Daemon, PATIENCE, bound, readings};
use crate::support::terminal::Terminal;

/// A set that reads its key line each 50 ms; MENU is down for 200 ms every four seconds.
struct Set {
    over: Arc<AtomicBool>,
    prints: Option<JoinHandle<()>>,
}

impl Set {
    fn speak(mut terminal: Terminal) -> Self {
        let over = Arc::new(AtomicBool::new(false));
        let until = Arc::clone(&over);
        let prints = std::thread::spawn(move || {
            for ms in (1000_u64..).step_by(50).take_while(|_| !until.load(Ordering::Relaxed)) {
                let counts = if ms % 4000 < 200 { 0x2eb } else { 0x3ff };
                let line =
                    format!("[{}.{:03}] keyscan: line=KEY1 adc=0x{counts:03x}\r\n", ms / 1000, ms % 1000);
                terminal.offer(line.as_bytes());
                std::thread::sleep(Duration::from_millis(50));
            }
        });
        Self { over, prints: Some(prints) }
    }
}

impl Drop for Set {
    fn drop(&mut self) {
        self.over.store(true, Ordering::Relaxed);
        let _ = self.prints.take().map(JoinHandle::join);
    }
}

/// A set, and a daemon that listens to it at port a with the job "one". The set is named first, so that it ends after the daemon:
/// the number of a terminal that is given back is the next test's, and a daemon that looks for its port would open that.
fn watched_set(folder: &Path) -> (Set, Daemon) {
    let terminal = Terminal::open();
    let config = bound("a", terminal.path(), "");
    let set = Set::speak(terminal);
    let daemon = Daemon::start(folder, &config);
    daemon.job("one");
    (set, daemon)
}

fn tap(minutes: f64) -> Value {
    json!({ "port": "a", "stressors": ["tap@key-cable"], "minutes": minutes, "read": true })
}

#[test]
fn what_can_be_done_and_what_it_shows_is_said_before() {
    let folder = tempfile::tempdir().unwrap();
    let daemon = Daemon::start(folder.path(), "");
    let known = daemon.get("/stressors");
    let all = known["stressors"].as_array().unwrap();
    let warm = all.iter().find(|one| one["name"] == "warm").unwrap();
    assert_eq!(
        (&warm["place"], &warm["counted_s"], &warm["wash_out_s"]),
        (&json!(true), &json!(30.0), &json!(30.0))
    );
    assert!(warm["cautions"].to_string().contains("Hot air"), "{warm}");
    assert!(
        all.iter().any(|one| one["name"] == "other") && known["places"].to_string().contains("key-cable")
    );

    daemon.job("one");
    let ask = |stressors: &[&str], minutes: f64| {
        let body = json!({ "stressors": stressors, "minutes": minutes });
        daemon.ask("POST", "/jobs/one/provoke/forecast", &body)
    };
    let shows = ask(&["tap@key-cable", "lamp"], 15.0).is(200);
    let count = |name: &str| shows[name].as_f64().unwrap();
    assert_eq!(count("blocks"), 3.0 * count("rounds"));
    assert!(
        (count("all_s") - count("blocks") * count("block_s")).abs() < 1e-6 && count("all_s") <= 900.0,
        "{shows}"
    );
    assert_eq!(shows["known"], false, "nothing was watched");
    assert!(count("effect") > 1.0, "{shows}");
    assert_eq!(shows["instructions"].as_array().unwrap().len(), 2);
    let cautions = shows["cautions"].to_string();
    assert!(cautions.contains("insulated stick") && cautions.contains("lamp gets hot"), "{cautions}");
    // Five rounds of two blocks of 3 + 9 s: 1 of 2^5 orders is the first number of rounds below 5 %.
    assert_eq!(ask(&["tap@key-cable"], 4.0).is(200)["least_s"], 120.0);
    let short = ask(&["tap@key-cable"], 1.0).is(400);
    assert!(short["error"]["remedy"].as_str().unwrap().contains("2 minutes"), "{short}");

    for (wrong, word) in [
        (&["tapp@key-cable"][..], "no stressor"),
        (&["tap"], "needs a place"),
        (&["tap@key-cabel"], "on no part of a set"),
        (&["lamp@key-cable"], "no place"),
        (&["other:"], "no stressor"),
        (&["tap@key-cable", "lamp", "tap@key-cable"], "twice"),
    ] {
        let said = ask(wrong, 15.0).is(400);
        assert!(said["error"]["what"].as_str().unwrap().contains(word), "{wrong:?}: {said}");
    }
    assert_eq!(ask(&[], 15.0).status, 400);
    assert_eq!(
        ask(&["lamp", "shade", "brightness", "remote-off", "hdmi-off", "mains-low", "other:x"], 900.0).status,
        400
    );
    assert_eq!(ask(&["lamp"], 0.0).status, 400);
}

#[test]
fn a_provocation_is_refused_with_its_reason() {
    let folder = tempfile::tempdir().unwrap();
    let terminal = Terminal::open();
    let daemon = Daemon::start(folder.path(), &bound("a", terminal.path(), ""));
    daemon.post("/jobs", &json!({ "name": "one", "set": "kitchen set", "chassis": "alder" }));
    let begin = |body: &Value| daemon.ask("POST", "/jobs/one/provoke", body);
    assert_eq!(begin(&tap(15.0)).status, 409, "before the cautions of the job were read");
    daemon.post("/jobs/one/cautions", &json!({ "read": true }));
    // Those of what is about to be done come first, too.
    let mut unread = tap(15.0);
    unread.as_object_mut().unwrap().remove("read");
    let said = begin(&unread).is(409);
    assert_eq!(said["error"]["warning"], "stressor-cautions");
    assert!(said["error"]["what"].as_str().unwrap().contains("One hand at the set"), "{said}");
    assert_eq!(begin(&tap(1.0)).status, 400, "too short to show anything");
    let mut elsewhere = tap(15.0);
    elsewhere["port"] = json!("b");
    assert_eq!(begin(&elsewhere).status, 404);
    assert_eq!(daemon.ask("POST", "/jobs/two/provoke", &tap(15.0)).status, 404);
    let strike = json!({ "why": "hands moved", "round": 1 });
    for (path, body) in [("strike", &strike), ("pause", &json!({})), ("resume", &json!({}))] {
        assert_eq!(daemon.ask("POST", &format!("/jobs/one/provoke/{path}"), body).status, 409, "none runs");
    }
    assert_eq!(daemon.ask("DELETE", "/jobs/one/provoke", &Value::Null).status, 409);
    assert_eq!(
        daemon.get("/jobs/one/provoke"),
        json!({ "version": 1, "running": null, "provocations": [], "repeatable": false, "compared": [] })
    );
    assert_eq!(daemon.port("a")["capture"], Value::Null);
}

#[test]
fn a_spoiled_round_is_drawn_again_a_pause_waits_and_nothing_else_ends_it() {
    let folder = tempfile::tempdir().unwrap();
    let (_set, daemon) = watched_set(folder.path());
    let follow = daemon.follow("?job=one");
    let until = |is: &dyn Fn(&Value) -> bool| loop {
        let (_, event, data) = follow.recv_timeout(PATIENCE).unwrap();
        if event == "provoke" && is(&data["provoke"]) {
            return data["provoke"].clone();
        }
    };
    assert_eq!(
        daemon.post("/jobs/one/provoke", &tap(4.0)),
        json!({ "port": "a", "capture": "0001-provoke" })
    );
    let first = until(&|now| now["block"] == 1);
    let does = |now: &Value| {
        let said = now["instruction"].as_str().unwrap().to_owned();
        let tapped = said.starts_with("TAP the key cable") && now["stressor"] == "tap@key-cable";
        assert!(tapped || said.starts_with("LEAVE ALONE") && now["stressor"].is_null(), "{now}");
    };
    does(&first);
    let rounds = first["shown"]["planned"].as_u64().unwrap();
    assert_eq!((&first["round"], first["blocks"].as_u64()), (&json!(1), Some(2 * rounds)));
    assert!(first["left_s"].as_f64() <= first["block_s"].as_f64());
    assert!(first["shown"]["seed"].as_u64().unwrap() < 1 << 53, "as every reader of JSON keeps it");

    // Nothing that is asked for meanwhile ends it.
    let menu = json!({ "port": "a", "keys": ["KEY_MENU"] });
    for (path, body) in [
        ("/jobs/one/soak", json!({ "port": "a", "minutes": 5 })),
        ("/jobs/one/keycheck", menu),
        ("/jobs/one/prompt", json!({ "port": "a", "key": "KEY_MENU" })),
        ("/jobs/one/provoke", tap(4.0)),
        ("/ports/a/open", json!({ "job": "one", "hands": "on" })),
        ("/jobs/one/steps", json!({ "text": "board out", "kind": "isolate" })),
        ("/jobs/one/close", json!({})),
    ] {
        assert_eq!(daemon.ask("POST", path, &body).status, 409, "{path}");
    }
    assert_eq!(daemon.port("a")["capture"], "0001-provoke");

    let strike = |round: usize| {
        let body = json!({ "why": "hands moved", "round": round });
        daemon.ask("POST", "/jobs/one/provoke/strike", &body).status
    };
    assert_eq!(strike(2), 409, "a round that is not on");
    assert_eq!(
        daemon.ask("POST", "/jobs/one/provoke/strike", &json!({ "why": " ", "round": 1 })).status,
        400
    );
    assert_eq!(strike(1), 200);
    let second = until(&|now| now["block"] == 2);
    does(&second);
    assert_eq!(
        (&second["round"], &second["shown"]["blocks"][0]["struck"]),
        (&json!(2), &json!("hands moved"))
    );

    let paused = daemon.post("/jobs/one/provoke/pause", &json!({}));
    assert_eq!(
        (&paused["paused"], &paused["instruction"], &paused["left_s"]),
        (&json!(true), &Value::Null, &Value::Null)
    );
    assert_eq!(strike(2), 409, "no block is on in a pause");
    std::thread::sleep(Duration::from_secs(1));
    let still = daemon.get("/jobs/one/provoke")["running"].clone();
    assert_eq!((&still["block"], &still["paused"]), (&json!(2), &json!(true)));
    assert_eq!(daemon.port("a")["provoke"]["paused"], true);
    daemon.post("/jobs/one/provoke/resume", &json!({}));
    let third = until(&|now| now["block"] == 3);
    does(&third);
    assert_eq!((&third["round"], &third["shown"]["blocks"][1]["struck"]), (&json!(3), &json!("paused")));
    // Two blocks were struck out before their round was done: as many rounds are still to come as at the start.
    assert_eq!(third["blocks"].as_u64(), Some(2 * rounds + 2));

    assert_eq!(daemon.ask("DELETE", "/jobs/one/provoke", &Value::Null).is(200)["capture"], "0001-provoke");
    assert_eq!(until(&|now| now["over"] == true)["instruction"], Value::Null);
    assert_eq!(daemon.port("a")["capture"], Value::Null);
    let left = daemon.get("/jobs/one/provoke");
    assert_eq!((&left["running"], &left["repeatable"]), (&Value::Null, &json!(false)));
    let struck: Vec<&Value> =
        left["provocations"][0]["blocks"].as_array().unwrap().iter().map(|block| &block["struck"]).collect();
    assert_eq!(struck, ["hands moved", "paused", "broken off"]);
    assert_eq!(left["provocations"][0]["effects"], json!(["unshown"]));
    let job = daemon.get("/jobs/one");
    assert_eq!(job["provocations"][0]["blocks"], left["provocations"][0]["blocks"]);
}

#[test]
fn killed_in_a_block_it_can_be_begun_again_and_nothing_is_lost() {
    let folder = tempfile::tempdir().unwrap();
    let (_set, mut daemon) = watched_set(folder.path());
    daemon.post("/jobs/one/provoke", &tap(4.0));
    let second = daemon.until("a", "in the second block", |port| port["provoke"]["block"] == 2);
    assert_eq!(second["provoke"]["round"], 1);
    // A press in the first block's last moment is decoded when the second has begun: it is shown when that one counts.
    daemon.until("a", "counting", |port| port["provoke"]["left_s"].as_f64() < Some(8.9));
    let live = daemon.get("/jobs/one/provoke")["running"]["shown"]["blocks"][0].clone();
    // Nine seconds that count, with a press every four.
    assert!((2..=3).contains(&live["episodes"].as_u64().unwrap()), "{live}");
    daemon.signal("-KILL");
    daemon.wait();
    let daemon = Daemon::again(folder.path(), &[]);
    let left = daemon.get("/jobs/one/provoke");
    assert_eq!(left["running"], Value::Null);
    let blocks = &left["provocations"][0]["blocks"];
    assert_eq!((&blocks[0]["episodes"], &blocks[0]["struck"]), (&live["episodes"], &Value::Null), "{left}");
    assert_eq!((&blocks[1]["struck"], &blocks[2]), (&json!("broken off"), &Value::Null), "{left}");
    assert_eq!(left["provocations"][0]["rounds"], 0, "no round was done");
    assert_eq!(daemon.post("/jobs/one/provoke", &tap(4.0))["capture"], "0002-provoke");
    // Four seconds of lines: MENU was down in them.
    daemon.until("a", "begun again", |port| {
        port["provoke"]["block"] == 1 && port["bytes"].as_u64() > Some(4000)
    });
    let both = daemon.get("/jobs/one/provoke");
    assert_eq!((&both["running"]["round"], &both["provocations"]), (&json!(1), &left["provocations"]));
}

/// After a step the plan of the stage before is done again: the same blocks, in another order.
#[test]
fn after_a_repair_the_same_blocks_are_done_again() {
    let folder = tempfile::tempdir().unwrap();
    let (_set, daemon) = watched_set(folder.path());
    let forecast = |body: Value| daemon.ask("POST", "/jobs/one/provoke/forecast", &body);
    let nothing = forecast(json!({ "again": true })).is(400).to_string();
    assert!(nothing.contains("no earlier stage was provoked"), "{nothing}");
    let first = forecast(json!({ "stressors": ["tap@key-cable"], "minutes": 4.0 })).is(200);
    daemon.post("/jobs/one/provoke", &tap(4.0));
    daemon.until("a", "in a block", |port| port["provoke"]["block"] == 1);
    daemon.ask("DELETE", "/jobs/one/provoke", &Value::Null).is(200);
    daemon.until("a", "ended", |port| port["capture"] == Value::Null);
    let step = json!({ "text": "key cable reseated", "kind": "repair", "parts": ["key-cable"] });
    daemon.post("/jobs/one/steps", &step);
    assert_eq!(daemon.get("/jobs/one/provoke")["repeatable"], true);
    let both = forecast(json!({ "again": true, "minutes": 4.0 })).is(400).to_string();
    assert!(both.contains("leave `stressors` and `minutes` out"), "{both}");
    let again = forecast(json!({ "again": true })).is(200);
    for name in ["rounds", "blocks", "block_s", "wash_out_s", "all_s", "instructions", "cautions"] {
        assert_eq!(again[name], first[name], "{name}");
    }
    daemon.post("/jobs/one/provoke", &json!({ "port": "a", "again": true, "read": true }));
    // Four seconds of lines: MENU was down in them.
    daemon.until("a", "begun again", |port| {
        port["provoke"]["block"] == 1 && port["bytes"].as_u64() > Some(4000)
    });
    daemon.ask("DELETE", "/jobs/one/provoke", &Value::Null).is(200);
    daemon.until("a", "ended", |port| port["capture"] == Value::Null);
    let found = daemon.get("/jobs/one/provoke");
    let (one, two) = (&found["provocations"][0], &found["provocations"][1]);
    assert_eq!((&one["stage"], &two["stage"]), (&json!(1), &json!(2)), "{found}");
    assert_eq!((&one["planned"], &one["block_s"]), (&two["planned"], &two["block_s"]), "{found}");
    assert_ne!(one["seed"], two["seed"], "{found}");
    assert_eq!(found["compared"][0]["before_stage"], 1, "{found}");
    assert!(found["compared"][0]["said"].to_string().contains("soak"), "{found}");
    // No hand pressed MENU in the blocks: the lanes show strays.
    let lanes = daemon.get("/jobs/one/timeline?strays=true&path=keypad");
    let presses = lanes["lanes"]["keypad"]["events"].as_array().cloned().unwrap_or_default();
    assert!(!presses.is_empty() && presses.iter().all(|event| event["stray"] == true), "{lanes}");
}

#[test]
fn an_adapter_that_is_pulled_spoils_its_round_and_ends_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let link = folder.path().join("adapter");
    let daemon = Daemon::start(folder.path(), &bound("a", &link, ""));
    daemon.job("one");
    let plug = |terminal: &Terminal| std::os::unix::fs::symlink(terminal.path(), &link).unwrap();
    let mut terminal = Terminal::open();
    plug(&terminal);
    daemon.post("/jobs/one/provoke", &tap(4.0));
    terminal.print(readings(1000, false, 3).as_bytes());
    daemon.until("a", "in a block", |port| port["provoke"]["block"] == 1 && port["bytes"] != 0);
    std::fs::remove_file(&link).unwrap();
    terminal.unplug();
    let gone = daemon.until("a", "gone", |port| port["state"] == "gone");
    assert_eq!(
        (&gone["provoke"]["instruction"], &gone["provoke"]["over"]),
        (&Value::Null, &json!(false)),
        "{gone}"
    );
    let again = Terminal::open();
    plug(&again);
    let back = daemon.until("a", "going on", |port| port["provoke"]["block"] == 2);
    assert_eq!((&back["capture"], &back["provoke"]["round"]), (&json!("0001-provoke"), &json!(2)));
    let blocks = daemon.get("/jobs/one/provoke")["running"]["shown"]["blocks"].clone();
    assert_eq!(blocks[0]["struck"], "the port was gone");
    // Before the terminals, whose numbers are then the next test's.
    drop(daemon);
}
