//! The index beside the log that it is made from: how large, and what flipped bytes do to it.

use std::fs;
use std::path::{Path, PathBuf};

use straykey::timeline::job::{Job, JobInfo};

use super::hands_off;
use crate::face::straykey;
use crate::support::random::Random;

/// A set that prints keys alone, at no steady beat.
fn keys(lines: usize) -> String {
    let mut random = Random(11);
    let (mut ms, mut text) = (0, String::new());
    for _ in 0..lines {
        ms += 40 + random.below(1500);
        let key = ["VOL+", "VOL-", "MENU", "CH+"][random.below(4)];
        let state = ["(dn)", "(up)", "(rpt)"][random.below(3)];
        text.push_str(&format!("[{:5}.{:03}000][  T103] keypad: key {key} {state}\n", ms / 1000, ms % 1000));
    }
    text
}

fn job(folder: &Path, log: &str) -> PathBuf {
    let path = folder.join("keys.log");
    fs::write(&path, log).unwrap();
    let mut job = Job::create(&folder.join("job"), &JobInfo::new("set").chassis("birch")).unwrap();
    job.import(&path, &hands_off()).unwrap();
    job.folder().to_owned()
}

fn lines(job: &Path) -> Vec<u8> {
    let out = straykey(&["export", &job.display().to_string(), "--to", "jsonl"]);
    assert_eq!(out.status.code(), Some(0), "{}", String::from_utf8_lossy(&out.stderr));
    out.stdout
}

#[test]
fn the_index_of_a_log_of_keys_is_smaller_than_the_log_and_a_half() {
    let folder = tempfile::tempdir().unwrap();
    let log = keys(30_000);
    let job = job(folder.path(), &log);
    let events = lines(&job).iter().filter(|byte| **byte == b'\n').count();
    assert!(events > 20_000, "{events}");
    let size: u64 = ["straykey.db", "straykey.db-wal"]
        .iter()
        .map(|file| fs::metadata(job.join(file)).map_or(0, |data| data.len()))
        .sum();
    let times = size as f64 / log.len() as f64;
    println!("{events} events, {} bytes, index {size}: {times:.2} times", log.len());
    assert!(times < 1.5, "{times:.2} times the log");
}

/// Every answer is the right one, whatever byte of the index is another; where one mattered, that is told.
#[test]
fn flipped_bytes_of_the_index_are_found_and_it_is_made_anew() {
    let folder = tempfile::tempdir().unwrap();
    let job = job(folder.path(), &keys(1200));
    let right = lines(&job);
    let state = |job: &Path| {
        let shown = straykey(&["job", "show", &job.display().to_string(), "--json"]);
        assert_eq!(shown.status.code(), Some(0), "{}", String::from_utf8_lossy(&shown.stderr));
        let mut state: serde_json::Value = serde_json::from_slice(&shown.stdout).unwrap();
        let told = state["remarks"].to_string().contains("index was damaged");
        state["remarks"] = serde_json::Value::Null;
        (state, told)
    };
    let (sound_state, told) = state(&job);
    assert!(!told);
    let path = job.join("straykey.db");
    let sound = fs::read(&path).unwrap();
    let mut random = Random(12);
    let mut found = 0;
    for round in 0..40 {
        let mut flipped = sound.clone();
        for _ in 0..1 + round % 3 {
            let at = random.below(flipped.len());
            flipped[at] ^= 1 << random.below(8);
        }
        for ending in ["-wal", "-shm"] {
            let _ = fs::remove_file(job.join(format!("straykey.db{ending}")));
        }
        fs::write(&path, &flipped).unwrap();
        let (now, told) = state(&job);
        found += usize::from(told);
        assert_eq!(now, sound_state, "round {round}");
        assert!(lines(&job) == right, "round {round}");
    }
    // The others fell where nothing is stored.
    assert!(found > 10, "{found} of 40 were found");
}
