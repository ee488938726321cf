//! Whoever has no token, asks from a page elsewhere, climbs out of the folder, sends too much, or nothing.

use std::io::{Read, Write};
use std::net::TcpStream;
use std::os::unix::fs::PermissionsExt;
use std::os::unix::net::UnixStream;
use std::time::{Duration, Instant};

use serde_json::json;

use crate::support::daemon::{Daemon, bound};
use crate::support::terminal::Terminal;

#[test]
fn without_the_token_nothing_is_told() {
    let folder = tempfile::tempdir().unwrap();
    let daemon = Daemon::start(folder.path(), "");
    let host = ("Host", daemon.address.as_str());
    for path in ["/api/v1/status", "/api/v1/jobs", "/api/v1/stream", "/api/v1/openapi.json", "/metrics"] {
        let reply = daemon.with("GET", path, &[host], "");
        assert_eq!(reply.status, 401, "{path}: {reply:?}");
        let wrong = format!("Bearer {}", "0".repeat(64));
        assert_eq!(daemon.with("GET", path, &[host, ("Authorization", &wrong)], "").status, 401);
    }
    // The page's files hold no data.
    assert_eq!(daemon.with("GET", "/", &[host], "").status, 200);
    // The link gives the cookie; a wrong one does not.
    assert_eq!(daemon.with("GET", "/open?token=x", &[host], "").status, 401);
    let opened = daemon.with("GET", &format!("/open?token={}", daemon.token), &[host], "");
    assert_eq!(opened.status, 303);
    for word in ["httponly", "samesite=strict", "path=/", "location: /"] {
        assert!(opened.head.contains(word), "{word}: {}", opened.head);
    }
    // The cookie is no token: it is good for this run of the daemon alone, and is not in the file.
    let given = opened.head.split("set-cookie: ").nth(1).unwrap().split(';').next().unwrap().to_owned();
    assert!(!given.contains(&daemon.token), "{given}");
    let cookie = format!("a=b; {given}");
    assert_eq!(daemon.with("GET", "/api/v1/status", &[host, ("Cookie", &cookie)], "").status, 200);
    let (name, _) = given.split_once('=').unwrap();
    let cookie = format!("{name}={}", daemon.token);
    assert_eq!(daemon.with("GET", "/api/v1/status", &[host, ("Cookie", &cookie)], "").status, 401);
    let bearer = format!("Bearer {}", given.split_once('=').unwrap().1);
    assert_eq!(daemon.with("GET", "/api/v1/status", &[host, ("Authorization", &bearer)], "").status, 401);
    // Neither the log nor the link's answer may repeat the token.
    assert!(daemon.told.try_iter().all(|line| !line.contains(&daemon.token)));
    let mode = std::fs::metadata(folder.path().join("token")).unwrap().permissions().mode();
    assert_eq!(mode & 0o777, 0o600);
}

/// What a service writes to standard output is kept by others; a terminal forgets.
#[test]
fn the_link_goes_to_a_terminal_alone() {
    for json in [false, true] {
        let folder = tempfile::tempdir().unwrap();
        let told = served(folder.path(), json, std::process::Stdio::piped(), |child| {
            let mut told = vec![0; 4096];
            let length = child.stdout.take().unwrap().read(&mut told).unwrap();
            String::from_utf8_lossy(&told[..length]).into_owned()
        });
        let token = std::fs::read_to_string(folder.path().join("token")).unwrap();
        assert!(!told.contains(token.trim()), "{told}");
        assert!(told.contains(&folder.path().join("token").display().to_string()), "{told}");
    }
    let folder = tempfile::tempdir().unwrap();
    let mut terminal = Terminal::open();
    let screen = std::fs::OpenOptions::new().read(true).write(true).open(terminal.path()).unwrap();
    let told = served(folder.path(), false, screen.into(), |_| {
        let mut told = String::new();
        while !told.contains("Ctrl-C ends") {
            told.push_str(&String::from_utf8_lossy(&terminal.typed()));
            std::thread::sleep(Duration::from_millis(20));
        }
        told
    });
    let token = std::fs::read_to_string(folder.path().join("token")).unwrap();
    assert!(told.contains(token.trim()), "{told}");
}

