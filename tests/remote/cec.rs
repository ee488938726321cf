//! HDMI-CEC from edges. The encoder below is written from the bit timing table of the standard (start 3700 of
//! 4500 µs, 0 low for 1500, 1 for 600 of 2400; as printed in ST RM0444, figure "bit timings", and in the Linux
//! kernel's cec-pin.c) and shares nothing with the decoder.

use rand_pcg::Pcg64;
use rand_pcg::rand_core::{Rng, SeedableRng};
use straykey::base::{Event, EventKind, Key, Nanoseconds};
use straykey::decode::cec::{Bus, Decoder, Keys, message};
use straykey::signal::{Edge, Level};

/// Fall and rise of each low in microseconds, the first fall at 0.
type Lows = Vec<(f64, f64)>;

/// Lows of a frame. `acknowledge` is the level of each acknowledge bit; `low` and `period` change the nominal
/// low and period of each bit.
fn frame(bytes: &[u8], acknowledge: u8, mut vary: impl FnMut(f64, f64) -> (f64, f64)) -> Lows {
    let (low, period) = vary(3700.0, 4500.0);
    let mut lows = vec![(0.0, low)];
    let mut t = period;
    for (i, byte) in bytes.iter().enumerate() {
        let bits = (0..8).rev().map(|bit| byte >> bit & 1);
        let end = u8::from(i + 1 == bytes.len());
        for bit in bits.chain([end, acknowledge]) {
            let (low, period) = vary(if bit == 1 { 600.0 } else { 1500.0 }, 2400.0);
            lows.push((t, t + low));
            t += period;
        }
    }
    lows
}

fn exact(low: f64, period: f64) -> (f64, f64) {
    (low, period)
}

fn edges(lows: &Lows, start_us: f64) -> Vec<Edge> {
    let at = |us: f64| Nanoseconds::from_seconds((start_us + us) / 1e6);
    lows.iter()
        .enumerate()
        .flat_map(|(i, (fall, rise))| {
            let offset = 2 * i as u64;
            [
                Edge { t: at(*fall), level: Level::Low, offset },
                Edge { t: at(*rise), level: Level::High, offset: offset + 1 },
            ]
        })
        .collect()
}

fn decode(edges: &[Edge]) -> Vec<Event> {
    let mut decoder = Decoder::new("test".into()).unwrap();
    let mut events = Vec::new();
    for edge in edges {
        decoder.push(*edge, &mut events);
    }
    let end = edges.last().map_or(Nanoseconds::ZERO, |edge| edge.t) + Nanoseconds::from_millis(100);
    decoder.finish(end, &mut events);
    events
}

fn bytes(event: &Event) -> Vec<u8> {
    let mut bytes = vec![event.initiator.unwrap() << 4 | event.destination.unwrap()];
    bytes.extend(event.opcode);
    bytes.extend(event.operands.iter().flatten());
    bytes
}

fn note(event: &Event) -> &str {
    event.note.as_deref().unwrap_or_default()
}

/// Worked frames: bytes as the message builders of Linux `cec-funcs.h` make them, times by the bit timing
/// table; fall and rise in microseconds.
const E1: &str = "0/3700 4500/6000 6900/8400 9300/10800 11700/13200 14100/15600 16500/17100 18900/20400 21300/21900 23700/25200 26100/27600 28500/30000 30900/31500 33300/34800 35700/37200 38100/39600 40500/41100 42900/44400 45300/46800 47700/49200 50100/51600 52500/54000 54900/55500 57300/58800 59700/61200 62100/63600 64500/66000 66900/68400 69300/69900 71700/72300 74100/75600";
const E2: &str = "0/3700 4500/6000 6900/8400 9300/10800 11700/13200 14100/14700 16500/17100 18900/19500 21300/21900 23700/25200 26100/26700 28500/30000 30900/32400 33300/33900 35700/36300 38100/39600 40500/41100 42900/43500 45300/46800 47700/48300 50100/50700";
const E3: &str = "0/3700 4500/6000 6900/8400 9300/10800 11700/13200 14100/15600 16500/17100 18900/20400 21300/21900 23700/25200 26100/27600 28500/30000 30900/31500 33300/34800 35700/37200 38100/39600 40500/41100 42900/44400 45300/45900 47700/48300 50100/51600";
const E4: &str = "0/3700 4500/6000 6900/7500 9300/10800 11700/13200 14100/15600 16500/17100 18900/20400 21300/22800 23700/24300 26100/26700";

