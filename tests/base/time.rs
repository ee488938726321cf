use proptest::prelude::*;
use straykey::base::{Anchor, Nanoseconds};

#[test]
fn seconds_are_read_without_a_float() {
    for (text, ns) in [
        ("0", 0),
        ("12.4", 12_400_000_000),
        ("-0.000001", -1_000),
        ("+3", 3_000_000_000),
        (".5", 500_000_000),
        ("5.", 5_000_000_000),
        ("1e-6", 1_000),
        ("1.25E2", 125_000_000_000),
        // 2^53 ns + 1: a double cannot hold it.
        ("9007199.254740993", 9_007_199_254_740_993),
        ("0.0000000019", 1),
        ("0.12345678901234567890123", 123_456_789),
    ] {
        assert_eq!(Nanoseconds::parse_seconds(text.as_bytes()), Some(Nanoseconds(ns)), "{text}");
    }
}

#[test]
fn what_is_no_number_is_refused() {
    for text in
        ["", ".", "-", "1.2.3", "abc", "1,5", "1e", "1e999", "99999999999999999999", "nan", "inf", "0x12"]
    {
        assert_eq!(Nanoseconds::parse_seconds(text.as_bytes()), None, "{text}");
    }
}

#[test]
fn other_units_and_decimal_commas_are_read() {
    assert_eq!(Nanoseconds::parse_scaled(b"1,5", 6, b','), Some(Nanoseconds(1_500_000)));
    assert_eq!(Nanoseconds::parse_scaled(b"2.5", 3, b'.'), Some(Nanoseconds(2_500)));
    assert_eq!(Nanoseconds::parse_scaled(b"7", 0, b'.'), Some(Nanoseconds(7)));
}

#[test]
fn anchor_gives_rfc_3339_and_reads_it_back() {
    // RFC 3339, section 5.8, first example: 1985-04-12T23:20:50.52Z.
    let anchor = Anchor::parse("1985-04-12T23:20:50.52Z").unwrap();
    assert_eq!(anchor.unix_ns, 482_196_050_520_000_000);
    assert_eq!(anchor.wall(Nanoseconds::SECOND).unwrap(), "1985-04-12T23:20:51.52Z");
    // Same section, second example: an offset of -08:00 is the same instant in UTC.
    let pacific = Anchor::parse("1996-12-19T16:39:57-08:00").unwrap();
    assert_eq!(pacific.wall(Nanoseconds::ZERO).unwrap(), "1996-12-20T00:39:57Z");
}

proptest! {
    #[test]
    fn shown_seconds_are_read_back_exactly(ns in any::<i64>().prop_filter("its magnitude must fit", |n| *n != i64::MIN)) {
        let text = Nanoseconds(ns).to_string();
        prop_assert_eq!(Nanoseconds::parse_seconds(text.as_bytes()), Some(Nanoseconds(ns)));
    }

    #[test]
    fn no_bytes_make_the_reader_fail(bytes in proptest::collection::vec(any::<u8>(), 0..40), places in 0u8..12) {
        let _ = Nanoseconds::parse_scaled(&bytes, places, b'.');
    }
}