/// Serves for as long as it takes to read what it says.
fn served(
    folder: &std::path::Path,
    json: bool,
    out: std::process::Stdio,
    read: impl FnOnce(&mut std::process::Child) -> String,
) -> String {
    let config = folder.join("serve.toml");
    std::fs::write(
        &config,
        "jobs = \"jobs\"\nlisten = \"127.0.0.1:0\"\nsocket = \"s\"\ntoken_file = \"token\"\n",
    )
    .unwrap();
    let mut command = std::process::Command::new(env!("CARGO_BIN_EXE_straykey"));
    command.args(["serve", "--config"]).arg(&config).args(json.then_some("--json"));
    let mut child = command.stdout(out).stderr(std::process::Stdio::null()).spawn().unwrap();
    let told = read(&mut child);
    child.kill().unwrap();
    child.wait().unwrap();
    told
}

#[test]
fn a_page_elsewhere_cannot_drive_the_bench() {
    let folder = tempfile::tempdir().unwrap();
    let daemon = Daemon::start(folder.path(), "");
    let bearer = format!("Bearer {}", daemon.token);
    let auth = ("Authorization", bearer.as_str());
    let json = ("Content-Type", "application/json");
    let own = daemon.address.as_str();
    // A name that somebody else owns, pointed at the loopback.
    for host in ["evil.example", "127.0.0.1.evil.example", "localhost.evil.example:80", "127.0.0.2", ""] {
        assert_eq!(daemon.with("GET", "/api/v1/status", &[("Host", host), auth], "").status, 403, "{host}");
        assert_eq!(daemon.with("GET", "/", &[("Host", host)], "").status, 403, "{host}");
    }
    assert_eq!(
        daemon.with("GET", "http://evil.example/api/v1/status", &[("Host", own), auth], "").status,
        403
    );
    assert_eq!(daemon.with("GET", "/api/v1/status", &[("Host", own), ("Host", own), auth], "").status, 403);
    for origin in ["https://evil.example", "null", "http://localhost:1", &format!("https://{own}")] {
        let headers = [("Host", own), auth, json, ("Origin", origin)];
        assert_eq!(daemon.with("POST", "/api/v1/jobs", &headers, "{\"set\":\"x\"}").status, 403, "{origin}");
    }
    let page = format!("http://{own}");
    let headers = [("Host", own), auth, json, ("Origin", &page)];
    assert_eq!(daemon.with("POST", "/api/v1/jobs", &headers, "{\"set\":\"x\"}").status, 201);
    // What a form can send without asking is not taken.
    for kind in ["text/plain", "application/x-www-form-urlencoded", "multipart/form-data"] {
        let headers = [("Host", own), auth, ("Content-Type", kind)];
        assert_eq!(daemon.with("POST", "/api/v1/jobs", &headers, "{\"set\":\"x\"}").status, 415, "{kind}");
    }
    assert_eq!(daemon.with("DELETE", "/api/v1/jobs/x/soak", &[("Host", own), auth], "").status, 415);
    let headers = [("Host", own), auth];
    let status = daemon.with("GET", "/api/v1/status", &headers, "");
    for word in [
        "content-security-policy: default-src 'none'; script-src 'self'",
        "frame-ancestors 'none'",
        "x-content-type-options: nosniff",
        "referrer-policy: no-referrer",
        "cache-control: no-store",
        "cross-origin-opener-policy: same-origin",
        "cross-origin-resource-policy: same-origin",
    ] {
        assert!(status.head.contains(word), "{word}: {}", status.head);
    }
    assert!(!status.head.contains("access-control-allow"));
}

