//! A process that records on three ports under load until it is killed, and the check of what it leaves.

use std::collections::BTreeMap;
use std::io::{BufRead, BufReader, Write};
use std::path::{Path, PathBuf};
use std::process::{Child, Command};
use std::time::{Duration, Instant};

use straykey::base::{Anchor, Nanoseconds};
use straykey::journal::{Group, Limits, Reader, RecordKind, WriterHandle, recover, seal, verify};
use straykey::source::{ByteSource, Pulled, What};

use super::random::Random;

/// Environment variable that tells the child its folder; another gives its seed.
pub(crate) const FOLDER: &str = "STRAYKEY_CRASH_FOLDER";
pub(crate) const SEED: &str = "STRAYKEY_CRASH_SEED";

const ANCHOR: Anchor = Anchor { unix_ns: 1_772_366_400_000_000_000 };

/// The stream of a capture: every byte follows from the capture's name and its offset.
fn stream(name: u64, offset: u64, length: usize) -> Vec<u8> {
    let first = offset / 8;
    let words = (length as u64 + offset % 8).div_ceil(8);
    let bytes: Vec<u8> =
        (first..first + words).flat_map(|word| Random((name << 40) | word).next().to_le_bytes()).collect();
    bytes[(offset % 8) as usize..][..length].to_vec()
}

/// The child: records for ever. Prints `NAME OFFSET` when everything of a capture up to there is acknowledged.
pub(crate) fn child() {
    let folder = PathBuf::from(std::env::var_os(FOLDER).expect("a folder"));
    let mut random = Random(std::env::var(SEED).expect("a seed").parse().expect("a number"));
    let limits = Limits { segment_bytes: 48 << 10, buffer_bytes: 1 << 20, ..Limits::default() };
    let group = Group::start(limits).expect("threads");
    let mut out = std::io::stdout();
    let mut next = 0u64;
    let mut begin = || {
        next += 1;
        (next, group.begin(&folder.join(next.to_string()), ANCHOR, "{}").expect("a capture"))
    };
    let mut ports: Vec<(u64, WriterHandle)> = (0..3).map(|_| begin()).collect();
    for step in 0i64.. {
        let port = random.below(ports.len());
        if random.below(600) == 0 {
            let (name, feed) = std::mem::replace(&mut ports[port], begin());
            let done = feed.close(Duration::from_secs(30)).expect("it closes");
            let _ = writeln!(out, "{name} {}", done.captured);
        }
        let (name, feed) = &ports[port];
        while feed.waiting() > 512 << 10 {
            std::thread::yield_now();
        }
        let length = 1 + random.below(4000);
        let bytes = stream(*name, feed.offset(), length);
        assert!(
            feed.push(RecordKind::Bytes, Nanoseconds(step), step, &bytes),
            "no byte is lost under this load"
        );
        if random.below(20) == 0 {
            feed.flush(Duration::from_secs(30)).expect("it is written");
        }
        let mut lines = String::new();
        for (name, feed) in &ports {
            lines.push_str(&format!("{name} {}\n", feed.acknowledged().captured));
        }
        let _ = out.write_all(lines.as_bytes()).and_then(|()| out.flush());
    }
}

/// What a run has shown.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Shown {
    pub(crate) kills: usize,
    pub(crate) captures: usize,
    /// Bytes that were acknowledged, all of them found.
    pub(crate) acknowledged: u64,
    /// Bytes behind them that were found too.
    pub(crate) gifts: u64,
    pub(crate) segments: u64,
    pub(crate) packed: u64,
    /// Bytes of torn tails.
    pub(crate) cut: u64,
    /// Kills that left something to tidy.
    pub(crate) untidy: usize,
    /// Longest recovery of one capture.
    pub(crate) slowest: Duration,
}

/// Starts a child, kills it `run` after it has acknowledged `work` bytes, and checks every capture that it has left.
/// `command` starts the child with its output piped. Work is counted in bytes, as a loaded machine may need long for them.
pub(crate) fn kill_and_check(
    command: &mut Command,
    folder: &Path,
    seed: u64,
    work: u64,
    run: Duration,
    shown: &mut Shown,
) {
    let mut child =
        command.env(FOLDER, folder).env(SEED, seed.to_string()).spawn().expect("the child starts");
    let acknowledged = listen(&mut child, work, run);
    shown.kills += 1;
    for entry in std::fs::read_dir(folder).expect("its folder") {
        let path = entry.expect("an entry").path();
        let name: u64 =
            path.file_name().and_then(|name| name.to_str()).expect("a name").parse().expect("a number");
        let safe = acknowledged.get(&name).copied();
        check(&path, name, safe, shown);
    }
    for name in acknowledged.keys() {
        assert!(folder.join(name.to_string()).exists(), "capture {name} was acknowledged and is not there");
    }
}

