//! `getevent` and `evtest` lines against the key codes of the kernel's own header.

use std::sync::Arc;

use straykey::base::{Event, EventKind, Key};
use straykey::decode::chassis::Chassis;
use straykey::decode::library::Library;
use straykey::decode::text::TextDecoder;

/// Linux uapi header, as every C compiler brings it.
const HEADER: &str = "/usr/include/linux/input-event-codes.h";

/// `(name, code)` of the header's keys, without aliases.
fn header_keys() -> Vec<(String, u16)> {
    let text = std::fs::read_to_string(HEADER).unwrap_or_else(|e| {
        panic!("{HEADER}: {e}; install the kernel headers (they come with a C compiler: linux-libc-dev)")
    });
    let mut keys = Vec::new();
    for line in text.lines() {
        let mut words = line.split_whitespace();
        if words.next() != Some("#define") {
            continue;
        }
        let (Some(name), Some(value)) = (words.next(), words.next()) else { continue };
        let code = match value.strip_prefix("0x") {
            Some(hex) => u16::from_str_radix(hex, 16),
            None => value.parse(),
        };
        if let (true, Ok(code)) = (name.starts_with("KEY_"), code) {
            keys.push((name.to_owned(), code));
        }
    }
    keys.retain(|(name, _)| !matches!(name.as_str(), "KEY_MAX" | "KEY_CNT" | "KEY_MIN_INTERESTING"));
    keys
}

fn decode(text: &str) -> Vec<Event> {
    let library = Library::shipped().unwrap();
    let mut decoder = TextDecoder::new(Arc::clone(&library.chassis("linux-input").unwrap()), "c".into());
    let mut out = Vec::new();
    decoder.push(None, 0, text.as_bytes(), &mut out);
    decoder.finish(&mut out);
    out
}

#[test]
fn every_key_of_the_kernel_header_is_read_from_all_tools_alike() {
    let keys = header_keys();
    assert!(keys.len() > 400, "only {} keys in {HEADER}", keys.len());
    let mut text = String::new();
    for (name, code) in &keys {
        text += &format!("[{:8}.{:06}] {:<12} {:<20} {:<20}\n", 100, 5, "EV_KEY", name, "DOWN");
        text += &format!("/dev/input/event1: {:04x} {:04x} {:08x}\n", 1, code, 0);
        text += &format!("Event: time 100.000005, type 1 (EV_KEY), code {code} ({name}), value 2\n");
        text += &format!("[  100.000005] rc rc0: keyup key 0x{code:04x}\n");
        text += &format!("[  100.000005] input input3: key {code} down\n");
    }
    let events = decode(&text);
    assert_eq!(events.len(), 5 * keys.len());
    let kinds =
        [EventKind::Press, EventKind::Release, EventKind::Repeat, EventKind::Release, EventKind::Press];
    for ((name, code), five) in keys.iter().zip(events.chunks(5)) {
        for (event, kind) in five.iter().zip(kinds) {
            // A newer header may know keys that ours does not; those must not become another key.
            match Key::from_code(*code) {
                Some(_) => assert_eq!(event.key.map(Key::code), Some(*code), "{name}"),
                None => assert_eq!(event.key, None, "{name}"),
            }
            assert_eq!(event.kind, kind, "{name}");
        }
    }
}

#[test]
fn scan_codes_of_evtest_are_not_taken_for_keys() {
    // evtest 1.35 prints MSC_SCAN values in hexadecimal without 0x: "value 73" is not key 73.
    let events = decode("Event: time 5.0, type 4 (EV_MSC), code 4 (MSC_SCAN), value 73\n");
    assert!(events.is_empty(), "{events:?}");
}

#[test]
fn dropped_events_are_a_fault() {
    let text = "[   1.000000] EV_SYN       SYN_DROPPED          00000000            \n\
                Event: time 2.000000, >>>>>>>>>>>>>> SYN_DROPPED <<<<<<<<<<<<\n0000 0003 00000000\n";
    let kinds: Vec<_> = decode(text).iter().map(|e| e.kind).collect();
    assert_eq!(kinds, [EventKind::Fault; 3]);
}

/// Numbers and names of a vendor's own stand in `[keys]`, beside those of Linux.
#[test]
fn a_vendors_own_keys_are_declared() {
    let shipped = std::fs::read_to_string("protocols/chassis/linux-input.toml").unwrap();
    let own = shipped.replace("[clock]", "[keys]\n765 = \"KEY_SETUP\"\n\"0x2fe\" = \"KEY_SOUND\"\nKEY_SOURCE_WHEEL = \"KEY_VIDEO_NEXT\"\n\n[clock]");
    let chassis = Chassis::parse(std::path::Path::new("linux-input.toml"), &own).unwrap();
    let mut decoder = TextDecoder::new(std::sync::Arc::new(chassis), "c".into());
    let mut out = Vec::new();
    let text = b"input input3: key 765 down\ninput input3: key 115 down\n0001 02fe 00000001\n\
                 EV_KEY       KEY_SOURCE_WHEEL     DOWN\nEV_KEY       KEY_MENU             DOWN\n";
    decoder.push(None, 0, text, &mut out);
    let keys: Vec<_> =
        out.iter().filter(|e| e.kind == EventKind::Press).map(|e| e.key.unwrap().name()).collect();
    assert_eq!(keys, ["KEY_SETUP", "KEY_VOLUMEUP", "KEY_SOUND", "KEY_VIDEO_NEXT", "KEY_MENU"]);
}
