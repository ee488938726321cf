//! The daemon, its jobs and its page's API.

use std::time::{Duration, Instant};

use serde_json::{Value, json};

use super::{alder, believed_repaired, not_gone};
use crate::support::daemon::{Daemon, bound};
use crate::support::terminal::Terminal;

/// A soak of a daemon on a set that prints so, to its planned end; nothing that it says anywhere is `gone`.
fn run(mut says: impl FnMut(u64, &mut Terminal) -> Vec<u8>) -> (Value, Value) {
    let folder = tempfile::tempdir().unwrap();
    std::fs::create_dir_all(folder.path().join("jobs")).unwrap();
    let job = believed_repaired(&folder.path().join("jobs"));
    let mut terminal = Terminal::open();
    let daemon = Daemon::start(folder.path(), &bound("a", terminal.path(), ""));
    daemon.post("/jobs/job/cautions", &json!({ "read": true }));
    daemon.post("/jobs/job/soak", &json!({ "port": "a", "minutes": 0.1 }));
    let (begun, mut ms) = (Instant::now(), 0);
    let mut blind = None;
    let soak = loop {
        while begun.elapsed().as_millis() as u64 >= ms {
            let bytes = says(ms, &mut terminal);
            terminal.offer(&bytes);
            ms += 50;
        }
        std::thread::sleep(Duration::from_millis(20));
        let port = daemon.port("a");
        assert_ne!(port["soak"]["verdict"], "gone", "{port}");
        if port["soak"]["blind_now"].as_array().is_some_and(|list| !list.is_empty()) {
            blind.get_or_insert(begun.elapsed());
        }
        // An adapter that is away is waited for, and the clock stands still: the technician ends this soak.
        let runs = !port["capture"].is_null();
        if runs && begun.elapsed() > Duration::from_secs(8) && !port["soak"]["waits_s"].is_null() {
            assert!(port["soak"]["run_s"].as_f64().unwrap() < 2.0, "{port}");
            daemon.ask("DELETE", "/jobs/job/soak", &json!(null)).is(200);
        }
        if !runs && begun.elapsed() > Duration::from_secs(4) {
            break port["soak"].clone();
        }
        assert!(begun.elapsed() < Duration::from_secs(60), "the soak does not end: {port}");
    };
    assert!(blind.is_some(), "it never said that it sees nothing: {soak}");
    let state = daemon.get("/jobs/job");
    assert_ne!(state["verdict"], "gone", "{state}");
    assert_ne!(state["advice"]["action"], "hand-back", "{}", state["advice"]);
    drop(daemon);
    (soak, not_gone(&job))
}

#[test]
fn a_silent_port() {
    let (soak, own) = run(|_, _| Vec::new());
    assert_eq!((&soak["observed_s"], &own["observed_s"]), (&Value::from(0.0), &Value::from(0.0)), "{soak}");
}

#[test]
fn garbage() {
    let mut random = crate::support::random::Random(11);
    let (soak, own) = run(|_, _| (0..50).map(|_| random.below(256) as u8).collect());
    assert_eq!((&soak["observed_s"], &own["observed_s"]), (&Value::from(0.0), &Value::from(0.0)), "{soak}");
}

#[test]
fn a_cable_that_is_pulled_and_never_back() {
    let (_, own) = run(|ms, terminal| {
        if ms >= 900 {
            terminal.unplug();
        }
        alder(1000 + ms, 1050 + ms, false).into_bytes()
    });
    assert!(own["observed_s"].as_f64().unwrap() < 1.6, "{own}");
    assert!(super::reasons(&own).contains(&"port_gone".to_owned()), "{own}");
}
