//! A recording that its disk cannot hold: what is missing stands in the job.

use std::fs;
use std::path::Path;

use straykey::base::{Anchor, Nanoseconds};
use straykey::journal::{Group, Limits, RecordingState};
use straykey::source::{Chunk, Pulled};
use straykey::timeline::job::{CaptureWriter, Job, JobInfo};

use crate::support::jobs::hands_off;
use crate::support::small_disk::SmallDisk;
use crate::support::until;

fn push(writer: &mut CaptureWriter, offset: &mut u64, bytes: usize) {
    let piece = vec![b'x'; 1000];
    for _ in 0..bytes / 1000 {
        let t = Nanoseconds(i64::try_from(*offset).unwrap());
        let chunk = Chunk { arrival: Some(t), offset: *offset, bytes: &piece };
        writer.take(&Pulled::Chunk(chunk)).unwrap();
        *offset += 1000;
    }
}

fn begin(disk: &Path, group: &Group) -> (Job, CaptureWriter) {
    let mut job = Job::create(&disk.join("job"), &JobInfo::new("set")).unwrap();
    let origin = serde_json::json!({});
    let writer = job.begin_capture_in(group, &hands_off(), "port", &origin, Anchor::now()).unwrap();
    (job, writer)
}

/// Ended while the disk is full, with more captured than the buffer holds.
#[test]
fn what_a_full_disk_kept_out_is_told_by_the_job() {
    let disk = SmallDisk::mount();
    let group = Group::start(Limits { buffer_bytes: 200_000, ..Limits::default() }).unwrap();
    let (mut job, mut writer) = begin(&disk.0, &group);
    let mut offset = 0;
    push(&mut writer, &mut offset, 50_000);
    until(|| writer.acknowledged().captured == 50_000);
    fs::write(disk.0.join("filler"), vec![0; 512 << 10]).unwrap_err();
    push(&mut writer, &mut offset, 400_000);
    until(|| matches!(writer.recording_state(), RecordingState::Stopped { full: true, .. }));
    let path = job.folder().to_owned();
    let error = job.end_capture(writer).unwrap_err();
    assert_eq!(error.exit_status(), 4, "{error}");
    drop(job);
    group.stop();
    for job in [Job::read(&path).unwrap(), Job::open(&path).unwrap()] {
        let told = job.remarks().join("\n");
        let missing = told
            .split([';', '\n'])
            .find_map(|part| part.trim().strip_suffix(" captured bytes behind that were not recorded"))
            .unwrap_or_else(|| panic!("{told}"));
        let missing: u64 = missing.parse().unwrap();
        let mut reader = straykey::journal::Reader::open(&job.captures().next().unwrap().path).unwrap();
        let mut kept = 0;
        while let Some(record) = reader.next_record().unwrap() {
            if record.kind == straykey::journal::RecordKind::Bytes {
                kept += record.payload.len() as u64;
            }
        }
        assert_eq!((kept >= 50_000, kept + missing), (true, offset), "{told}");
        assert!(missing > 300_000);
        assert!(job.captures().next().unwrap().is_closed());
    }
    assert!(!path.join("job.reserve").exists());
}

/// Room for a part of what waits is used.
#[test]
fn a_little_room_is_used_at_once() {
    let disk = SmallDisk::mount();
    let group = Group::start(Limits { buffer_bytes: 1 << 20, ..Limits::default() }).unwrap();
    let (job, mut writer) = begin(&disk.0, &group);
    let filler = disk.0.join("filler");
    fs::write(&filler, vec![0; 512 << 10]).unwrap_err();
    let mut offset = 0;
    push(&mut writer, &mut offset, 400_000);
    until(|| matches!(writer.recording_state(), RecordingState::Stopped { full: true, .. }));
    let before = writer.acknowledged().captured;
    // Far less than what waits, and less than one commit of 256 KiB.
    let length = fs::metadata(&filler).unwrap().len();
    fs::OpenOptions::new().write(true).open(&filler).unwrap().set_len(length - (100 << 10)).unwrap();
    until(|| writer.acknowledged().captured >= before + 60_000);
    drop((writer, job));
    group.stop();
}
