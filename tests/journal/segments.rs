//! Captures in segments: rotation, packing, sums, retention; checked with `gzip` and `sha256sum`.

use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::Arc;
use std::time::{Duration, Instant};

use straykey::base::Nanoseconds;
use straykey::journal::{Group, Limits, Reader, RecordKind, Room, recover, seal, verify};

use super::{ANCHOR, Replayed, replay_reader};
use crate::support::memory::Memory;
use crate::support::random::Random;

const WAIT: Duration = Duration::from_secs(20);

/// Records `pieces` of 1000 bytes, 20 ms apart; gives the folder and the bytes.
fn recorded(parent: &Path, limits: Limits, pieces: i64) -> (PathBuf, Vec<u8>) {
    let folder = parent.join("0001-live.journal");
    let group = Group::start(limits).unwrap();
    let feed = group.begin(&folder, ANCHOR, r#"{"port":"/dev/ttyUSB0"}"#).unwrap();
    let mut random = Random(5);
    let mut sent = Vec::new();
    for piece in 0..pieces {
        let t = Nanoseconds::from_millis(piece * 20);
        // Half of it can be packed.
        let bytes = [random.bytes(500), vec![b'x'; 500]].concat();
        assert!(feed.push(RecordKind::Bytes, t, ANCHOR.unix_ns + t.0, &bytes));
        feed.flush(WAIT).unwrap();
        sent.extend_from_slice(&bytes);
    }
    feed.close(WAIT).unwrap();
    group.stop();
    (folder, sent)
}

fn names(folder: &Path) -> Vec<String> {
    let mut names: Vec<String> = std::fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().file_name().to_string_lossy().into_owned())
        .collect();
    names.sort();
    names
}

/// Waits until the packing thread has packed everything but the last segment.
fn wait_for(what: impl Fn() -> bool) {
    let until = Instant::now() + WAIT;
    while !what() {
        assert!(Instant::now() < until, "it never came to this");
        std::thread::yield_now();
    }
}

fn shell(folder: &Path, script: &str) -> String {
    let output = Command::new("sh").arg("-c").arg(script).current_dir(folder).output().unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout).unwrap()
}

fn replay(folder: &Path) -> Replayed {
    replay_reader(Reader::open(folder).unwrap()).unwrap()
}

#[test]
fn segments_are_closed_by_size_and_read_as_one_capture() {
    let parent = tempfile::tempdir().unwrap();
    let limits = Limits { segment_bytes: 10_000, pack: false, ..Limits::default() };
    let (folder, sent) = recorded(parent.path(), limits, 50);
    // 1040 bytes a piece and the head: ten pieces pass 10 000 bytes.
    let expected: Vec<String> = std::iter::once("000001.journal".to_owned())
        .chain((2..=5).map(|n| format!("{n:06}.journal")))
        .collect();
    assert!(names(&folder).starts_with(&expected), "{:?}", names(&folder));
    let replayed = replay(&folder);
    assert_eq!(replayed.bytes, sent);
    assert!(replayed.marks.is_empty(), "{:?}", replayed.marks);
    // Each stands alone, and its offsets go on.
    let third = replay(&folder.join("000003.journal"));
    assert_eq!(third.chunks[0].1, 20_000);
    assert_eq!(third.bytes, sent[20_000..30_000]);
}

#[test]
fn segments_are_closed_by_age_too() {
    let parent = tempfile::tempdir().unwrap();
    let limits = Limits { segment_age: Nanoseconds::from_millis(200), pack: false, ..Limits::default() };
    let (folder, sent) = recorded(parent.path(), limits, 50);
    assert_eq!(names(&folder).iter().filter(|name| name.ends_with(".journal")).count(), 5);
    assert_eq!(replay(&folder).bytes, sent);
}

#[test]
fn sums_are_those_of_the_uncompressed_bytes_as_sha256sum_has_them() {
    let parent = tempfile::tempdir().unwrap();
    let limits = Limits { segment_bytes: 10_000, pack: false, ..Limits::default() };
    let (folder, sent) = recorded(parent.path(), limits.clone(), 50);
    assert!(shell(&folder, "sha256sum --check SHA256SUMS").lines().all(|line| line.ends_with(": OK")));
    let sum = shell(&folder, "sha256sum < SHA256SUMS").split(' ').next().unwrap().to_owned();
    let sealed = seal(&folder).unwrap();
    assert_eq!(sealed.sha256, sum);
    assert_eq!(sealed.bytes.to_string(), shell(&folder, "cat *.journal | wc -c").trim());

    // The same capture packed: the same sums.
    let other = tempfile::tempdir().unwrap();
    let (packed, _) = recorded(other.path(), Limits { pack: true, ..limits.clone() }, 50);
    // The group may end before all is packed; the rest is packed when somebody asks for it again.
    assert_eq!(replay(&packed).bytes, sent);
    for name in names(&packed).iter().filter(|name| name.ends_with(".journal")) {
        shell(&packed, &format!("gzip -n {name}"));
    }
    assert_eq!(replay(&packed).bytes, sent, "packed by gzip itself");
    assert_eq!(verify(&packed, &seal(&packed).unwrap().sha256).unwrap(), Vec::<String>::new());
    assert_eq!(shell(&packed, "gzip -cd *.gz | wc -c").trim(), seal(&packed).unwrap().bytes.to_string());
}

