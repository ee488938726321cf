//! Lines to events: chunking, damage, bounded memory, time.

use std::sync::{Arc, LazyLock};

use proptest::prelude::*;
use straykey::base::{Event, EventKind, Nanoseconds};
use straykey::decode::chassis::Chassis;
use straykey::decode::library::Library;
use straykey::decode::set_clock::TimeBasis;
use straykey::decode::text::TextDecoder;

static LIBRARY: LazyLock<Library> = LazyLock::new(|| Library::shipped().unwrap());

fn chassis(name: &str) -> Arc<Chassis> {
    LIBRARY.chassis(name).unwrap()
}

fn decoder(name: &str) -> TextDecoder {
    TextDecoder::new(chassis(name), "capture".into())
}

fn decode_in(name: &str, bytes: &[u8], piece: usize) -> (Vec<Event>, TextDecoder) {
    let mut decoder = decoder(name);
    let mut out = Vec::new();
    let mut offset = 0;
    for chunk in bytes.chunks(piece.max(1)) {
        decoder.push(None, offset, chunk, &mut out);
        offset += chunk.len() as u64;
    }
    decoder.finish(&mut out);
    (out, decoder)
}

fn decode(name: &str, bytes: &[u8]) -> Vec<Event> {
    decode_in(name, bytes, usize::MAX).0
}

/// Bytes like those of a debug port: lines of the chassis, damaged ones, garbage, all line ends.
fn port_bytes() -> impl Strategy<Value = Vec<u8>> {
    let lines = prop::sample::select(vec![
        &b"[12.400] keyscan: line=KEY1 adc=0x09c"[..],
        b"[12.450] keyscan: line=KEY1 adc=0x3ff",
        b"[12.500] keyscan: line=KEY2 adc=0x266",
        b"[0.100] boot: alder firmware 1 reset=x",
        b"[13.000] osd: set item=volume value=12",
        b"[   10.000000][  T103] keypad: key VOL+",
        b"[   11.000000][  T103] ir: addr=04 cmd=1a rpt=0",
        b"[   11.500000] cec: rx 05 44 41",
        b"174 255",
        b"07=13",
        b"\x1b[1m[12.400] keyscan: line=KEY1 adc=0x09c\x1b[0m",
        b"\0\0[12.410] keyscan: line=KEY1 adc=0x0",
        b"[12.420] keyscan: line=KEY1 adc=0xzz",
        b"\xff\xfe\x80 garbage",
        b"",
    ])
    .prop_map(<[u8]>::to_vec);
    let any = prop::collection::vec(any::<u8>(), 0..40);
    let ends = prop::sample::select(vec![&b"\n"[..], b"\r\n", b"\r", b"\r\r\n", b"\x0c", b""]);
    prop::collection::vec((prop_oneof![4 => lines, 1 => any], ends), 0..30)
        .prop_map(|lines| lines.into_iter().flat_map(|(line, end)| [line, end.to_vec()].concat()).collect())
}

proptest! {
    #![proptest_config(super::seeded(300))]
    #[test]
    fn events_are_the_same_on_any_chunking(
        bytes in port_bytes(),
        name in prop::sample::select(vec!["alder", "birch", "rowan", "linux-input"]),
    ) {
        let (whole, decoder) = decode_in(name, &bytes, usize::MAX);
        for piece in [1, 2, 7] {
            let (events, other) = decode_in(name, &bytes, piece);
            prop_assert_eq!(&events, &whole, "pieces of {}", piece);
            prop_assert_eq!(other.counters(), decoder.counters());
        }
        let mut last = Nanoseconds(i64::MIN);
        for event in &whole {
            prop_assert!(event.t >= last, "time runs backwards");
            last = event.t;
        }
        let counters = decoder.counters();
        prop_assert_eq!(counters.records, counters.decoded + counters.damaged + counters.not_mine);
    }
}

