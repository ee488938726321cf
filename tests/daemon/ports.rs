//! Ports that are pulled out, flood, are missing, taken, or of unknown rate.

use std::path::Path;
use std::time::{Duration, Instant};

use serde_json::json;
use straykey::journal::{Reader, RecordKind};

use super::{Daemon, bound, readings};
use crate::support::terminal::Terminal;

/// All captured bytes of a recording.
fn recorded(path: &Path) -> Vec<u8> {
    let mut reader = Reader::open(path).unwrap();
    let mut bytes = Vec::new();
    while let Some(record) = reader.next_record().unwrap() {
        if record.kind == RecordKind::Bytes {
            bytes.extend_from_slice(&record.payload);
        }
    }
    bytes
}

fn plug(link: &Path, terminal: &Terminal) {
    let _ = std::fs::remove_file(link);
    std::os::unix::fs::symlink(terminal.path(), link).unwrap();
}

/// The adapter is pulled out and plugged in again, 50 times, or as often as STRAYKEY_REPLUGS says: one capture, every
/// line in it, every gap a remark.
#[test]
fn an_adapter_that_is_pulled_and_plugged_goes_on_in_the_same_capture() {
    let times: u64 = std::env::var("STRAYKEY_REPLUGS").ok().and_then(|n| n.parse().ok()).unwrap_or(50);
    let folder = tempfile::tempdir().unwrap();
    let link = folder.path().join("adapter");
    let daemon = Daemon::start(folder.path(), &bound("a", &link, ""));
    daemon.job("one");
    let mut terminal = Terminal::open();
    plug(&link, &terminal);
    daemon.post("/ports/a/open", &json!({ "job": "one", "hands": "off" }));
    let mut sent = String::new();
    for time in 0..=times {
        let line = readings(1000 + 5000 * time, false, 3);
        terminal.print(line.as_bytes());
        sent.push_str(&line);
        let wanted = sent.len() as u64;
        daemon.until("a", "read", |port| port["bytes"] == wanted);
        if time < times {
            // What the kernel still holds would go with the plug; everything was read.
            std::fs::remove_file(&link).unwrap();
            terminal.unplug();
            daemon.until("a", "gone", |port| port["state"] == "gone" && port["gaps"] == time + 1);
            terminal = Terminal::open();
            plug(&link, &terminal);
            daemon.until("a", "back", |port| port["state"] == "open");
        }
    }
    daemon.post("/ports/a/close", &json!({}));
    assert_eq!(recorded(&folder.path().join("jobs/one/raw/0001-watch.journal")), sent.as_bytes());
    let faults = daemon.get("/jobs/one/timeline?path=system&search=port%20gone");
    assert_eq!(faults["total"], times);
}

/// Eight ports at 3 Mbit/s (300 000 bytes a second, 8N1) for a few seconds: what was sent, what was read and what is on
/// disk are the same bytes.
#[test]
fn flooding_ports_lose_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let terminals: Vec<Terminal> = (0..8).map(|_| Terminal::open()).collect();
    let ports: String = terminals
        .iter()
        .enumerate()
        .map(|(i, t)| bound(&format!("p{i}"), t.path(), "baud = 3000000"))
        .collect();
    let daemon = Daemon::start(folder.path(), &ports);
    for i in 0..8 {
        daemon.job(&format!("job{i}"));
        daemon.post(&format!("/ports/p{i}/open"), &json!({ "job": format!("job{i}"), "hands": "off" }));
    }
    let threads: Vec<_> = terminals
        .into_iter()
        .enumerate()
        .map(|(i, mut terminal)| {
            std::thread::spawn(move || {
                let begun = Instant::now();
                let mut sent = String::new();
                let mut ms = 1000 + i as u64;
                while begun.elapsed() < Duration::from_secs(3) {
                    let piece = readings(ms, (ms / 5000) % 2 == 1, 50);
                    terminal.print(piece.as_bytes());
                    sent.push_str(&piece);
                    ms += 2500;
                    let due = Duration::from_secs_f64(sent.len() as f64 / 300_000.0);
                    std::thread::sleep(due.saturating_sub(begun.elapsed()));
                }
                (terminal, sent)
            })
        })
        .collect();
    let sent: Vec<_> = threads.into_iter().map(|thread| thread.join().unwrap()).collect();
    for (i, (_terminal, sent)) in sent.iter().enumerate() {
        let wanted = sent.len() as u64;
        let port = daemon.until(&format!("p{i}"), "read", |port| port["bytes"] == wanted);
        assert_eq!(port["lost_bytes"], 0);
        daemon.post(&format!("/ports/p{i}/close"), &json!({}));
        let on_disk = recorded(&folder.path().join(format!("jobs/job{i}/raw/0001-watch.journal")));
        assert!(on_disk == sent.as_bytes(), "p{i}: {} on disk, {} sent", on_disk.len(), sent.len());
    }
}