fn worked(text: &str) -> Lows {
    let pair = |pair: &str| {
        let (fall, rise) = pair.split_once('/').unwrap();
        (fall.parse().unwrap(), rise.parse().unwrap())
    };
    text.split(' ').map(pair).collect()
}

#[test]
fn the_test_encoder_gives_the_worked_frames() {
    assert_eq!(frame(&[0x05, 0x44, 0x41], 0, exact), worked(E1));
    assert_eq!(frame(&[0x0f, 0x36], 1, exact), worked(E2));
    assert_eq!(frame(&[0x05, 0x45], 0, exact), worked(E3));
    assert_eq!(frame(&[0x44], 1, exact), worked(E4));
}

#[test]
fn the_worked_frames_decode_to_their_messages() {
    let mut line = edges(&worked(E1), 10_000.0);
    line.extend(edges(&worked(E3), 400_000.0));
    line.extend(edges(&worked(E2), 1_500_000.0));
    line.extend(edges(&worked(E4), 2_500_000.0));
    let events = decode(&line);
    let kinds: Vec<_> = events.iter().map(|event| event.kind).collect();
    use EventKind::{Frame, Press, Release};
    assert_eq!(kinds, [Press, Release, Frame, Frame], "{events:#?}");
    assert_eq!(bytes(&events[0]), [0x05, 0x44, 0x41]);
    assert_eq!(events[0].key, Key::from_name("KEY_VOLUMEUP"));
    assert_eq!(events[0].ack, Some(true));
    assert_eq!(events[0].quality, Some(1.0));
    assert!(note(&events[0]).starts_with("User Control Pressed: Volume Up; TV to audio system"));
    assert_eq!(events[1].key, Key::from_name("KEY_VOLUMEUP"));
    assert_eq!(events[1].held, Some(Nanoseconds(390_000_000)));
    assert_eq!(bytes(&events[2]), [0x0f, 0x36]);
    assert_eq!(events[2].ack, Some(true), "1 to all means that nobody refuses");
    assert_eq!((events[3].opcode, events[3].ack), (None, Some(false)));
    assert!(note(&events[3]).contains("poll"), "{}", note(&events[3]));
}

#[test]
fn timing_anywhere_within_the_standards_limits_gives_every_message() {
    let mut random = Pcg64::seed_from_u64(3);
    let trials = if cfg!(debug_assertions) { 2_000 } else { 100_000 };
    for _ in 0..trials {
        let length = 1 + random.next_u32() as usize % 16;
        let mut message: Vec<u8> = (0..length).map(|_| random.next_u32() as u8).collect();
        message[0] &= 0xfe; // not to all, where the sense of the acknowledge bit turns
        let unit = |random: &mut Pcg64| f64::from(random.next_u32()) / f64::from(u32::MAX) * 2.0 - 1.0;
        // Table of the standard: start low +-200, total +-200; data low +-200, total +-350.
        let lows = frame(&message, 0, |low, period| {
            let total = if period == 4500.0 { 199.0 } else { 349.0 };
            (low + 199.0 * unit(&mut random), period + total * unit(&mut random))
        });
        let events = decode(&edges(&lows, 5_000.0));
        assert_eq!(bytes(&events[0]), message, "{events:#?}");
        assert_ne!(events[0].kind, EventKind::Fault);
        assert!(!note(&events[0]).contains("allowed"), "{}", note(&events[0]));
    }
}

#[test]
fn lows_beyond_the_limits_never_give_a_wrong_message() {
    let mut random = Pcg64::seed_from_u64(4);
    let trials = if cfg!(debug_assertions) { 10_000 } else { 1_000_000 };
    let (mut faults, mut right) = (0, 0);
    for _ in 0..trials {
        let message = [0x40 | (random.next_u32() as u8 & 3), 0x44, random.next_u32() as u8 & 0x7f];
        // The nearest low of the other bit begins 500 µs away: errors up to there must not turn a bit.
        let lows = frame(&message, 0, |low, period| {
            let error = f64::from(random.next_u32()) / f64::from(u32::MAX) * 960.0 - 480.0;
            (low + error, period)
        });
        for event in decode(&edges(&lows, 5_000.0)) {
            match event.kind {
                EventKind::Fault | EventKind::Noise => faults += 1,
                EventKind::Release => {}
                _ => {
                    assert_eq!(bytes(&event), message);
                    right += 1;
                }
            }
        }
    }
    assert!(faults > right, "{faults} {right}");
}

