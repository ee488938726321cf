//! Speed of grouping lines by shape, beside the reference implementation in the same run.
//!
//!     cargo bench --bench mining
//!
//! The lines are those of `tests/reference/mining.csv`, repeated with fresh numbers to a million; drain3 reads the
//! first of them with `tests/reference/mining.py time` under the Python of STRAYKEY_PYTHON (python3 when not set).
#![allow(
    clippy::unwrap_used,
    clippy::print_stdout,
    clippy::cast_precision_loss,
    reason = "a report for developers"
)]

use std::fmt::Write as _;
use std::process::Command;

use straykey::learn::Miner;

/// Lines that we read, and how many of them drain3 reads.
const LINES: usize = 1_000_000;
const THEIRS: usize = 50_000;

/// Processor seconds of this thread.
fn processor() -> f64 {
    let time = rustix::time::clock_gettime(rustix::time::ClockId::ThreadCPUTime);
    time.tv_sec as f64 + time.tv_nsec as f64 / 1e9
}

/// Every run of digits replaced by another of its length.
fn fresh(line: &str, seed: &mut u64, out: &mut String) {
    for c in line.chars() {
        if c.is_ascii_digit() {
            *seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
            let _ = write!(out, "{}", (*seed >> 33) % 10);
        } else {
            out.push(c);
        }
    }
    out.push('\n');
}

fn lines() -> String {
    let table = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/reference/mining.csv");
    let text = std::fs::read_to_string(table).unwrap();
    let rows: Vec<&str> = text
        .lines()
        .filter(|line| !line.starts_with('#'))
        .map(|line| line.splitn(5, ',').nth(4).unwrap())
        .collect();
    let mut out = String::new();
    let mut seed = 1;
    for i in 0..LINES {
        fresh(rows[i % rows.len()], &mut seed, &mut out);
    }
    out
}

fn main() {
    let text = lines();
    let mut best = f64::INFINITY;
    let mut groups = 0;
    for _ in 0..5 {
        let mut miner = Miner::new();
        let start = processor();
        for line in text.lines() {
            std::hint::black_box(miner.push(line.as_bytes()));
        }
        best = best.min(processor() - start);
        groups = miner.settled().0.len();
    }
    let ours = LINES as f64 / best;
    println!(
        "ours: {LINES} lines, {:.1} bytes each, {groups} groups, {best:.3} s of processor time, {ours:.0} lines/s",
        text.len() as f64 / LINES as f64
    );
    let part: String = text.lines().take(THEIRS).fold(String::new(), |mut part, line| {
        part.push_str(line);
        part.push('\n');
        part
    });
    let file = std::env::temp_dir().join(format!("straykey-mining-{}.log", std::process::id()));
    std::fs::write(&file, part).unwrap();
    let python = std::env::var("STRAYKEY_PYTHON").unwrap_or_else(|_| "python3".to_owned());
    let script = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/reference/mining.py");
    let output = Command::new(python).arg(script).arg("time").arg(&file).output().unwrap();
    let _ = std::fs::remove_file(&file);
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    for line in String::from_utf8_lossy(&output.stdout).lines() {
        let theirs: f64 = line.rsplit(' ').nth(1).unwrap().parse().unwrap();
        println!("{line}; ours is {:.1} times as fast", ours / theirs);
    }
}
