//! Works on jobs at 1 MB/s and says what is safe; and checks that all of it is there on a disk whose power was cut.
//!
//!     power record FOLDER SECONDS        prints a line for whatever is acknowledged
//!     power check FOLDER < LINES         fails where something of these lines is not there
//!
//! `tests/power/run` runs the first in a machine with a disk of its own, and the second on every state that a power cut
//! may have left of that disk.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::print_stdout)]

#[path = "../tests/support/random.rs"]
#[allow(dead_code)]
mod random;

use std::collections::BTreeMap;
use std::io::{BufRead, Write};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use random::Random;
use straykey::base::{Anchor, Nanoseconds};
use straykey::journal::{Group, Limits, Reader};
use straykey::source::{ByteSource, Chunk, Pulled};
use straykey::timeline::job::{
    CaptureOptions, CaptureWriter, Hands, Job, JobInfo, PackOptions, Step, StepKind, unpack,
};

/// Bytes of one read, and how long it takes them to come: 1 MB/s.
const PIECE: usize = 4000;
const PIECE_EVERY: Duration = Duration::from_millis(4);
/// Length of one capture.
const CAPTURE: Duration = Duration::from_millis(1200);

fn main() {
    let arguments: Vec<String> = std::env::args().collect();
    let folder = PathBuf::from(arguments.get(2).expect("a folder"));
    match arguments[1].as_str() {
        "record" => record(&folder, Duration::from_secs(arguments[3].parse().expect("seconds"))),
        "check" => check(&folder),
        other => panic!("no {other}: record or check"),
    }
}

/// What a capture holds: every byte follows from job, capture and offset.
fn stream(job: u64, capture: u64, offset: u64, length: usize) -> Vec<u8> {
    let first = offset / 8;
    let words = (length as u64 + offset % 8).div_ceil(8);
    let seed = job << 48 | capture << 40;
    let bytes: Vec<u8> =
        (first..first + words).flat_map(|word| Random(seed | word).next().to_le_bytes()).collect();
    bytes[(offset % 8) as usize..][..length].to_vec()
}

fn say(line: &str) {
    let mut out = std::io::stdout().lock();
    let _ = out.write_all(line.as_bytes()).and_then(|()| out.write_all(b"\n")).and_then(|()| out.flush());
}

fn job_folder(folder: &Path, number: u64) -> PathBuf {
    folder.join(format!("job-{number}"))
}

fn pack_file(folder: &Path, number: u64) -> PathBuf {
    folder.join(format!("job-{number}.pack"))
}

fn record(folder: &Path, time: Duration) {
    let begun = Instant::now();
    let limits = Limits { segment_bytes: 512 << 10, ..Limits::default() };
    let group = Group::start(limits).expect("threads");
    for number in 1.. {
        if begun.elapsed() >= time {
            return;
        }
        let mut job = Job::create(&job_folder(folder, number), &JobInfo::new("set")).expect("a job");
        say(&format!("job {number}"));
        for stage in 1..=2 {
            let options = CaptureOptions { hands: Hands::Off, ..CaptureOptions::default() };
            let (origin, anchor) = (serde_json::json!({}), Anchor::now());
            // With a disk thread, as the daemon does, and without, as `soak` does.
            let mut capture = if number % 2 == 0 {
                job.begin_capture_in(&group, &options, "simulated", &origin, anchor)
            } else {
                job.begin_capture(&options, "simulated", &origin, anchor)
            }
            .expect("a capture");
            let name = capture.name().to_owned();
            print(&mut capture, number, stage);
            let done = job.end_capture(capture).expect("it ends");
            say(&format!("ended {number} {name} {}", done.sha256.expect("a sum")));
            let step = Step { text: format!("step {stage}"), kind: StepKind::Repair, parts: Vec::new() };
            job.add_step(step).expect("a step");
            say(&format!("step {number} {stage}"));
        }
        job.close().expect("it closes");
        say(&format!("closed {number}"));
        let options = PackOptions { keep_private: true };
        job.pack(&pack_file(folder, number), &options).expect("a pack");
        say(&format!("packed {number}"));
    }
}

