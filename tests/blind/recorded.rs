//! Recordings that say themselves what is missing in them.

use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use serde_json::Value;
use straykey::base::{Anchor, Nanoseconds};
use straykey::journal::{Group, Limits};
use straykey::source::{Chunk, DiskTrouble, Mark, Pulled, What};
use straykey::timeline::job::{CaptureOptions, CaptureWriter, Hands, Job};

use super::{alder, believed_repaired, not_gone, reasons, says};

/// What a set that was not repaired prints from one moment to another, as its recording takes it.
fn records(writer: &mut CaptureWriter, from_ms: u64, to_ms: u64, strays: bool) {
    for ms in (from_ms..to_ms).step_by(50) {
        let line = alder(1000 + ms, 1050 + ms, strays);
        let arrival = Some(Nanoseconds::from_millis(ms as i64));
        writer.take(&Pulled::Chunk(Chunk { arrival, offset: 0, bytes: line.as_bytes() })).unwrap();
    }
}

/// A recording in the last stage of a job, by the recorder of the daemon.
fn recorded(job: &Path, limits: Limits, record: impl FnOnce(&mut CaptureWriter)) {
    let group = Group::start(limits).unwrap();
    let mut open = Job::open(job).unwrap();
    let options = CaptureOptions { hands: Hands::Off, ..CaptureOptions::default() };
    let anchor = Anchor { unix_ns: 1_790_000_000_000_000_000 };
    let origin = serde_json::json!({});
    let mut writer = open.begin_capture_in(&group, &options, "simulated", &origin, anchor).unwrap();
    record(&mut writer);
    open.end_capture(writer).unwrap();
    group.stop();
}

fn job(folder: &Path, limits: Limits, record: impl FnOnce(&mut CaptureWriter)) -> (PathBuf, Value) {
    let job = believed_repaired(folder);
    recorded(&job, limits, record);
    let own = not_gone(&job);
    (job, own)
}

fn observed(path: &Value) -> f64 {
    path["observed_s"].as_f64().unwrap()
}

/// The disk was full for two minutes: the recording says how much it did not take, and from when to when.
#[test]
fn what_a_full_disk_did_not_take() {
    let folder = tempfile::tempdir().unwrap();
    let seconds = |s: i64| Nanoseconds(s * 1_000_000_000);
    let (job, own) = job(folder.path(), Limits::default(), |writer| {
        records(writer, 0, 900, false);
        let what = What::NotRecorded {
            bytes: 10_485_760,
            pieces: 3,
            from: 900_000_000,
            to: seconds(121).0,
            why: DiskTrouble::Full,
        };
        writer.take(&Pulled::Mark(Mark { t: seconds(121), what })).unwrap();
        records(writer, 121_000, 121_300, false);
    });
    assert!((0.9..1.3).contains(&observed(&own)), "{own}");
    assert_eq!(reasons(&own), ["not_recorded"], "{own}");
    assert_eq!(own["blind"][0]["bytes"], 10_485_760, "{own}");
    assert!(own["span_s"].as_f64().unwrap() > 121.0, "{own}");
    says(&job, "from 0.85 s on the disk did not take 10485760 bytes");
}

/// The computer slept for two minutes while it recorded; the quiet on both sides is all that was seen.
#[test]
fn what_came_while_the_computer_slept() {
    let folder = tempfile::tempdir().unwrap();
    let (job, own) = job(folder.path(), Limits::default(), |writer| {
        records(writer, 0, 900, false);
        let t = Nanoseconds::from_millis(121_000);
        let what = What::Slept { ns: 120_150_000_000, counted: true };
        writer.take(&Pulled::Mark(Mark { t, what })).unwrap();
        records(writer, 121_000, 121_300, false);
    });
    assert!((0.9..1.4).contains(&observed(&own)), "{own}");
    assert_eq!(reasons(&own), ["slept"], "{own}");
    assert!(own["span_s"].as_f64().unwrap() > 121.0, "{own}");
    says(&job, "the computer slept");
}

/// Half an hour of strays was recorded, and its oldest segments were removed to make room: what is left is a second of quiet.
#[test]
fn a_piece_that_was_removed_to_keep_the_limit() {
    let folder = tempfile::tempdir().unwrap();
    let limits = Limits { segment_bytes: 20_000, pack: false, keep_bytes: Some(30_000), ..Limits::default() };
    let (job, own) = job(folder.path(), limits, |writer| {
        let segments = writer.path().to_owned();
        for minute in 0..3 {
            for second in 60 * minute..60 * (minute + 1) {
                records(writer, second * 1000, second * 1000 + 1000, true);
                writer.commit().unwrap();
            }
        }
        // The recorder removes beside the recording.
        let used = || -> u64 {
            let files = std::fs::read_dir(&segments).unwrap();
            files.filter_map(|file| file.unwrap().metadata().ok()).map(|metadata| metadata.len()).sum()
        };
        let (until, mut ms) = (Instant::now() + Duration::from_secs(20), 180_000);
        while used() > 60_000 {
            assert!(Instant::now() < until, "nothing is removed: {} bytes", used());
            std::thread::sleep(Duration::from_millis(20));
            records(writer, ms, ms + 50, true);
            writer.commit().unwrap();
            ms += 50;
        }
    });
    let removed = &own["blind"][0];
    assert_eq!(removed["reason"], "removed", "{own}");
    assert!(removed["from_s"] == 0.0 && removed["to_s"].as_f64().unwrap() > 60.0, "{own}");
    let (span, seen) = (own["span_s"].as_f64().unwrap(), observed(&own));
    assert!(seen < span - 60.0, "{own}");
    says(&job, "on a piece of the recording is missing");
}

/// The same where nothing but quiet is left behind the hole.
#[test]
fn a_removed_piece_with_quiet_behind_it() {
    let folder = tempfile::tempdir().unwrap();
    let limits = Limits { segment_bytes: 20_000, pack: false, ..Limits::default() };
    let repaired = believed_repaired(folder.path());
    let mut segments = PathBuf::new();
    recorded(&repaired, limits, |writer| {
        segments = writer.path().to_owned();
        records(writer, 0, 600, false);
        for second in 1..120 {
            records(writer, second * 1000 - 400, second * 1000 + 600, true);
            writer.commit().unwrap();
        }
        records(writer, 119_600, 120_000, true);
        records(writer, 120_000, 120_600, false);
    });
    let mut names: Vec<PathBuf> =
        std::fs::read_dir(&segments).unwrap().map(|file| file.unwrap().path()).collect();
    names.retain(|path| path.extension().is_some_and(|ending| ending == "journal"));
    names.sort();
    assert!(names.len() > 4, "{names:?}");
    for name in &names[1..names.len() - 1] {
        std::fs::remove_file(name).unwrap();
    }
    let own = not_gone(&repaired);
    let removed = own["blind"].as_array().unwrap().iter().find(|blind| blind["reason"] == "removed");
    let removed = removed.unwrap_or_else(|| panic!("{own}"));
    let hole = removed["to_s"].as_f64().unwrap() - removed["from_s"].as_f64().unwrap();
    assert!(hole > 60.0, "{own}");
    let total = observed(&own) + hole;
    assert!((total - own["span_s"].as_f64().unwrap()).abs() < 0.2, "{own}");
    says(&repaired, "on a piece of the recording is missing");
}
