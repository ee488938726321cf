//! The daemon under load and at rest, as a process of its own on pseudo-terminals.
//!
//! `cargo bench --bench daemon -- PART…`, where PART is one of
//!
//! - `latency`: four busy ports; from the last byte of a line on a port to the event at a subscriber;
//! - `idle SECONDS`: four ports that record silence; memory and processor time;
//! - `flood SECONDS`: eight ports at 3 Mbit/s; bytes sent, read and on disk, memory, processor time;
//! - `month DAYS`: recorder, decoder and live verdict over simulated days as fast as they go; memory at each day;
//! - `recovery MIB`: a journal of that size with a torn end; time to find what is good.
//!
//! Without a part: all of them, the long ones short.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::print_stdout, dead_code)]

#[path = "../tests/support/daemon.rs"]
mod daemon;
#[path = "../tests/support/terminal.rs"]
mod terminal;

use std::path::Path;
use std::time::{Duration, Instant};

use daemon::{Daemon, bound, readings};
use serde_json::json;
use straykey::analysis::CompareOptions;
use straykey::analysis::ledger::Builder;
use straykey::base::{Anchor, Nanoseconds, Result};
use straykey::bench::{SoakPlan, SoakRun};
use straykey::journal::{Group, Limits, Reader, RecordKind, recover};
use straykey::simulator::scenario::Scenario;
use straykey::simulator::set::SimulatedSet;
use straykey::source::{ByteSource, Chunk, Pulled};
use straykey::timeline::Protocols;
use straykey::timeline::job::{CaptureOptions, Job, JobInfo};
use straykey::timeline::live::{Progress, Session};
use terminal::Terminal;

fn main() {
    let given: Vec<String> = std::env::args().skip(1).filter(|word| word != "--bench").collect();
    let number = |default| given.get(1).and_then(|word| word.parse().ok()).unwrap_or(default);
    match given.first().map(String::as_str) {
        Some("latency") => latency(),
        Some("idle") => idle(number(60)),
        Some("flood") => flood(number(600)),
        Some("month") => month(number(30)),
        Some("recovery") => recovery(number(1024)),
        _ => {
            latency();
            idle(20);
            flood(20);
            month(2);
            recovery(256);
        }
    }
}

/// Resident memory in MiB and processor time in seconds of a process.
fn cost(id: u32) -> (f64, f64) {
    let status = std::fs::read_to_string(format!("/proc/{id}/status")).unwrap();
    let resident = status.lines().find_map(|line| line.strip_prefix("VmRSS:")).unwrap();
    let kib: f64 = resident.trim().trim_end_matches(" kB").parse().unwrap();
    let stat = std::fs::read_to_string(format!("/proc/{id}/stat")).unwrap();
    let after_name: Vec<&str> = stat.rsplit_once(')').unwrap().1.split_whitespace().collect();
    let ticks: f64 = after_name[11].parse::<f64>().unwrap() + after_name[12].parse::<f64>().unwrap();
    // Linux counts in hundredths for user space on all architectures (USER_HZ).
    (kib / 1024.0, ticks / 100.0)
}

fn started(folder: &Path, terminals: &[Terminal], chassis: &str) -> Daemon {
    let more = format!("chassis = \"{chassis}\"\nbaud = 3000000");
    let ports: String =
        terminals.iter().enumerate().map(|(i, t)| bound(&format!("p{i}"), t.path(), &more)).collect();
    let daemon = Daemon::start(folder, &ports);
    for i in 0..terminals.len() {
        daemon.job(&format!("job{i}"));
        daemon.post(&format!("/ports/p{i}/open"), &json!({ "job": format!("job{i}"), "hands": "off" }));
    }
    daemon
}

