//! Binary frames: checks against published values and other libraries, resynchronisation, any chunking.

use std::path::Path;
use std::sync::{Arc, LazyLock};

use proptest::prelude::*;
use straykey::base::{Event, EventKind};
use straykey::decode::chassis::Chassis;
use straykey::decode::frame::{Checksum, Field};
use straykey::decode::library::Library;
use straykey::decode::text::TextDecoder;

fn checksum(parameters: &str) -> Checksum {
    toml::from_str(&format!("kind = \"crc\"\n{parameters}")).unwrap()
}

#[test]
fn checksums_of_123456789_are_those_of_the_published_catalogue() {
    // Catalogue of parametrised CRC algorithms (Cook), the `check` column; values from memory, and the 32-bit ones
    // confirmed below by two general-purpose libraries.
    let cases = [
        ("CRC-8/SMBUS", "bits = 8\npolynomial = 0x07", 0xf4),
        ("CRC-8/MAXIM-DOW", "bits = 8\npolynomial = 0x31\nreflect_in = true\nreflect_out = true", 0xa1),
        ("CRC-16/IBM-3740", "bits = 16\npolynomial = 0x1021\ninitial = 0xffff", 0x29b1),
        ("CRC-16/XMODEM", "bits = 16\npolynomial = 0x1021", 0x31c3),
        ("CRC-16/ARC", "bits = 16\npolynomial = 0x8005\nreflect_in = true\nreflect_out = true", 0xbb3d),
        (
            "CRC-16/MODBUS",
            "bits = 16\npolynomial = 0x8005\ninitial = 0xffff\nreflect_in = true\nreflect_out = true",
            0x4b37,
        ),
        ("CRC-16/KERMIT", "bits = 16\npolynomial = 0x1021\nreflect_in = true\nreflect_out = true", 0x2189),
        (
            "CRC-16/IBM-SDLC",
            "bits = 16\npolynomial = 0x1021\ninitial = 0xffff\nreflect_in = true\nreflect_out = true\nfinal_xor = 0xffff",
            0x906e,
        ),
        (
            "CRC-32/BZIP2",
            "bits = 32\npolynomial = 0x04c11db7\ninitial = 0xffffffff\nfinal_xor = 0xffffffff",
            0xfc89_1918,
        ),
        (
            "CRC-32/ISO-HDLC",
            "bits = 32\npolynomial = 0x04c11db7\ninitial = 0xffffffff\nreflect_in = true\nreflect_out = true\nfinal_xor = 0xffffffff",
            0xcbf4_3926,
        ),
        (
            "CRC-32/ISCSI",
            "bits = 32\npolynomial = 0x1edc6f41\ninitial = 0xffffffff\nreflect_in = true\nreflect_out = true\nfinal_xor = 0xffffffff",
            0xe306_9283,
        ),
    ];
    for (name, parameters, check) in cases {
        assert_eq!(checksum(parameters).of(b"123456789"), check, "{name}");
    }
    // By hand: 0x31 + … + 0x39 = 477 = 0x1dd; 1 ^ 2 ^ … ^ 9 = 1, with 0x30 nine times: 0x31.
    let sum: Checksum = toml::from_str("kind = \"sum\"").unwrap();
    assert_eq!(sum.of(b"123456789"), 0xdd);
    let wide: Checksum = toml::from_str("kind = \"sum\"\nbits = 16\nfinal_xor = 0xffff").unwrap();
    assert_eq!(wide.of(b"123456789"), 0xffff - 0x1dd);
    let xor: Checksum = toml::from_str("kind = \"xor\"").unwrap();
    assert_eq!(xor.of(b"123456789"), 0x31);
}

proptest! {
    #![proptest_config(super::seeded(200))]
    #[test]
    fn crc_32_agrees_with_two_general_purpose_libraries(bytes in prop::collection::vec(any::<u8>(), 0..300)) {
        let rest = "initial = 0xffffffff\nreflect_in = true\nreflect_out = true\nfinal_xor = 0xffffffff\nbits = 32";
        let castagnoli = checksum(&format!("polynomial = 0x1edc6f41\n{rest}"));
        prop_assert_eq!(castagnoli.of(&bytes), crc32c::crc32c(&bytes));
        let ethernet = checksum(&format!("polynomial = 0x04c11db7\n{rest}"));
        let mut library = flate2::Crc::new();
        library.update(&bytes);
        prop_assert_eq!(ethernet.of(&bytes), library.sum());
    }
}