/// Reads what the child acknowledges until it is dead.
fn listen(child: &mut Child, work: u64, run: Duration) -> BTreeMap<u64, u64> {
    let mut output = BufReader::new(child.stdout.take().expect("a pipe"));
    let (reached, worked) = std::sync::mpsc::channel();
    let reader = std::thread::spawn(move || {
        let mut seen = BTreeMap::new();
        let mut line = Vec::new();
        while output.read_until(b'\n', &mut line).is_ok_and(|n| n > 0) {
            // A line without its end was cut off by the kill.
            let text = String::from_utf8_lossy(&line).into_owned();
            if let Some((name, offset)) = text.strip_suffix('\n').and_then(|text| text.split_once(' '))
                && let (Ok(name), Ok(offset)) = (name.parse::<u64>(), offset.parse::<u64>())
            {
                let best = seen.entry(name).or_insert(0);
                *best = offset.max(*best);
                if seen.values().sum::<u64>() >= work {
                    let _ = reached.send(());
                }
            }
            line.clear();
        }
        seen
    });
    if work > 0 {
        worked.recv_timeout(Duration::from_secs(120)).expect("the child works");
    }
    std::thread::sleep(run);
    child.kill().expect("the child is killed, not ended by itself");
    let status = child.wait().expect("it is dead");
    assert!(status.code().is_none(), "the child ended by itself: {status}");
    reader.join().expect("its words")
}

/// Every byte is right, and every acknowledged one is there: as the kill left it, and once it is in order.
fn check(path: &Path, name: u64, safe: Option<u64>, shown: &mut Shown) {
    let whole = safe.map(|safe| {
        let found = replay(path, name);
        assert!(found >= safe, "{found} bytes of {safe} acknowledged in {}", path.display());
        found
    });
    let started = Instant::now();
    let repaired = match recover(path) {
        Ok(repaired) => repaired,
        // Killed before it was begun: it was never acknowledged.
        Err(error) if safe.is_none_or(|safe| safe == 0) => {
            assert_eq!(error.exit_status(), 3, "{error}");
            return;
        }
        Err(error) => panic!("{error}"),
    };
    shown.slowest = shown.slowest.max(started.elapsed());
    let found = replay(path, name);
    assert!(whole.is_none_or(|whole| whole == found));
    assert_eq!(repaired.captured, found);
    let sealed = seal(path).expect("sums");
    assert_eq!(verify(path, &sealed.sha256).expect("verified"), Vec::<String>::new());
    shown.captures += 1;
    shown.acknowledged += safe.unwrap_or(0);
    shown.gifts += found - safe.unwrap_or(0);
    shown.segments += u64::from(repaired.segments);
    shown.cut += repaired.recovered.cut;
    shown.untidy += usize::from(!repaired.remarks.is_empty());
    for entry in std::fs::read_dir(path).expect("its folder") {
        let name = entry.expect("an entry").file_name().to_string_lossy().into_owned();
        assert!(!name.ends_with(".new"), "{name} is left over");
        shown.packed += u64::from(name.ends_with(".gz"));
    }
}

/// Reads a capture and compares every byte; gives how many there are.
fn replay(path: &Path, name: u64) -> u64 {
    let mut reader = Reader::open(path).unwrap_or_else(|error| panic!("{error}"));
    let mut at = 0;
    loop {
        match reader.pull().unwrap_or_else(|error| panic!("{error}")) {
            Pulled::Chunk(chunk) => {
                assert_eq!(chunk.offset, at, "a gap in {}", path.display());
                assert!(chunk.bytes == stream(name, at, chunk.bytes.len()), "false bytes at {at}");
                at += chunk.bytes.len() as u64;
            }
            Pulled::Mark(mark) => assert!(matches!(mark.what, What::Damaged { .. }), "{}", mark.what),
            Pulled::Quiet(_) => {}
            Pulled::End => return at,
        }
    }
}
