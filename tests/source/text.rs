//! Text logs: host stamps, line ends, damage. Stamp forms are those of ISO 8601 / RFC 3339; the wall times
//! are checked against the calendar crate.

use proptest::prelude::*;
use straykey::base::{Anchor, Nanoseconds};
use straykey::source::text::{Stamp, TextLog};
use straykey::source::{ByteSource, Pulled};

use crate::support::drip::{Endless, drip};

struct Read {
    stamp: Stamp,
    anchor: Option<Anchor>,
    chunks: Vec<(Option<i64>, u64, Vec<u8>)>,
    marks: Vec<(i64, String)>,
}

fn read(bytes: &[u8], most: usize) -> Read {
    let mut log = TextLog::new(drip(bytes, most)).unwrap();
    let mut chunks = Vec::new();
    let mut marks = Vec::new();
    loop {
        match log.pull().unwrap() {
            Pulled::Chunk(chunk) => {
                assert!(!chunk.bytes.is_empty());
                let at = chunk.offset as usize;
                assert_eq!(chunk.bytes, &bytes[at..at + chunk.bytes.len()], "the offset says where");
                chunks.push((chunk.arrival.map(|t| t.0), chunk.offset, chunk.bytes.to_vec()));
            }
            Pulled::Mark(mark) => marks.push((mark.t.0, mark.what.to_string())),
            Pulled::Quiet(_) => panic!("a file is never quiet"),
            Pulled::End => break,
        }
    }
    Read { stamp: log.stamp(), anchor: log.anchor(), chunks, marks }
}

fn lines(bytes: &[u8]) -> Vec<(f64, String)> {
    let read = read(bytes, 0);
    read.chunks
        .into_iter()
        .map(|(t, _, text)| (t.unwrap() as f64 / 1e9, String::from_utf8_lossy(&text).into_owned()))
        .collect()
}

fn text(t: f64, text: &str) -> (f64, String) {
    (t, text.to_owned())
}

#[test]
fn iso_stamps_give_arrival_and_wall_time() {
    let log = b"2026-11-25T23:59:59.5+01:00 key 115 down\r\n2026-11-26T00:00:01+01:00 key 115 up\r\n";
    let read = read(log, 0);
    assert_eq!(read.stamp, Stamp::Date { zone: true });
    assert_eq!(read.chunks[0], (Some(0), 28, b"key 115 down\r\n".to_vec()));
    assert_eq!(read.chunks[1], (Some(1_500_000_000), 68, b"key 115 up\r\n".to_vec()));
    assert_eq!(read.anchor, Anchor::parse("2026-11-25T22:59:59.5Z"), "the calendar crate agrees");
}

#[test]
fn every_day_of_two_centuries_agrees_with_the_calendar_crate() {
    for day in (0..83_900i64).step_by(17) {
        let instant = jiff::Timestamp::from_second(day * 86_400 + 3_723).unwrap();
        let log = format!("{instant} text\n");
        let expected = Anchor { unix_ns: instant.as_nanosecond() as i64 };
        assert_eq!(read(log.as_bytes(), 0).anchor, Some(expected), "{instant}");
    }
}

#[test]
fn iso_stamps_are_met_in_many_dresses() {
    for (first, second) in [
        ("2026-11-25 10:00:00.250 ", "2026-11-25 10:00:01.250 "),
        ("[2026-11-25T10:00:00,250Z] ", "[2026-11-25T10:00:01,250Z] "),
        ("2026/11/25 10:00:00 - ", "2026/11/25 10:00:01 - "),
        ("20261125T100000.5Z\t", "20261125T100001.5Z\t"),
        ("20261125 10:00:00.5: ", "20261125 10:00:01.5: "),
        ("(2026-11-25_10:00:00) -> ", "(2026-11-25_10:00:01) -> "),
    ] {
        let log = format!("{first}  padded\n{second}b\n");
        assert_eq!(lines(log.as_bytes()), [text(0.0, "  padded\n"), text(1.0, "b\n")], "{first}");
    }
}

#[test]
fn impossible_dates_are_no_stamps() {
    for wrong in ["2026-02-29T00:00:00Z x\n", "2026-13-01T00:00:00Z x\n", "2026-11-25T24:00:00Z x\n"] {
        assert_eq!(read(wrong.as_bytes(), 0).stamp, Stamp::None, "{wrong}");
    }
    assert_eq!(read(b"2028-02-29T00:00:00Z x\n", 0).stamp, Stamp::Date { zone: true });
}

#[test]
fn without_zone_the_wall_time_is_not_claimed() {
    let read = read(b"2026-11-25 10:00:00 x\n", 0);
    assert_eq!((read.stamp, read.anchor), (Stamp::Date { zone: false }, None));
}