#[test]
fn slow_rises_and_clocks_beyond_the_limits_are_read_with_a_remark() {
    let message = [0x40, 0x44, 0x42];
    for (longer, clock) in
        [(250.0, 1.0), (-250.0, 1.0), (0.0, 1.1), (0.0, 0.9), (250.0, 1.08), (-150.0, 0.92)]
    {
        let lows = frame(&message, 0, |low, period| (clock * low + longer, clock * period));
        let events = decode(&edges(&lows, 5_000.0));
        assert_eq!(events[0].kind, EventKind::Press, "{longer} µs, {clock}: {events:#?}");
        assert_eq!(bytes(&events[0]), message);
        assert!(note(&events[0]).contains("allowed"), "{longer} µs, {clock}: {}", note(&events[0]));
    }
}

#[test]
fn a_bad_bit_is_named_with_its_block_and_length() {
    let mut lows = worked(E1);
    // Third bit of the second block: 1000 µs is neither a 0 nor a 1.
    lows[13].1 = lows[13].0 + 1000.0;
    let events = decode(&edges(&lows, 0.0));
    assert_eq!(events[0].kind, EventKind::Fault);
    let text = note(&events[0]);
    assert!(text.contains("block 2, bit 3") && text.contains("1000 µs"), "{text}");
    assert_eq!((events[0].initiator, events[0].destination), (Some(0), Some(5)));
    assert!(events.iter().all(|event| event.kind != EventKind::Press));
}

#[test]
fn a_period_out_of_tolerance_is_named_and_lowers_the_quality() {
    let late = |lows: &mut Lows, from: usize, by: f64| {
        lows.iter_mut().skip(from).for_each(|low| *low = (low.0 + by, low.1 + by));
    };
    let mut lows = worked(E1);
    late(&mut lows, 14, 450.0);
    let events = decode(&edges(&lows, 0.0));
    assert_eq!(bytes(&events[0]), [0x05, 0x44, 0x41]);
    assert!(note(&events[0]).contains("period 2850 µs before block 2, bit 4"), "{}", note(&events[0]));
    assert!(events[0].quality.unwrap() < 0.9);
    // Beyond 2900 µs the kernel gives the frame up, and so do we.
    late(&mut lows, 14, 100.0);
    let events = decode(&edges(&lows, 0.0));
    assert_eq!(events[0].kind, EventKind::Fault);
    assert!(note(&events[0]).contains("stops before block 2, bit 4"), "{}", note(&events[0]));
}

#[test]
fn frames_that_stop_say_where_and_arbitration_is_named() {
    let stop = |count: usize| decode(&edges(&worked(E1)[..count].to_vec(), 0.0));
    for (count, words) in
        [(1, "no bit follows"), (4, "arbitration"), (8, "first block"), (16, "block 2, bit 6")]
    {
        let events = stop(count);
        assert_eq!(events.len(), 1);
        assert_eq!(events[0].kind, EventKind::Fault);
        assert!(note(&events[0]).contains(words), "{count}: {}", note(&events[0]));
    }
    // Whole blocks without end of message after a refusal are a legal end.
    let mut lows = frame(&[0x04, 0x44, 0x41], 1, exact);
    lows.truncate(11);
    let events = decode(&edges(&lows, 0.0));
    assert_eq!(events[0].kind, EventKind::Frame);
    assert_eq!(events[0].ack, Some(false));
}

#[test]
fn a_line_error_and_a_line_held_low_are_told_apart() {
    let mut lows = worked(E1);
    lows.truncate(15);
    lows[14].1 = lows[14].0 + 3600.0;
    let events = decode(&edges(&lows, 0.0));
    assert!(note(&events[0]).contains("line error"), "{}", note(&events[0]));
    let events = decode(&edges(&vec![(0.0, 250_000.0)], 0.0));
    assert_eq!(events[0].kind, EventKind::Fault);
    assert!(note(&events[0]).contains("held low for 250.0 ms"), "{}", note(&events[0]));
}

