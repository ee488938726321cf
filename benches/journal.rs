//! The journal's speed, and as a reference beside it the same bytes through plain files.
//!
//! `cargo bench --bench journal`

#![allow(clippy::unwrap_used)]

use std::fs::File;
use std::io::{Read, Write};

use divan::Bencher;
use divan::counter::BytesCount;
use straykey::base::{Anchor, Nanoseconds};
use straykey::journal::{Reader, RecordKind, Writer};
use straykey::source::{ByteSource, Pulled};

/// Bytes of one capture.
const TOTAL: usize = 64 << 20;

fn main() {
    divan::main();
}

fn write_journal(path: &std::path::Path, lump: usize) {
    let bytes = vec![b'x'; lump];
    let mut writer = Writer::create(path, Anchor { unix_ns: 0 }).unwrap();
    for i in 0..TOTAL / lump {
        writer.append(RecordKind::Bytes, Nanoseconds(i as i64), 0, &bytes).unwrap();
    }
    writer.commit().unwrap();
}

/// Appends and commits in groups of 256 KiB, lumps as a port delivers them.
#[divan::bench(args = [64, 4096, 65536], sample_count = 5)]
fn append_and_commit(bencher: Bencher, lump: usize) {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.journal");
    bencher.counter(BytesCount::new(TOTAL)).bench_local(|| {
        let _ = std::fs::remove_file(&path);
        write_journal(&path, lump);
    });
}

/// The reference: the same groups into a plain file, each synced.
#[divan::bench(sample_count = 5)]
fn plain_file_write_and_sync(bencher: Bencher) {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("plain");
    let bytes = vec![b'x'; 256 << 10];
    bencher.counter(BytesCount::new(TOTAL)).bench_local(|| {
        let mut file = File::create(&path).unwrap();
        for _ in 0..TOTAL / bytes.len() {
            file.write_all(&bytes).unwrap();
            file.sync_data().unwrap();
        }
    });
}

/// One line of 40 bytes at a time, each acknowledged by itself: the cost of a sync.
#[divan::bench(sample_count = 200)]
fn one_line_acknowledged(bencher: Bencher) {
    let folder = tempfile::tempdir().unwrap();
    let mut writer = Writer::create(&folder.path().join("a.journal"), Anchor { unix_ns: 0 }).unwrap();
    let mut t = 0;
    bencher.bench_local(|| {
        t += 1;
        writer.append(RecordKind::Bytes, Nanoseconds(t), 0, &[b'x'; 40]).unwrap();
        writer.commit().unwrap();
    });
}

/// Replay from the page cache.
#[divan::bench(args = [64, 4096, 65536], sample_count = 5)]
fn replay(bencher: Bencher, lump: usize) {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.journal");
    write_journal(&path, lump);
    bencher.counter(BytesCount::new(TOTAL)).bench_local(|| {
        let mut reader = Reader::open(&path).unwrap();
        let mut bytes = 0;
        loop {
            match reader.pull().unwrap() {
                Pulled::Chunk(chunk) => bytes += chunk.bytes.len(),
                Pulled::End => break,
                _ => {}
            }
        }
        assert_eq!(bytes, TOTAL);
    });
}

/// The reference: a plain file read in pieces of 256 KiB.
#[divan::bench(sample_count = 5)]
fn plain_file_read(bencher: Bencher) {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("plain");
    std::fs::write(&path, vec![b'x'; TOTAL]).unwrap();
    let mut piece = vec![0; 256 << 10];
    bencher.counter(BytesCount::new(TOTAL)).bench_local(|| {
        let mut file = File::open(&path).unwrap();
        let mut bytes = 0;
        loop {
            match file.read(&mut piece).unwrap() {
                0 => break,
                n => bytes += n,
            }
        }
        assert_eq!(bytes, TOTAL);
    });
}