#[test]
fn a_missing_port_is_waited_for_and_a_taken_one_named() {
    let folder = tempfile::tempdir().unwrap();
    let link = folder.path().join("adapter");
    {
        let daemon = Daemon::start(folder.path(), "");
        daemon.job("one");
    }
    let more = bound("a", &link, "job = \"one\"\nhands = \"off\"");
    let daemon = Daemon::start(folder.path(), &more);
    let port = daemon.until("a", "gone", |port| port["state"] == "gone");
    assert!(port["why"].as_str().unwrap().contains("no such port"), "{port}");
    let mut terminal = Terminal::open();
    plug(&link, &terminal);
    daemon.until("a", "open", |port| port["state"] == "open");
    terminal.print(readings(1000, true, 8).as_bytes());
    daemon.until("a", "read", |port| port["bytes"] == 8 * 38);
    // Another daemon's port is in use; it says by whom.
    let other = tempfile::tempdir().unwrap();
    let second = Daemon::start(other.path(), &bound("b", terminal.path(), ""));
    second.job("two");
    let refused = second.ask("POST", "/ports/b/open", &json!({ "job": "two", "hands": "on" }));
    assert_eq!(refused.status, 409);
    // By this test, which keeps the far end open, or by the daemon: whom the system names first.
    assert!(refused.body.contains("in use by process"), "{refused:?}");
    assert_eq!(second.port("b")["state"], "busy");
    // The job that the first one has is not opened by another process.
    let job = folder.path().join("jobs/one");
    let mut locked = std::fs::read_to_string(job.join("job.lock")).unwrap();
    locked.truncate(40);
    assert!(locked.contains(&daemon.id().to_string()), "{locked}");
}

#[test]
fn the_rate_is_asked_for_and_a_command_needs_its_warning() {
    let folder = tempfile::tempdir().unwrap();
    let mut terminal = Terminal::open();
    let daemon = Daemon::start(folder.path(), "");
    let device = terminal.path().to_str().unwrap();
    daemon.post("/ports", &json!({ "name": "a", "device": device }));
    let again = json!({ "name": "b", "device": device });
    assert_eq!(daemon.ask("POST", "/ports", &again).status, 409, "one device, one name");
    daemon.job("one");
    let text = json!({ "text": "help\n" });
    let warned = daemon.ask("POST", "/ports/a/command", &text).is(400);
    assert_eq!(warned["error"]["warning"], "console-command");
    let text = json!({ "text": "help\n", "warned": true });
    assert_eq!(daemon.ask("POST", "/ports/a/command", &text).status, 409, "nothing is written unrecorded");
    let speaking = std::thread::spawn(move || {
        let begun = Instant::now();
        let mut ms = 1000;
        while begun.elapsed() < Duration::from_secs(4) {
            terminal.print(readings(ms, false, 2).as_bytes());
            ms += 100;
            std::thread::sleep(Duration::from_millis(20));
        }
        terminal
    });
    // A pseudo-terminal has no rate, so every rate reads text; what is tested is the way through the daemon.
    let found = daemon.post("/ports/a/find", &json!({ "seconds": 0.1 }));
    assert!(found["tries"].as_array().unwrap().len() >= 12, "{found}");
    assert!(found["tries"][0]["printable"].as_f64().unwrap() > 0.99);
    let _terminal = speaking.join().unwrap();
    daemon.post("/ports/a/open", &json!({ "job": "one", "hands": "on" }));
    assert_eq!(daemon.ask("POST", "/ports/a/find", &json!({})).status, 409);
    assert_eq!(daemon.post("/ports/a/command", &text)["written"], 5);
    assert_eq!(daemon.ask("DELETE", "/ports/a", &json!({})).status, 409);
    daemon.post("/ports/a/close", &json!({}));
    let noted = daemon.get("/jobs/one/timeline?search=console%20command");
    assert_eq!(noted["total"], 1, "{noted}");
    daemon.ask("DELETE", "/ports/a", &json!({})).is(200);
    assert!(daemon.get("/ports")["ports"].as_array().unwrap().is_empty());
}
