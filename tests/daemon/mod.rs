//! The bench daemon as a process of its own, on pseudo-terminals, asked over real sockets.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod described;
mod hostile;
mod life;
mod ports;
mod units;
mod work;

use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::mpsc::{Receiver, channel};
use std::time::{Duration, Instant};

use serde_json::{Value, json};

/// The longest that anything here may take on a busy machine.
pub(super) const PATIENCE: Duration = Duration::from_secs(40);

/// A running daemon.
pub(super) struct Daemon {
    child: Child,
    pub(super) address: String,
    pub(super) token: String,
    pub(super) folder: PathBuf,
    pub(super) recovered: Vec<String>,
    pub(super) told: Receiver<String>,
}

/// An answer.
#[derive(Debug)]
pub(super) struct Reply {
    pub(super) status: u16,
    pub(super) head: String,
    pub(super) body: String,
}

impl Reply {
    pub(super) fn json(&self) -> Value {
        serde_json::from_str(&self.body).unwrap_or_else(|_| panic!("no JSON: {self:?}"))
    }

    /// The value, after the status was as it should be.
    pub(super) fn is(self, status: u16) -> Value {
        assert_eq!(self.status, status, "{self:?}");
        self.json()
    }
}

/// A folder with a configuration for it: everything inside, a free port of the loopback.
pub(super) fn configured(folder: &Path, more: &str) -> PathBuf {
    let path = folder.join("serve.toml");
    let text =
        format!("jobs = \"jobs\"\nlisten = \"127.0.0.1:0\"\nsocket = \"s\"\ntoken_file = \"token\"\n{more}");
    std::fs::write(&path, text).unwrap();
    path
}

impl Daemon {
    pub(super) fn start(folder: &Path, more: &str) -> Self {
        configured(folder, more);
        Self::again(folder, &[])
    }

    /// With the configuration that is there.
    pub(super) fn again(folder: &Path, arguments: &[&str]) -> Self {
        let mut child = Command::new(env!("CARGO_BIN_EXE_straykey"))
            .args(["serve", "--json", "--config"])
            .arg(folder.join("serve.toml"))
            .args(arguments)
            .env_remove("STRAYKEY_PROTOCOLS")
            .env_remove("NOTIFY_SOCKET")
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        let (tell, told) = channel();
        let log = BufReader::new(child.stderr.take().unwrap());
        std::thread::spawn(move || {
            for line in log.lines().map_while(Result::ok) {
                let _ = tell.send(line);
            }
        });
        let mut first = String::new();
        BufReader::new(child.stdout.take().unwrap()).read_line(&mut first).unwrap();
        assert!(!first.is_empty(), "ended early: {:?}", told.iter().collect::<Vec<String>>());
        let ready: Value = serde_json::from_str(&first).unwrap();
        let token = std::fs::read_to_string(folder.join("token")).unwrap().trim().to_owned();
        Self {
            child,
            address: ready["address"].as_str().unwrap().to_owned(),
            token,
            folder: folder.to_owned(),
            recovered: serde_json::from_value(ready["recovered"].clone()).unwrap(),
            told,
        }
    }

    pub(super) fn id(&self) -> u32 {
        self.child.id()
    }

    /// Sends bytes as they are and reads until the daemon closes or nothing comes for long.
    pub(super) fn raw(&self, bytes: &[u8]) -> Reply {
        let mut stream = TcpStream::connect(&self.address).unwrap();
        stream.set_read_timeout(Some(PATIENCE)).unwrap();
        // A refusal may come before everything is sent.
        let _ = stream.write_all(bytes);
        let mut answer = Vec::new();
        let _ = stream.read_to_end(&mut answer);
        reply(&answer)
    }

    /// A request with headers of the caller's.
    pub(super) fn with(&self, method: &str, path: &str, headers: &[(&str, &str)], body: &str) -> Reply {
        let mut text =
            format!("{method} {path} HTTP/1.1\r\nConnection: close\r\nContent-Length: {}\r\n", body.len());
        for (name, value) in headers {
            text.push_str(&format!("{name}: {value}\r\n"));
        }
        self.raw(format!("{text}\r\n{body}").as_bytes())
    }

    /// A request as a program makes it.
    pub(super) fn ask(&self, method: &str, path: &str, body: &Value) -> Reply {
        let bearer = format!("Bearer {}", self.token);
        let headers = [
            ("Host", self.address.as_str()),
            ("Authorization", &bearer),
            ("Content-Type", "application/json"),
        ];
        let body = if body.is_null() { String::new() } else { body.to_string() };
        self.with(method, &format!("/api/v1{path}"), &headers, &body)
    }

    pub(super) fn get(&self, path: &str) -> Value {
        self.ask("GET", path, &Value::Null).is(200)
    }