fn latency() {
    const LINES: usize = 2000;
    let folder = tempfile::tempdir().unwrap();
    let terminals: Vec<Terminal> = (0..4).map(|_| Terminal::open()).collect();
    let daemon = started(folder.path(), &terminals, "linux-input");
    let told = daemon.follow("");
    std::thread::sleep(Duration::from_millis(500));
    let sending: Vec<_> = terminals
        .into_iter()
        .enumerate()
        .map(|(port, mut terminal)| {
            std::thread::spawn(move || {
                let mut sent = Vec::new();
                for i in 0..LINES {
                    // Between 1 and 40 ms apart: in and out of step with every time-out in the program.
                    std::thread::sleep(Duration::from_micros(
                        1000 + ((i + 500 * port) as u64 * 7919) % 39_000,
                    ));
                    let (second, micro, down) = (100 + i / 20, (i % 20) * 50_000, i % 2 == 0);
                    let value = u8::from(down);
                    // The scan code lines that a driver prints before it are the load.
                    let line = format!(
                        "[{second:8}.{micro:06}] EV_MSC       MSC_SCAN             00000072\n\
                         [{second:8}.{micro:06}] EV_KEY       KEY_VOLUMEDOWN       {}\n",
                        if value == 1 { "DOWN" } else { "UP" }
                    );
                    sent.push(Instant::now());
                    terminal.print(line.as_bytes());
                }
                (terminal, sent)
            })
        })
        .collect();
    let mut arrived: Vec<Vec<Instant>> = vec![Vec::new(); 4];
    let begun = Instant::now();
    while arrived.iter().any(|port| port.len() < LINES) && begun.elapsed() < Duration::from_secs(120) {
        let Ok((_, event, data)) = told.recv_timeout(Duration::from_secs(5)) else { break };
        let now = Instant::now();
        if event == "events" {
            let port: usize = data["port"].as_str().unwrap()[1..].parse().unwrap();
            for event in data["events"].as_array().unwrap() {
                if event["key"] == "KEY_VOLUMEDOWN" {
                    arrived[port].push(now);
                }
            }
        }
    }
    let mut delays = Vec::new();
    for (thread, arrived) in sending.into_iter().zip(&arrived) {
        let (_terminal, sent) = thread.join().unwrap();
        assert_eq!(sent.len(), arrived.len(), "an event for each line");
        delays.extend(
            sent.iter().zip(arrived).map(|(sent, got)| got.duration_since(*sent).as_secs_f64() * 1e3),
        );
    }
    delays.sort_by(f64::total_cmp);
    let at = |share: f64| delays[((delays.len() - 1) as f64 * share) as usize];
    println!(
        "latency: {} events on 4 ports: median {:.2} ms, 99 % within {:.2} ms, longest {:.2} ms",
        delays.len(),
        at(0.5),
        at(0.99),
        at(1.0)
    );
}

fn idle(seconds: u64) {
    let folder = tempfile::tempdir().unwrap();
    let terminals: Vec<Terminal> = (0..4).map(|_| Terminal::open()).collect();
    let daemon = started(folder.path(), &terminals, "alder");
    std::thread::sleep(Duration::from_secs(8));
    let (_, before) = cost(daemon.id());
    std::thread::sleep(Duration::from_secs(seconds));
    let (resident, after) = cost(daemon.id());
    let share = (after - before) / seconds as f64 * 100.0;
    println!(
        "idle: 4 silent ports for {seconds} s: {:.1} MB resident, {share:.2} % of a core",
        resident * 1.048_576
    );
}

fn flood(seconds: u64) {
    let folder = tempfile::tempdir().unwrap();
    let terminals: Vec<Terminal> = (0..8).map(|_| Terminal::open()).collect();
    let daemon = started(folder.path(), &terminals, "alder");
    let begun = Instant::now();
    let (_, before) = cost(daemon.id());
    let sending: Vec<_> = terminals
        .into_iter()
        .enumerate()
        .map(|(i, mut terminal)| {
            std::thread::spawn(move || {
                let (mut bytes, mut ms, mut check) = (0_u64, 1000 + i as u64, crc32c::crc32c(&[]));
                while begun.elapsed() < Duration::from_secs(seconds) {
                    let piece = readings(ms, (ms / 5000) % 2 == 1, 50);
                    terminal.print(piece.as_bytes());
                    check = crc32c::crc32c_append(check, piece.as_bytes());
                    bytes += piece.len() as u64;
                    ms += 2500;
                    let due = Duration::from_secs_f64(bytes as f64 / 300_000.0);
                    std::thread::sleep(due.saturating_sub(begun.elapsed()));
                }
                (terminal, bytes, check)
            })
        })
        .collect();
    let mut most: f64 = 0.0;
    while begun.elapsed() < Duration::from_secs(seconds) {
        std::thread::sleep(Duration::from_millis(500));
        most = most.max(cost(daemon.id()).0);
    }
    let sent: Vec<_> = sending.into_iter().map(|thread| thread.join().unwrap()).collect();
    let took = begun.elapsed().as_secs_f64();
    let (_, after) = cost(daemon.id());
    let mut total = 0;
    for (i, (_terminal, bytes, check)) in sent.iter().enumerate() {
        let port = daemon.until(&format!("p{i}"), "read", |port| port["bytes"] == *bytes);
        assert_eq!(port["lost_bytes"], 0);
        daemon.post(&format!("/ports/p{i}/close"), &json!({}));
        let (on_disk, read) = recorded(&folder.path().join(format!("jobs/job{i}/raw/0001-watch.journal")));
        assert_eq!((on_disk, read), (*bytes, *check), "p{i}: what is on disk is what was sent");
        total += bytes;
    }
    println!(
        "flood: 8 ports for {took:.0} s: {:.2} MB/s sent, {total} bytes sent, read and on disk, none lost; \
         {:.0} % of a core, at most {most:.1} MiB resident",
        total as f64 / took / 1e6,
        (after - before) / took * 100.0
    );
}

/// Length and CRC-32C of all captured bytes.
fn recorded(path: &Path) -> (u64, u32) {
    let mut reader = Reader::open(path).unwrap();
    let (mut bytes, mut check) = (0, crc32c::crc32c(&[]));
    while let Some(record) = reader.next_record().unwrap() {
        if record.kind == RecordKind::Bytes {
            bytes += record.payload.len() as u64;
            check = crc32c::crc32c_append(check, &record.payload);
        }
    }
    (bytes, check)
}

