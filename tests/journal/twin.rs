//! A slow, obvious reader and writer, made from the byte layout in the module's description alone, with a
//! checksum computed bit by bit.

use straykey::base::Nanoseconds;
use straykey::journal::RecordKind;

use super::{ANCHOR, lines, replay, small_journal};
use crate::support::disk::FailingDisk;

/// CRC-32C, one bit at a time: polynomial 0x1EDC6F41, reflected 0x82F63B78, start and end inverted
/// (RFC 3720, section 12.1).
pub(super) fn crc32c(bytes: &[u8]) -> u32 {
    let mut crc = !0u32;
    for byte in bytes {
        crc ^= u32::from(*byte);
        for _ in 0..8 {
            crc = if crc & 1 == 1 { (crc >> 1) ^ 0x82f6_3b78 } else { crc >> 1 };
        }
    }
    !crc
}

pub(super) fn header(anchor: i64) -> Vec<u8> {
    let mut bytes = b"STRAYKEY".to_vec();
    bytes.extend([1, 0, 0, 0, 0, 0, 0, 0]);
    bytes.extend(anchor.to_le_bytes());
    bytes.extend([0; 4]);
    let sum = crc32c(&bytes);
    bytes.extend(sum.to_le_bytes());
    bytes
}

pub(super) fn record(kind: u8, sequence: u32, offset: u64, t: i64, wall: i64, payload: &[u8]) -> Vec<u8> {
    let mut first = vec![0xa5, 0xc3, kind, 0];
    first.extend((payload.len() as u32).to_le_bytes());
    let mut rest = sequence.to_le_bytes().to_vec();
    rest.extend(offset.to_le_bytes());
    rest.extend(t.to_le_bytes());
    rest.extend(wall.to_le_bytes());
    rest.extend(payload);
    let summed: Vec<u8> = first.iter().chain(&rest).copied().collect();
    first.extend(crc32c(&summed).to_le_bytes());
    first.extend(rest);
    first
}

#[test]
fn the_twin_knows_the_published_checksums() {
    // RFC 3720, appendix B.4: 32 bytes of zeros give "aa 36 91 8a" in the order of transmission.
    assert_eq!(crc32c(&[0; 32]).to_le_bytes(), [0xaa, 0x36, 0x91, 0x8a]);
    // Same place: 32 bytes of ones, and the numbers 0 to 31.
    assert_eq!(crc32c(&[0xff; 32]).to_le_bytes(), [0x43, 0xab, 0xa8, 0x62]);
    let ascending: Vec<u8> = (0..32).collect();
    assert_eq!(crc32c(&ascending).to_le_bytes(), [0x4e, 0x79, 0xdd, 0x46]);
}

#[test]
fn the_writer_writes_what_the_twin_writes() {
    let mut expected = header(ANCHOR.unix_ns);
    let mut offset = 0;
    for (sequence, (ms, line)) in lines().into_iter().enumerate() {
        let t = ms * 1_000_000;
        expected.extend(record(2, sequence as u32, offset, t, ANCHOR.unix_ns + t, &line));
        offset += line.len() as u64;
    }
    assert_eq!(small_journal().0, expected);
}

#[test]
fn the_reader_reads_what_the_twin_writes() {
    let mut file = header(ANCHOR.unix_ns);
    file.extend(record(1, 0, 0, 0, 0, b"{\"port\":\"/dev/ttyUSB0\"}"));
    file.extend(record(2, 1, 0, 5, 0, b"abc"));
    file.extend(record(3, 2, 3, 6, 0, b"port gone"));
    file.extend(record(99, 3, 3, 7, 0, b"a kind of the future"));
    file.extend(record(6, 4, 3, 8, 0, b""));
    file.extend(record(2, 5, 3, 9, 0, b"de"));
    file.extend(record(4, 6, 5, 10, 0, b"{\"captured\":5}"));
    let replayed = replay(&file).unwrap();
    assert_eq!(replayed.bytes, b"abcde");
    assert_eq!(replayed.chunks, [(5, 0, 3), (9, 3, 2)]);
    assert_eq!(replayed.marks, ["port gone"]);
    let recovered = replayed.recovered.unwrap();
    assert_eq!((recovered.kept, recovered.cut), (file.len() as u64, 0));
}

#[test]
fn bytes_longer_than_a_record_become_several() {
    let (disk, platter) = FailingDisk::new();
    let path = std::path::Path::new("long.journal");
    let mut writer = straykey::journal::Writer::create_on(Box::new(disk), path, ANCHOR).unwrap();
    let long: Vec<u8> = (0..150_000u32).map(|i| (i % 251) as u8).collect();
    writer.append(RecordKind::Bytes, Nanoseconds(1), 0, &long).unwrap();
    writer.append(RecordKind::Bytes, Nanoseconds(2), 0, b"end").unwrap();
    writer.commit().unwrap();
    let replayed = replay(&platter.lock().unwrap().durable).unwrap();
    assert_eq!(replayed.chunks, [(1, 0, 65_536), (1, 65_536, 65_536), (1, 131_072, 18_928), (2, 150_000, 3)]);
    assert_eq!(replayed.bytes, [&long[..], b"end"].concat());
    assert_eq!(writer.acknowledged().captured, 150_003);
    let error = writer.append(RecordKind::Entry, Nanoseconds(3), 0, &long).unwrap_err();
    assert_eq!(error.exit_status(), 2);
}