#[test]
fn no_request_reaches_outside_the_jobs_folder() {
    let folder = tempfile::tempdir().unwrap();
    std::fs::create_dir_all(folder.path().join("outside/raw")).unwrap();
    std::fs::write(folder.path().join("outside/job.toml"), "set = \"secret\"\n").unwrap();
    let daemon = Daemon::start(folder.path(), "");
    daemon.job("own");
    std::os::unix::fs::symlink(folder.path().join("outside"), folder.path().join("jobs/link")).unwrap();
    for name in [
        "..",
        ".",
        "%2e%2e",
        "..%2foutside",
        "%2e%2e%2foutside",
        "link",
        "own%2f..%2f..%2foutside",
        "%00",
        "own%00",
        "%2fetc",
        "%ff",
        "..%5coutside",
    ] {
        for (method, rest) in
            [("GET", ""), ("GET", "/timeline"), ("GET", "/report"), ("POST", "/report"), ("POST", "/close")]
        {
            let reply = daemon.ask(method, &format!("/jobs/{name}{rest}"), &serde_json::Value::Null);
            assert!((400..500).contains(&reply.status), "{method} {name}{rest}: {reply:?}");
            assert!(!reply.body.contains("secret"), "{reply:?}");
        }
    }
    for name in ["../x", "/tmp/x", ".hidden", "a/b", "", &"x".repeat(65)] {
        let reply = daemon.ask("POST", "/jobs", &json!({ "name": name, "set": "x" }));
        assert_eq!(reply.status, 400, "{name}: {reply:?}");
    }
    for device in ["/etc/passwd", "/dev/../etc/passwd", "x", ""] {
        let reply = daemon.ask("POST", "/ports", &json!({ "name": "p", "device": device }));
        assert_eq!(reply.status, 400, "{device}: {reply:?}");
    }
    let captures = "/jobs/own/raw?capture=..%2f..%2ftoken&offset=0&length=10";
    assert_eq!(daemon.ask("GET", captures, &serde_json::Value::Null).status, 404);
    // A report that is a link is not followed.
    std::os::unix::fs::symlink(folder.path().join("token"), folder.path().join("jobs/own/report.html"))
        .unwrap();
    assert_eq!(daemon.ask("GET", "/jobs/own/report", &serde_json::Value::Null).status, 404);
    assert!(!folder.path().join("x").exists());
}

#[test]
fn too_much_and_too_slow_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    let daemon = Daemon::start(folder.path(), "");
    let large = json!({ "set": "x".repeat(70_000) });
    assert_eq!(daemon.ask("POST", "/jobs", &large).status, 413);
    // The same without a length told beforehand.
    let head = format!(
        "POST /api/v1/jobs HTTP/1.1\r\nHost: {}\r\nAuthorization: Bearer {}\r\nContent-Type: application/json\r\n\
         Transfer-Encoding: chunked\r\nConnection: close\r\n\r\n",
        daemon.address, daemon.token
    );
    let body = format!("{:x}\r\n{}\r\n0\r\n\r\n", 70_000, "x".repeat(70_000));
    assert_eq!(daemon.raw(format!("{head}{body}").as_bytes()).status, 413);
    let header = "x".repeat(40_000);
    let reply = daemon.with("GET", "/", &[("Host", &daemon.address), ("X-Large", &header)], "");
    assert!(reply.status == 431 || reply.status == 0, "{reply:?}");
    for garbage in ["\0\0\0\0\r\n\r\n", "GET\r\n\r\n", "GET / HTTP/9.9\r\n\r\n", "\x16\x03\x01\x02\r\n\r\n"] {
        let reply = daemon.raw(garbage.as_bytes());
        assert!(reply.status == 400 || reply.status == 0 || reply.status == 505, "{reply:?}");
    }
    // A house full of clients that say nothing: whoever shows the token is let in, and stays.
    let mut own = TcpStream::connect(&daemon.address).unwrap();
    let ask = format!(
        "GET /api/v1/status HTTP/1.1\r\nHost: {}\r\nAuthorization: Bearer {}\r\n\r\n",
        daemon.address, daemon.token
    );
    let answered = |own: &mut TcpStream| {
        own.write_all(ask.as_bytes()).unwrap();
        let mut answer = [0u8; 12];
        own.read_exact(&mut answer).unwrap();
        assert_eq!(&answer, b"HTTP/1.1 200");
        let mut rest = [0u8; 65536];
        let _ = own.read(&mut rest).unwrap();
    };
    answered(&mut own);
    let begun = Instant::now();
    let mut slow: Vec<TcpStream> = (0..200).map(|_| TcpStream::connect(&daemon.address).unwrap()).collect();
    for stream in &mut slow {
        // The oldest have been closed for the others.
        let _ = stream.write_all(b"GET / HTTP/1.1\r\nHost: ");
    }
    std::thread::sleep(Duration::from_millis(300));
    answered(&mut own);
    assert_eq!(daemon.get("/status")["version"], 1);
    let mut socket = UnixStream::connect(folder.path().join("s")).unwrap();
    socket.write_all(b"GET /api/v1/status HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n").unwrap();
    let mut answer = String::new();
    socket.read_to_string(&mut answer).unwrap();
    assert!(answer.starts_with("HTTP/1.1 200"), "{answer}");
    // After ten seconds they are gone, whatever they still drip.
    let last = slow.last_mut().unwrap();
    last.set_read_timeout(Some(Duration::from_secs(30))).unwrap();
    let mut rest = Vec::new();
    let _ = last.read_to_end(&mut rest);
    let gone = begun.elapsed();
    assert!(gone > Duration::from_secs(5) && gone < Duration::from_secs(20), "{gone:?}");
    std::thread::sleep(Duration::from_millis(500));
    assert_eq!(daemon.get("/status")["version"], 1);
}

