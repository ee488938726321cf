//! Press, repeat and release. Periods are those of `reference` documents named in the format files; the time
//! after which a set concludes a release is invented by every set (the Linux kernel's rc-main.c took 250 ms,
//! later a period per protocol), so that only its meaning is tested.

use straykey::base::{Event, EventKind, Key, Nanoseconds};
use straykey::decode::infrared::{Code, encode, encode_press, encode_repeat};

use super::{decode, shipped};

fn lengths(parts: &[(&[Nanoseconds], i64)]) -> Vec<Nanoseconds> {
    let mut lengths = Vec::new();
    for (frame, gap_ms) in parts {
        lengths.extend_from_slice(frame);
        lengths.push(Nanoseconds::from_millis(*gap_ms));
    }
    lengths
}

fn kinds(events: &[Event]) -> Vec<EventKind> {
    events.iter().map(|event| event.kind).collect()
}

fn note(event: &Event) -> &str {
    event.note.as_deref().unwrap_or_default()
}

const VOLUME_UP: Code = Code { address: 4, command: 2, toggle: false };

#[test]
fn a_held_key_is_press_repeats_and_release_with_the_time_it_was_held() {
    let formats = shipped();
    let nec = formats.find("nec").unwrap();
    let events = decode(&formats, &encode_press(nec, VOLUME_UP, 3).unwrap());
    use EventKind::{Press, Release, Repeat};
    assert_eq!(kinds(&events), [Press, Repeat, Repeat, Repeat, Release]);
    assert!(events.iter().all(|event| event.key == Key::from_name("KEY_VOLUMEUP")), "{events:#?}");
    // Three periods of 110 ms and the repeat frame of 9000 + 2250 + 562.5 µs.
    assert_eq!(events[4].held, Some(Nanoseconds(3 * 110_000_000 + 11_812_500)));
    assert_eq!(events[0].t, Nanoseconds::SECOND);
    assert_eq!(events[0].raw.as_deref(), Some("20df40bf"));
    assert_eq!(events[0].decoder.as_deref(), Some("nec@1"));
}

#[test]
fn a_key_that_is_down_at_the_end_is_released_and_said_so() {
    let formats = shipped();
    let nec = formats.find("nec").unwrap();
    let mut decoder = straykey::decode::infrared::Decoder::new(formats.clone(), "test".into());
    let mut events = Vec::new();
    let frame = encode(nec, VOLUME_UP).unwrap();
    let pulses = straykey::decode::infrared::pulses(Nanoseconds::SECOND, &frame);
    let end = pulses.last().map(|pulse| pulse.t + pulse.length).unwrap();
    for pulse in pulses {
        decoder.push(pulse, &mut events);
    }
    decoder.finish(end, &mut events);
    assert_eq!(kinds(&events), [EventKind::Press, EventKind::Release]);
    assert!(note(&events[1]).contains("capture ended"), "{}", note(&events[1]));
}

#[test]
fn a_repeat_frame_with_no_frame_before_it_is_an_orphan_and_no_key() {
    let formats = shipped();
    let nec = formats.find("nec").unwrap();
    let repeat = encode_repeat(nec, VOLUME_UP).unwrap();
    let events = decode(&formats, &lengths(&[(&repeat, 98), (&repeat, 98)]));
    assert_eq!(kinds(&events), [EventKind::Repeat, EventKind::Repeat]);
    for event in &events {
        assert!(note(event).contains("orphan"), "{event:?}");
        assert_eq!((event.key, event.command, event.address), (None, None, None));
    }
}

#[test]
fn one_lost_frame_does_not_end_a_press_and_two_do() {
    let formats = shipped();
    let nec = formats.find("nec").unwrap();
    let frame = encode(nec, VOLUME_UP).unwrap();
    let repeat = encode_repeat(nec, VOLUME_UP).unwrap();
    let events = decode(&formats, &lengths(&[(&frame, 152), (&repeat, 300)]));
    assert_eq!(kinds(&events), [EventKind::Press, EventKind::Repeat, EventKind::Release]);
    let events = decode(&formats, &lengths(&[(&frame, 262), (&repeat, 300)]));
    assert_eq!(kinds(&events), [EventKind::Press, EventKind::Release, EventKind::Repeat]);
    assert!(note(&events[2]).contains("orphan"));
}

