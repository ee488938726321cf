//! The ledger of a live capture is the ledger of its recording, byte for byte as JSON.

use std::path::Path;

use straykey::analysis::CompareOptions;
use straykey::analysis::ledger::Builder;
use straykey::base::{Anchor, Nanoseconds, Result};
use straykey::bench::{Loaded, SoakPlan, SoakRun};
use straykey::source::{ByteSource, Chunk, Mark, Pulled, What};
use straykey::timeline::Protocols;
use straykey::timeline::job::{CaptureOptions, Hands, Job, JobInfo};
use straykey::timeline::live::{Progress, Session};

use crate::support::random::Random;

/// A set that prints a sample capture in pieces of many sizes, with pauses, an unplug and lost bytes between them.
struct Replay {
    bytes: Vec<u8>,
    at: usize,
    now: Nanoseconds,
    random: Random,
    marks: Vec<(usize, What)>,
}

impl ByteSource for Replay {
    fn pull(&mut self) -> Result<Pulled<'_>> {
        if let Some((_, what)) = self.marks.pop_if(|(at, _)| *at <= self.at) {
            self.now = self.now + Nanoseconds::from_millis(700);
            return Ok(Pulled::Mark(Mark { t: self.now, what }));
        }
        if self.at >= self.bytes.len() {
            return Ok(Pulled::End);
        }
        if self.random.below(5) == 0 {
            self.now = self.now + Nanoseconds::from_millis(500);
            return Ok(Pulled::Quiet(self.now));
        }
        let size = (1 + self.random.below(300)).min(self.bytes.len() - self.at);
        self.now = self.now + Nanoseconds::from_micros(87 * size as i64);
        let offset = self.at as u64;
        self.at += size;
        let bytes = &self.bytes[self.at - size..self.at];
        Ok(Pulled::Chunk(Chunk { arrival: Some(self.now), offset, bytes }))
    }

    fn anchor(&self) -> Option<Anchor> {
        Some(Anchor { unix_ns: 0 })
    }
}

/// `clock` tells whether the set prints how long it has been on.
fn same(capture: &str, chassis: &str, clock: bool, seed: u64) {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("captures").join(capture);
    let bytes = std::fs::read(path).unwrap();
    let folder = tempfile::tempdir().unwrap();
    let protocols = Protocols::load(None).unwrap();
    let mut job = Job::create(&folder.path().join("job"), &JobInfo::new("set").chassis(chassis)).unwrap();
    let options = CaptureOptions { hands: Hands::Off, ..CaptureOptions::default() };
    let recorder =
        job.begin_capture(&options, "simulated", &serde_json::json!({}), Anchor { unix_ns: 0 }).unwrap();
    let name = recorder.name().to_owned();
    let length = bytes.len();
    let marks = vec![
        (2 * length / 3, What::PortBack { device: "again".to_owned() }),
        (length / 2, What::PortGone),
        (length / 4, What::BytesLost { bytes: 40 }),
    ];
    let source = Replay { bytes, at: 0, now: Nanoseconds::ZERO, random: Random(seed), marks };
    let mut session = Session::new(Box::new(source), Some(recorder), &protocols, Some(chassis)).unwrap();
    let plan =
        SoakPlan { seconds: 1e6, full: true, attended: false, on_for: Some(Nanoseconds(600_000_000_000)) };
    let mut run = SoakRun::new(None, &CompareOptions::default(), plan, Builder::default(), Vec::new());
    let mut events = Vec::new();
    run.announce(&mut session, &mut events).unwrap();
    while let Progress::Going(now) = session.step(&mut run, &mut events).unwrap() {
        events.clear();
        // Looking in between changes nothing.
        run.tick(now);
    }
    let end = session.now();
    let recorder = session.finish(&mut run, &mut events).unwrap().1.unwrap();
    job.end_capture(recorder).unwrap();
    run.tick(end);
    let live = serde_json::to_string(&run.ledger()).unwrap();
    let loaded = Loaded::index(job, &protocols, false).unwrap();
    let stored = loaded.job.captures().find(|capture| capture.name == name).unwrap();
    let rebuilt = serde_json::to_string(loaded.ledger(stored)).unwrap();
    assert_eq!(live, rebuilt, "{capture}, seed {seed}");
    // Whoever soaks knows how long the set has been on; its own clock is believed before that.
    let told = loaded.ledger(stored).age == Some(Nanoseconds(600_000_000_000));
    assert_eq!(told, !clock, "{capture} read as {chassis}: {:?}", loaded.ledger(stored).age);
    assert!(live.contains("port_gone") || !live.contains("observed\":[{"), "{live}");
}

#[test]
fn live_and_rebuilt_ledgers_are_equal() {
    for seed in [1, 2, 3] {
        same("alder/plain-lf.log", "alder", true, seed);
        same("birch/plain-lf.log", "birch", true, seed);
        same("rowan/numbers.log", "rowan", false, seed);
        same("hazel/frames.bin", "hazel", true, seed);
        same("linux-input/getevent.log", "linux-input", true, seed);
        // A wrong chassis reads nothing of it.
        same("alder/plain-lf.log", "birch", false, seed);
    }
}