#[test]
fn lines_end_at_a_form_feed_or_at_what_the_file_declares() {
    let lines =
        b"[12.400] keyscan: line=KEY1 adc=0x09c\n[12.450] osd: set item=volume value=12\n[12.5] osd: hide\n";
    let ended = |end: u8| lines.map(|byte| if byte == b'\n' { end } else { byte });
    let expected = decode("alder", lines);
    assert_eq!(expected.len(), 3);
    assert_eq!(decode("alder", &ended(b'\x0c')), expected);

    let alder = include_str!("../../protocols/chassis/alder.toml");
    let declared = |end: &str| {
        let text = alder.replace("[text]\n", &format!("[text]\nline_end = {end}\n"));
        Chassis::parse(std::path::Path::new("alder.toml"), &text)
    };
    let mut library = Library::shipped().unwrap();
    library.put(declared("\";\"").unwrap());
    assert_eq!(library.recognise(&ended(b';')).choice.as_deref(), Some("alder"));
    let mut decoder = TextDecoder::new(library.chassis("alder").unwrap(), "capture".into());
    let mut out = Vec::new();
    decoder.push(None, 0, &ended(b';'), &mut out);
    decoder.finish(&mut out);
    assert_eq!(out, expected);
    for wrong in ["\"a\"", "\"é\"", "\" \"", "\"\"", "\";;\""] {
        assert_eq!(declared(wrong).unwrap_err().exit_status(), 3, "{wrong}");
    }
}

#[test]
fn a_line_of_two_hundred_megabytes_is_one_noise_event_in_bounded_memory() {
    let mut decoder = decoder("alder");
    let mut out = Vec::new();
    let piece = vec![b'x'; 1 << 20];
    for i in 0..200u64 {
        decoder.push(None, i << 20, &piece, &mut out);
        assert!(decoder.held_bytes() <= 65_536, "holds {} bytes", decoder.held_bytes());
        assert!(out.is_empty());
    }
    decoder.push(None, 200 << 20, b"\n[1.0] osd: hide\n", &mut out);
    assert_eq!(out.len(), 2);
    assert_eq!((out[0].kind, out[0].offset, out[0].length), (EventKind::Noise, Some(0), Some(200 << 20)));
    assert_eq!(out[1].kind, EventKind::Change);
    assert_eq!(decoder.counters().damaged, 1);
}

#[test]
fn names_from_hostile_lines_do_not_fill_the_memory() {
    let mut decoder = decoder("alder");
    let mut out = Vec::new();
    for i in 0..20_000u64 {
        let line = format!("[1.0] osd: set item=i{i} value={}\n", "v".repeat(300));
        decoder.push(None, 0, line.as_bytes(), &mut out);
        assert!(out.iter().all(|e| e.value.as_ref().unwrap().len() <= 256));
        out.clear();
    }
    assert!(decoder.kept_names() <= 4_096);
}

#[test]
fn line_ends_escapes_and_nul_bytes_do_not_hide_a_record() {
    let clean = decode("alder", b"[1.000] osd: hide\n");
    for bytes in [
        &b"[1.000] osd: hide\r\n"[..],
        b"[1.000] osd: hide\r",
        b"[1.000] osd: hide",
        b"\0\0[1.000] osd: hide\n",
        b"\x1b[32m[1.000] osd:\x1b[0m hide\n",
        b"\x1b]0;title\x07[1.000] osd: hide\n",
        b"  [1.000]\tosd:   hide  \n",
    ] {
        let events = decode("alder", bytes);
        assert_eq!(events.len(), 1, "{}", String::from_utf8_lossy(bytes));
        assert_eq!(events[0].item, clean[0].item);
        assert_eq!(events[0].value, clean[0].value);
    }
}

#[test]
fn the_place_of_each_event_is_its_line_in_the_capture() {
    let text = b"foreign\r\n[1.000] osd: hide\r\n\r\n[1.500] osd: show menu\r\n";
    let events = decode("alder", text);
    for (event, line) in events.iter().zip(["[1.000] osd: hide", "[1.500] osd: show menu"]) {
        let start = usize::try_from(event.offset.unwrap()).unwrap();
        let end = start + event.length.unwrap() as usize;
        assert_eq!(&text[start..end], line.as_bytes());
        assert_eq!(event.capture.as_deref(), Some("capture"));
        assert_eq!(event.decoder.as_deref(), Some("alder@1"));
    }
}