#[test]
fn fields_of_both_orders_are_cut_out_bit_by_bit() {
    // Twins: shifts on one large integer, most significant byte first and last.
    let bytes = [0x12u8, 0x34, 0x56, 0x78, 0x9a, 0xbc, 0xde, 0xf0];
    let (big, little) = (u64::from_be_bytes(bytes), u64::from_le_bytes(bytes));
    for at in 0..4 {
        for bit in 0..8 {
            for bits in 1..=24 {
                let field = |order: &str| -> Field {
                    let text =
                        format!("name = \"x\"\nat = {at}\nbit = {bit}\nbits = {bits}\norder = \"{order}\"");
                    toml::from_str(&text).unwrap()
                };
                let start = at * 8 + bit;
                let mask = (1u64 << bits) - 1;
                let expected_big = big >> (64 - start - bits) & mask;
                let expected_little = little >> start & mask;
                assert_eq!(field("big").number(&bytes), Some(expected_big as i64), "{at} {bit} {bits}");
                assert_eq!(field("little").number(&bytes), Some(expected_little as i64), "{at} {bit} {bits}");
            }
        }
    }
    let signed: Field = toml::from_str("name = \"x\"\nat = 0\nsigned = true").unwrap();
    assert_eq!([0u8, 127, 128, 255].map(|b| signed.number(&[b]).unwrap()), [0, 127, -128, -1]);
    assert_eq!(signed.number(&[]), None);
}

static HAZEL: LazyLock<Arc<Chassis>> =
    LazyLock::new(|| Library::shipped().unwrap().chassis("hazel").unwrap());

fn decode(chassis: &Arc<Chassis>, bytes: &[u8], piece: usize) -> (Vec<Event>, TextDecoder) {
    let mut decoder = TextDecoder::new(Arc::clone(chassis), "c".into());
    let mut out = Vec::new();
    let mut offset = 0;
    for chunk in bytes.chunks(piece.max(1)) {
        decoder.push(None, offset, chunk, &mut out);
        offset += chunk.len() as u64;
        assert!(decoder.held_bytes() <= 512, "holds {}", decoder.held_bytes());
    }
    decoder.finish(&mut out);
    (out, decoder)
}

/// CRC-16/IBM-3740 byte by byte, written from its definition as polynomial division, apart from the decoder.
fn crc16(bytes: &[u8]) -> u16 {
    let mut bits: Vec<bool> =
        bytes.iter().flat_map(|b| (0..8).rev().map(move |i| b >> i & 1 == 1)).chain([false; 16]).collect();
    // The initial value 0xffff inverts the first sixteen bits of the message.
    bits.iter_mut().take(16).for_each(|bit| *bit = !*bit);
    for i in 0..bits.len() - 16 {
        if bits[i] {
            // x^16 + x^12 + x^5 + 1
            for place in [0, 4, 11, 16] {
                bits[i + place] = !bits[i + place];
            }
        }
    }
    bits[bits.len() - 16..].iter().fold(0, |value, bit| value << 1 | u16::from(*bit))
}

/// A frame of hazel, as its file's drawing says.
fn hazel_frame(kind: u8, milliseconds: u32, body: &[u8]) -> Vec<u8> {
    let mut plain = vec![5 + u8::try_from(body.len()).unwrap(), kind];
    plain.extend_from_slice(&milliseconds.to_le_bytes());
    plain.extend_from_slice(body);
    plain.extend_from_slice(&crc16(&plain).to_le_bytes());
    let mut frame = vec![0xa5, 0x5a];
    for byte in plain {
        match byte {
            0xa5 | 0x7d => frame.extend_from_slice(&[0x7d, byte ^ 0x20]),
            _ => frame.push(byte),
        }
    }
    frame
}

#[test]
fn every_menu_value_survives_encoding_stuffing_and_decoding() {
    assert_eq!(crc16(b"123456789"), 0x29b1, "the test's own encoder");
    let mut bytes = Vec::new();
    for value in 0..=255u8 {
        bytes.extend_from_slice(&hazel_frame(4, u32::from(value) * 10, &[7, value]));
    }
    let (events, decoder) = decode(&HAZEL, &bytes, 7);
    assert_eq!(events.len(), 256);
    assert_eq!((decoder.counters().decoded, decoder.skipped_bytes()), (256, 0));
    for (value, event) in (0..=255u8).zip(&events) {
        let expected = f64::from(i8::from_le_bytes([value])) * 0.5;
        assert_eq!(event.value.as_deref().unwrap().parse(), Ok(expected));
        assert_eq!(event.t.0, i64::from(value) * 10_000_000);
    }
}