#[test]
fn a_running_capture_is_packed_behind_its_back_and_read_meanwhile() {
    let parent = tempfile::tempdir().unwrap();
    let folder = parent.path().join("0001-live.journal");
    let group = Group::start(Limits { segment_bytes: 20_000, ..Limits::default() }).unwrap();
    let feed = group.begin(&folder, ANCHOR, "{}").unwrap();
    let mut sent = Vec::new();
    for piece in 0..200 {
        let bytes = format!("[{piece}] keyscan: line=KEY1 adc=0x085\n").repeat(30).into_bytes();
        feed.push(RecordKind::Bytes, Nanoseconds::from_millis(piece), 0, &bytes);
        sent.extend_from_slice(&bytes);
        let known = feed.flush(WAIT).unwrap().captured as usize;
        if piece % 20 == 0 {
            let replayed = replay(&folder);
            assert!(replayed.bytes.len() >= known, "{} of {known}", replayed.bytes.len());
            assert!(sent.starts_with(&replayed.bytes), "false bytes");
            assert!(replayed.marks.is_empty(), "{:?}", replayed.marks);
        }
    }
    feed.close(WAIT).unwrap();
    wait_for(|| names(&folder).iter().all(|name| !name.ends_with(".journal")));
    shell(&folder, "gzip -t *.gz");
    let sums = shell(
        &folder,
        "for f in *.gz; do echo \"$(gzip -cd $f | sha256sum | cut -d' ' -f1)  ${f%.gz}\"; done",
    );
    assert_eq!(sums, std::fs::read_to_string(folder.join("SHA256SUMS")).unwrap());
    let on_disk = shell(&folder, "cat *.gz | wc -c").trim().parse::<usize>().unwrap();
    assert!(on_disk * 5 < sent.len(), "{on_disk} of {}", sent.len());
    assert_eq!(replay(&folder).bytes, sent);
    group.stop();
}

#[test]
fn damage_of_a_packed_segment_costs_that_segment_and_is_told() {
    let parent = tempfile::tempdir().unwrap();
    let limits = Limits { segment_bytes: 10_000, pack: false, ..Limits::default() };
    let (folder, sent) = recorded(parent.path(), limits, 50);
    let sealed = seal(&folder).unwrap();
    shell(&folder, "gzip -n 000002.journal");
    let packed = folder.join("000002.journal.gz");
    let mut bytes = std::fs::read(&packed).unwrap();
    let middle = bytes.len() / 2;
    bytes[middle..middle + 40].fill(0xff);
    std::fs::write(&packed, bytes).unwrap();
    let replayed = replay(&folder);
    assert!(replayed.marks.iter().any(|mark| mark.contains("segment 2 is damaged")), "{:?}", replayed.marks);
    assert!(replayed.bytes.ends_with(&sent[20_000..]), "the others are whole");
    assert!(replayed.bytes.starts_with(&sent[..10_000]));
    assert_eq!(verify(&folder, &sealed.sha256).unwrap(), ["000002.journal was altered after the capture"]);
    std::fs::remove_file(&packed).unwrap();
    let replayed = replay(&folder);
    assert!(
        replayed.marks.iter().any(|mark| mark.contains("segment 2 is not there")),
        "{:?}",
        replayed.marks
    );
    assert_eq!(verify(&folder, &sealed.sha256).unwrap(), ["000002.journal is missing"]);
}

