//! A disk that is slow, full or gone: the port never waits, and what is lost is counted and told.

use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use straykey::base::Nanoseconds;
use straykey::journal::{DiskLevel, Group, Limits, Reader, RecordKind, RecordingState};

use super::{ANCHOR, replay_reader};
use crate::support::memory::{Fault, Memory};
use crate::support::until;

const WAIT: Duration = Duration::from_secs(20);
const FOLDER: &str = "/raw/a.journal";

#[test]
fn a_disk_that_does_not_answer_never_blocks_the_port_and_every_lost_byte_is_counted() {
    let memory = Memory::default();
    let limits = Limits { buffer_bytes: 100_000, ..Limits::default() };
    let group = Group::start_on(Arc::new(memory.clone()), limits).unwrap();
    let feed = group.begin(Path::new(FOLDER), ANCHOR, "{}").unwrap();
    memory.close_gate(true);
    // The first batch is on its way to a disk that does not answer.
    assert!(feed.push(RecordKind::Bytes, Nanoseconds::ZERO, 0, &[1; 1000]));
    until(|| feed.waiting() == 0);
    // With the gate closed these pushes could not return if they waited for it.
    let mut taken = 1000u64;
    let mut lost = 0u64;
    for piece in 1..200i64 {
        if feed.push(RecordKind::Bytes, Nanoseconds::from_millis(piece), 0, &[piece as u8; 1000]) {
            taken += 1000;
        } else {
            lost += 1000;
        }
        assert!(feed.waiting() <= 100_000, "the buffer is bounded");
    }
    // 1000 bytes and a head of 40 in 100 000: 96 pieces fit.
    assert_eq!((taken, lost), (97_000, 103_000));
    assert_eq!(feed.lost(), lost);
    assert_eq!(feed.acknowledged().captured, 0, "nothing is acknowledged that is not synced");
    assert!(group.status().beat_age < WAIT);
    memory.close_gate(false);
    feed.flush(WAIT).unwrap();
    assert!(feed.push(RecordKind::Bytes, Nanoseconds::from_millis(300), 0, b"after"));
    feed.close(WAIT).unwrap();
    group.stop();
    let replayed = replay_reader(Reader::open_on(Arc::new(memory), Path::new(FOLDER)).unwrap()).unwrap();
    assert_eq!(replayed.bytes.len(), 97_005);
    assert_eq!(
        replayed.marks,
        ["103000 bytes in 103 pieces were not recorded from 0.097 s to 0.199 s: the disk was slow"]
    );
    // Behind the gap the offsets are those of the stream.
    assert_eq!(replayed.chunks.last().unwrap().1, 200_000);
}

#[test]
fn a_failing_disk_is_shown_at_once_and_recording_goes_on_when_it_is_mended() {
    let memory = Memory::default();
    let group = Group::start_on(Arc::new(memory.clone()), Limits::default()).unwrap();
    let feed = group.begin(Path::new(FOLDER), ANCHOR, "{}").unwrap();
    let syncs = memory.lock().calls["sync"];
    memory.fail("sync", syncs, Fault::Forever);
    feed.push(RecordKind::Bytes, Nanoseconds::ZERO, 0, b"one ");
    assert_eq!(feed.flush(WAIT).unwrap_err().exit_status(), 4);
    assert!(matches!(feed.state(), RecordingState::Stopped { full: false, .. }), "{:?}", feed.state());
    assert_eq!(feed.acknowledged().captured, 0);
    // The flush returns with the failure; the disk thread writes its note right behind it.
    until(|| group.notes(0).iter().any(|note| note.what.contains("stands still") && note.remedy.is_some()));
    memory.mend();
    feed.push(RecordKind::Bytes, Nanoseconds(1), 0, b"two");
    assert_eq!(feed.flush(WAIT).unwrap().captured, 7);
    assert_eq!(feed.state(), RecordingState::Recording);
    feed.close(WAIT).unwrap();
    assert_eq!(feed.state(), RecordingState::Closed);
    group.stop();
    let replayed = replay_reader(Reader::open_on(Arc::new(memory), Path::new(FOLDER)).unwrap()).unwrap();
    assert_eq!(replayed.bytes, b"one two");
    assert!(replayed.marks[0].contains("stood still") && replayed.marks[0].contains("the disk failed"));
}

#[test]
fn a_capture_cannot_be_closed_on_a_dead_disk_but_what_was_acknowledged_stays() {
    let memory = Memory::default();
    let group = Group::start_on(Arc::new(memory.clone()), Limits::default()).unwrap();
    let feed = group.begin(Path::new(FOLDER), ANCHOR, "{}").unwrap();
    feed.push(RecordKind::Bytes, Nanoseconds::ZERO, 0, b"safe");
    feed.flush(WAIT).unwrap();
    let writes = memory.lock().calls["write"];
    memory.fail("write", writes, Fault::Forever);
    feed.push(RecordKind::Bytes, Nanoseconds(1), 0, b"lost");
    let error = feed.close(WAIT).unwrap_err();
    assert!(error.to_string().contains("4 captured bytes are safe"), "{error}");
    assert!(feed.is_gone());
    group.stop();
    let replayed = replay_reader(Reader::open_on(Arc::new(memory), Path::new(FOLDER)).unwrap()).unwrap();
    assert!(replayed.bytes.starts_with(b"safe"));
}

#[test]
fn a_disk_that_gets_full_is_told_long_before() {
    let memory = Memory::default();
    // 1.5 % free.
    memory.put(Path::new("/other/file"), &vec![0; 985_000]);
    memory.lock().capacity = Some(1_000_000);
    let group = Group::start_on(Arc::new(memory.clone()), Limits::default()).unwrap();
    let feed = group.begin(Path::new(FOLDER), ANCHOR, "{}").unwrap();
    until(|| group.status().disk.is_some_and(|disk| disk.level == DiskLevel::Low));
    let notes = group.notes(0);
    assert!(notes.iter().any(|note| note.what.contains("the disk gets full")), "{notes:?}");
    assert!(matches!(feed.state(), RecordingState::Recording));
    group.stop();
}
