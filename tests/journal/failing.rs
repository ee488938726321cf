//! Disks that fail at the first, second, … operation, and power cuts at every sync.

use std::path::Path;
use std::sync::{Arc, Mutex};

use straykey::base::{Error, Nanoseconds};
use straykey::journal::{Acknowledged, COMMIT_BYTES, RecordKind, Writer};

use super::{ANCHOR, replay};
use crate::support::disk::{FailingDisk, Platter};
use crate::support::random::Random;

const PATH: &str = "failing.journal";

/// Writes a journal with commits of different kinds; gives what was acknowledged, and the error if one came.
fn write(disk: FailingDisk, seed: u64) -> (Acknowledged, Vec<u8>, Option<Error>) {
    let mut random = Random(seed);
    let mut sent = Vec::new();
    let mut writer = match Writer::create_on(Box::new(disk), Path::new(PATH), ANCHOR) {
        Ok(writer) => writer,
        Err(error) => return (Acknowledged::default(), sent, Some(error)),
    };
    for step in 0..40 {
        let t = Nanoseconds::from_millis(step * 20);
        let length = if step % 13 == 12 { COMMIT_BYTES } else { random.below(3000) };
        let bytes = random.bytes(length);
        sent.extend_from_slice(&bytes);
        let done = writer
            .append(RecordKind::Bytes, t, ANCHOR.unix_ns + t.0, &bytes)
            .and_then(|()| writer.commit_if_due(t).map(|_| ()));
        if let Err(error) = done {
            let before = writer.acknowledged();
            refuses_from_now_on(&mut writer);
            assert_eq!(writer.acknowledged(), before);
            return (before, sent, Some(error));
        }
    }
    match writer.commit() {
        Ok(()) => (writer.acknowledged(), sent, None),
        Err(error) => (writer.acknowledged(), sent, Some(error)),
    }
}

fn refuses_from_now_on(writer: &mut Writer) {
    let error = writer.append(RecordKind::Bytes, Nanoseconds(1), 0, b"x").unwrap_err();
    assert_eq!(error.exit_status(), 4);
    assert!(error.to_string().contains("an earlier write failed"), "{error}");
    assert_eq!(writer.commit().unwrap_err().exit_status(), 4);
}

/// Everything acknowledged is there, in order, and what is there beyond it is a beginning of the rest.
fn holds(image: &[u8], acknowledged: &Acknowledged, sent: &[u8]) {
    let replayed = replay(image).unwrap();
    assert!(image.len() as u64 >= acknowledged.file);
    let kept = acknowledged.captured as usize;
    assert!(replayed.bytes.len() >= kept, "{} of {kept}", replayed.bytes.len());
    assert_eq!(replayed.bytes[..kept], sent[..kept]);
    // Records behind a hole are a gift; each stands at its own offset.
    let mut at = 0;
    for (_, offset, length) in &replayed.chunks {
        let from = *offset as usize;
        assert_eq!(replayed.bytes[at..at + length], sent[from..from + length]);
        at += length;
    }
}

fn open_again(image: Vec<u8>, acknowledged: &Acknowledged, sent: &[u8]) {
    let (disk, platter) = FailingDisk::holding(image);
    let (mut writer, recovered) = Writer::open_on(Box::new(disk), Path::new(PATH)).unwrap();
    assert!(recovered.kept >= acknowledged.file);
    writer.append(RecordKind::Bytes, Nanoseconds(9_000_000_000), 0, b"and on").unwrap();
    writer.commit().unwrap();
    let after = platter.lock().unwrap().durable.clone();
    let replayed = replay(&after).unwrap();
    assert!(replayed.bytes.ends_with(b"and on"));
    assert_eq!(replayed.bytes[..acknowledged.captured as usize], sent[..acknowledged.captured as usize]);
    assert_eq!(replayed.recovered.unwrap().cut, 0);
}

fn operations() -> (usize, usize) {
    let (disk, platter) = FailingDisk::new();
    let (acknowledged, sent, error) = write(disk, 7);
    assert!(error.is_none());
    assert_eq!(acknowledged.captured, sent.len() as u64);
    let platter = platter.lock().unwrap();
    holds(&platter.durable, &acknowledged, &sent);
    (platter.operations, platter.syncs)
}