#[test]
fn glitches_on_an_idle_line_are_one_event_not_many() {
    let lows = (0..1000).map(|i| (f64::from(i) * 5000.0, f64::from(i) * 5000.0 + 30.0)).collect();
    let events = decode(&edges(&lows, 0.0));
    assert_eq!(events.len(), 1, "{events:#?}");
    assert_eq!(events[0].kind, EventKind::Noise);
    assert!(note(&events[0]).contains("1000 lows"), "{}", note(&events[0]));
}

#[test]
fn a_press_that_nobody_acknowledged_is_no_key() {
    let events = decode(&edges(&frame(&[0x40, 0x44, 0x42], 1, exact), 0.0));
    assert_eq!(events.len(), 1);
    assert_eq!((events[0].kind, events[0].key), (EventKind::Frame, None));
    assert!(note(&events[0]).contains("not acknowledged"), "{}", note(&events[0]));
}

#[test]
fn held_lost_and_orphan_releases_are_told() {
    // Playback 1 holds Volume Down: pressed every 400 ms (200 to 500 by the standard), release lost.
    let down = frame(&[0x40, 0x44, 0x42], 0, exact);
    let up = frame(&[0x40, 0x45], 0, exact);
    let mut line = Vec::new();
    for i in 0..3 {
        line.extend(edges(&down, 400_000.0 * f64::from(i)));
    }
    line.extend(edges(&up, 4_000_000.0));
    let events = decode(&line);
    let kinds: Vec<_> = events.iter().map(|event| event.kind).collect();
    use EventKind::{Press, Release, Repeat};
    assert_eq!(kinds, [Press, Repeat, Repeat, Release, Release], "{events:#?}");
    assert_eq!(events[3].t, Nanoseconds(800_000_000 + 550_000_000));
    assert_eq!(events[3].held, Some(Nanoseconds(800_000_000)));
    assert!(note(&events[3]).contains("time-out"), "{}", note(&events[3]));
    assert!(note(&events[4]).contains("no press before"), "{}", note(&events[4]));
}

/// `CEC_MSG_…` and `CEC_OP_UI_CMD_…` of the kernel's header: name and code.
fn header(prefix: &str) -> Vec<(String, u8)> {
    let text = std::fs::read_to_string("/usr/include/linux/cec.h")
        .expect("needs /usr/include/linux/cec.h: install linux-libc-dev");
    let define = |line: &str| {
        let mut words = line.strip_prefix("#define ")?.split_whitespace();
        let name = words.next()?.strip_prefix(prefix)?.to_owned();
        let code = u8::from_str_radix(words.next()?.strip_prefix("0x")?, 16).ok()?;
        Some((name, code))
    };
    text.lines().filter_map(define).collect()
}

/// A name as the header would write it: its two abbreviations are the only liberty.
fn macro_name(name: &str) -> String {
    let name = name.to_uppercase().replace(' ', "_");
    name.replace("PHYSICAL_ADDRESS", "PHYSICAL_ADDR").replace("EXTERNAL", "EXT")
}

#[test]
fn opcodes_and_user_controls_are_those_of_the_kernels_header() {
    let bus = Bus::shipped().unwrap();
    // Sub-opcodes of CDC messages share the prefix.
    let opcodes: Vec<_> =
        header("CEC_MSG_").into_iter().filter(|(name, _)| !name.starts_with("CDC_H")).collect();
    assert!(opcodes.len() >= 70, "{}", opcodes.len());
    for (name, code) in &opcodes {
        let ours = bus.opcode_name(*code).map(macro_name);
        assert_eq!(ours.as_deref(), Some(name.as_str()), "{code:#04x}");
    }
    let known = (0..=255).filter(|code| bus.opcode_name(*code).is_some()).count();
    assert_eq!(known, opcodes.len());
    let controls = header("CEC_OP_UI_CMD_");
    assert_eq!(controls.len(), 88);
    for (name, code) in &controls {
        let ours = bus.user_control(*code).map(|control| macro_name(&control.name));
        let name = name.replace("NUMBER_0_OR_NUMBER_10", "NUMBER_0_OR_10");
        assert_eq!(ours.as_deref(), Some(name.as_str()), "{code:#04x}");
    }
    let known = (0..=255).filter(|code| bus.user_control(*code).is_some()).count();
    assert_eq!(known, controls.len());
}