#[test]
fn the_same_whole_nec_frame_a_third_of_a_second_later_is_a_new_press() {
    let formats = shipped();
    let nec = formats.find("nec").unwrap();
    let frame = encode(nec, VOLUME_UP).unwrap();
    let events = decode(&formats, &lengths(&[(&frame, 150), (&frame, 40), (&frame, 400)]));
    use EventKind::{Press, Release, Repeat};
    assert_eq!(kinds(&events), [Press, Release, Press, Repeat, Release]);
}

#[test]
fn a_single_frame_of_an_unchecked_format_is_no_key() {
    let formats = shipped();
    for name in ["rc-5", "rc-5x", "rc-6-0", "sirc-12", "sirc-15", "sirc-20", "jvc"] {
        let format = formats.find(name).unwrap();
        assert!(!format.is_checked(), "{name}");
        let command = if name == "rc-5x" { 0x4b } else { 0x15 };
        let code = Code { address: 1, command, toggle: false };
        let frame = encode(format, code).unwrap();
        let events = decode(&formats, &frame);
        assert_eq!(kinds(&events), [EventKind::Frame], "{name}: {events:#?}");
        assert!(events[0].quality.unwrap() <= 0.3, "{name}");
        assert!(note(&events[0]).contains("single frame"), "{name}: {}", note(&events[0]));
        assert!(!events[0].is_input());
    }
}

#[test]
fn a_flipped_toggle_is_a_new_press_and_one_that_never_flips_is_said() {
    let formats = shipped();
    let rc5 = formats.find("rc-5").unwrap();
    let press = |toggle| encode_press(rc5, Code { address: 0, command: 16, toggle }, 1).unwrap();
    let events = decode(&formats, &lengths(&[(&press(false), 89), (&press(true), 400)]));
    use EventKind::{Press, Release, Repeat};
    assert_eq!(kinds(&events), [Press, Repeat, Release, Press, Repeat, Release]);
    let same = press(false);
    let events = decode(&formats, &lengths(&[(&same, 500), (&same, 500), (&same, 500)]));
    let presses: Vec<_> = events.iter().filter(|event| event.kind == Press).collect();
    assert_eq!(presses.len(), 3);
    assert!(!note(presses[1]).contains("toggle"), "{}", note(presses[1]));
    assert!(note(presses[2]).contains("toggle unchanged over 3 presses"), "{}", note(presses[2]));
}

#[test]
fn jvc_repeats_without_leader_belong_to_the_press_and_by_themselves_say_what_they_lack() {
    let formats = shipped();
    let jvc = formats.find("jvc").unwrap();
    let code = Code { address: 0x59, command: 0x35, toggle: false };
    let bare = encode_repeat(jvc, code).unwrap();
    assert_eq!(bare.len() + 2, encode(jvc, code).unwrap().len());
    let events = decode(&formats, &lengths(&[(&bare, 30), (&bare, 400)]));
    assert_eq!(kinds(&events), [EventKind::Press, EventKind::Repeat, EventKind::Release], "{events:#?}");
    assert!(note(&events[0]).contains("no frame with leader"), "{}", note(&events[0]));
}

#[test]
fn half_a_frame_of_a_two_part_format_carries_its_code_unchecked() {
    let formats = shipped();
    for name in ["sharp-15", "denon-15"] {
        let format = formats.find(name).unwrap();
        let whole = encode(format, Code { address: 3, command: 0x8a, toggle: false }).unwrap();
        let (first, second) = (&whole[..31], &whole[32..]);
        for half in [first, second] {
            let events = decode(&formats, half);
            assert_eq!(kinds(&events), [EventKind::Frame], "{name}: {events:#?}");
            assert_eq!((events[0].address, events[0].command), (Some(3), Some(0x8a)), "{name}");
            assert!(note(&events[0]).contains("half a frame"), "{name}");
        }
    }
}