#[test]
fn whichever_operation_fails_nothing_acknowledged_is_lost() {
    let (count, _) = operations();
    assert!(count > 20, "{count}");
    for failing in 0..count {
        for once in [true, false] {
            for leave in [0, 1, 39, 4096, usize::MAX] {
                let (disk, platter) = FailingDisk::new();
                {
                    let mut platter = platter.lock().unwrap();
                    platter.leave = leave;
                    if once {
                        platter.fail_once = Some(failing);
                    } else {
                        platter.fail_from = Some(failing);
                    }
                }
                let (acknowledged, sent, error) = write(disk, 7);
                let error = error.expect("the failure is told");
                assert_eq!(error.exit_status(), 4, "{error}");
                let image = platter.lock().unwrap().cached.clone();
                if failing >= 2 {
                    holds(&image, &acknowledged, &sent);
                    open_again(image, &acknowledged, &sent);
                }
            }
        }
    }
}

#[test]
fn a_power_cut_at_any_sync_keeps_everything_acknowledged() {
    let (_, syncs) = operations();
    let mut random = Random(11);
    for cut in 1..syncs {
        let (disk, platter) = FailingDisk::new();
        platter.lock().unwrap().cut_at_sync = Some(cut);
        let (acknowledged, sent, error) = write(disk, 7);
        assert!(error.is_some());
        for _ in 0..20 {
            let image = power_cut(&platter, &mut random);
            holds(&image, &acknowledged, &sent);
            open_again(image, &acknowledged, &sent);
        }
    }
}

fn power_cut(platter: &Arc<Mutex<Platter>>, random: &mut Random) -> Vec<u8> {
    platter.lock().unwrap().after_power_cut(random)
}

#[test]
fn a_disk_that_fails_while_the_tail_is_cut_leaves_the_journal_as_it_was() {
    let (file, _) = super::small_journal();
    let torn = file[..file.len() - 7].to_vec();
    for failing in 0..2 {
        let (disk, platter) = FailingDisk::holding(torn.clone());
        platter.lock().unwrap().fail_from = Some(failing);
        assert_eq!(Writer::open_on(Box::new(disk), Path::new(PATH)).unwrap_err().exit_status(), 4);
        let durable = platter.lock().unwrap().durable.clone();
        assert_eq!(durable, torn);
    }
}

#[test]
fn a_commit_is_due_after_fifty_milliseconds_or_256_kib() {
    let (disk, platter) = FailingDisk::new();
    let mut writer = Writer::create_on(Box::new(disk), Path::new(PATH), ANCHOR).unwrap();
    let at = Nanoseconds::from_millis;
    writer.append(RecordKind::Bytes, at(100), 0, b"abc").unwrap();
    assert!(!writer.commit_if_due(at(149)).unwrap());
    assert_eq!(writer.acknowledged().captured, 0);
    assert!(writer.commit_if_due(at(150)).unwrap());
    assert_eq!(writer.acknowledged().captured, 3);
    assert!(!writer.commit_if_due(at(900)).unwrap());
    let syncs = platter.lock().unwrap().syncs;
    // Nothing waits longer than 256 KiB, whatever the time.
    for _ in 0..8 {
        writer.append(RecordKind::Bytes, at(901), 0, &[7; 32 << 10]).unwrap();
    }
    assert_eq!(platter.lock().unwrap().syncs, syncs + 1);
}

#[test]
fn a_closed_capture_takes_nothing_more() {
    let (disk, platter) = FailingDisk::new();
    let mut writer = Writer::create_on(Box::new(disk), Path::new(PATH), ANCHOR).unwrap();
    writer.append(RecordKind::Close, Nanoseconds(5), 0, b"{}").unwrap();
    writer.commit().unwrap();
    assert_eq!(writer.append(RecordKind::Bytes, Nanoseconds(6), 0, b"x").unwrap_err().exit_status(), 2);
    let (disk, _) = FailingDisk::holding(platter.lock().unwrap().durable.clone());
    let (mut again, _) = Writer::open_on(Box::new(disk), Path::new(PATH)).unwrap();
    assert!(again.is_closed());
    assert_eq!(again.append(RecordKind::Bytes, Nanoseconds(6), 0, b"x").unwrap_err().exit_status(), 2);
}
