//! Records, recovery, failing disks.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::print_stdout)]

mod damaged;
mod failing;
mod faults;
mod full;
mod hostile;
mod killed;
mod layout;
mod old;
mod removed;
mod segments;
mod slow;
mod twin;

use std::io::Cursor;
use std::path::Path;

use straykey::base::Nanoseconds;
use straykey::journal::{Reader, RecordKind, Writer};

use crate::support::disk::FailingDisk;
pub(crate) use crate::support::replay::{ANCHOR, Replayed, replay_reader};

pub(crate) fn replay(file: &[u8]) -> Result<Replayed, straykey::base::Error> {
    replay_reader(Reader::new(Box::new(Cursor::new(file.to_vec())))?)
}

/// The lines of a small capture: arrival in ms and bytes.
pub(crate) fn lines() -> Vec<(i64, Vec<u8>)> {
    (0..8)
        .map(|i| (i * 125, format!("[{i}.500] keyscan: line=KEY1 adc=0x{:03x}\r\n", i * 37).into_bytes()))
        .collect()
}

/// The journal of [`lines`], and where its records begin and end.
pub(crate) fn small_journal() -> (Vec<u8>, Vec<std::ops::Range<usize>>) {
    let (disk, platter) = FailingDisk::new();
    let mut writer = Writer::create_on(Box::new(disk), Path::new("small.journal"), ANCHOR).unwrap();
    let mut records = Vec::new();
    let mut end = platter.lock().unwrap().cached.len();
    for (ms, line) in lines() {
        let t = Nanoseconds::from_millis(ms);
        writer.append(RecordKind::Bytes, t, ANCHOR.unix_ns + t.0, &line).unwrap();
        writer.commit().unwrap();
        let now = platter.lock().unwrap().cached.len();
        records.push(end..now);
        end = now;
    }
    let file = platter.lock().unwrap().durable.clone();
    (file, records)
}
