//! A soak whose disk fills.

use std::time::Duration;

use crate::support::daemon::readings;
use crate::support::program::{straykey, text};
use crate::support::small_disk::SmallDisk;
use crate::support::soak::{listening, new_job, spawn};
use crate::support::terminal::Terminal;

#[test]
fn a_full_disk_ends_the_soak_and_loses_nothing_acknowledged() {
    let disk = SmallDisk::mount();
    let job = disk.0.join("job");
    new_job(&job);
    let mut terminal = Terminal::open();
    let port = terminal.path().to_str().unwrap().to_owned();
    let job_text = job.to_str().unwrap();
    let mut child =
        spawn(&["soak", job_text, "--port", &port, "--minutes", "5", "--cautions-read", "--json"]);
    let told = listening(&mut child);
    let mut ms = 1000;
    while child.try_wait().unwrap().is_none() {
        assert!(ms < 1_000_000, "the disk of 256 KiB did not fill");
        terminal.print(readings(ms, false, 100).as_bytes());
        ms += 5000;
        std::thread::sleep(Duration::from_millis(5));
    }
    let told = told.join().unwrap();
    assert_eq!(child.wait().unwrap().code(), Some(4), "{told}");
    assert!(told.to_lowercase().contains("disk") || told.contains("space"), "{told}");
    let output = straykey(&["decode", job.join("raw/0001-soak.journal").to_str().unwrap(), "--json"]);
    assert_eq!(output.status.code(), Some(0), "{}", text(&output.stderr));
    let last = text(&output.stdout).lines().filter(|line| line.contains("\"reading\"")).count();
    assert!(last > 0, "what was acknowledged before the disk was full is there");
}
