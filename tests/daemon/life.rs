//! Start, reload, end, and ends that nobody asked for.

use std::process::Command;
use std::time::{Duration, Instant};

use serde_json::json;

use crate::support::daemon::{Daemon, PATIENCE, bound, configured, readings};
use crate::support::terminal::Terminal;

#[test]
fn a_signal_ends_it_in_good_order() {
    let folder = tempfile::tempdir().unwrap();
    let mut terminal = Terminal::open();
    let mut daemon = Daemon::start(folder.path(), &bound("a", terminal.path(), ""));
    daemon.job("one");
    daemon.post("/jobs/one/soak", &json!({ "port": "a", "minutes": 60 }));
    let sent = readings(1000, true, 40);
    terminal.print(sent.as_bytes());
    daemon.until("a", "read", |port| port["bytes"] == sent.len());
    let follower = daemon.follow("");
    daemon.signal("-TERM");
    assert_eq!(daemon.wait(), Some(0));
    // The stream ends too.
    while follower.recv_timeout(PATIENCE).is_ok() {}
    assert!(!folder.path().join("s").exists(), "the socket is gone");
    let daemon = Daemon::again(folder.path(), &[]);
    assert!(daemon.recovered.is_empty(), "{:?}", daemon.recovered);
    let job = daemon.get("/jobs/one");
    assert!(job["stages"][0]["captures"][0]["sha256"].is_string());
    assert_eq!(job["stages"][0]["strays"], 1);
}

/// What the daemon says is on the disk is there after a kill at that very moment, at 100 kB/s.
#[test]
fn what_is_told_to_be_safe_is_there_after_a_kill() {
    for round in 0..5u64 {
        let folder = tempfile::tempdir().unwrap();
        let mut terminal = Terminal::open();
        let mut daemon = Daemon::start(folder.path(), &bound("a", terminal.path(), ""));
        daemon.job("one");
        daemon.post("/ports/a/open", &json!({ "job": "one", "hands": "off" }));
        let (go_on, stop) = std::sync::mpsc::channel::<()>();
        let set = std::thread::spawn(move || {
            let mut sent = Vec::new();
            while stop.try_recv().is_err() {
                let piece = readings(1000 + sent.len() as u64, false, 10);
                terminal.offer(piece.as_bytes());
                sent.extend_from_slice(piece.as_bytes());
                std::thread::sleep(Duration::from_millis(3));
            }
        });
        let wanted = 20_000 + round * 7_000;
        let port = daemon.until("a", "safe", |port| port["safe_bytes"].as_u64().unwrap() > wanted);
        daemon.signal("-KILL");
        daemon.wait();
        go_on.send(()).unwrap();
        set.join().unwrap();
        let (read, safe) = (port["bytes"].as_u64().unwrap(), port["safe_bytes"].as_u64().unwrap());
        assert!(safe <= read, "{safe} of {read}");
        let path = folder.path().join("jobs/one/raw/0001-live.journal");
        let path = if path.exists() {
            path
        } else {
            let raw = std::fs::read_dir(folder.path().join("jobs/one/raw")).unwrap().flatten();
            raw.map(|entry| entry.path()).find(|path| path.is_dir()).unwrap()
        };
        let mut reader = straykey::journal::Reader::open(&path).unwrap();
        let mut kept = 0;
        while let Some(record) = reader.next_record().unwrap() {
            if record.kind == straykey::journal::RecordKind::Bytes {
                assert_eq!(record.offset, kept, "a hole");
                kept += record.payload.len() as u64;
            }
        }
        assert!(kept >= safe, "{kept} bytes are there, {safe} were told to be safe");
    }
}

#[test]
fn after_a_kill_everything_acknowledged_is_there_and_it_says_what_it_repaired() {
    let folder = tempfile::tempdir().unwrap();
    let mut terminal = Terminal::open();
    let mut daemon = Daemon::start(folder.path(), &bound("a", terminal.path(), ""));
    daemon.job("one");
    daemon.post("/jobs/one/soak", &json!({ "port": "a", "minutes": 60 }));
    let sent = readings(1000, true, 40);
    terminal.print(sent.as_bytes());
    daemon.until("a", "read", |port| port["bytes"] == sent.len());
    // Acknowledged 50 ms later (group commit) and the time of a sync.
    std::thread::sleep(Duration::from_secs(1));
    daemon.signal("-KILL");
    daemon.wait();
    let daemon = Daemon::again(folder.path(), &[]);
    assert!(
        daemon
            .recovered
            .iter()
            .any(|sentence| sentence.starts_with("one: 0001-soak") && sentence.contains("cut short")),
        "{:?}",
        daemon.recovered
    );
    assert_eq!(daemon.get("/status")["recovered"], json!(daemon.recovered));
    let raw = daemon.get("/jobs/one/raw?capture=0001-soak&offset=0&length=4096");
    assert_eq!(raw["text"].as_str().unwrap().replace("\\x0d", "\r"), sent[..sent.len().min(4096)]);
    assert_eq!(daemon.get("/jobs/one")["stages"][0]["strays"], 1);
    // And the port is free for the next one.
    daemon.post("/jobs/one/soak", &json!({ "port": "a", "minutes": 60 }));
}

