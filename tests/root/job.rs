//! Jobs on a disk that is really full: whole or not at all.

use std::fs;
use std::io::Write as _;
use std::path::Path;
use std::process::Command;

use straykey::base::{Anchor, Nanoseconds};
use straykey::journal::Reader;
use straykey::source::{Chunk, Pulled};
use straykey::timeline::job::{Job, JobInfo};

use crate::support::jobs::{hands_off, log_file};
use crate::support::replay::replay_reader;
use crate::support::small_disk::SmallDisk;

fn chunk(t: i64, offset: u64, bytes: &[u8]) -> Pulled<'_> {
    Pulled::Chunk(Chunk { arrival: Some(Nanoseconds::from_millis(t)), offset, bytes })
}

/// GNU coreutils check the sums of a closed job.
fn checks(job: &Path) -> bool {
    let ran = Command::new("sha256sum").args(["--check", "--quiet", "SHA256SUMS"]).current_dir(job).output();
    ran.unwrap().status.success()
}

#[test]
fn a_creation_that_did_not_get_to_its_end_can_be_done_again() {
    // The whole of a creation needs a few blocks; with less room it ends in the middle.
    let disk = SmallDisk::mount();
    let path = disk.0.join("job");
    // Made once and cut: a file that is removed keeps its room while a child of another test still holds it open.
    let mut filler = fs::File::create(disk.0.join("filler")).unwrap();
    filler.write_all(&vec![0; 512 << 10]).unwrap_err();
    let full = filler.metadata().unwrap().len();
    for room in 0..8u64 {
        filler.set_len(full - room * 4096).unwrap();
        match Job::create(&path, &JobInfo::new("set")) {
            Ok(job) => {
                assert!(room > 0, "with no room at all it cannot have been made");
                drop(job);
                assert_eq!(Job::open(&path).unwrap().stages().len(), 1);
                return;
            }
            Err(error) => assert_eq!(error.exit_status(), 4, "{error}"),
        }
        assert_eq!(Job::read(&path).unwrap_err().exit_status(), 3);
    }
    panic!("the job was never made");
}

#[test]
fn a_disk_that_fills_during_a_capture_keeps_what_was_acknowledged_and_the_job_goes_on() {
    let disk = SmallDisk::mount();
    let mut job = Job::create(&disk.0.join("job"), &JobInfo::new("set")).unwrap();
    let mut capture =
        job.begin_capture(&hands_off(), "port", &serde_json::json!({}), Anchor { unix_ns: 5 }).unwrap();
    let piece = [b'x'; 4000];
    let mut offset = 0;
    let error = loop {
        capture.take(&chunk(offset as i64, offset, &piece)).unwrap();
        offset += piece.len() as u64;
        if let Err(error) = capture.commit() {
            break error;
        }
        assert!(offset < 1 << 20, "the disk never filled");
    };
    assert_eq!(error.exit_status(), 4);
    let acknowledged = capture.acknowledged();
    let name = capture.name().to_owned();
    assert_eq!(job.end_capture(capture).unwrap_err().exit_status(), 4);
    drop(job);
    let mut job = Job::open(&disk.0.join("job")).unwrap();
    let kept = job.captures().find(|capture| capture.name == name).unwrap();
    assert!(kept.is_closed() && kept.bytes.unwrap() >= acknowledged.file);
    let reader = Reader::open(&kept.path).unwrap();
    assert!(replay_reader(reader).unwrap().bytes.len() as u64 >= acknowledged.captured);

    // An import that does not fit leaves no half copy.
    let big = tempfile::NamedTempFile::new().unwrap();
    std::fs::write(big.path(), vec![b'y'; 1 << 20]).unwrap();
    let error = job.import(big.path(), &hands_off()).unwrap_err();
    assert_eq!(error.exit_status(), 4);
    assert!(error.help_text().unwrap().contains("make room"), "{error}");
    assert_eq!(std::fs::read_dir(job.folder().join("raw")).unwrap().count(), 2);
}

fn small_job_on(folder: &Path, logs: &Path) -> Job {
    let mut job = Job::create(folder, &JobInfo::new("set")).unwrap();
    for number in 0..20 {
        job.import(&log_file(logs, &format!("{number}.log"), 3), &hands_off()).unwrap();
    }
    job
}

/// Whatever room the disk has: closed with its sums, or open and told.
#[test]
fn a_full_disk_closes_nothing_by_half() {
    let disk = SmallDisk::mount();
    let folder = disk.0.join("job");
    let log = tempfile::tempdir().unwrap();
    drop(small_job_on(&folder, log.path()));
    let filler = disk.0.join("filler");
    let (mut refused, mut closed) = (0, 0);
    for room in 0..6u64 {
        let _ = fs::remove_file(&filler);
        fs::write(&filler, vec![0; 2 << 20]).unwrap_err();
        let length = fs::metadata(&filler).unwrap().len();
        fs::OpenOptions::new().write(true).open(&filler).unwrap().set_len(length - room * 4096).unwrap();
        let ended = Job::open(&folder).and_then(|mut job| job.close());
        let after = Job::read(&folder).unwrap();
        match ended {
            Ok(()) => {
                closed += 1;
                assert!(after.closed().is_some() && checks(&folder), "room {room}");
                break;
            }
            Err(error) => {
                refused += 1;
                assert_eq!(error.exit_status(), 4, "room {room}: {error}");
                assert_eq!(after.closed(), None, "room {room}");
            }
        }
    }
    assert_eq!((refused > 0, closed), (true, 1));
}