#[test]
fn retention_removes_the_oldest_closed_segments_and_the_recording_says_which() {
    let memory = Memory::default();
    let limits = Limits { segment_bytes: 10_000, pack: false, keep_bytes: Some(40_000), ..Limits::default() };
    let group = Group::start_on(Arc::new(memory.clone()), limits).unwrap();
    let (first, second) = (Path::new("/raw/a.journal"), Path::new("/raw/b.journal"));
    // The second port is silent: its only segment is the current one and must stay.
    let quiet = group.begin(second, ANCHOR, "{}").unwrap();
    quiet.push(RecordKind::Bytes, Nanoseconds::ZERO, 0, b"precious");
    quiet.flush(WAIT).unwrap();
    let feed = group.begin(first, ANCHOR, "{}").unwrap();
    let mut sent = Vec::new();
    let mut random = Random(3);
    for piece in 0..120 {
        let bytes = random.bytes(1000);
        feed.push(RecordKind::Bytes, Nanoseconds::from_millis(piece), piece, &bytes);
        sent.extend_from_slice(&bytes);
        feed.flush(WAIT).unwrap();
    }
    // A file may be removed between the look at the names and the look at it.
    let used = || memory.paths().iter().filter_map(|path| memory.file(path)).map(|f| f.len()).sum::<usize>();
    wait_for(|| used() < 52_000);
    feed.close(WAIT).unwrap();
    quiet.close(WAIT).unwrap();
    group.stop();
    let open = |folder| replay_reader(Reader::open_on(Arc::new(memory.clone()), folder).unwrap()).unwrap();
    assert_eq!(open(second).bytes, b"precious");
    let replayed = open(first);
    assert!(sent.ends_with(&replayed.bytes), "what is left is the newest part, whole");
    let gone = sent.len() - replayed.bytes.len();
    assert_eq!(replayed.chunks[0].1, gone as u64, "offsets stay those of the stream");
    assert!(replayed.marks[0].contains("not there: removed to make room"), "{:?}", replayed.marks[0]);
    // The last removals stand in what is left, with the sum of what was removed.
    let removals: Vec<&String> = replayed.marks.iter().filter(|mark| mark.contains("is removed")).collect();
    assert!(!removals.is_empty());
    let sums = String::from_utf8(memory.file(&first.join("SHA256SUMS")).unwrap()).unwrap();
    for removal in removals {
        assert!(sums.contains(removal.rsplit(' ').next().unwrap()), "{removal}");
    }
    // One note for each segment below the first that is left; how many captured bytes a segment holds depends on
    // how many remarks stand between them.
    let notes = group.notes(0);
    let left = memory.paths().into_iter().filter(|path| path.parent() == Some(first));
    let numbers = left.filter_map(|path| path.file_name()?.to_str()?.strip_suffix(".journal")?.parse().ok());
    let removed = numbers.min().unwrap_or(0usize) - 1;
    assert!(removed >= 7, "{removed} segments are gone");
    assert_eq!(notes.iter().filter(|note| note.what.contains("is removed")).count(), removed, "{notes:?}");
}

#[test]
fn a_capture_without_an_end_is_put_in_order() {
    let parent = tempfile::tempdir().unwrap();
    let limits = Limits { segment_bytes: 10_000, pack: false, ..Limits::default() };
    let (folder, sent) = recorded(parent.path(), limits, 25);
    let last = folder.join("000003.journal");
    let whole = std::fs::read(&last).unwrap();
    std::fs::write(&last, &whole[..whole.len() - 100]).unwrap();
    std::fs::write(folder.join("000004.journal"), b"STRAYKEY\x01").unwrap();
    std::fs::write(folder.join("000002.journal.gz.new"), b"part").unwrap();
    let repaired = recover(&folder).unwrap();
    assert!(!repaired.closed);
    assert_eq!(repaired.segments, 3);
    assert!(repaired.recovered.cut > 0);
    assert_eq!(repaired.remarks.len(), 2, "{:?}", repaired.remarks);
    let replayed = replay(&folder);
    assert!(sent.starts_with(&replayed.bytes));
    assert_eq!(replayed.bytes.len() as u64, repaired.captured);
    assert_eq!(recover(&folder).unwrap().remarks, Vec::<String>::new(), "once is enough");
}

#[test]
fn a_folder_that_is_no_capture_is_refused_with_a_remedy() {
    let folder = tempfile::tempdir().unwrap();
    for error in [Reader::open(folder.path()).map(|_| ()).unwrap_err(), recover(folder.path()).unwrap_err()] {
        assert_eq!(error.exit_status(), 3);
        assert!(error.to_string().contains("holds no segment"), "{error}");
    }
}

#[test]
fn room_is_what_the_system_says() {
    let folder = tempfile::tempdir().unwrap();
    let room = straykey::journal::Files::room(&straykey::journal::SystemFiles, folder.path()).unwrap();
    // GNU coreutils' df, in bytes: total and available.
    let out = shell(folder.path(), "df -B1 --output=size,avail . | tail -1");
    let said: Vec<u64> = out.split_whitespace().map(|word| word.parse().unwrap()).collect();
    let Room { free, total } = room;
    assert_eq!(total, said[0]);
    assert!(free.abs_diff(said[1]) < 2 << 30, "{free} and {}", said[1]);
}