#[test]
fn garbage_between_frames_is_skipped_counted_and_costs_no_frame() {
    let good: Vec<Vec<u8>> = (0..50).map(|i| hazel_frame(4, i * 100, &[7, i as u8])).collect();
    // False syncs, half frames, noise; none of it may swallow the frame behind it.
    let garbage: [&[u8]; 6] = [
        b"\xa5",
        b"\xa5\x5a",
        b"\xa5\x5a\x40\x01\x02",
        b"\xa5\xa5\x5a\x7d",
        b"text\r\n",
        b"\xa5\x5a\x08\x01\xe8",
    ];
    let mut bytes = Vec::new();
    let mut skipped = 0;
    for (i, frame) in good.iter().enumerate() {
        bytes.extend_from_slice(garbage[i % 6]);
        skipped += garbage[i % 6].len() as u64;
        bytes.extend_from_slice(frame);
    }
    for piece in [1, 2, 7, usize::MAX] {
        let (events, decoder) = decode(&HAZEL, &bytes, piece);
        let changes = events.iter().filter(|e| e.kind == EventKind::Change).count();
        assert_eq!((changes, decoder.skipped_bytes()), (50, skipped));
        assert_eq!(decoder.counters().damaged, 50);
        let noise = events.iter().filter(|e| e.kind == EventKind::Noise);
        assert_eq!(noise.map(|e| u64::from(e.length.unwrap())).sum::<u64>(), skipped);
    }
}

#[test]
fn a_frame_with_any_single_bit_wrong_is_never_a_wrong_event() {
    // A CRC of 16 bits finds every single-bit error in frames this short; damage to sync, length or stuffing too.
    let frame = hazel_frame(1, 77_000, &[0x5b, 0xef, 0xff]);
    for bit in 0..frame.len() * 8 {
        let mut damaged = frame.clone();
        damaged[bit / 8] ^= 1 << (bit % 8);
        let (events, _) = decode(&HAZEL, &damaged, usize::MAX);
        assert!(events.iter().all(|e| e.kind == EventKind::Noise), "bit {bit}: {events:?}");
        assert!(!events.is_empty());
    }
}

#[test]
fn a_megabyte_of_noise_gives_no_event_but_its_gaps() {
    let mut state = 1u64;
    let noise: Vec<u8> = (0..1 << 20)
        .map(|_| {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
            (state >> 56) as u8
        })
        .collect();
    let (events, decoder) = decode(&HAZEL, &noise, 4096);
    assert_eq!(decoder.skipped_bytes(), 1 << 20);
    assert_eq!(events.len(), 16, "one gap each 64 KiB");
    assert!(events.iter().all(|e| e.kind == EventKind::Noise));
}

proptest! {
    #![proptest_config(super::seeded(200))]
    #[test]
    fn binary_events_are_the_same_on_any_chunking(
        pieces in prop::collection::vec(
            prop_oneof![
                (1..8u8, 0..100_000u32, prop::collection::vec(any::<u8>(), 0..6))
                    .prop_map(|(kind, at, body)| hazel_frame(kind, at, &body)),
                prop::collection::vec(prop_oneof![Just(0xa5u8), Just(0x5a), Just(0x7d), any::<u8>()], 0..20),
            ],
            0..20,
        ),
        cut in 0..8usize,
    ) {
        let mut bytes = pieces.concat();
        bytes.truncate(bytes.len().saturating_sub(cut));
        let (whole, decoder) = decode(&HAZEL, &bytes, usize::MAX);
        for piece in [1, 2, 7] {
            let (events, other) = decode(&HAZEL, &bytes, piece);
            prop_assert_eq!(&events, &whole);
            prop_assert_eq!(other.counters(), decoder.counters());
            prop_assert_eq!(other.skipped_bytes(), decoder.skipped_bytes());
        }
    }
}

const HEAD: &str = "[chassis]\nname = \"x\"\nversion = 1\nabout = \"a\"\nsource = \"invented\"\n";
const MENU: &str =
    "[[packet]]\nevent = \"change\"\nitem = \"Volume\"\nfields = [{ name = \"value\", at = 0 }]\n";

fn values(frame: &str, bytes: &[u8]) -> Vec<String> {
    let text = format!("{HEAD}{frame}\n{MENU}");
    let chassis = Chassis::parse(Path::new("x.toml"), &text).unwrap_or_else(|e| panic!("{e}"));
    let (events, _) = decode(&Arc::new(chassis), bytes, 1);
    let text = |e: Event| match e.kind {
        EventKind::Change => e.value.unwrap().to_string(),
        _ => e.note.unwrap().to_string(),
    };
    events.into_iter().map(text).collect()
}

