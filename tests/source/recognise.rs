//! The kind of a file comes from its content. The signatures are those of the formats: gzip's first three
//! bytes from RFC 1952 section 2.3.1, VCD's keywords from IEEE 1364-2005 clause 18.2.

use std::io::{Read, Write};

use flate2::{Compression, write::GzEncoder};
use straykey::base::Kind;
use straykey::source::{FileKind, open, recognise, text_remark};

use crate::support::drip::drip;

#[test]
fn signatures_decide_first() {
    assert_eq!(recognise(b""), FileKind::Empty);
    assert_eq!(recognise(b"STRAYKEY\x01\x00"), FileKind::Journal);
    assert_eq!(recognise(b"\x1f\x8b\x08\x00rest"), FileKind::Gzip);
    assert_eq!(recognise(b"\n  $date today $end"), FileKind::Vcd);
    assert_eq!(recognise(b"\xef\xbb\xbf$version x $end"), FileKind::Vcd);
    assert_eq!(recognise(b"$dated prices, not a dump\n"), FileKind::Text);
}

#[test]
fn tables_are_recognised_in_their_many_shapes() {
    let tables: [&[u8]; 9] = [
        b"Time [s],CH0,CH1\r\n0.000000000,1,1\r\n0.001000000,0,1\r\n",
        b"Time(ms);A;B\n0,5;1;0\n1,0;0;0\n",
        b"time_us\tKEY1 (V)\n0\t3.29\n10\t1.70\n",
        b"; made by hand\n# sample rate: 1 MHz\nSample,CH0\n0,1\n1,1\n2,0\n",
        b"0.000,1\n0.001,0\n0.002,1\n",
        b"\"Time [s]\",\"CH0\"\r\n\"0.5\",\"1\"\r\n\"0.6\",\"0\"\r\n",
        b"Time [s],CH0\n-0.000001,H\n2.5E-6,L\n",
        b"x-axis,1\nsecond,Volt\n-1.0E-3,3.3\n-0.5E-3,0.1\n",
        b"Time [s],CH0\r\n",
    ];
    for table in &tables[..8] {
        assert_eq!(recognise(table), FileKind::Csv, "{}", String::from_utf8_lossy(table));
    }
    // A header alone has no row that proves it.
    assert_eq!(recognise(tables[8]), FileKind::Text);
}

#[test]
fn logs_full_of_commas_stay_text() {
    let logs: [&[u8]; 8] = [
        b"keyscan, line=KEY1, adc=0x3ff\nkeyscan, line=KEY1, adc=0x1f2\n",
        b"Event: time 1700000000.123456, type 1 (EV_KEY), code 115 (KEY_VOLUMEUP), value 1\n",
        b"1023,1023\n1023,1022\n1023,1023\n",
        b"1023 512\n1022 512\n",
        b"1,1023\n2,1023\n3,498\n",
        b"[    1.234567] adc: 1,2,3\n[    2.234567] adc: 1,2,4\n",
        b"12:00:01,1023\n12:00:02,1022\n",
        b"5,0,0,-;booting\n6,1,24,-;ready\n",
    ];
    for log in logs {
        assert_eq!(recognise(log), FileKind::Text, "{}", String::from_utf8_lossy(log));
    }
}

#[test]
fn binary_garbage_is_text_with_a_remark() {
    let garbage: Vec<u8> = (0u32..4000).map(|i| (i.wrapping_mul(2_654_435_761) >> 11) as u8).collect();
    assert_eq!(recognise(&garbage), FileKind::Text);
    assert!(text_remark(&garbage).unwrap().contains("does not look like text"));
    assert_eq!(text_remark("Lautstärke −3 dB\r\n\x1b[0m".as_bytes()), None);
    assert_eq!(text_remark(b""), None);
}

#[test]
fn compression_is_taken_off_and_nothing_is_lost() {
    let plain = b"Time [s],CH0\n0.1,1\n0.2,0\n".to_vec();
    let mut packed = plain.clone();
    for layers in 0..3 {
        let (kind, mut reader, head) = open(drip(&packed, 3)).unwrap();
        let mut all = Vec::new();
        reader.read_to_end(&mut all).unwrap();
        assert_eq!((kind, &all, &head), (FileKind::Csv, &plain, &plain), "{layers} layers");
        let mut encoder = GzEncoder::new(Vec::new(), Compression::fast());
        encoder.write_all(&packed).unwrap();
        packed = encoder.finish().unwrap();
    }
    for _ in 0..4 {
        let mut encoder = GzEncoder::new(Vec::new(), Compression::fast());
        encoder.write_all(&packed).unwrap();
        packed = encoder.finish().unwrap();
    }
    assert_eq!(open(drip(&packed, 0)).err().unwrap().kind(), Kind::Input);
}

#[test]
fn damaged_compression_is_bad_input() {
    let error = open(drip(b"\x1f\x8b\x08\x00\x00\x00\x00\x00\x00\xffgarbage", 0)).err().unwrap();
    assert_eq!(error.kind(), Kind::Input);
    assert!(error.help_text().is_some());
}
