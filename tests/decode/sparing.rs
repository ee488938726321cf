//! Sets that print readings only while a key is down, and sets that say "no key" without naming one.

use std::path::Path;
use std::sync::Arc;

use straykey::base::{Event, EventKind, Nanoseconds};
use straykey::decode::chassis::Chassis;
use straykey::decode::text::TextDecoder;

const HEAD: &str = "[chassis]\nname = \"aspen\"\nversion = 1\nabout = \"a\"\nsource = \"invented\"\n\
    [text]\nprefixes = [\"[{uptime:seconds}] \"]\n";
const SILENT: &str = "[[record]]\nshape = \"scan {counts:integer}\"\nevent = \"reading\"\nline = \"KEY1\"\n\
    [[line]]\nname = \"KEY1\"\nfull_scale = 1023\nsupply_volts = 3.3\ndebounce = 2\nsilent_s = 0.2\n\
    key = [{ name = \"KEY_MENU\", counts = 300 }, { name = \"KEY_OK\", counts = 600 }]\n";
const NAMELESS: &str = "[[record]]\nshape = \"code {key:hex}\"\nevent = \"press\"\n\
    key = { \"12\" = \"KEY_MENU\", \"21\" = \"KEY_OK\" }\n[[record]]\nshape = \"code 00\"\nevent = \"release\"\n";

fn decoder(rest: &str) -> TextDecoder {
    let chassis = Chassis::parse(Path::new("aspen.toml"), &format!("{HEAD}{rest}"));
    TextDecoder::new(Arc::new(chassis.unwrap_or_else(|error| panic!("{error}"))), "aspen.log".into())
}

/// `(milliseconds, what, key, milliseconds held)` of all but readings.
fn told(events: &[Event]) -> Vec<(i64, EventKind, Option<&'static str>, Option<i64>)> {
    let ms = |t: Nanoseconds| t.0 / 1_000_000;
    let keys = events.iter().filter(|event| event.kind != EventKind::Reading);
    keys.map(|e| (ms(e.t), e.kind, e.key.map(|key| key.name()), e.held.map(ms))).collect()
}

fn decode(rest: &str, lines: &str, piece: usize) -> Vec<Event> {
    let mut decoder = decoder(rest);
    let mut events = Vec::new();
    let mut offset = 0;
    for bytes in lines.as_bytes().chunks(piece) {
        decoder.push(None, offset, bytes, &mut events);
        offset += bytes.len() as u64;
    }
    decoder.finish(&mut events);
    events
}

#[test]
fn silence_is_the_release_where_readings_come_only_while_a_key_is_down() {
    // The same key twice, one reading of another (no two in a row), and a key that is still down at the end.
    let lines = "[1.000] scan 301\n[1.050] scan 299\n[1.100] scan 300\n[3.000] scan 300\n[3.050] scan 300\n\
                 [5.000] scan 600\n[7.000] scan 600\n[7.050] scan 601\n";
    let expected = [
        (50, EventKind::Press, Some("KEY_MENU"), None),
        (300, EventKind::Release, Some("KEY_MENU"), Some(50)),
        (2050, EventKind::Press, Some("KEY_MENU"), None),
        (2250, EventKind::Release, Some("KEY_MENU"), Some(0)),
        (6050, EventKind::Press, Some("KEY_OK"), None),
    ];
    for piece in [1, 3, 4096] {
        let events = decode(SILENT, lines, piece);
        assert_eq!(told(&events), expected, "in pieces of {piece}");
        let release = events.iter().find(|event| event.kind == EventKind::Release).unwrap();
        assert!(release.note.as_deref().unwrap().contains("silence"), "{release:?}");
        assert_eq!(release.offset, None, "no line says it");
    }
}

#[test]
fn a_live_decoder_tells_the_silence_without_a_further_line() {
    let mut decoder = decoder(SILENT);
    let mut live = Vec::new();
    decoder.push(Some(Nanoseconds::ZERO), 0, b"[1.000] scan 301\n[1.050] scan 299\n", &mut live);
    decoder.tick(Nanoseconds::from_millis(300), &mut live);
    assert!(live.iter().all(|event| event.kind != EventKind::Release), "a line may still be on its way");
    decoder.tick(Nanoseconds::from_millis(600), &mut live);
    assert_eq!(live.iter().filter(|event| event.kind == EventKind::Release).count(), 1);
    decoder.tick(Nanoseconds::from_millis(900), &mut live);
    assert_eq!(live.iter().filter(|event| event.kind == EventKind::Release).count(), 1, "once");
}

