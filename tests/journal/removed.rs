//! A capture that somebody removes while it is recorded: told at once, and nothing is promised.

use std::fs;
use std::time::{Duration, Instant};

use straykey::base::Nanoseconds;
use straykey::journal::{Group, Limits, Reader, RecordKind, RecordingState, Writer};

use super::{ANCHOR, replay_reader};

const WAIT: Duration = Duration::from_secs(10);

#[test]
fn a_removed_file_takes_nothing_more() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.journal");
    let mut writer = Writer::create(&path, ANCHOR).unwrap();
    let mut append = |t: i64| {
        writer.append(RecordKind::Bytes, Nanoseconds(t), t, b"reading\n")?;
        writer.commit()
    };
    append(1).unwrap();
    fs::remove_file(&path).unwrap();
    let error = append(2).unwrap_err();
    assert_eq!(error.exit_status(), 4);
    assert!(error.to_string().contains("was removed"), "{error}");
    assert!(!error.to_string().contains("safe"), "{error}");
    assert_eq!(writer.acknowledged().captured, 0);
}

#[test]
fn a_removed_folder_stops_the_recording_at_once() {
    let parent = tempfile::tempdir().unwrap();
    let folder = parent.path().join("0001-live.journal");
    let group = Group::start(Limits::default()).unwrap();
    let feed = group.begin(&folder, ANCHOR, "{}").unwrap();
    feed.push(RecordKind::Bytes, Nanoseconds(1), 1, &[b'x'; 3700]);
    feed.flush(WAIT).unwrap();
    fs::remove_dir_all(&folder).unwrap();
    feed.push(RecordKind::Bytes, Nanoseconds(2), 2, b"more");
    let until = Instant::now() + WAIT;
    while feed.state() == RecordingState::Recording {
        assert!(Instant::now() < until, "nothing was told");
        std::thread::sleep(Duration::from_millis(5));
    }
    let RecordingState::Stopped { full, .. } = feed.state() else { panic!("{:?}", feed.state()) };
    assert!(!full);
    assert!(group.notes(0).iter().any(|note| note.what.contains("removed")), "{:?}", group.notes(0));
    let error = feed.close(WAIT).unwrap_err().to_string();
    assert!(!error.contains("safe on disk"), "{error}");
    group.stop();
}

/// Where only the file is gone, the recording goes on in a new one, and says what is missing.
#[test]
fn a_removed_segment_is_told_in_the_next() {
    let parent = tempfile::tempdir().unwrap();
    let folder = parent.path().join("0001-live.journal");
    let group = Group::start(Limits::default()).unwrap();
    let feed = group.begin(&folder, ANCHOR, "{}").unwrap();
    feed.push(RecordKind::Bytes, Nanoseconds(1), 1, b"before\n");
    feed.flush(WAIT).unwrap();
    fs::remove_file(folder.join("000001.journal")).unwrap();
    feed.push(RecordKind::Bytes, Nanoseconds(2), 2, b"lost\n");
    let _ = feed.flush(WAIT);
    let until = Instant::now() + WAIT;
    while feed.state() != RecordingState::Recording {
        assert!(Instant::now() < until, "it never went on");
        std::thread::sleep(Duration::from_millis(20));
    }
    feed.push(RecordKind::Bytes, Nanoseconds(3), 3, b"after\n");
    feed.close(WAIT).unwrap();
    group.stop();
    let replayed = replay_reader(Reader::open(&folder).unwrap()).unwrap();
    assert!(replayed.bytes.ends_with(b"after\n"));
    assert!(
        replayed.marks.iter().any(|mark| format!("{mark:?}").contains("removed")),
        "{:?}",
        replayed.marks
    );
}