/// The demo's set, by its own clock, a second a piece.
struct Simulated {
    set: SimulatedSet,
    now: Nanoseconds,
    offset: u64,
    piece: Vec<u8>,
}

impl ByteSource for Simulated {
    fn pull(&mut self) -> Result<Pulled<'_>> {
        self.piece = self.set.advance(Nanoseconds::SECOND);
        // The memory that is measured is the recorder's, not the simulation's.
        self.set.take_registered();
        self.now = self.now + Nanoseconds::SECOND;
        let offset = self.offset;
        self.offset += self.piece.len() as u64;
        if self.piece.is_empty() {
            return Ok(Pulled::Quiet(self.now));
        }
        Ok(Pulled::Chunk(Chunk { arrival: Some(self.now), offset, bytes: &self.piece }))
    }

    fn anchor(&self) -> Option<Anchor> {
        Some(Anchor { unix_ns: 0 })
    }
}

fn month(days: u64) {
    let folder = tempfile::tempdir().unwrap();
    let scenario = Scenario::two_causes(7);
    let mut job = Job::create(&folder.path().join("job"), &JobInfo::new("set").chassis("alder")).unwrap();
    let group = Group::start(Limits::default()).unwrap();
    let recorder = job
        .begin_capture_in(&group, &CaptureOptions::default(), "simulated", &json!({}), Anchor { unix_ns: 0 })
        .unwrap();
    let source =
        Simulated { set: scenario.set_at(0).unwrap(), now: Nanoseconds::ZERO, offset: 0, piece: Vec::new() };
    let protocols = Protocols::load(None).unwrap();
    let mut session = Session::new(Box::new(source), Some(recorder), &protocols, Some("alder")).unwrap();
    let plan = SoakPlan { seconds: 1e9, full: true, attended: false, on_for: None };
    let mut soak = SoakRun::new(None, &CompareOptions::default(), plan, Builder::default(), Vec::new());
    let (mut events, mut count) = (Vec::new(), 0_u64);
    let begun = Instant::now();
    for day in 0..=days {
        let until = Nanoseconds(Nanoseconds::SECOND.0 * 86_400 * day as i64);
        let mut now = session.now();
        while now < until {
            let Progress::Going(reached) = session.step(&mut soak, &mut events).unwrap() else { return };
            now = reached;
            count += events.len() as u64;
            events.clear();
            soak.tick(now);
            session.settle().unwrap();
        }
        println!(
            "month: day {day:3}: {:.1} MiB resident, {:.1} MB captured, {count} events, {} strays",
            cost(std::process::id()).0,
            session.bytes() as f64 / 1e6,
            soak.tick(now).strays
        );
    }
    println!("month: {days} days in {:.0} s", begun.elapsed().as_secs_f64());
}

fn recovery(mib: u64) {
    let folder = tempfile::tempdir().unwrap();
    let journal = folder.path().join("a.journal");
    let image = folder.path().join("image.journal");
    // Not packed: all of it is there to be read.
    let group = Group::start(Limits { pack: false, ..Limits::default() }).unwrap();
    let feed = group.begin(&journal, Anchor { unix_ns: 0 }, "{}").unwrap();
    let piece = readings(1000, false, 1000);
    let (mut written, mut t) = (0_u64, 0);
    while written < mib << 20 {
        t += 1_000_000;
        assert!(feed.push(RecordKind::Bytes, Nanoseconds(t), t, piece.as_bytes()));
        written += piece.len() as u64;
        if feed.waiting() > 1 << 20 {
            feed.flush(Duration::from_secs(60)).unwrap();
        }
    }
    feed.flush(Duration::from_secs(60)).unwrap();
    // What a killed process leaves: no segment was closed in good order, and the last record is torn.
    copy(&journal, &image);
    let newest = newest(&image);
    let file = std::fs::OpenOptions::new().write(true).open(&newest).unwrap();
    file.set_len(file.metadata().unwrap().len() - 7).unwrap();
    let begun = Instant::now();
    let found = recover(&image).unwrap();
    let took = begun.elapsed();
    println!("recovery: {mib} MiB with a torn end in {:.1} ms: {found:?}", took.as_secs_f64() * 1e3);
}

fn copy(from: &Path, to: &Path) {
    std::fs::create_dir(to).unwrap();
    for entry in std::fs::read_dir(from).unwrap().map_while(std::result::Result::ok) {
        std::fs::copy(entry.path(), to.join(entry.file_name())).unwrap();
    }
}

/// The segment that was begun last.
fn newest(folder: &Path) -> std::path::PathBuf {
    let files =
        std::fs::read_dir(folder).unwrap().map_while(std::result::Result::ok).map(|entry| entry.path());
    let segments = files.filter(|path| path.metadata().unwrap().len() > 4096);
    segments.max_by_key(|path| path.file_name().unwrap().to_owned()).unwrap()
}