    pub(super) fn post(&self, path: &str, body: &Value) -> Value {
        let reply = self.ask("POST", path, body);
        assert!(reply.status < 300, "{path}: {reply:?}");
        reply.json()
    }

    pub(super) fn port(&self, name: &str) -> Value {
        let all = self.get("/ports");
        all["ports"].as_array().unwrap().iter().find(|port| port["name"] == name).cloned().unwrap()
    }

    /// Waits until the port is as it should be.
    pub(super) fn until(&self, name: &str, what: &str, is: impl Fn(&Value) -> bool) -> Value {
        let begun = Instant::now();
        loop {
            let port = self.port(name);
            if is(&port) {
                return port;
            }
            assert!(begun.elapsed() < PATIENCE, "never {what}: {port}");
            std::thread::sleep(Duration::from_millis(20));
        }
    }

    /// A job whose cautions were read.
    pub(super) fn job(&self, name: &str) {
        self.post("/jobs", &json!({ "name": name, "set": "kitchen set", "chassis": "alder" }));
        self.post(&format!("/jobs/{name}/cautions"), &json!({ "read": true }));
    }

    /// Subscribes; messages come as (id, event, data).
    pub(super) fn follow(&self, query: &str) -> Receiver<(String, String, Value)> {
        let mut stream = TcpStream::connect(&self.address).unwrap();
        let head = format!(
            "GET /api/v1/stream{query} HTTP/1.1\r\nHost: {}\r\nAuthorization: Bearer {}\r\n\r\n",
            self.address, self.token
        );
        stream.write_all(head.as_bytes()).unwrap();
        let mut lines = BufReader::new(stream);
        // Subscribed once the comment is there: what happens from now on is told.
        let mut line = String::new();
        while !line.starts_with(": follow") {
            line.clear();
            assert!(lines.read_line(&mut line).unwrap() > 0, "no stream");
        }
        let (tell, told) = channel();
        std::thread::spawn(move || {
            let (mut id, mut event) = (String::new(), String::new());
            for line in lines.lines().map_while(Result::ok) {
                if let Some(value) = line.strip_prefix("id: ") {
                    id = value.to_owned();
                } else if let Some(value) = line.strip_prefix("event: ") {
                    event = value.to_owned();
                } else if let Some(value) = line.strip_prefix("data: ")
                    && tell.send((id.clone(), event.clone(), serde_json::from_str(value).unwrap())).is_err()
                {
                    return;
                }
            }
        });
        told
    }

    pub(super) fn signal(&self, name: &str) {
        assert!(Command::new("kill").args([name, &self.id().to_string()]).status().unwrap().success());
    }

    /// Waits for the end; gives the exit status.
    pub(super) fn wait(&mut self) -> Option<i32> {
        let begun = Instant::now();
        loop {
            if let Some(status) = self.child.try_wait().unwrap() {
                return status.code();
            }
            assert!(begun.elapsed() < PATIENCE, "does not end");
            std::thread::sleep(Duration::from_millis(10));
        }
    }

    /// Waits for a line of the log.
    pub(super) fn said(&self, words: &str) -> String {
        let begun = Instant::now();
        let mut all = String::new();
        while begun.elapsed() < PATIENCE {
            if let Ok(line) = self.told.recv_timeout(Duration::from_millis(100)) {
                if line.contains(words) {
                    return line;
                }
                all.push_str(&line);
                all.push('\n');
            }
        }
        panic!("never said {words:?}: {all}");
    }
}

impl Drop for Daemon {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn reply(bytes: &[u8]) -> Reply {
    let text = String::from_utf8_lossy(bytes).into_owned();
    let (head, body) = text.split_once("\r\n\r\n").unwrap_or((&text, ""));
    let status = head.split(' ').nth(1).and_then(|word| word.parse().ok()).unwrap_or(0);
    Reply { status, head: head.to_ascii_lowercase(), body: body.to_owned() }
}

/// Lines of the set: readings of KEY1 every 50 ms from `from_ms` on, MENU pressed or nothing.
pub(super) fn readings(from_ms: u64, key: bool, count: u64) -> String {
    (0..count)
        .map(|i| {
            let ms = from_ms + 50 * i;
            let counts = if key { 0x2eb } else { 0x3ff };
            format!("[{}.{:03}] keyscan: line=KEY1 adc=0x{counts:03x}\r\n", ms / 1000, ms % 1000)
        })
        .collect()
}

/// A port in the configuration.
pub(super) fn bound(name: &str, device: &Path, more: &str) -> String {
    format!("[[port]]\nname = \"{name}\"\ndevice = \"{}\"\n{more}\n", device.display())
}
