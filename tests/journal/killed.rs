//! A real process, killed without warning at seeded moments.

use std::io::{BufRead, BufReader, Write};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use straykey::base::Nanoseconds;
use straykey::journal::{Reader, RecordKind, Writer};

use super::{ANCHOR, replay_reader};
use crate::support::crash;
use crate::support::random::Random;

const PATH_VARIABLE: &str = "STRAYKEY_TEST_KILLED_JOURNAL";

/// The stream that the child writes: the same for every run, so that the parent knows it.
fn piece(number: u64) -> Vec<u8> {
    let mut random = Random(number);
    let length = 1 + random.below(5000);
    random.bytes(length)
}

/// The child: writes for ever, and prints the acknowledged bytes after every commit.
#[test]
#[ignore = "a process of its own, started and killed by killed_at_any_moment_everything_acknowledged_is_there"]
fn the_child_that_is_killed() {
    let Some(path) = std::env::var_os(PATH_VARIABLE).map(PathBuf::from) else { return };
    let mut writer =
        if path.exists() { Writer::open(&path).unwrap().0 } else { Writer::create(&path, ANCHOR).unwrap() };
    let mut out = std::io::stdout();
    for number in 0u64.. {
        writer.append(RecordKind::Bytes, Nanoseconds(number as i64), 0, &piece(number)).unwrap();
        if number % 3 == 2 {
            writer.commit().unwrap();
            writeln!(out, "acknowledged {}", writer.acknowledged().captured).unwrap();
            out.flush().unwrap();
        }
    }
}

/// Starts the child, kills it after `acknowledgements` of them, and gives the last that it printed.
fn run_and_kill(path: &Path, acknowledgements: usize, spin: usize) -> u64 {
    let mut child = Command::new(std::env::current_exe().unwrap())
        .args(["journal::killed::the_child_that_is_killed", "--exact", "--ignored", "--nocapture"])
        .env(PATH_VARIABLE, path)
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .unwrap();
    let mut lines = BufReader::new(child.stdout.take().unwrap()).lines();
    let mut last = 0;
    let mut seen = 0;
    for line in lines.by_ref() {
        if let Some(number) = line.unwrap().strip_prefix("acknowledged ") {
            last = number.parse().unwrap();
            seen += 1;
            if seen >= acknowledgements {
                break;
            }
        }
    }
    // A seeded stretch of work, so that the kill falls into different places between two commits.
    std::hint::black_box((0..spin).fold(0u64, |sum, i| sum.wrapping_mul(31).wrapping_add(i as u64)));
    child.kill().unwrap();
    // What it had still printed counts as acknowledged too.
    for line in lines.map_while(Result::ok) {
        if let Some(number) = line.strip_prefix("acknowledged ").and_then(|number| number.parse().ok()) {
            last = number;
        }
    }
    child.wait().unwrap();
    assert!(seen >= acknowledgements, "the child ended by itself");
    last
}

#[test]
fn killed_at_any_moment_everything_acknowledged_is_there() {
    let folder = tempfile::tempdir().unwrap();
    let mut random = Random(2026);
    for round in 0..12 {
        let path = folder.path().join(format!("{round}.journal"));
        let acknowledged = run_and_kill(&path, 1 + random.below(20), random.below(3_000_000));
        let replayed = replay_reader(Reader::open(&path).unwrap()).unwrap();
        assert!(replayed.bytes.len() as u64 >= acknowledged, "round {round}");
        let mut at = 0;
        for number in 0.. {
            let expected = piece(number);
            let end = (at + expected.len()).min(replayed.bytes.len());
            assert_eq!(replayed.bytes[at..end], expected[..end - at], "round {round}, piece {number}");
            at = end;
            if at == replayed.bytes.len() {
                break;
            }
        }
        let (_, recovered) = Writer::open(&path).unwrap();
        assert_eq!(Some(recovered.cut), replayed.recovered.map(|recovered| recovered.cut));
        assert_eq!(std::fs::metadata(&path).unwrap().len(), recovered.kept);
    }
}

/// The child of the next test.
#[test]
#[ignore = "a process of its own, started and killed by killed_under_load_no_port_loses_an_acknowledged_byte"]
fn the_child_with_three_ports() {
    if std::env::var_os(crash::FOLDER).is_some() {
        crash::child();
    }
}

/// Sixty kills; `cargo run --release --example crash -- 2000` does more.
#[test]
fn killed_under_load_no_port_loses_an_acknowledged_byte() {
    let place = tempfile::tempdir().unwrap();
    let mut random = Random(60);
    let mut shown = crash::Shown::default();
    let mut work = 0;
    for seed in 0..60 {
        let folder = place.path().join(seed.to_string());
        std::fs::create_dir(&folder).unwrap();
        let mut command = Command::new(std::env::current_exe().unwrap());
        command
            .args(["journal::killed::the_child_with_three_ports", "--exact", "--ignored", "--nocapture"])
            .stdout(Stdio::piped())
            .stderr(Stdio::null());
        // From before the first record to some 200 kB, and a moment more.
        let bytes = random.below(200_000) as u64;
        let run = std::time::Duration::from_micros(random.below(5_000) as u64);
        work += bytes;
        crash::kill_and_check(&mut command, &folder, seed, bytes, run, &mut shown);
        std::fs::remove_dir_all(&folder).unwrap();
    }
    // The kills fell into the work and not before it.
    assert!(
        shown.captures > 60 && shown.acknowledged >= work && shown.segments > 60,
        "{shown:?}, {work} bytes"
    );
}