#[test]
fn a_damaged_record_is_noise_with_its_place_and_a_foreign_line_is_counted() {
    let (events, decoder) =
        decode_in("alder", b"[1.0] keyscan: line=KEY1 adc=0x\nhello\n[1.1] keyscan: line=KEY9 adc=0x1\n", 5);
    assert_eq!(events.iter().map(|e| e.kind).collect::<Vec<_>>(), [EventKind::Noise, EventKind::Noise]);
    assert_eq!(events[1].note.as_deref(), Some("no line is called KEY9"));
    let counters = decoder.counters();
    assert_eq!((counters.records, counters.damaged, counters.not_mine), (3, 2, 1));
}

#[test]
fn a_number_that_does_not_fit_is_damage_and_not_a_wrong_reading() {
    for line in [
        "[99999999999999999999.0] osd: hide\n",
        "[1.0] keyscan: line=KEY1 adc=0xffffffffffffffffffff\n",
        "[1.0] keyscan: line=KEY1 adc=0x400\n",
    ] {
        let events = decode("alder", line.as_bytes());
        assert_eq!(events.iter().map(|e| e.kind).collect::<Vec<_>>(), [EventKind::Noise], "{line}");
    }
}

#[test]
fn a_last_line_without_its_end_says_that_it_may_be_cut() {
    let events = decode("alder", b"[1.0] osd: set item=volume value=1");
    assert!(events[0].note.as_deref().unwrap().contains("cut"));
    // This one cannot be a longer line.
    assert_eq!(decode("alder", b"[1.0] osd: hide")[0].note, None);
}

#[test]
fn time_rests_on_arrival_then_uptime_then_the_nominal_period() {
    let basis = |name: &str, arrival, line: &[u8]| {
        let mut decoder = decoder(name);
        let mut out = Vec::new();
        assert_eq!(decoder.time_basis(), TimeBasis::None);
        decoder.push(arrival, 0, line, &mut out);
        decoder.time_basis()
    };
    assert_eq!(basis("alder", Some(Nanoseconds(5)), b"[1.0] osd: hide\n"), TimeBasis::Arrival);
    assert_eq!(basis("alder", None, b"[1.0] osd: hide\n"), TimeBasis::SetUptime);
    assert_eq!(basis("rowan", None, b"255 255\n"), TimeBasis::NominalPeriod);
    assert_eq!(basis("linux-input", None, b"EV_KEY KEY_OK DOWN\n"), TimeBasis::None);
}

#[test]
fn a_live_decoder_releases_by_time_out_what_a_file_gives_too() {
    let lines =
        [(0, "[5.0] keypad: key MENU\n"), (40, "[5.04] menu: closed\n"), (2_000, "[7.0] menu: closed\n")];
    let mut events = [Vec::new(), Vec::new()];
    for (live, out) in events.iter_mut().enumerate() {
        let mut decoder = decoder("birch");
        let mut offset = 0;
        let mut clock = 0;
        for (milliseconds, line) in lines {
            while live == 1 && clock + 100 < milliseconds {
                clock += 100;
                decoder.tick(Nanoseconds::from_millis(clock), out);
            }
            decoder.push(Some(Nanoseconds::from_millis(milliseconds)), offset, line.as_bytes(), out);
            offset += line.len() as u64;
        }
    }
    let [from_file, live] = events;
    assert_eq!(live, from_file);
    let release = live.iter().find(|e| e.kind == EventKind::Release).unwrap();
    // 1.5 times the declared delay of 0.5 s after the press.
    assert_eq!(release.t, Nanoseconds::from_millis(750));
}