#[test]
fn clock_time_crosses_midnight() {
    let log =
        b"23:59:58.750 a\n23:59:59.000 b\n00:00:00.250 c\n12:00:00.000 d\n23:00:00.000 e\n01:00:00.000 f\n";
    assert_eq!(read(log, 0).stamp, Stamp::Clock);
    let times: Vec<f64> = lines(log).into_iter().map(|(t, _)| t).collect();
    assert_eq!(times, [0.0, 0.25, 1.5, 43_201.25, 82_801.25, 90_001.25]);
}

#[test]
fn stamps_of_a_system_log_are_taken_with_host_and_program() {
    // RFC 3164, section 4.1.2: a day below ten has a blank before it.
    let log = b"Dec 31 23:59:59 bench kernel: [    1.5] key\nDec 31 23:59:59 bench getty[71]: key\nJan  1 00:00:00.5 bench kernel: key\n";
    assert_eq!(lines(log), [text(0.0, "[    1.5] key\n"), text(0.0, "key\n"), text(1.5, "key\n")]);
    // Without host and program nothing of the set's own words is taken.
    let log = b"Feb 28 10:00:00 keyscan: line=KEY1\nFeb 29 10:00:00 keyscan: line=KEY1\n";
    assert_eq!(lines(log), [text(0.0, "keyscan: line=KEY1\n"), text(86_400.0, "keyscan: line=KEY1\n")]);
    // Neither of these is a date.
    let log = b"Feb 30 10:00:00 bench a: x\nMai  1 10:00:01 bench a: x\n";
    assert_eq!(read(log, 0).stamp, Stamp::None);
}

#[test]
fn plain_seconds_that_grow_are_the_hosts() {
    assert_eq!(
        lines(b"12.345 a\n12.400 b\n13.000 c\n"),
        [text(0.0, "a\n"), text(0.055, "b\n"), text(0.655, "c\n")]
    );
    // Voltages of a set that prints nothing but numbers do not grow from line to line.
    assert_eq!(read(b"3.297 a\n1.650 b\n3.297 c\n", 0).stamp, Stamp::None);
    assert_eq!(read(b"3.297\n3.297\n", 0).stamp, Stamp::None);
}

#[test]
fn the_sets_own_uptime_stays_in_the_line() {
    for log in [
        &b"[    1.234567] keyscan: KEY1\n[    1.334567] keyscan: KEY1\n"[..],
        b"[12.345] keyscan: KEY1\n[12.445] keyscan: KEY1\n",
    ] {
        let read = read(log, 0);
        assert_eq!((read.stamp, read.anchor), (Stamp::None, None));
        let all: Vec<u8> = read.chunks.into_iter().flat_map(|(_, _, bytes)| bytes).collect();
        assert_eq!(all, log);
    }
}

#[test]
fn a_second_stamp_makes_the_first_one_the_hosts() {
    let log = b"[100.500] [    1.234567] boot\n[100.750] [    1.334567] ready\n";
    assert_eq!(lines(log), [text(0.0, "[    1.234567] boot\n"), text(0.25, "[    1.334567] ready\n")]);
    let log = b"10:00:00 [    1.234567] boot\n10:00:01 [    1.334567] ready\n";
    assert_eq!(lines(log), [text(0.0, "[    1.234567] boot\n"), text(1.0, "[    1.334567] ready\n")]);
}

#[test]
fn a_clock_set_back_is_marked_and_time_goes_on() {
    let log = b"10:00:00 a\n10:00:05 b\n09:00:00 c\n09:00:01 d\n";
    let read = read(log, 0);
    let times: Vec<i64> = read.chunks.iter().map(|(t, _, _)| t.unwrap() / 1_000_000_000).collect();
    assert_eq!(times, [0, 5, 5, 6]);
    assert_eq!(read.marks.len(), 1);
    assert_eq!(read.marks[0].0, 5_000_000_000);
    assert!(read.marks[0].1.contains("set back by 3605 s"), "{}", read.marks[0].1);
}

#[test]
fn lines_out_of_order_by_little_are_no_clock_change() {
    let read = read(b"10:00:00.500 a\n10:00:00.400 b\n10:00:00.600 c\n", 0);
    let times: Vec<i64> = read.chunks.iter().map(|(t, _, _)| t.unwrap() / 1_000_000).collect();
    assert_eq!((times.as_slice(), read.marks.len()), (&[0, 0, 100][..], 0));
}

#[test]
fn lines_without_a_stamp_take_that_of_the_line_before() {
    let log = b"10:00:00 a\n10:00:01 b\n  wrapped\n10:00:02 c\n";
    assert_eq!(lines(log)[2], text(1.0, "  wrapped\n"));
}

