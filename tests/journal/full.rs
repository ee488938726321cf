//! A disk that is really full.

use std::path::Path;

use straykey::base::Nanoseconds;
use straykey::journal::{Reader, RecordKind, Writer};

use super::{ANCHOR, replay_reader};
use crate::support::small_disk::SmallDisk;

#[test]
fn a_full_disk_loses_nothing_acknowledged_and_says_what_to_do() {
    let disk = SmallDisk::mount();
    let path = disk.0.join("capture.journal");
    let mut writer = Writer::create(&path, ANCHOR).unwrap();
    let mut sent = Vec::new();
    let error = loop {
        let t = Nanoseconds(sent.len() as i64);
        let line = format!("line {}\n", sent.len()).repeat(50);
        let done = writer.append(RecordKind::Bytes, t, 0, line.as_bytes()).and_then(|()| writer.commit());
        sent.extend_from_slice(line.as_bytes());
        if let Err(error) = done {
            break error;
        }
        assert!(sent.len() < 1 << 20, "the disk never filled");
    };
    assert_eq!(error.exit_status(), 4);
    let text = error.to_string();
    assert!(text.contains("the disk is full"), "{text}");
    assert!(text.contains("Make room on this disk"), "{text}");
    assert!(text.contains("capture.journal"), "{text}");
    let acknowledged = writer.acknowledged();
    assert!(text.contains(&format!("{} captured bytes", acknowledged.captured)), "{text}");
    assert!(acknowledged.captured > 100_000);
    drop(writer);

    let replayed = replay_reader(Reader::open(&path).unwrap()).unwrap();
    assert!(replayed.bytes.len() as u64 >= acknowledged.captured);
    assert_eq!(replayed.bytes[..], sent[..replayed.bytes.len()]);

    // With room again it goes on where it was.
    let (writer, recovered) = Writer::open(&path).unwrap();
    assert!(recovered.kept >= acknowledged.file);
    assert_eq!(writer.captured(), replayed.bytes.len() as u64);
}

#[test]
fn a_device_that_is_always_full_is_told() {
    // Linux: every write to /dev/full fails for want of room.
    let disk = straykey::journal::FileDisk::open(Path::new("/dev/full")).unwrap();
    let error = Writer::create_on(Box::new(disk), Path::new("/dev/full"), ANCHOR).unwrap_err();
    assert_eq!(error.exit_status(), 4);
    assert!(error.to_string().contains("the disk is full"), "{error}");
}

#[test]
fn an_existing_journal_is_never_overwritten() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.journal");
    std::fs::write(&path, b"precious").unwrap();
    assert_eq!(Writer::create(&path, ANCHOR).unwrap_err().exit_status(), 4);
    assert_eq!(std::fs::read(&path).unwrap(), b"precious");
}
