//! What the head of a file says.

use straykey::base::{Anchor, Kind};
use straykey::journal::{Reader, Writer};
use straykey::source::ByteSource;

use super::twin::{header, record};
use super::{ANCHOR, replay, small_journal};
use crate::support::disk::FailingDisk;

#[test]
fn the_wall_clock_survives() {
    let (file, _) = small_journal();
    let reader = Reader::new(Box::new(std::io::Cursor::new(file))).unwrap();
    assert_eq!(reader.anchor(), Some(ANCHOR));
    assert_eq!(ANCHOR, Anchor::parse("2026-03-01T12:00:00Z").unwrap());
}

#[test]
fn a_later_format_is_refused_with_its_number() {
    let mut file = header(0);
    file[8] = 2;
    let sum = super::twin::crc32c(&file[..28]);
    file[28..32].copy_from_slice(&sum.to_le_bytes());
    let error = replay(&file).unwrap_err();
    assert_eq!(error.kind(), Kind::Input);
    assert!(error.to_string().contains("format 2"), "{error}");
}

#[test]
fn what_is_no_journal_is_refused() {
    for foreign in [&b"[1.0] keyscan: line=KEY1 adc=0x085\n"[..], &[0u8; 64], &[0xff; 5], b"STRAYDOG........"]
    {
        let error = replay(foreign).unwrap_err();
        assert_eq!(error.exit_status(), 3, "{error}");
    }
}

#[test]
fn a_journal_that_was_never_finished_being_made_is_empty_not_wrong() {
    let whole = header(ANCHOR.unix_ns);
    for length in 0..whole.len() {
        let replayed = replay(&whole[..length]).unwrap();
        assert_eq!(replayed.bytes, b"");
        let recovered = replayed.recovered.unwrap();
        assert_eq!((recovered.kept, recovered.cut), (0, length as u64));
        assert_eq!(replayed.marks.len(), usize::from(length > 0));
        let (disk, _) = FailingDisk::holding(whole[..length].to_vec());
        assert_eq!(Writer::open_on(Box::new(disk), std::path::Path::new("x")).unwrap_err().exit_status(), 3);
    }
}

#[test]
fn a_missing_piece_is_told() {
    let mut file = header(ANCHOR.unix_ns);
    file.extend(record(2, 0, 0, 5, 0, b"abc"));
    file.extend(record(2, 2, 6, 9, 0, b"ghi"));
    let replayed = replay(&file).unwrap();
    assert_eq!(replayed.bytes, b"abcghi");
    assert_eq!(replayed.chunks[1], (9, 6, 3));
    assert_eq!(replayed.marks, ["the journal jumps from record 1 to record 2"]);
}
