//! Kills a recording process again and again, at random instants under load, and checks what it leaves.
//!
//!     cargo run --release --example crash -- 2000 20000
//!
//! Every kill is `SIGKILL` to a process of its own that records three ports into segments of 48 KiB, packs
//! them and closes captures. Checked after each: every acknowledged byte is there, no byte is false, nothing
//! unfinished is left, and the sums are right. The second number is how often the power is cut (or the process
//! ends) within this process, on a disk in memory that keeps any sectors of what was not synced.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::print_stdout)]

#[path = "../tests/support/crash.rs"]
mod crash;
#[path = "../tests/support/memory.rs"]
#[allow(dead_code)]
mod memory;
#[path = "../tests/support/outage.rs"]
mod outage;
#[path = "../tests/support/random.rs"]
#[allow(dead_code)]
mod random;

use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

fn main() {
    if std::env::var_os(crash::FOLDER).is_some() {
        crash::child();
        return;
    }
    let number = |at| std::env::args().nth(at).map(|count| count.parse::<u64>().expect("a number"));
    let (kills, cuts) = (number(1).unwrap_or(200), number(2).unwrap_or(0));
    kill(kills);
    let started = Instant::now();
    let safe: u64 = (0..cuts).map(outage::cut_and_check).sum();
    println!(
        "{cuts} power cuts and ends in this process: {safe} acknowledged bytes, none lost; no false byte; {:.0} s",
        started.elapsed().as_secs_f64()
    );
}

fn kill(kills: u64) {
    let place = tempfile::tempdir().unwrap();
    let mut random = random::Random(2026);
    let mut shown = crash::Shown::default();
    let started = Instant::now();
    for seed in 0..kills {
        let folder = place.path().join(seed.to_string());
        std::fs::create_dir(&folder).unwrap();
        let mut command = Command::new(std::env::current_exe().unwrap());
        command.stdout(Stdio::piped());
        // From before the first record to some megabytes.
        let run = Duration::from_micros(random.below(if seed % 4 == 0 { 8_000 } else { 90_000 }) as u64);
        crash::kill_and_check(&mut command, &folder, seed, 0, run, &mut shown);
        std::fs::remove_dir_all(&folder).unwrap();
        if seed % 100 == 99 {
            println!("{:6.0} s  {shown:?}", started.elapsed().as_secs_f64());
        }
    }
    println!(
        "{} kills, {} captures, {} segments ({} packed): {} acknowledged bytes, none lost; {} bytes more were found; \
         no false byte; {} bytes of torn tails cut; {} captures needed tidying; slowest recovery {:.1} ms",
        shown.kills,
        shown.captures,
        shown.segments,
        shown.packed,
        shown.acknowledged,
        shown.gifts,
        shown.cut,
        shown.untidy,
        shown.slowest.as_secs_f64() * 1e3
    );
}
