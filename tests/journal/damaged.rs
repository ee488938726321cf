//! Torn tails and flipped bits, each one that a small journal can have.

use std::path::Path;

use straykey::base::Nanoseconds;
use straykey::journal::{HEADER_BYTES, RecordKind, Writer};

use super::{ANCHOR, lines, replay, small_journal};
use crate::support::disk::FailingDisk;
use crate::support::random::Random;

/// The captured bytes of the first `n` records.
fn captured(n: usize) -> Vec<u8> {
    lines().into_iter().take(n).flat_map(|(_, line)| line).collect()
}

#[test]
fn torn_tail_is_cut_and_reported_at_every_byte() {
    let (file, records) = small_journal();
    for length in HEADER_BYTES..=file.len() {
        let whole = records.iter().filter(|record| record.end <= length).count();
        let kept = if whole == 0 { HEADER_BYTES } else { records[whole - 1].end };
        let replayed = replay(&file[..length]).unwrap();
        assert_eq!(replayed.bytes, captured(whole), "cut at {length}");
        let recovered = replayed.recovered.unwrap();
        assert_eq!((recovered.kept, recovered.cut), (kept as u64, (length - kept) as u64));
        assert_eq!(replayed.marks.len(), usize::from(length > kept), "{:?}", replayed.marks);

        // Opened to go on: the tail is gone, the numbers go on, and all is one sound journal again.
        let (disk, platter) = FailingDisk::holding(file[..length].to_vec());
        let (mut writer, again) = Writer::open_on(Box::new(disk), Path::new("torn.journal")).unwrap();
        assert_eq!(again, recovered);
        writer.append(RecordKind::Bytes, Nanoseconds::SECOND, 0, b"after").unwrap();
        writer.commit().unwrap();
        let mended = replay(&platter.lock().unwrap().durable).unwrap();
        assert_eq!(mended.bytes, [captured(whole), b"after".to_vec()].concat());
        assert_eq!(mended.chunks.last().unwrap().1, captured(whole).len() as u64);
        assert_eq!(mended.marks, Vec::<String>::new());
    }
}

#[test]
fn a_tail_of_zeros_or_noise_is_cut() {
    let (file, _) = small_journal();
    let mut random = Random(1);
    for tail in [vec![0u8; 5000], random.bytes(5000), vec![0xa5; 300], [0xa5, 0xc3].repeat(200_000)] {
        let replayed = replay(&[file.clone(), tail.clone()].concat()).unwrap();
        assert_eq!(replayed.bytes, captured(8));
        let recovered = replayed.recovered.unwrap();
        assert_eq!((recovered.kept, recovered.cut), (file.len() as u64, tail.len() as u64));
    }
}

#[test]
fn every_flipped_bit_costs_one_record_and_is_reported() {
    let (file, records) = small_journal();
    for bit in HEADER_BYTES * 8..file.len() * 8 {
        let mut damaged = file.clone();
        damaged[bit / 8] ^= 1 << (bit % 8);
        let hit = records.iter().position(|record| record.contains(&(bit / 8))).unwrap();
        let replayed = replay(&damaged).unwrap();
        let expected: Vec<u8> = lines()
            .into_iter()
            .enumerate()
            .filter(|(i, _)| *i != hit)
            .flat_map(|(_, (_, line))| line)
            .collect();
        assert_eq!(replayed.bytes, expected, "bit {bit}");
        assert_eq!(replayed.marks.len(), 1, "bit {bit}: {:?}", replayed.marks);
        let recovered = replayed.recovered.unwrap();
        let size = records[hit].len() as u64;
        if hit + 1 == records.len() {
            assert_eq!((recovered.cut, recovered.holes), (size, 0));
        } else {
            assert_eq!((recovered.cut, recovered.holes, recovered.damaged), (0, 1, size));
        }
        // Offsets of what is left are those of the capture, not of what could be read.
        for (chunk, i) in replayed.chunks.iter().zip((0..records.len()).filter(|i| *i != hit)) {
            assert_eq!(chunk.1, captured(i).len() as u64);
        }
    }
}

#[test]
fn a_flipped_bit_in_the_head_costs_no_record() {
    let (file, _) = small_journal();
    for bit in 0..HEADER_BYTES * 8 {
        let mut damaged = file.clone();
        damaged[bit / 8] ^= 1 << (bit % 8);
        let reader = straykey::journal::Reader::new(Box::new(std::io::Cursor::new(damaged))).unwrap();
        let replayed = super::replay_reader(reader).unwrap();
        assert_eq!(replayed.bytes, captured(8), "bit {bit}");
        assert_eq!(replayed.marks, ["the head of the journal is damaged"], "bit {bit}");
    }
}

#[test]
fn the_wall_clock_comes_from_the_records_when_the_head_is_damaged() {
    use straykey::source::ByteSource;
    let (mut file, _) = small_journal();
    file[16] ^= 1;
    let mut reader = straykey::journal::Reader::new(Box::new(std::io::Cursor::new(file))).unwrap();
    reader.next_record().unwrap();
    assert_eq!(reader.anchor(), Some(ANCHOR));
}

#[test]
fn damage_before_the_tail_is_left_in_place_when_opened_to_go_on() {
    let (mut file, records) = small_journal();
    file[records[2].start + 50] ^= 0x10;
    let (disk, platter) = FailingDisk::holding(file.clone());
    let (mut writer, recovered) = Writer::open_on(Box::new(disk), Path::new("hole.journal")).unwrap();
    assert_eq!((recovered.holes, recovered.cut), (1, 0));
    writer.append(RecordKind::Bytes, Nanoseconds::SECOND, 0, b"after").unwrap();
    writer.commit().unwrap();
    assert!(platter.lock().unwrap().durable.starts_with(&file));
}
