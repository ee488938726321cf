//! Power cuts and kills within this process: many more of them than processes can be killed.

use std::path::Path;
use std::sync::Arc;
use std::time::Duration;

use straykey::base::{Anchor, Nanoseconds};
use straykey::journal::{Group, Limits, Reader, RecordKind, Recovered, WriterHandle, recover_on, seal_on};
use straykey::source::{ByteSource, Pulled};

use super::memory::Memory;
use super::random::Random;

const FOLDER: &str = "/raw/a.journal";
const WAIT: Duration = Duration::from_secs(30);

/// Records some seeded pieces; the power goes at a seeded change of the disk. Every acknowledged byte must be
/// there afterwards and none be false, at once and after it was put in order. Gives the acknowledged bytes.
pub(crate) fn cut_and_check(seed: u64) -> u64 {
    let mut random = Random(seed);
    let memory = Memory::default();
    memory.cut_power_at(random.below(160));
    let limits = Limits { segment_bytes: 2048, ..Limits::default() };
    let group = Group::start_on(Arc::new(memory.clone()), limits).expect("threads");
    let mut sent = Vec::new();
    let mut safe = 0;
    if let Ok(feed) = group.begin(Path::new(FOLDER), Anchor { unix_ns: 0 }, "{}") {
        safe = record(&feed, &mut random, &mut sent);
        drop(feed);
    }
    group.stop();
    let image =
        if seed.is_multiple_of(2) { memory.after_power_cut(&mut random) } else { memory.after_kill() };
    if safe > 0 {
        assert!(replay(&image, &sent).unbroken >= safe, "seed {seed}");
    }
    match recover_on(&image, Path::new(FOLDER)) {
        Ok(repaired) => {
            assert!(repaired.captured >= safe, "seed {seed}");
            seal_on(&image, Path::new(FOLDER)).expect("sums");
            let replayed = replay(&image, &sent);
            assert!(replayed.unbroken >= safe, "seed {seed}: {repaired:?}");
            // Sectors that were not synced come to the disk in any order: what lies behind a hole is kept, and
            // the hole is told. Without one nothing may be missing. The close record behind a hole still says
            // how much was captured, so the last bytes that can be read may end before that.
            let Recovered { holes, damaged, .. } = repaired.recovered;
            if holes == 0 {
                assert_eq!(replayed.unbroken, repaired.captured, "seed {seed}");
            } else {
                assert!(replayed.told, "seed {seed}: a hole that nobody is told of");
                let missing = repaired.captured.checked_sub(replayed.end).expect("no bytes behind the end");
                assert!(missing <= damaged, "seed {seed}: {missing} missing, {damaged} damaged");
            }
        }
        Err(error) => assert!(safe == 0, "seed {seed}: {error}"),
    }
    safe
}

fn record(feed: &WriterHandle, random: &mut Random, sent: &mut Vec<u8>) -> u64 {
    for step in 0..24 {
        let length = 1 + random.below(900);
        let bytes = random.bytes(length);
        feed.push(RecordKind::Bytes, Nanoseconds(step), step, &bytes);
        sent.extend_from_slice(&bytes);
        if random.below(2) == 0 && feed.flush(WAIT).is_err() {
            break;
        }
    }
    // After the power is gone this gives an error.
    let _ = feed.close(WAIT);
    feed.acknowledged().captured
}

/// What a reader finds.
struct Replayed {
    /// Bytes from the beginning on without a gap.
    unbroken: u64,
    /// Offset behind the last byte.
    end: u64,
    /// Whether there was a remark.
    told: bool,
}

fn replay(memory: &Memory, sent: &[u8]) -> Replayed {
    let mut reader = Reader::open_on(Arc::new(memory.clone()), Path::new(FOLDER)).expect("a capture");
    let mut found = Replayed { unbroken: 0, end: 0, told: false };
    loop {
        match reader.pull().expect("the disk is sound") {
            Pulled::Chunk(chunk) => {
                let from = chunk.offset as usize;
                assert!(chunk.bytes == &sent[from..from + chunk.bytes.len()], "false bytes");
                found.end = chunk.offset + chunk.bytes.len() as u64;
                if chunk.offset == found.unbroken {
                    found.unbroken = found.end;
                }
            }
            Pulled::Mark(_) => found.told = true,
            Pulled::End => return found,
            Pulled::Quiet(_) => {}
        }
    }
}
