//! The daemon, its jobs and its page's API.

use std::time::{Duration, Instant};

use serde_json::{Value, json};

use super::{alder, believed_repaired, not_gone};
use crate::support::daemon::{Daemon, bound};
use crate::support::terminal::Terminal;

/// A soak of a daemon on a set that prints so, to its planned end; nothing that it says anywhere is `gone`.
fn run(mut says: impl FnMut(u64, &mut Terminal) -> Vec<u8>) -> (Value, Value) {
    run_with(0..0, |ms, terminal, _| says(ms, terminal))
}

/// The same, where the daemon cannot answer for some milliseconds, and `says` is told its number.
fn run_with(
    mute_ms: std::ops::Range<u128>,
    mut says: impl FnMut(u64, &mut Terminal, u32) -> Vec<u8>,
) -> (Value, Value) {
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
            let bytes = says(ms, &mut terminal, daemon.id());
            terminal.offer(&bytes);
            ms += 50;
        }
        std::thread::sleep(Duration::from_millis(20));
        if mute_ms.contains(&begun.elapsed().as_millis()) {
            continue;
        }
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

#[test]
fn only_other_lines_of_the_set() {
    let (_, own) = run(|ms, _| format!("[{}.{:03}] net: link is up\r\n", ms / 1000, ms % 1000).into_bytes());
    assert_eq!(
        (&own["observed_s"], super::reasons(&own)),
        (&Value::from(0.0), vec!["line_absent".to_owned()])
    );
}

#[test]
fn only_a_shape_that_the_file_ignores() {
    let (soak, own) =
        run(|ms, _| format!("[{}.{:03}] lamp: duty=40%\r\n", 1 + ms / 1000, ms % 1000).into_bytes());
    assert_eq!((&soak["observed_s"], &own["observed_s"]), (&Value::from(0.0), &Value::from(0.0)), "{soak}");
}

#[test]
fn readings_for_a_while_and_then_silence() {
    let (_, own) =
        run(|ms, _| if ms < 900 { alder(1000 + ms, 1050 + ms, false).into_bytes() } else { Vec::new() });
    let observed = own["observed_s"].as_f64().unwrap();
    assert!(observed > 0.4 && observed < 1.6, "{own}");
    assert_eq!(super::reasons(&own).last().map(String::as_str), Some("silent"), "{own}");
}

#[test]
fn the_suspected_line_is_missing_while_the_other_prints() {
    let (_, own) = run(|ms, _| super::line(1000 + ms, "KEY2", super::REST).into_bytes());
    assert_eq!(own["observed_s"], 0.0, "{own}");
}

#[test]
fn the_daemon_is_stopped_for_most_of_the_time() {
    let (mut stopped, mut going) = (false, false);
    let (_, own) = run_with(800..5_800, |ms, _, id| {
        let signal = |name: &str| {
            let sent = std::process::Command::new("kill").args([name, &id.to_string()]).status();
            assert!(sent.unwrap().success());
        };
        if ms >= 900 && !stopped {
            stopped = true;
            signal("-STOP");
        }
        if ms >= 5_700 && !going {
            going = true;
            signal("-CONT");
        }
        alder(1000 + ms, 1050 + ms, false).into_bytes()
    });
    assert!(own["observed_s"].as_f64().unwrap() < 4.5, "{own}");
    assert!(super::reasons(&own).contains(&"process_stopped".to_owned()), "{own}");
}