#[test]
fn a_release_that_names_no_key_is_that_of_the_key_that_is_down() {
    // It is said while nothing is down too, and once not at all before the next key.
    let lines = "[1.000] code 00\n[1.200] code 12\n[1.500] code 00\n[2.000] code 00\n[3.000] code 21\n\
                 [3.400] code 12\n[3.700] code 00\n[4.000] code 7f\n[4.100] code 00\n";
    let expected = [
        (200, EventKind::Press, Some("KEY_MENU"), None),
        (500, EventKind::Release, Some("KEY_MENU"), Some(300)),
        (2000, EventKind::Press, Some("KEY_OK"), None),
        (2400, EventKind::Release, Some("KEY_OK"), Some(0)),
        (2400, EventKind::Press, Some("KEY_MENU"), None),
        (2700, EventKind::Release, Some("KEY_MENU"), Some(300)),
        (3000, EventKind::Press, None, None),
        (3100, EventKind::Release, None, Some(100)),
    ];
    assert_eq!(told(&decode(NAMELESS, lines, 4096)), expected);
}

#[test]
fn a_repeat_that_names_no_key_is_of_the_key_that_is_down() {
    let file = "[[record]]\nshape = \"code {key:hex}\"\nevent = \"press\"\npath = \"infrared\"\n\
                key = { 12 = \"KEY_MENU\", 21 = \"KEY_OK\" }\n[[record]]\nshape = \"again\"\nevent = \"repeat\"\n\
                path = \"infrared\"\n[[record]]\nshape = \"none\"\nevent = \"release\"\npath = \"infrared\"\n";
    let lines = "[1.000] again\n[1.200] code 12\n[1.700] again\n[1.800] none\n[2.000] code 21\n[2.500] code 12\n\
                 [2.600] again\n";
    let expected = [
        (200, EventKind::Press, Some("KEY_MENU"), None),
        (700, EventKind::Repeat, Some("KEY_MENU"), None),
        (800, EventKind::Release, Some("KEY_MENU"), Some(600)),
        (1000, EventKind::Press, Some("KEY_OK"), None),
        (1500, EventKind::Release, Some("KEY_OK"), Some(0)),
        (1500, EventKind::Press, Some("KEY_MENU"), None),
        (1600, EventKind::Repeat, Some("KEY_MENU"), None),
    ];
    assert_eq!(told(&decode(file, lines, 4096)), expected);
}

#[test]
fn a_path_has_a_pace_of_its_own() {
    let records = "[[record]]\nshape = \"ir {key:word}\"\nevent = \"press\"\npath = \"infrared\"\n\
                   [[record]]\nshape = \"kp {key:word} down\"\nevent = \"press\"\npath = \"keypad\"\n\
                   [[record]]\nshape = \"kp {key:word} up\"\nevent = \"release\"\npath = \"keypad\"\n\
                   [keys]\nM = \"KEY_MENU\"\n";
    let lines = "[1.000] kp M down\n[2.000] ir M\n[2.110] ir M\n[9.000] kp M up\n";
    let held = |repeat: &str| told(&decode(&format!("{records}{repeat}"), lines, 4096));
    let press = |ms| (ms, EventKind::Press, Some("KEY_MENU"), None);
    let release = |ms, held| (ms, EventKind::Release, Some("KEY_MENU"), Some(held));
    let repeat = (1110, EventKind::Repeat, Some("KEY_MENU"), None);
    let own = held("[repeat.infrared]\ndelay_s = 0.2\nperiod_s = 0.1\n");
    assert_eq!(own, [press(0), press(1000), repeat, release(1360, 110), release(8000, 8000)]);
    // The common pace is that of the keypad then, which is silent for seven seconds.
    let both =
        held("[repeat]\ndelay_s = 1.0\nperiod_s = 1.0\n[repeat.infrared]\ndelay_s = 0.2\nperiod_s = 0.1\n");
    assert_eq!(both[..4], [press(0), press(1000), repeat, release(1360, 110)]);
    assert_eq!(both[4], release(1500, 0));
    let half = format!("{HEAD}{records}[repeat]\ndelay_s = 1.0\n");
    let error = Chassis::parse(Path::new("aspen.toml"), &half).unwrap_err();
    assert!(error.to_string().contains("half of a pace"), "{error}");
}

#[test]
fn a_silence_that_cannot_be_is_refused() {
    for silence in ["0.0", "-1.0", "nan", "1e9"] {
        let text = format!("{HEAD}{}", SILENT.replace("silent_s = 0.2", &format!("silent_s = {silence}")));
        let error = Chassis::parse(Path::new("aspen.toml"), &text).unwrap_err();
        assert!(error.what().contains("silent_s") && error.help_text().is_some(), "{error}");
    }
}
