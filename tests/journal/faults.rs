//! Every call to the system that a journal makes goes wrong in turn, in five ways; and power cuts at every one
//! of them. What must hold is written down from the promise: every acknowledged byte is there, none is false.

use std::collections::BTreeSet;
use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use sha2::{Digest, Sha256};
use straykey::base::Nanoseconds;
use straykey::journal::{
    Files, Group, Limits, Reader, RecordKind, RecordingState, WriterHandle, recover_on, seal_on,
};
use straykey::source::{ByteSource, Pulled};

use super::ANCHOR;
use crate::support::memory::{CALLS, Fault, Memory};
use crate::support::random::Random;

const FOLDER: &str = "/job/raw/0001-live.journal";
const WAIT: Duration = Duration::from_secs(20);

fn limits() -> Limits {
    Limits { segment_bytes: 4096, ..Limits::default() }
}

/// What the port sent, how far it was acknowledged, and whether the capture was closed without an error.
struct Sent {
    bytes: Vec<u8>,
    acknowledged: u64,
    closed: bool,
    /// Flushes that gave an error.
    refused: usize,
}

fn push(feed: &WriterHandle, sent: &mut Sent, bytes: &[u8], step: i64) {
    let t = Nanoseconds::from_millis(step * 20);
    assert!(feed.push(RecordKind::Bytes, t, ANCHOR.unix_ns + t.0, bytes), "the buffer is large enough");
    sent.bytes.extend_from_slice(bytes);
    // A fault that happens once is over at the second attempt.
    for _ in 0..2 {
        match feed.flush(WAIT) {
            Ok(done) => {
                assert_eq!(done.captured, sent.bytes.len() as u64, "a flush covers everything pushed");
                break;
            }
            Err(error) => {
                assert_eq!(error.exit_status(), 4);
                assert!(matches!(feed.state(), RecordingState::Stopped { .. }), "{:?}", feed.state());
                sent.refused += 1;
            }
        }
    }
    sent.acknowledged = feed.acknowledged().captured;
}

/// Records some 30 KB in 8 segments, packs them, closes.
fn record(memory: &Memory, limits: Limits) -> Sent {
    let mut sent = Sent { bytes: Vec::new(), acknowledged: 0, closed: false, refused: 0 };
    let mut random = Random(17);
    let group = Group::start_on(Arc::new(memory.clone()), limits).unwrap();
    let Ok(feed) = group.begin(Path::new(FOLDER), ANCHOR, r#"{"port":"test"}"#) else {
        group.stop();
        return sent;
    };
    for step in 0..42 {
        let length = 1 + random.below(1500);
        let bytes = random.bytes(length);
        push(&feed, &mut sent, &bytes, step);
    }
    sent.closed = feed.close(WAIT).is_ok();
    sent.acknowledged = feed.acknowledged().captured;
    group.stop();
    sent
}

/// Replays a folder and compares; gives how many bytes are there without a gap from the beginning.
fn holds(memory: &Memory, sent: &Sent) -> u64 {
    let mut reader = Reader::open_on(Arc::new(memory.clone()), Path::new(FOLDER)).unwrap();
    let mut at = 0u64;
    loop {
        match reader.pull().unwrap() {
            Pulled::Chunk(chunk) => {
                let from = chunk.offset as usize;
                assert_eq!(chunk.bytes, &sent.bytes[from..from + chunk.bytes.len()], "a false byte");
                if chunk.offset == at {
                    at += chunk.bytes.len() as u64;
                }
            }
            Pulled::Mark(_) | Pulled::Quiet(_) => {}
            Pulled::End => break,
        }
    }
    assert!(at >= sent.acknowledged, "{at} bytes of {} acknowledged", sent.acknowledged);
    at
}

/// Puts the folder in order, sums it, and compares the sums with SHA-256 of what can be read.
fn mends(memory: &Memory, sent: &Sent) {
    let folder = Path::new(FOLDER);
    let repaired = recover_on(memory, folder).unwrap();
    assert!(repaired.captured >= sent.acknowledged);
    let sealed = seal_on(memory, folder).unwrap();
    let text = memory.file(&folder.join("SHA256SUMS")).unwrap();
    assert_eq!(sealed.sha256, hex(&Sha256::digest(&text)));
    let text = String::from_utf8(text).unwrap();
    let mut bytes = 0;
    let mut named = BTreeSet::new();
    for line in text.lines() {
        let (sum, name) = line.split_once("  ").unwrap();
        let content = content(memory, name);
        bytes += content.len() as u64;
        assert_eq!(sum, hex(&Sha256::digest(&content)), "{name}");
        named.insert(name.to_owned());
    }
    assert_eq!(bytes, sealed.bytes);
    // Nothing is left over, and nothing twice.
    for path in memory.paths() {
        let name = path.file_name().unwrap().to_str().unwrap().trim_end_matches(".gz").to_owned();
        assert!(name == "SHA256SUMS" || named.contains(&name), "{name} is left over");
    }
    holds(memory, sent);
}

/// A segment, unpacked when it is packed, by the library's other decoder.
fn content(memory: &Memory, name: &str) -> Vec<u8> {
    if let Some(plain) = memory.file(&Path::new(FOLDER).join(name)) {
        return plain;
    }
    let packed = memory.file(&Path::new(FOLDER).join(format!("{name}.gz"))).unwrap();
    let mut decoder = flate2::write::GzDecoder::new(Vec::new());
    std::io::Write::write_all(&mut decoder, &packed).unwrap();
    decoder.finish().unwrap()
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}

