//! One event told by several lines, and numbers that stand in bits of others.

use std::path::Path;
use std::sync::Arc;

use straykey::base::{Event, EventKind, Key};
use straykey::decode::chassis::Chassis;
use straykey::decode::text::TextDecoder;

const HEAD: &str = "[chassis]\nname = \"set\"\nversion = 1\nabout = \"a\"\nsource = \"invented\"\n\
                    [text]\nprefixes = [\"{uptime:seconds} \"]\n";

fn parse(records: &str) -> Result<Chassis, String> {
    Chassis::parse(Path::new("set.toml"), &format!("{HEAD}{records}")).map_err(|error| error.to_string())
}

fn decode(records: &str, lines: &str) -> (Vec<Event>, u64) {
    let mut decoder = TextDecoder::new(Arc::new(parse(records).unwrap()), "test".into());
    let mut out = Vec::new();
    decoder.push(None, 0, lines.as_bytes(), &mut out);
    decoder.finish(&mut out);
    (out, decoder.counters().damaged)
}

const NAMED_BEFORE: &str = r#"
[[record]]
shape = "key {key:word}"
event = "part"

[[record]]
shape = "state {state:word}"
event = "key"
state = { pressed = "press", released = "release" }
"#;

fn key(name: &str) -> Option<Key> {
    Key::from_name(name)
}

#[test]
fn a_key_that_an_earlier_line_names_is_pressed_and_released() {
    let lines = "1.0 key KEY_MENU\n1.01 state pressed\n1.2 key KEY_MENU\n1.21 state released\n\
                 3.0 key KEY_OK\n3.0 state pressed\n3.4 state released\n";
    let (events, damaged) = decode(NAMED_BEFORE, lines);
    let got: Vec<_> = events.iter().map(|event| (event.kind, event.key, event.held.is_some())).collect();
    let (menu, ok) = (key("KEY_MENU"), key("KEY_OK"));
    use EventKind::{Press, Release};
    assert_eq!(got, [(Press, menu, false), (Release, menu, true), (Press, ok, false), (Release, ok, true)]);
    assert_eq!(damaged, 0);
}

#[test]
fn a_press_that_no_line_names_is_damaged_and_an_old_name_is_none() {
    for lines in [
        "1.0 state pressed\n",
        "1.0 key KEY_MENU\n2.5 state pressed\n",
        // A name is used once.
        "1.0 key KEY_MENU\n1.0 state pressed\n1.1 state released\n1.2 state pressed\n",
        // What a set printed before it restarted is gone.
        "9.9 key KEY_MENU\n0.1 state pressed\n",
    ] {
        let (events, damaged) = decode(NAMED_BEFORE, lines);
        assert_eq!(damaged, 1, "{lines} {events:#?}");
        let last = events.last().unwrap();
        assert_eq!(last.note.as_deref(), Some("no line before it names the key"), "{lines}");
    }
}

#[test]
fn two_lines_of_one_code_are_one_event() {
    let records = r#"
[[record]]
shape = "ir addr 0x{address:hex}"
event = "part"
path = "infrared"

[[record]]
shape = "ir cmd 0x{command:hex}"
event = "frame"

[[record]]
shape = "key {key:word}"
event = "press"
"#;
    let (events, _) = decode(records, "1.0 ir addr 0x04\n1.0 key KEY_OK\n1.0 ir cmd 0x1f\n2.0 ir cmd 0x20\n");
    let frames: Vec<_> = events.iter().filter(|event| event.kind == EventKind::Frame).collect();
    assert_eq!((frames[0].address, frames[0].command), (Some(4), Some(0x1f)), "{events:#?}");
    assert_eq!((frames[1].address, frames[1].command), (None, Some(0x20)));
    // The part of another path is not the key's.
    assert!(events.iter().any(|event| event.kind == EventKind::Press && event.address.is_none()));
}

#[test]
fn bits_of_a_number_are_numbers_and_name_keys() {
    let records = r#"
[[record]]
shape = "rc {_code:hex}"
event = "key"
path = "infrared"
bits = { address = { of = "_code", bit = 8, bits = 8 }, key = { of = "_code", bit = 0, bits = 7 }, state = { of = "_code", bit = 7, bits = 1 } }
key = { "0x0c" = "KEY_POWER" }
state = { "1" = "press", "0" = "release" }
"#;
    let (events, damaged) = decode(records, "1.0 rc 048c\n1.1 rc 040c\n");
    let got: Vec<_> = events.iter().map(|event| (event.kind, event.address, event.key)).collect();
    let power = key("KEY_POWER");
    assert_eq!(got, [(EventKind::Press, Some(4), power), (EventKind::Release, Some(4), power)]);
    assert_eq!(damaged, 0);
}

#[test]
fn impossible_bits_are_refused_where_they_stand() {
    for (bits, why) in [
        (r#"address = { of = "raw", bit = 60, bits = 8 }"#, "bits beyond a number"),
        (r#"address = { of = "raw", bit = 0, bits = 0 }"#, "bits beyond a number"),
        (r#"address = { of = "other", bit = 0, bits = 8 }"#, "captures no number `other`"),
        (r#"address = { of = "note", bit = 0, bits = 8 }"#, "captures no number `note`"),
        (r#"raw = { of = "raw", bit = 0, bits = 8 }"#, "stands in the shape too"),
        (r#"adress = { of = "raw", bit = 0, bits = 8 }"#, "did you mean `address`"),
    ] {
        let records = format!(
            "[[record]]\nshape = \"rc {{raw:hex}} {{note:word}}\"\nevent = \"frame\"\nbits = {{ {bits} }}\n"
        );
        let error = parse(&records).unwrap_err();
        assert!(error.contains(why) && error.contains("set.toml:"), "{error}");
    }
    let error = parse("[[record]]\nshape = \"down\"\nevent = \"press\"\n").unwrap_err();
    assert!(error.contains("cannot give a press"), "{error}");
}