#[test]
fn user_controls_mean_the_keys_of_the_kernels_table() {
    // drivers/media/rc/keymaps/rc-cec.c, a sample over its whole range.
    let bus = Bus::shipped().unwrap();
    for (code, key) in [
        (0x00, "KEY_OK"),
        (0x01, "KEY_UP"),
        (0x09, "KEY_ROOT_MENU"),
        (0x0b, "KEY_MENU"),
        (0x0d, "KEY_EXIT"),
        (0x20, "KEY_NUMERIC_0"),
        (0x29, "KEY_NUMERIC_9"),
        (0x30, "KEY_CHANNELUP"),
        (0x34, "KEY_VIDEO"),
        (0x40, "KEY_POWER"),
        (0x41, "KEY_VOLUMEUP"),
        (0x42, "KEY_VOLUMEDOWN"),
        (0x43, "KEY_MUTE"),
        (0x4c, "KEY_BACK"),
        (0x66, "KEY_UNMUTE"),
        (0x6c, "KEY_SLEEP"),
        (0x76, "KEY_DATA"),
    ] {
        assert_eq!(bus.user_control(code).unwrap().key, Key::from_name(key), "{code:#04x}");
    }
    assert_eq!(bus.user_control(0x67).unwrap().key, None);
}

#[test]
fn printed_messages_say_what_they_mean() {
    for (bytes, words) in [
        (&[0x50, 0x7a, 0x97][..], "Report Audio Status: mute on, volume 23; audio system to TV"),
        (&[0x4f, 0x82, 0x12, 0x34], "Active Source: 1.2.3.4; playback 1 to all"),
        (&[0x0f, 0x80, 0x10, 0x00, 0x20, 0x00], "Routing Change: 1.0.0.0 to 2.0.0.0"),
        (&[0x04, 0x00, 0x44, 0x04], "Feature Abort: User Control Pressed, refused"),
        (&[0x40, 0x47, b'b', b'o', b'x', 0x1b], "Set OSD Name: \"box\\x1b\""),
        (&[0x40, 0x90, 0x01], "Report Power Status: standby"),
        (&[0x40, 0x82], "Active Source; playback 1 to TV"),
        (&[0x40, 0xee], "unknown opcode 0xee"),
    ] {
        let event = message(bytes, Nanoseconds::ZERO);
        assert!(note(&event).contains(words), "{}", note(&event));
        assert_eq!(event.kind, EventKind::Frame);
    }
    for bytes in [&[][..], &[0; 17]] {
        assert_eq!(message(bytes, Nanoseconds::ZERO).kind, EventKind::Fault);
    }
    let mut keys = Keys::new();
    let mut events = Vec::new();
    keys.push(message(&[0x40, 0x44, 0x09], Nanoseconds::ZERO), &mut events);
    keys.push(message(&[0x40, 0x45], Nanoseconds::from_millis(90)), &mut events);
    keys.finish(Nanoseconds::SECOND, &mut events);
    assert_eq!(events.len(), 2);
    assert_eq!(events[1].held, Some(Nanoseconds::from_millis(90)));
    assert_eq!(events[1].key, Key::from_name("KEY_ROOT_MENU"));
}

#[test]
fn edges_of_any_kind_do_no_harm() {
    let mut random = Pcg64::seed_from_u64(15);
    let widths = [30, 600, 1000, 1500, 2400, 3600, 3700, 4500, 100_000, 0];
    for _ in 0..2_000 {
        let mut decoder = Decoder::new("test".into()).unwrap();
        let mut events = Vec::new();
        let mut t = i64::from(random.next_u32()) - (1 << 31);
        for _ in 0..200 {
            let level = if random.next_u32() % 8 < 4 { Level::Low } else { Level::High };
            let edge = Edge { t: Nanoseconds(t), level, offset: u64::from(random.next_u32()) };
            decoder.push(edge, &mut events);
            t += widths[random.next_u32() as usize % widths.len()] * 1_000;
            match random.next_u32() % 500 {
                0 => t = i64::MAX - 10_000_000_000,
                1 => t = i64::MIN + 10_000_000_000,
                _ => {}
            }
            t = t.clamp(i64::MIN / 2, i64::MAX / 2);
            decoder.tick(Nanoseconds(t), &mut events);
        }
        decoder.finish(Nanoseconds(i64::MIN), &mut events);
        assert!(events.len() <= 400, "{}", events.len());
    }
}