#[test]
fn a_flood_of_requests_is_slowed_down_and_not_fatal() {
    let folder = tempfile::tempdir().unwrap();
    let daemon = Daemon::start(folder.path(), "");
    let mut stream = TcpStream::connect(&daemon.address).unwrap();
    stream.set_read_timeout(Some(Duration::from_millis(500))).unwrap();
    let one = format!("GET / HTTP/1.1\r\nHost: {}\r\n\r\n", daemon.address);
    let mut reader = stream.try_clone().unwrap();
    let flood = std::thread::spawn(move || {
        for _ in 0..3000 {
            if stream.write_all(one.as_bytes()).is_err() {
                break;
            }
        }
    });
    let mut answer = String::new();
    let mut piece = [0u8; 65536];
    while let Ok(n) = reader.read(&mut piece) {
        if n == 0 {
            break;
        }
        answer.push_str(&String::from_utf8_lossy(&piece[..n]));
    }
    flood.join().unwrap();
    assert!(answer.contains("HTTP/1.1 429") && answer.contains("HTTP/1.1 200"));
    std::thread::sleep(Duration::from_secs(1));
    assert_eq!(daemon.get("/status")["version"], 1);
}

/// Escape sequences that clear a terminal, change its title, or turn the writing direction, in what a set prints and in
/// what a client writes.
#[test]
fn what_a_set_prints_is_escaped_everywhere() {
    let folder = tempfile::tempdir().unwrap();
    let mut terminal = Terminal::open();
    let daemon = Daemon::start(folder.path(), &bound("a", terminal.path(), ""));
    let evil = "\x1b]0;owned\x07\x1b[2J\u{202e}";
    daemon.job("one");
    daemon.post("/ports/a/open", &json!({ "job": "one", "hands": "on" }));
    terminal.print(format!("[1.000] keyscan: line={evil} adc=0x085\r\n{evil}\r\n").repeat(50).as_bytes());
    daemon.until("a", "read", |port| port["bytes"].as_u64().unwrap() > 1000);
    let refused = daemon.ask("POST", "/ports/a/open", &json!({ "job": evil, "hands": "on" }));
    assert!(refused.status >= 400);
    let command = json!({ "text": format!("{evil}\n"), "warned": true });
    assert_eq!(daemon.ask("POST", "/ports/a/command", &command).status, 200);
    daemon.post("/ports/a/close", &json!({}));
    let raw =
        daemon.ask("GET", "/jobs/one/raw?capture=0001-watch&offset=0&length=4096", &serde_json::Value::Null);
    let timeline = daemon.ask("GET", "/jobs/one/timeline", &serde_json::Value::Null);
    let job = daemon.ask("GET", "/jobs/one", &serde_json::Value::Null);
    for reply in [&refused, &raw, &timeline, &job] {
        assert!(!reply.body.contains('\x1b') && !reply.body.contains('\x07'), "{}", reply.body);
    }
    daemon.signal("-TERM");
    let log: Vec<String> = daemon.told.iter().collect();
    assert!(log.iter().any(|line| line.contains("console command")), "{log:?}");
    assert!(log.iter().all(|line| !line.contains('\x1b') && !line.contains('\u{202e}')), "{log:?}");
}