#[test]
fn fixed_declared_and_terminated_lengths_all_work() {
    let fixed = "[frame]\nsync = [0xaa]\nlength = { fixed = 2 }\nchecksum = { kind = \"xor\" }";
    assert_eq!(values(fixed, b"\xaa\x05\x05\xaa\x06\x06"), ["5", "6"]);
    let terminated = "[frame]\nsync = [0x02]\nlength = { end = [0x03] }\nintegrity = \"none\"";
    assert_eq!(values(terminated, b"\x02\x41\x03\x02\x42\x03"), ["65", "66"]);
    let declared = "[frame]\nsync = [0xaa]\nlength = { at = 1, bytes = 2, order = \"little\", plus = 3 }\nlongest = 16\nintegrity = \"none\"";
    assert_eq!(values(declared, b"\xaa\x09\x01\x00\xff\xaa\x08\x00\x00"), ["9", "8"]);
    assert_eq!(
        values(declared, b"\xaa\x09\xff\xff"),
        ["4 bytes that are no frame: a length beyond the longest frame"]
    );
}

#[test]
fn flags_that_end_one_frame_and_begin_the_next_are_shared() {
    // Octet stuffing as in RFC 1662 (flag 7e, escape 7d, exclusive-or 20), sections 3.1 and 4.2.
    let hdlc = "[frame]\nsync = [0x7e]\nlength = { end = [0x7e] }\nstuffing = { escape = 0x7d, xor = 0x20 }\nchecksum = { kind = \"xor\" }";
    assert_eq!(values(hdlc, b"\x7e\x05\x05\x7e\x7d\x5e\x7d\x5e\x7e\x7e\x06\x06\x7e"), ["5", "126", "6"]);
    // RFC 1055: end c0 (300 octal), escape db followed by dc or dd.
    let slip = "[frame]\nsync = [0xc0]\nlength = { end = [0xc0] }\nstuffing = { escape = 0xdb, pairs = [[0xdc, 0xc0], [0xdd, 0xdb]] }\nintegrity = \"none\"";
    assert_eq!(values(slip, b"\xc0\xdb\xdc\xc0\xc0\xdb\xdd\xc0\xc0\x01\xc0"), ["192", "219", "1"]);
}

#[test]
fn mistakes_in_frames_are_shown_at_their_place() {
    let cases = [
        ("[frame]\nsync = []\nlength = { fixed = 2 }\nintegrity = \"none\"", "sync", 7),
        ("[frame]\nsync = [1]\nlength = { fixed = 2, at = 0 }\nintegrity = \"none\"", "ends", 8),
        ("[frame]\nsync = [1]\nlength = { fixed = 2 }", "without a checksum", 7),
        ("[frame]\nsync = [1]\nlength = { fixed = 2 }\nchecksum = { kind = \"crc\" }", "polynomial", 9),
        ("[frame]\nsync = [1]\nlength = { fixed = 2 }\nchecksum = { kind = \"crc\", bits = 12 }", "bits", 9),
        (
            "[frame]\nsync = [1]\nlength = { fixed = 2 }\nintegrity = \"none\"\nfields = [{ name = \"valeu\", at = 1 }]",
            "value",
            10,
        ),
        ("", "[[packet]] without [frame]", 8),
    ];
    for (frame, part, line) in cases {
        let frame = if frame.is_empty() { "[[record]]\nshape=\"abc\"" } else { frame };
        let text = format!(
            "{HEAD}{frame}\n{}{MENU}",
            if frame.starts_with("[[") { "event = \"boot\"\n" } else { "" }
        );
        let error = Chassis::parse(Path::new("x.toml"), &text).unwrap_err();
        assert!(error.to_string().contains(part), "{error}");
        if !frame.starts_with("[[") {
            assert_eq!(error.place().line, Some(line), "{error}");
        }
    }
}

#[test]
fn frames_without_a_check_halve_the_quality_and_the_check_says_how_often_chance_passes() {
    let text =
        format!("{HEAD}[frame]\nsync = [0xaa, 0x55]\nlength = {{ fixed = 1 }}\nintegrity = \"none\"\n{MENU}");
    let chassis = Arc::new(Chassis::parse(Path::new("x.toml"), &text).unwrap());
    let (events, _) = decode(&chassis, b"\xaa\x55\x07", usize::MAX);
    assert_eq!(events[0].quality, Some(0.5));
    let findings = straykey::decode::check::check(Path::new("x.toml"), &text);
    // 256 squared.
    assert!(findings.iter().any(|f| f.message.contains("every 65536 bytes")), "{findings:?}");
}