#[test]
fn events_leave_in_the_order_of_time_though_an_unchecked_key_waits_for_its_second_frame() {
    let formats = shipped();
    let sirc = formats.find("sirc-12").unwrap();
    let nec = formats.find("nec").unwrap();
    let code = Code { address: 1, command: 19, toggle: false };
    let lone = encode(sirc, code).unwrap();
    let checked = encode(nec, VOLUME_UP).unwrap();
    let events = decode(&formats, &lengths(&[(&lone, 10), (&checked, 500), (&lone, 26), (&lone, 500)]));
    assert!(events.is_sorted_by_key(|event| event.t), "{events:#?}");
    use EventKind::{Frame, Press, Release, Repeat};
    assert_eq!(kinds(&events), [Frame, Press, Release, Press, Repeat, Release]);
}

#[test]
fn a_live_line_gives_the_same_events_however_often_it_is_told_the_time() {
    let formats = shipped();
    let sirc = formats.find("sirc-20").unwrap();
    let nec = formats.find("nec").unwrap();
    let long = encode_press(sirc, Code { address: 0x55a, command: 21, toggle: false }, 2).unwrap();
    let held = encode_press(nec, VOLUME_UP, 2).unwrap();
    let train = lengths(&[(&held, 300), (&long, 700), (&held, 10), (&long, 20)]);
    let mut found = Vec::new();
    for step_us in [0, 700, 5_300, 1_000_000] {
        let mut decoder = straykey::decode::infrared::Decoder::new(formats.clone(), "test".into());
        let mut events = Vec::new();
        let mut now = Nanoseconds::SECOND;
        for pulse in straykey::decode::infrared::pulses(Nanoseconds::SECOND, &train) {
            // A pulse is known when it ends; until then time goes on.
            let end = pulse.t + pulse.length;
            while step_us > 0 && now + Nanoseconds::from_micros(step_us) < end {
                now = now + Nanoseconds::from_micros(step_us);
                decoder.tick(now, &mut events);
            }
            decoder.push(pulse, &mut events);
        }
        decoder.finish(Nanoseconds(10_000_000_000), &mut events);
        found.push(events);
    }
    assert!(found[0].len() > 8);
    assert!(found.windows(2).all(|pair| pair[0] == pair[1]));
}

/// A held key whose frame has one wrong bit in its address is no sure key of another remote: the repeat frames behind
/// it carry no code. Twice the same, it is a remote of that address.
#[test]
fn a_wrong_bit_in_the_address_makes_no_foreign_key() {
    let formats = shipped();
    let (nec, wide) = (formats.find("nec").unwrap(), formats.find("nec-16").unwrap());
    let repeat = encode_repeat(nec, VOLUME_UP).unwrap();
    for bit in 0..16 {
        // Address 4 and its inverse, with one bit turned.
        let damaged = encode(wide, Code { address: 0xfb04 ^ 1 << bit, ..VOLUME_UP }).unwrap();
        let held = lengths(&[(&damaged, 40), (&repeat, 98), (&repeat, 98)]);
        let events = decode(&formats, &held);
        assert!(
            events.iter().all(|event| event.key.is_none() && event.kind != EventKind::Press),
            "{events:#?}"
        );
        assert_eq!(kinds(&events), [EventKind::Frame, EventKind::Repeat, EventKind::Repeat], "{bit}");
        assert!(note(&events[0]).contains("damaged"), "{}", note(&events[0]));
        let twice = decode(&formats, &lengths(&[(&damaged, 40), (&damaged, 40)]));
        assert_eq!(twice[0].kind, EventKind::Press, "{twice:#?}");
    }
}