#[test]
fn mistakes_of_the_configuration_are_shown_at_their_place() {
    let folder = tempfile::tempdir().unwrap();
    let refuse = |more: &str, words: &[&str]| {
        let path = configured(folder.path(), more);
        let output = Command::new(env!("CARGO_BIN_EXE_straykey"))
            .args(["serve", "--config", path.to_str().unwrap()])
            .output()
            .unwrap();
        let told = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_ne!(output.status.code(), Some(0), "{told}");
        for word in words {
            assert!(told.contains(word), "{word}: {told}");
        }
    };
    refuse("lisen = 1\n", &["serve.toml:5:1", "did you mean `listen`"]);
    refuse("[[port]]\nname = \"a b\"\ndevice = \"/dev/x\"\n", &["serve.toml:6:8", "not a valid port name"]);
    refuse("[[port]]\nname = \"a\"\ndevice = \"/dev/x\"\nbaud = \"fast\"\n", &["serve.toml:8:8", "u32"]);
    std::fs::write(folder.path().join("token"), "0".repeat(64)).unwrap();
    use std::os::unix::fs::PermissionsExt;
    std::fs::set_permissions(folder.path().join("token"), std::fs::Permissions::from_mode(0o644)).unwrap();
    refuse("", &["others may read or write the token", "chmod 600"]);
}

#[test]
fn an_address_beyond_the_machine_needs_tls() {
    let folder = tempfile::tempdir().unwrap();
    let path = configured(folder.path(), "");
    let output = Command::new(env!("CARGO_BIN_EXE_straykey"))
        .args(["serve", "--listen", "0.0.0.0:0", "--config", path.to_str().unwrap()])
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&output.stderr).contains("no TLS"));
}

#[test]
fn a_reload_drops_no_port_and_a_broken_edit_changes_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let (mut one, two) = (Terminal::open(), Terminal::open());
    let first = bound("a", one.path(), "");
    let daemon = Daemon::start(folder.path(), &first);
    daemon.job("one");
    daemon.post("/ports/a/open", &json!({ "job": "one", "hands": "on" }));
    one.print(readings(1000, false, 4).as_bytes());
    daemon.until("a", "read", |port| port["bytes"] == 4 * 38);
    configured(folder.path(), "nonsense");
    daemon.signal("-HUP");
    let line = daemon.said("stays as it was");
    assert!(line.contains("serve.toml:5"), "{line}");
    configured(folder.path(), &format!("{first}{}[log]\nlevel = \"debug\"\n", bound("b", two.path(), "")));
    daemon.signal("-HUP");
    daemon.said("configuration taken");
    assert_eq!(daemon.port("b")["state"], "off");
    one.print(readings(1200, false, 4).as_bytes());
    let port = daemon.until("a", "going on", |port| port["bytes"] == 8 * 38);
    assert_eq!((&port["capture"], &port["gaps"]), (&json!("0001-watch"), &json!(0)));
    // Without a signal: the file is looked at.
    std::thread::sleep(Duration::from_millis(50));
    configured(folder.path(), &first);
    daemon.said("no longer bound");
    assert_eq!(daemon.get("/ports")["ports"].as_array().unwrap().len(), 1);
}

#[test]
fn protocol_files_are_taken_live_and_a_broken_edit_keeps_the_last_good_one() {
    let folder = tempfile::tempdir().unwrap();
    let own = folder.path().join("own");
    std::fs::create_dir(&own).unwrap();
    let shipped = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("protocols/chassis/alder.toml");
    let text = std::fs::read_to_string(shipped).unwrap().replace("\"alder\"", "\"elm\"");
    let daemon = Daemon::start(folder.path(), "protocols = \"own\"\n");
    let names = || {
        let all = daemon.get("/protocols");
        all["protocols"].as_array().unwrap().iter().any(|one| one["name"] == "elm")
    };
    assert!(!names());
    std::fs::write(own.join("elm.toml"), &text).unwrap();
    daemon.said("protocol files read again");
    assert!(names());
    std::fs::write(own.join("elm.toml"), text.replace("[chassis]", "[chasis]")).unwrap();
    daemon.said("last good");
    assert!(names());
    let error = daemon.get("/status")["protocols"]["error"].as_str().unwrap().to_owned();
    assert!(error.contains("elm.toml") && error.contains("last good"), "{error}");
    std::fs::write(own.join("elm.toml"), &text).unwrap();
    daemon.said("protocol files read again");
    assert!(daemon.get("/status")["protocols"]["error"].is_null());
}

/// The protocol of sd_notify(3), with a datagram socket of our own in the service manager's place.
#[test]
fn the_service_manager_is_told() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("notify");
    let socket = std::os::unix::net::UnixDatagram::bind(&path).unwrap();
    socket.set_read_timeout(Some(Duration::from_secs(5))).unwrap();
    configured(folder.path(), "");
    let mut child = Command::new(env!("CARGO_BIN_EXE_straykey"))
        .args(["serve", "--config"])
        .arg(folder.path().join("serve.toml"))
        .env("NOTIFY_SOCKET", &path)
        .env("WATCHDOG_USEC", "600000")
        .stdout(std::process::Stdio::null())
        .stderr(std::process::Stdio::null())
        .spawn()
        .unwrap();
    let mut all = String::new();
    let mut wait = |word: &str| {
        let begun = Instant::now();
        let mut piece = [0u8; 256];
        while !all.contains(word) {
            assert!(begun.elapsed() < PATIENCE, "never {word}: {all}");
            if let Ok(n) = socket.recv(&mut piece) {
                all.push_str(&String::from_utf8_lossy(&piece[..n]));
                all.push('\n');
            }
        }
        all.clear();
    };
    wait("READY=1");
    wait("WATCHDOG=1");
    wait("WATCHDOG=1");
    Command::new("kill").args(["-HUP", &child.id().to_string()]).status().unwrap();
    wait("RELOADING=1\nMONOTONIC_USEC=");
    wait("READY=1");
    Command::new("kill").args(["-TERM", &child.id().to_string()]).status().unwrap();
    wait("STOPPING=1");
    assert!(child.wait().unwrap().success());
}