#[test]
fn each_line_that_ends_in_a_form_feed_has_its_own_stamp() {
    let log = b"14:05:06.000 [1.000] osd: hide\x0c14:05:06.500 [1.500] osd: hide\x0c14:05:08.000 [3.000] osd: hide\x0c";
    let found: Vec<f64> = lines(log).into_iter().map(|(t, _)| t).collect();
    assert_eq!(found, [0.0, 0.5, 2.0]);
}

#[test]
fn line_ends_and_encodings_pass_unaltered() {
    let log = b"10:00:00 a\r\n10:00:01 b\r\r\n10:00:02 \xff\xfe\x00\x1b[31m\n10:00:03\r\n10:00:04 cut";
    let texts: Vec<Vec<u8>> = read(log, 0).chunks.into_iter().map(|(_, _, bytes)| bytes).collect();
    let expected: [&[u8]; 5] = [b"a\r\n", b"b\r\r\n", b"\xff\xfe\x00\x1b[31m\n", b"\r\n", b"cut"];
    assert_eq!(texts, expected);
}

#[test]
fn a_byte_order_mark_is_no_text() {
    assert_eq!(read(b"\xef\xbb\xbfplain\n", 0).chunks[0], (None, 3, b"plain\n".to_vec()));
    assert_eq!(read(b"\xef\xbb\xbf10:00:00 x\n", 0).chunks[0], (Some(0), 12, b"x\n".to_vec()));
}

#[test]
fn stamps_that_the_set_prints_itself_are_left() {
    let bytes = b"00:00:01 uptime of the set\n00:00:02 uptime of the set\n";
    let mut fits =
        |lines: &[u8]| lines.split(|b| *b == b'\n').filter(|line| line.starts_with(b"00:")).count() as u64;
    let mut log = TextLog::fitting(drip(bytes, 0), &mut fits).unwrap();
    match log.pull().unwrap() {
        Pulled::Chunk(chunk) => assert_eq!((chunk.arrival, chunk.bytes), (None, &bytes[..])),
        other => panic!("{other:?}"),
    }
    // Who knows nothing of the set has them taken off.
    assert_eq!(lines(bytes), [text(0.0, "uptime of the set\n"), text(1.0, "uptime of the set\n")]);
}

/// Each pair is 1.25 s apart, or 1 s where the stamp has no fraction.
#[test]
fn stamps_as_programs_and_people_write_them() {
    for (first, second, apart) in [
        ("11-25 10:00:00.500 ", "11-25 10:00:01.750 ", 1.25),
        ("Wed Nov 25 10:00:00 2026 ", "Wed Nov 25 10:00:01 2026 ", 1.0),
        ("[Wed Nov  4 10:00:00 2026] ", "[Wed Nov  4 10:00:01 2026] ", 1.0),
        ("25.11.2026 10:00:00,5 ", "25.11.2026 10:00:01,75 ", 1.25),
        ("25.11.26 10:00:00 ", "25.11.26 10:00:01 ", 1.0),
        ("26-11-25 10:00:00 ", "26-11-25 10:00:01 ", 1.0),
        ("25/11/2026 10:00:00 ", "25/11/2026 10:00:01 ", 1.0),
        ("11/25/2026 10:00:00 AM ", "11/25/2026 10:00:01 AM ", 1.0),
        ("11:59:59.500 AM ", "12:00:00.750 PM ", 1.25),
        ("12:59:59 am: ", "1:00:00 am: ", 1.0),
        ("20261125-9:59:59:500|", "20261125-10:0:0:750|", 1.25),
        ("10:00:00:500 ", "10:00:01:750 ", 1.25),
        ("1795600000.500 ", "1795600001.750 ", 1.25),
        ("1795600000500 ", "1795600001750 ", 1.25),
        ("[1795600000500000] ", "[1795600001750000] ", 1.25),
        ("500\t", "1750\t", 1.25),
        ("<6>10:00:00 ", "<14>10:00:01 ", 1.0),
    ] {
        let log = format!("{first}key a\n{second}key b\n");
        let read = lines(log.as_bytes());
        assert!(read[1].0 - apart < 1e-9 && read[1].0 - apart > -1e-9, "{first}: {read:?}");
        let rest: Vec<&str> = read.iter().map(|(_, line)| line.trim_start_matches('|')).collect();
        assert_eq!(rest, ["key a\n", "key b\n"], "{first}");
    }
    // The calendar crate agrees on where the epoch lies.
    assert_eq!(
        read(b"1795600000 a\n1795600001 b\n", 0).anchor,
        jiff::Timestamp::from_second(1_795_600_000).ok().and_then(|at| Anchor::parse(&at.to_string()))
    );
    // A priority alone tells no time, and the set's own uptime stays.
    let read = read(b"<6>[   12.345678] key a\n<6>[   12.445678] key b\n", 0);
    assert_eq!(
        (read.stamp, read.chunks[0].clone()),
        (Stamp::Priority, (None, 3, b"[   12.345678] key a\n".to_vec()))
    );
    for wrong in ["12:34:56:78:9a:bc up\n", "1.2.3 key\n", "12-345 a\n", "1/2 key\n", "13:00:00 XM\n"] {
        let stamp = self::read(wrong.as_bytes(), 0).stamp;
        assert!(matches!(stamp, Stamp::None | Stamp::Clock), "{wrong}: {stamp}");
    }
}

