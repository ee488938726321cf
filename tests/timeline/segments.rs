//! Captures in segments inside a job: recorded by a disk thread, closed, decoded, put in order after a crash.

use std::path::Path;
use std::process::Command;

use straykey::base::{Anchor, Event, Nanoseconds};
use straykey::journal::{Group, Limits, RecordingState};
use straykey::source::{Chunk, Pulled};
use straykey::timeline::job::{CaptureWriter, Job, JobInfo, PackOptions, unpack};
use straykey::timeline::{Options, Protocols, decode_path};

use super::hands_off;

const ANCHOR: Anchor = Anchor { unix_ns: 1_772_366_400_000_000_000 };

fn limits() -> Limits {
    Limits { segment_bytes: 20_000, ..Limits::default() }
}

/// Lines as alder prints them, with the key line low now and then.
fn line(number: i64) -> String {
    let counts = if number % 50 < 3 { 0x085 } else { 0x3ff };
    format!("[{:.3}] keyscan: line=KEY1 adc=0x{counts:03x}\r\n", number as f64 * 0.04)
}

fn take(writer: &mut CaptureWriter, lines: std::ops::Range<i64>, offset: &mut u64) {
    for number in lines {
        let text = line(number);
        let arrival = Some(Nanoseconds::from_millis(number * 40));
        writer.take(&Pulled::Chunk(Chunk { arrival, offset: *offset, bytes: text.as_bytes() })).unwrap();
        *offset += text.len() as u64;
        if number % 100 == 0 {
            writer.commit().unwrap();
        }
    }
}

fn events(path: &Path) -> Vec<Event> {
    let mut events = Vec::new();
    let options = Options { chassis: Some("alder".to_owned()), ..Options::default() };
    decode_path(path, &Protocols::load(None).unwrap(), &options, &mut |mut event| {
        event.capture = None;
        events.push(event);
        Ok(())
    })
    .unwrap();
    events
}

fn job(folder: &Path) -> Job {
    Job::create(&folder.join("job"), &JobInfo::new("set")).unwrap()
}

#[test]
fn a_capture_in_segments_decodes_as_the_same_bytes_in_one_file() {
    let folder = tempfile::tempdir().unwrap();
    let mut job = job(folder.path());
    let group = Group::start(limits()).unwrap();
    let origin = serde_json::json!({ "path": "/dev/ttyUSB0" });
    let mut segmented = job.begin_capture_in(&group, &hands_off(), "port", &origin, ANCHOR).unwrap();
    let mut plain = job.begin_capture(&hands_off(), "port", &origin, ANCHOR).unwrap();
    take(&mut segmented, 0..2000, &mut 0);
    take(&mut plain, 0..2000, &mut 0);
    assert_eq!(segmented.recording_state(), RecordingState::Recording);
    let segmented = job.end_capture(segmented).unwrap();
    let plain = job.end_capture(plain).unwrap();
    assert!(segmented.path.is_dir() && plain.path.is_file());
    assert_eq!(segmented.span, plain.span);
    let expected = events(&plain.path);
    // Forty presses of three readings: a change, a press, a change, a release at least.
    assert!(expected.len() >= 160, "{}", expected.len());
    assert_eq!(events(&segmented.path), expected);
    assert_eq!(job.verify().unwrap(), Vec::<String>::new());
    job.close().unwrap();
    // The job's sums as the general tool checks them, packed or not.
    let checked = Command::new("sha256sum")
        .args(["--check", "--quiet", "SHA256SUMS"])
        .current_dir(job.folder())
        .output()
        .unwrap();
    assert!(checked.status.success(), "{}", String::from_utf8_lossy(&checked.stdout));
    group.stop();
    // In a pack it is one journal, which says the same; the sum of the segments stands beside its own.
    let pack = folder.path().join("job.pack.tar.gz");
    job.pack(&pack, &PackOptions { keep_private: true }).unwrap();
    let opened = unpack(&pack, &folder.path().join("elsewhere")).unwrap();
    assert_eq!(opened.verify().unwrap(), Vec::<String>::new());
    let copies: Vec<_> = opened.captures().collect();
    assert!(copies.iter().all(|copy| copy.path.is_file()));
    assert_eq!(copies[0].span, segmented.span);
    for copy in copies {
        assert_eq!(events(&copy.path), expected, "{}", copy.name);
    }
    // Somebody alters a segment afterwards.
    let victim = std::fs::read_dir(&segmented.path)
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .find(|path| path.file_name().unwrap().to_string_lossy().starts_with("000002"))
        .unwrap();
    std::fs::write(&victim, b"other").unwrap();
    let wrong = job.verify().unwrap();
    assert!(wrong.len() == 1 && wrong[0].contains("000002.journal was altered"), "{wrong:?}");
}

#[test]
fn a_job_closes_a_capture_in_segments_that_a_crash_has_left_open() {
    let folder = tempfile::tempdir().unwrap();
    let mut made = job(folder.path());
    let group = Group::start(limits()).unwrap();
    let mut writer =
        made.begin_capture_in(&group, &hands_off(), "port", &serde_json::Value::Null, ANCHOR).unwrap();
    take(&mut writer, 0..1001, &mut 0);
    let (path, acknowledged) = (writer.path().to_owned(), writer.acknowledged());
    drop(writer);
    drop(made);
    group.stop();
    // The last bytes of the newest segment are torn off.
    let newest = std::fs::read_dir(&path)
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.extension().is_some_and(|ending| ending == "journal"))
        .max()
        .unwrap();
    let bytes = std::fs::read(&newest).unwrap();
    std::fs::write(&newest, &bytes[..bytes.len() - 9]).unwrap();
    let job = Job::open(&folder.path().join("job")).unwrap();
    let capture = job.captures().next().unwrap();
    assert!(capture.is_closed());
    assert!(job.remarks().iter().any(|what| what.contains("cut short")), "{:?}", job.remarks());
    assert!(job.remarks().iter().any(|what| what.contains("torn tail")), "{:?}", job.remarks());
    assert!(capture.bytes.unwrap() > acknowledged.captured);
    assert_eq!(job.verify().unwrap(), Vec::<String>::new());
    // Twenty presses and releases; only the last line was torn.
    assert!(events(&path).iter().filter(|event| event.key.is_some()).count() >= 40);
}