/// A set prints into a capture.
fn print(capture: &mut CaptureWriter, job: u64, stage: u64) {
    let begun = Instant::now();
    let name = capture.name().to_owned();
    let (mut offset, mut told) = (0, 0);
    for piece in 1u32.. {
        let bytes = stream(job, stage, offset, PIECE);
        let t = Nanoseconds(i64::try_from(begun.elapsed().as_nanos()).expect("a short time"));
        capture.take(&Pulled::Chunk(Chunk { arrival: Some(t), offset, bytes: &bytes })).expect("room");
        capture.commit_if_due().expect("the disk");
        offset += PIECE as u64;
        let safe = capture.acknowledged().captured;
        if safe > told {
            told = safe;
            say(&format!("bytes {job} {name} {safe}"));
        }
        if begun.elapsed() >= CAPTURE {
            return;
        }
        std::thread::sleep((PIECE_EVERY * piece).saturating_sub(begun.elapsed()));
    }
}

/// What was acknowledged of one job.
#[derive(Default)]
struct Said {
    /// Bytes of each capture, and its sum once it was ended.
    captures: BTreeMap<String, (u64, Option<String>)>,
    steps: usize,
    closed: bool,
    packed: bool,
}

fn said() -> BTreeMap<u64, Said> {
    let mut jobs: BTreeMap<u64, Said> = BTreeMap::new();
    for line in std::io::stdin().lock().lines() {
        let line = line.expect("text");
        let words: Vec<&str> = line.split(' ').collect();
        let job = jobs.entry(words[1].parse().expect("a job")).or_default();
        match words[0] {
            "job" => {}
            "bytes" => {
                job.captures.entry(words[2].to_owned()).or_default().0 = words[3].parse().expect("a number");
            }
            "ended" => {
                job.captures.entry(words[2].to_owned()).or_default().1 = Some(words[3].to_owned());
            }
            "step" => job.steps = words[2].parse().expect("a number"),
            "closed" => job.closed = true,
            "packed" => job.packed = true,
            other => panic!("no {other}"),
        }
    }
    jobs
}

fn check(folder: &Path) {
    let (mut acknowledged, mut found, mut remarks) = (0, 0, 0);
    let jobs = said();
    for (number, said) in &jobs {
        let path = job_folder(folder, *number);
        let job = Job::open(&path).unwrap_or_else(|error| panic!("job {number}: {error}"));
        remarks += job.remarks().len();
        for (name, (safe, sum)) in &said.captures {
            let capture = job.captures().find(|capture| capture.name == *name);
            let capture = capture.unwrap_or_else(|| panic!("job {number} has no capture {name}"));
            let there = replay(&capture.path, *number, name);
            assert!(there >= *safe, "job {number}, {name}: {there} bytes of {safe} acknowledged");
            acknowledged += safe;
            found += there;
            if sum.is_some() {
                assert_eq!(&capture.sha256, sum, "job {number}, {name}");
            }
        }
        assert_eq!(job.verify().expect("sums"), Vec::<String>::new(), "job {number}");
        assert!(job.stages().len() > said.steps, "job {number}: {} of {}", job.stages().len(), said.steps);
        if said.closed {
            assert!(job.closed().is_some(), "job {number} is open again");
        }
        if job.closed().is_some() {
            assert!(path.join("SHA256SUMS").exists(), "job {number} is closed without its sums");
        }
        assert!(!said.packed || pack_file(folder, *number).exists(), "the pack of job {number} is gone");
    }
    // A pack is whole or not there, acknowledged or not.
    let mut packs = 0;
    for entry in std::fs::read_dir(folder).expect("the folder").flatten() {
        if entry.path().extension().is_some_and(|extension| extension == "pack") {
            let to = tempfile::tempdir().expect("a folder");
            let job = unpack(&entry.path(), &to.path().join("job")).unwrap_or_else(|error| panic!("{error}"));
            assert_eq!(job.captures().count(), 2);
            packs += 1;
        }
    }
    println!("{} {acknowledged} {found} {remarks} {packs}", jobs.len());
}

/// Reads a capture and compares every byte; gives how many there are.
fn replay(path: &Path, job: u64, name: &str) -> u64 {
    let stage = name.split('-').next().and_then(|number| number.parse().ok()).expect("a number");
    let mut reader = Reader::open(path).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
    let mut at = 0;
    loop {
        match reader.pull().unwrap_or_else(|error| panic!("{error}")) {
            Pulled::Chunk(chunk) => {
                assert_eq!(chunk.offset, at, "a gap in {}", path.display());
                assert!(chunk.bytes == stream(job, stage, at, chunk.bytes.len()), "false bytes at {at}");
                at += chunk.bytes.len() as u64;
            }
            Pulled::Mark(_) | Pulled::Quiet(_) => {}
            Pulled::End => return at,
        }
    }
}
