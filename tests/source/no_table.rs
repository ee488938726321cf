//! What is no table of samples: refused with where and why.

use straykey::base::{Error, Kind};
use straykey::source::csv::{CsvOptions, CsvSource};

use crate::support::drip::drip;

/// The layout is found when the source is made.
fn error(bytes: &[u8]) -> Error {
    CsvSource::new(drip(bytes, 0), CsvOptions::default()).err().unwrap()
}

#[test]
fn foreign_text_is_refused_with_what_was_expected() {
    for text in [
        &b"hello world\nno table here\n"[..],
        b"",
        b"\n\n\n",
        b"\x00\x01\x02\xff\xfe,,,\n",
        b"Time [s],CH0\n",
    ] {
        let error = error(text);
        assert_eq!(error.kind(), Kind::Input);
        assert!(error.help_text().is_some(), "{error}");
    }
}

#[test]
fn a_cell_that_is_no_number_is_named_with_its_line() {
    for (text, cell, help) in [
        ("Time,CH0\n2026-11-26T10:00:00.5,1\n", "2026-11-26T10:00:00.5", "as seconds"),
        ("Time [s],bus\n\n0.1,0x1F\n", "0x1F", "each bit"),
        ("Time [s];CH0\n0.1;up\n", "up", "0.000125,1,0"),
    ] {
        let error = error(text.as_bytes());
        assert!(error.what().contains(cell), "{error}");
        assert!(error.help_text().unwrap().contains(help), "{error}");
        let line = 1 + text.lines().position(|line| line.contains(cell)).unwrap() as u64;
        assert_eq!(error.place().line, Some(line), "{error}");
    }
}
