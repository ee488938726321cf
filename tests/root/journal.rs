//! Recordings on a disk that is really full.

use std::time::Duration;

use straykey::base::Nanoseconds;
use straykey::journal::{DiskLevel, Group, Limits, Reader, RecordKind, RecordingState, Writer};

use crate::support::replay::{ANCHOR, replay_reader};
use crate::support::small_disk::SmallDisk;
use crate::support::until;

const WAIT: Duration = Duration::from_secs(20);

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

/// Fills a disk to the last byte; gives the file that does.
fn fill(disk: &SmallDisk) -> std::path::PathBuf {
    use std::io::Write;
    let path = disk.0.join("filler");
    let mut file = std::fs::File::create(&path).unwrap();
    let mut size = 65_536;
    while size > 0 {
        if file.write_all(&vec![0; size]).is_err() {
            size /= 2;
        }
    }
    path
}

#[test]
fn a_disk_filled_to_the_last_byte_stops_recording_loudly_and_it_goes_on_by_itself_when_there_is_room() {
    let disk = SmallDisk::mount();
    let folder = disk.0.join("a.journal");
    let limits = Limits { buffer_bytes: 40_000, ..Limits::default() };
    let group = Group::start(limits).unwrap();
    let feed = group.begin(&folder, ANCHOR, "{}").unwrap();
    let mut sent = Vec::new();
    for piece in 0..10u8 {
        feed.push(RecordKind::Bytes, Nanoseconds(i64::from(piece)), 0, &[piece; 3000]);
        sent.extend([piece; 3000]);
    }
    let before = feed.flush(WAIT).unwrap();
    assert_eq!(before.captured, 30_000);
    let filler = fill(&disk);
    let mut lost = 0;
    for piece in 10..60u8 {
        if feed.push(RecordKind::Bytes, Nanoseconds(i64::from(piece)), 0, &[piece; 3000]) {
            sent.extend([piece; 3000]);
        } else {
            lost += 3000;
        }
        if piece == 10 {
            until(|| matches!(feed.state(), RecordingState::Stopped { full: true, .. }));
        }
    }
    assert!(lost > 60_000, "{lost}");
    assert_eq!(feed.lost(), lost);
    assert!(feed.acknowledged().captured >= before.captured);
    until(|| group.status().disk.is_some_and(|disk| disk.level == DiskLevel::Full));
    let notes: Vec<String> = group.notes(0).into_iter().map(|note| note.what).collect();
    assert!(notes.iter().any(|what| what.contains("the disk is full")), "{notes:?}");
    // Room again: nobody does anything else.
    std::fs::remove_file(filler).unwrap();
    until(|| feed.state() == RecordingState::Recording && feed.waiting() == 0);
    assert!(feed.push(RecordKind::Bytes, Nanoseconds(99), 0, b"after"));
    sent.extend(b"after");
    feed.close(WAIT).unwrap();
    group.stop();
    let replayed = replay_reader(Reader::open(&folder).unwrap()).unwrap();
    assert!(replayed.bytes == sent, "{} of {} bytes: {:?}", replayed.bytes.len(), sent.len(), replayed.marks);
    assert!(replayed.marks.iter().any(|mark| mark.contains("stood still")), "{:?}", replayed.marks);
    let told = format!("{lost} bytes in {} pieces were not recorded", lost / 3000);
    assert!(replayed.marks.iter().any(|mark| mark.starts_with(&told)), "{:?}", replayed.marks);
}
