//! What hundreds of protocol files cost: recognition among 500 beside 5, and the check of 500.
//!
//!     cargo bench --bench protocols
//!
//! The files are invented dialects (`tests/support/dialects.rs`); times are processor time of this thread.
#![allow(clippy::unwrap_used, clippy::print_stdout, dead_code, reason = "a report for developers")]

use std::path::Path;

use straykey::decode::check::{Severity, check};
use straykey::decode::folder::Own;
use straykey::decode::library::Library;

#[path = "../tests/support/dialects.rs"]
mod dialects;
#[path = "../tests/support/random.rs"]
mod random;

use dialects::Dialect;

/// Processor seconds of this thread.
fn processor() -> f64 {
    let time = rustix::time::clock_gettime(rustix::time::ClockId::ThreadCPUTime);
    time.tv_sec as f64 + time.tv_nsec as f64 / 1e9
}

/// The median of eleven runs, seconds.
fn median(mut work: impl FnMut()) -> f64 {
    let mut times: Vec<f64> = (0..11)
        .map(|_| {
            let start = processor();
            work();
            processor() - start
        })
        .collect();
    times.sort_by(f64::total_cmp);
    times[times.len() / 2]
}

fn library(count: u64) -> Library {
    let folder = tempfile::tempdir().unwrap();
    for number in 0..count {
        let dialect = Dialect::new(number);
        std::fs::write(folder.path().join(format!("{}.toml", dialect.name)), dialect.file()).unwrap();
    }
    Library::default().with(&Own::read(folder.path()).unwrap()).unwrap()
}

fn main() {
    let (few, many) = (library(5), library(500));
    for size in [8 << 10, 64 << 10, 256 << 10] {
        let log = Dialect::new(3).log(size);
        for library in [&few, &many] {
            assert_eq!(library.recognise(log.as_bytes()).choice.as_deref(), Some("dialect-3"));
        }
        let [of_few, of_many] =
            [&few, &many].map(|library| median(|| drop(library.recognise(log.as_bytes()))));
        // A file is recognised by its first 64 KiB.
        println!(
            "recognition of {:3} KiB: {:.3} ms among 5, {:.3} ms among 500, ratio {:.2}",
            size >> 10,
            of_few * 1e3,
            of_many * 1e3,
            of_many / of_few
        );
    }
    let files: Vec<(String, String)> =
        (0..500).map(Dialect::new).map(|d| (format!("{}.toml", d.name), d.file())).collect();
    let time = median(|| {
        for (path, text) in &files {
            for finding in check(Path::new(path), text) {
                assert_eq!(finding.severity, Severity::Note, "{finding}");
            }
        }
    });
    println!("check of 500 files: {time:.3} s");
}
