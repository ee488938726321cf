//! The key check of the daemon: begun, asked, answered, skipped, ended; and what it refuses.

use std::time::{Duration, Instant};

use serde_json::{Value, json};

use crate::support::daemon::{Daemon, PATIENCE, bound, readings};
use crate::support::terminal::Terminal;

fn begin(daemon: &Daemon, job: &str, check: &Value) -> u16 {
    daemon.ask("POST", &format!("/jobs/{job}/keycheck"), check).status
}

#[test]
fn a_key_check_is_refused_with_its_reason() {
    let folder = tempfile::tempdir().unwrap();
    let terminal = Terminal::open();
    let daemon = Daemon::start(folder.path(), &bound("a", terminal.path(), ""));
    daemon.post("/jobs", &json!({ "name": "one", "set": "kitchen set", "chassis": "alder" }));
    let menu = json!({ "port": "a", "keys": ["KEY_MENU"] });
    assert_eq!(begin(&daemon, "one", &menu), 409, "before the cautions were read");
    daemon.post("/jobs/one/cautions", &json!({ "read": true }));
    assert_eq!(begin(&daemon, "two", &menu), 404);
    assert_eq!(begin(&daemon, "one", &json!({ "port": "b", "keys": ["KEY_MENU"] })), 404);
    let error =
        daemon.ask("POST", "/jobs/one/keycheck", &json!({ "port": "a", "keys": ["KEY_MENNU"] })).is(400);
    assert!(error["error"]["remedy"].as_str().unwrap().contains("KEY_MENU"), "{error}");
    assert_eq!(begin(&daemon, "one", &json!({ "port": "a", "keys": vec!["KEY_MENU"; 201] })), 400);
    assert_eq!(begin(&daemon, "one", &json!({ "port": "a", "key": "KEY_MENU" })), 400, "no such field");
    assert_eq!(daemon.ask("POST", "/jobs/one/keycheck/skip", &json!({})).status, 409, "none runs");
    assert_eq!(daemon.get("/jobs/one/keycheck")["checks"], json!([]));
    assert_eq!(daemon.port("a")["capture"], Value::Null);
}

#[test]
fn a_key_check_asks_takes_the_answer_and_ends() {
    let folder = tempfile::tempdir().unwrap();
    let mut terminal = Terminal::open();
    let daemon = Daemon::start(folder.path(), &bound("a", terminal.path(), ""));
    daemon.job("one");
    let keys = json!({ "port": "a", "keys": ["KEY_MENU", "KEY_POWER"] });
    let follow = daemon.follow("?job=one");
    // Messages come in order, however late they are read.
    let until = |is: &dyn Fn(&Value) -> bool| loop {
        let (_, event, data) = follow.recv_timeout(PATIENCE).unwrap();
        if event == "check" && is(&data["check"]) {
            return data["check"].clone();
        }
    };
    let begun = daemon.post("/jobs/one/keycheck", &keys);
    assert_eq!((&begun["port"], &begun["capture"]), (&json!("a"), &json!("0001-keycheck")));
    // The set's clock goes with ours: a press that it stamps before its question is no answer.
    let (begun, mut ms) = (Instant::now(), 0);
    let mut prints = |key: bool, count: u64| {
        ms = ms.max(1000 + begun.elapsed().as_millis() as u64);
        terminal.print(readings(ms, key, count).as_bytes());
        ms += 50 * count;
    };
    prints(false, 2);
    until(&|check| check["asked"] == "KEY_MENU");
    // Who ends only what he began names it: another capture stays.
    assert_eq!(daemon.ask("POST", "/ports/a/close", &json!({ "capture": "0009-keycheck" })).status, 409);
    std::thread::sleep(Duration::from_millis(300));
    prints(true, 6);
    prints(false, 6);
    until(&|check| check["seen"] == "KEY_MENU");
    until(&|check| check["asked"] == "KEY_POWER");
    daemon.ask("POST", "/jobs/one/keycheck/skip", &json!({}));
    let over = until(&|check| check["over"] == true);
    assert_eq!((&over["number"], &over["all"]), (&json!(2), &json!(2)));
    daemon.post("/ports/a/close", &json!({ "capture": "0001-keycheck" }));
    assert_eq!(daemon.port("a")["capture"], Value::Null);
    let check = &daemon.get("/jobs/one/keycheck")["checks"][0];
    assert_eq!(
        (&check["prompts"], &check["right"], &check["missing"]),
        (&json!(2), &json!(1), &json!(1)),
        "{check}"
    );
}

#[test]
fn a_key_check_ends_no_soak() {
    let folder = tempfile::tempdir().unwrap();
    let terminal = Terminal::open();
    let daemon = Daemon::start(folder.path(), &bound("a", terminal.path(), ""));
    daemon.job("one");
    let soak = daemon.post("/jobs/one/soak", &json!({ "port": "a", "minutes": 5 }));
    let menu = json!({ "port": "a", "keys": ["KEY_MENU"] });
    assert_eq!(begin(&daemon, "one", &menu), 409);
    assert_eq!(
        daemon.ask("POST", "/jobs/one/prompt", &json!({ "port": "a", "key": "KEY_MENU" })).status,
        409
    );
    assert_eq!(daemon.ask("POST", "/jobs/one/keycheck/skip", &json!({})).status, 409);
    assert_eq!(daemon.port("a")["capture"], soak["capture"], "the soak goes on");
}