#[test]
fn a_restart_releases_keys_and_is_an_event_even_when_the_set_does_not_say_so() {
    let text = b"[50.00] keyscan: line=KEY1 adc=0x09c\n[50.05] keyscan: line=KEY1 adc=0x09c\n\
                 [1.00] keyscan: line=KEY1 adc=0x3ff\n[1.05] keyscan: line=KEY1 adc=0x3ff\n";
    let kinds: Vec<_> = decode("alder", text).iter().map(|e| (e.t.0 / 1_000_000, e.kind)).collect();
    let expected = [
        (0, EventKind::Reading),
        (50, EventKind::Press),
        (50, EventKind::Release),
        (50, EventKind::Boot),
        (50, EventKind::Reading),
    ];
    assert_eq!(kinds, expected);
}

#[test]
fn non_utf8_menu_text_is_kept_as_replacement_characters() {
    let events = decode("birch", b"[    1.000000] menu: Bild/Sch\xe4rfe = 5\n");
    assert_eq!(events[0].item.as_deref(), Some("Bild/Sch\u{fffd}rfe"));
}

#[test]
fn whole_number_stamps_have_the_unit_of_the_file_and_latin_1_keeps_its_letters() {
    let text = "[chassis]\nname = \"x\"\nversion = 1\nabout = \"a\"\nsource = \"s\"\n\
                [text]\nencoding = \"latin-1\"\n[clock]\nunit = \"ms\"\n\
                [[record]]\nshape = \"{uptime:hex}: {item:word} {value:word}\"\nevent = \"change\"\n";
    let chassis = Arc::new(Chassis::parse(std::path::Path::new("x.toml"), text).unwrap());
    let mut decoder = TextDecoder::new(chassis, "c".into());
    let mut out = Vec::new();
    decoder.push(None, 0, b"0a: Sch\xe4rfe 5\n14: b c\n", &mut out);
    // 0x14 - 0x0a = 10 ms.
    assert_eq!(out[1].t, Nanoseconds::from_millis(10));
    assert_eq!(decoder.set_time(), Some(Nanoseconds::from_millis(20)));
    assert_eq!(out[0].item.as_deref(), Some("Sch\u{e4}rfe"));
}

#[test]
fn presses_without_releases_are_released_by_another_key_on_the_same_path_only() {
    let events = decode(
        "birch",
        b"[    1.000000] keypad: key OK\n[    1.100000] ir: addr=04 cmd=02 rpt=0\n[    1.200000] keypad: key MENU\n",
    );
    let shown: Vec<_> =
        events.iter().map(|e| (e.path.word(), e.kind.word(), e.key.unwrap().name())).collect();
    let expected = [
        ("keypad", "press", "KEY_OK"),
        ("infrared", "press", "KEY_POWER"),
        ("keypad", "release", "KEY_OK"),
        ("keypad", "press", "KEY_MENU"),
    ];
    assert_eq!(shown, expected);
}

/// Bytes that are lost anywhere in a capture never make a reading that the set did not print. `rowan` prints bare
/// numbers, of which any part is a number too.
#[test]
fn what_a_gap_parted_is_never_joined() {
    let text = [
        ("alder", &b"[12.400] keyscan: line=KEY1 adc=0x1c5\n[12.450] keyscan: line=KEY2 adc=0x3ff\n"[..]),
        ("rowan", b"174 255\n938 601\n421 777\n"),
        ("birch", b"[   10.000000] keypad: key VOL+\n[   11.000000] keypad: key MENU\n"),
    ];
    for (name, bytes) in text {
        let said = |events: &[Event]| -> Vec<_> {
            events
                .iter()
                .filter(|event| event.kind != EventKind::Noise)
                .map(|event| (event.kind, event.line.clone(), event.counts, event.key))
                .collect()
        };
        let printed = said(&decode(name, bytes));
        assert!(printed.len() >= 2);
        let mut kept = 0;
        for from in 0..bytes.len() {
            for to in from + 1..bytes.len() {
                let mut decoder = decoder(name);
                let mut out = Vec::new();
                decoder.push(None, 0, &bytes[..from], &mut out);
                decoder.cut(&mut out);
                decoder.push(None, to as u64, &bytes[to..], &mut out);
                decoder.finish(&mut out);
                for thing in said(&out) {
                    assert!(printed.contains(&thing), "{name}, bytes {from} to {to} lost: {thing:?}");
                    kept += 1;
                }
            }
        }
        assert!(kept > bytes.len(), "{name}: lines that are whole are still read, {kept}");
    }
}