#[test]
fn a_sound_disk_takes_everything() {
    let memory = Memory::default();
    let sent = record(&memory, limits());
    assert!(sent.closed);
    assert_eq!(sent.refused, 0);
    assert_eq!(holds(&memory, &sent), sent.bytes.len() as u64);
    mends(&memory, &sent);
    let mut calls = memory.lock().calls.clone();
    let memory = Memory::default();
    let sent = record(&memory, Limits { pack: false, ..limits() });
    mends(&memory, &sent);
    calls.extend(memory.lock().calls.clone());
    // Every kind of call is made somewhere in a recording and its repair, so that each can go wrong below.
    for call in CALLS.iter().filter(|call| **call != "cut") {
        assert!(calls.get(call).is_some_and(|count| *count > 0), "{call} is never made: {calls:?}");
    }
}

/// Up to 14 places among `count`, the first four and the last among them.
fn places(count: usize) -> BTreeSet<usize> {
    (0..count.min(4))
        .chain((0..10).map(|i| i * count.saturating_sub(1) / 9))
        .filter(|at| *at < count)
        .collect()
}

#[test]
fn whichever_call_goes_wrong_nothing_acknowledged_is_lost_and_recording_goes_on() {
    let sound = Memory::default();
    record(&sound, limits());
    let calls = sound.lock().calls.clone();
    let mut runs = 0;
    for (call, count) in calls {
        for at in places(count) {
            for fault in [Fault::Error, Fault::Full, Fault::Short, Fault::Slow, Fault::Forever] {
                let memory = Memory::default();
                memory.fail(call, at, fault);
                let sent = record(&memory, limits());
                memory.mend();
                runs += 1;
                if memory.paths().is_empty() {
                    assert_eq!(sent.acknowledged, 0);
                    continue;
                }
                if sent.bytes.is_empty() {
                    // The capture was never begun; it holds nothing, and that is told.
                    continue;
                }
                if fault != Fault::Forever {
                    // Once only: after it the recording goes on, and all of it is there.
                    assert_eq!(sent.acknowledged, sent.bytes.len() as u64, "{call} {at} {fault:?}");
                    assert_eq!(holds(&memory, &sent), sent.bytes.len() as u64, "{call} {at} {fault:?}");
                }
                holds(&memory, &sent);
                mends(&memory.after_kill(), &sent);
            }
        }
    }
    assert!(runs > 300, "{runs}");
}

#[test]
fn a_power_cut_at_any_change_keeps_everything_acknowledged() {
    let sound = Memory::default();
    record(&sound, limits());
    let changes = sound.lock().changes;
    let mut random = Random(23);
    assert!(changes > 100, "{changes}");
    for cut in 0..changes {
        let memory = Memory::default();
        memory.cut_power_at(cut);
        let sent = record(&memory, limits());
        if sent.bytes.is_empty() {
            continue;
        }
        for _ in 0..4 {
            mends(&memory.after_power_cut(&mut random), &sent);
        }
    }
}

#[test]
fn whichever_call_fails_while_a_capture_is_put_in_order_a_second_attempt_does_it() {
    // As a kill leaves it: a torn tail, an unfinished packing, two copies of a segment, no sums of the last.
    let memory = Memory::default();
    let sent = record(&memory, Limits { pack: false, ..limits() });
    let folder = Path::new(FOLDER);
    let names: Vec<String> =
        memory.paths().iter().map(|path| path.file_name().unwrap().to_str().unwrap().to_owned()).collect();
    assert!(names.len() > 6, "{names:?}");
    let image = || {
        let copy = memory.after_kill();
        let sums = String::from_utf8(copy.file(&folder.join("SHA256SUMS")).unwrap()).unwrap();
        let fewer: Vec<&str> = sums.lines().take(3).collect();
        copy.remove(&folder.join("SHA256SUMS")).unwrap();
        copy.put(&folder.join("SHA256SUMS"), (fewer.join("\n") + "\n00ff").as_bytes());
        copy.put(&folder.join("000002.journal.gz.new"), b"\x1f\x8bpart");
        copy.put(&folder.join("000003.journal.gz"), b"\x1f\x8bbroken");
        let last = Path::new(names.iter().filter(|name| name.ends_with(".journal")).max().unwrap());
        let torn = copy.file(&folder.join(last)).unwrap();
        copy.remove(&folder.join(last)).unwrap();
        copy.put(&folder.join(last), &torn[..torn.len() - 5]);
        // What was acknowledged is still whole: the five bytes belong to the close record.
        copy.lock().calls.clear();
        copy
    };
    let sound = image();
    mends(&sound, &sent);
    let calls = sound.lock().calls.clone();
    for (call, count) in calls {
        for at in places(count) {
            for fault in [Fault::Error, Fault::Full, Fault::Short] {
                let memory = image();
                memory.fail(call, at, fault);
                let done = recover_on(&memory, folder).and_then(|_| seal_on(&memory, folder));
                if fault != Fault::Short && call != "open" {
                    let reached = memory.lock().calls.get(call).is_some_and(|made| *made > at);
                    assert!(done.is_err() || !reached, "{call} {at} {fault:?}");
                }
                memory.mend();
                mends(&memory, &sent);
            }
        }
    }
}

#[test]
fn a_thousand_outages_at_seeded_moments() {
    // `cargo run --release --example crash -- 0 20000` does more.
    let safe: u64 = (0..1000).map(crate::support::outage::cut_and_check).sum();
    assert!(safe > 1_000_000, "the outages fell into the work: {safe}");
}