#[test]
fn a_gigabyte_without_line_end_comes_in_bounded_pieces() {
    for (head, stamped) in [(&b"10:00:00 "[..], true), (b"", false)] {
        let length = 1u64 << 30;
        let endless = Endless { pattern: b"no end ".to_vec(), left: length, at: 0 };
        let mut log = TextLog::new(Box::new(std::io::Read::chain(head, endless))).unwrap();
        let (mut total, mut largest) = (0u64, 0);
        while let Pulled::Chunk(chunk) = log.pull().unwrap() {
            assert_eq!(chunk.arrival, stamped.then_some(Nanoseconds::ZERO));
            total += chunk.bytes.len() as u64;
            largest = largest.max(chunk.bytes.len());
        }
        assert_eq!(total, length);
        assert!(largest <= 1 << 20, "{largest}");
    }
}

#[test]
fn an_empty_log_ends_at_once() {
    assert!(read(b"", 0).chunks.is_empty());
}

fn joined(read: &Read) -> Vec<(Option<i64>, u8)> {
    read.chunks.iter().flat_map(|(t, _, bytes)| bytes.iter().map(|byte| (*t, *byte))).collect()
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 64, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn any_delivery_gives_the_same_log(
        lines in proptest::collection::vec((0u32..86_400, "[ -~\u{e4}]{0,20}"), 0..200),
        stamped: bool,
    ) {
        let mut log = Vec::new();
        for (second, line) in &lines {
            if stamped {
                let (h, m, s) = (second / 3600, second / 60 % 60, second % 60);
                log.extend_from_slice(format!("{h:02}:{m:02}:{s:02} ").as_bytes());
            }
            log.extend_from_slice(line.as_bytes());
            log.extend_from_slice(b"\r\n");
        }
        let whole = read(&log, 0);
        for most in [1, 2, 7] {
            let other = read(&log, most);
            prop_assert_eq!(joined(&whole), joined(&other));
            prop_assert_eq!(whole.stamp, other.stamp);
            prop_assert_eq!(&whole.marks, &other.marks);
        }
    }

    #[test]
    fn no_bytes_make_it_panic_and_time_never_falls(bytes in proptest::collection::vec(any::<u8>(), 0..2000)) {
        let read = read(&bytes, 0);
        prop_assert!(read.chunks.windows(2).all(|pair| pair[0].0 <= pair[1].0));
    }

    #[test]
    fn stamps_from_anywhere_never_make_time_fall(stamps in proptest::collection::vec(0i64..4_000_000_000, 1..50)) {
        let log: String =
            stamps.iter().map(|s| format!("{} x\n", jiff::Timestamp::from_second(*s).unwrap())).collect();
        let read = read(log.as_bytes(), 0);
        prop_assert!(read.chunks.windows(2).all(|pair| pair[0].0 <= pair[1].0));
        prop_assert!(read.chunks.iter().all(|(t, _, _)| t.unwrap() >= 0));
    }
}

/// A kernel that names the processor which printed a line: alone it is the set's stamp, before another the host's.
#[test]
fn a_stamp_with_the_number_of_the_processor_is_a_stamp() {
    let own = b"[   12.3@1] key\n[   12.5@0] key\n[   13.1@1] key\n";
    assert_eq!(read(own, 0).stamp, Stamp::None);
    let both = b"[   12.3@1] [    2.3] key\n[   12.5@0] [    2.5] key\n[   13.1@1] [    3.1] key\n";
    assert_eq!(read(both, 0).stamp, Stamp::Seconds);
    let at = |(t, line): &(f64, String)| ((t * 10.0).round() as i64, line.trim_end().to_owned());
    let expected = [(0, "[    2.3] key"), (2, "[    2.5] key"), (8, "[    3.1] key")];
    assert_eq!(
        lines(both).iter().map(at).collect::<Vec<_>>(),
        expected.map(|(t, line)| (t, line.to_owned()))
    );
}