fn only(shape: &str, more: &str) -> TextDecoder {
    let text = format!(
        "[chassis]\nname = \"x\"\nversion = 1\nabout = \"a\"\nsource = \"s\"\n{more}\n[[record]]\nshape = \"{shape}\"\n"
    );
    TextDecoder::new(Arc::new(Chassis::parse(std::path::Path::new("x.toml"), &text).unwrap()), "c".into())
}

#[test]
fn a_clock_and_ticks_are_times_of_the_set() {
    let mut clock = only("{uptime:clock} {item:word} {value:word}\"\nevent = \"change", "");
    let mut out = Vec::new();
    clock.push(None, 0, b"0:59:59.5 a 1\n1:00:00,75 a 2\n25:00:00 a 3\n1:60:00 a 4\n1:00 a 5\n", &mut out);
    let times: Vec<i64> = out.iter().map(|event| event.t.0 / 1_000_000).collect();
    assert_eq!(times, [0, 1_250, 86_400_500]);
    let mut ticks =
        only("{uptime:integer} {item:word} {value:word}\"\nevent = \"change", "[clock]\nunit = \"4ms\"");
    let mut out = Vec::new();
    ticks.push(None, 0, b"1000 a 1\n1250 a 2\n", &mut out);
    assert_eq!(out[1].t, Nanoseconds::from_millis(1_000));
}

/// One message in the ways in which programs print bytes; the operand is that of "volume up" in HDMI 1.4, CEC table 27.
#[test]
fn bytes_are_read_in_every_dress() {
    for row in ["04 44 41", "04:44:41", "04-44-41", "04.44.41", "0x04 0x44 0x41", "044441"] {
        let mut decoder = only("rx {message:bytes}\"\nevent = \"message", "");
        let mut out = Vec::new();
        decoder.push(None, 0, format!("rx {row}\n").as_bytes(), &mut out);
        assert_eq!(out.len(), 1, "{row}");
        assert_eq!(out[0].key.map(|key| key.name()), Some("KEY_VOLUMEUP"), "{row}");
    }
}

#[test]
fn a_reading_with_decimals_is_in_volts_and_counts_millivolts() {
    let file = "[chassis]\nname = \"v\"\nversion = 1\nabout = \"a\"\nsource = \"s\"\n\
                [[record]]\nshape = \"in {K:seconds}V {_n:integer}\"\nevent = \"reading\"\n\
                [[line]]\nname = \"K\"\nfull_scale = 3300\nsupply_volts = 3.3\ndebounce = 2\n\
                key = [{ name = \"KEY_OK\", counts = 420 }]\n";
    let chassis = Chassis::parse(std::path::Path::new("v.toml"), file).unwrap();
    let mut decoder = TextDecoder::new(Arc::new(chassis), "capture".into());
    let mut out = Vec::new();
    decoder.push(None, 0, b"in 3.298V 1\nin 0.4215V 2\nin 0.42V 3\nin 3.9V 4\n", &mut out);
    let counts: Vec<_> = out.iter().filter_map(|event| Some((event.kind, event.counts?))).collect();
    assert_eq!(counts[..2], [(EventKind::Reading, 3298), (EventKind::Reading, 421)]);
    let press = out.iter().find(|event| event.kind == EventKind::Press).unwrap();
    assert!(press.volts.is_some_and(|volts| (volts - 0.42).abs() < 1e-6), "{press:?}");
    assert_eq!(decoder.counters().damaged, 1, "3.9 V is beyond the line's range");
}
