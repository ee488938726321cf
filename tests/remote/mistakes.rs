//! Wrong format files and wrong input.

use std::path::Path;
use std::sync::Arc;

use rand_pcg::Pcg64;
use rand_pcg::rand_core::{Rng, SeedableRng};
use straykey::base::{EventKind, Nanoseconds};
use straykey::decode::infrared::{Code, Decoder, Formats, encode};
use straykey::decode::shipped;
use straykey::signal::Pulse;

fn nec() -> &'static str {
    shipped::folder("protocols/remote/nec.toml").next().unwrap().1
}

#[test]
fn a_mistake_in_a_format_file_is_shown_at_its_place() {
    for (right, wrong, words) in [
        ("layout     = \"AAAAAAAA aaaaaaaa", "layout     = \"AAAAAAAA aaaa?aaa", "'?' means nothing"),
        ("layout     = \"AAAAAAAA aaaaaaaa", "layout     = \"AAAAAAAA aaaaAaaa", "do not stand together"),
        ("command    = \"C\"", "command    = \"X\"", "no field 'X'"),
        ("\"c = not C\"", "\"c is not C\"", "a check reads"),
        ("\"c = not C\"", "\"c = nit C\"", "right side"),
        ("unit_us    = 562.5", "unit_us    = 0", "no such unit"),
        ("carrier_hz = 38_000", "carrier_hz = 38", "no such carrier"),
        ("tolerance  = 0.4", "tolerance  = 4", "no such tolerance"),
        ("tolerance  = 0.4", "tolerance  = nan", "no such tolerance"),
        ("quiet_us   = 3_000", "quiet_us   = 1_000", "no such quiet time"),
        ("quiet_us   = 3_000", "quiet_us   = inf", "no such quiet time"),
        ("one = [1, 3]", "one = [1, 1e9]", "no such"),
        ("order      = \"lsb\"", "order      = \"lbs\"", "unknown variant `lbs`"),
        ("frame = \"short\", leader = [16, 4],", "frame = \"short\",", "the repeat is not complete"),
        ("version    = 1", "versoin    = 1", "versoin"),
        ("name       = \"nec\"", "name       = \"NEC 1\"", "not a plain word"),
    ] {
        assert!(nec().contains(right), "{right}");
        let text = nec().replacen(right, wrong, 1);
        let error = Formats::parse(Path::new("nec.toml"), &text).unwrap_err();
        let shown = error.to_string();
        assert!(shown.contains(words), "{words}: {shown}");
        assert_eq!(error.exit_status(), 3);
        let line = nec()[..nec().find(right).unwrap()].lines().count() as u64;
        assert!(error.place().line.is_some_and(|at| at == line || at == line + 1), "{shown}");
    }
}

#[test]
fn a_biphase_format_whose_beginning_cannot_be_found_is_refused() {
    let text = shipped::folder("protocols/remote/rc-5.toml").next().unwrap().1;
    let text = text.replacen("\"1 1 T AAAAA CCCCCC\"", "\"SS T AAAAA CCCCCC\"", 1);
    let error = Formats::parse(Path::new("rc-5.toml"), &text).unwrap_err().to_string();
    assert!(error.contains("the beginning of a frame cannot be found"), "{error}");
}

#[test]
fn a_file_of_neither_kind_is_refused_and_a_command_twice_too() {
    let error = Formats::parse(Path::new("empty.toml"), "").unwrap_err().to_string();
    assert!(error.contains("neither a [format] nor a [remote]"), "{error}");
    let table = "[remote]\nname='a'\nversion=1\nabout=''\nsource=''\nformat='nec'\naddress=1\n\
                 key=[{command=1,name='KEY_OK'},{command=1,name='KEY_UP'}]";
    let error = Formats::parse(Path::new("a.toml"), table).unwrap_err().to_string();
    assert!(error.contains("stands twice"), "{error}");
    let error = Formats::parse(Path::new("a.toml"), &table.replace("KEY_UP", "KEY_UPP")).unwrap_err();
    assert!(error.to_string().contains("did you mean KEY_UP"), "{error}");
}

#[test]
fn a_later_file_of_the_same_name_wins() {
    let changed = nec().replacen("version    = 1", "version    = 7", 1);
    let files = shipped::folder("protocols/remote/").map(|(path, text)| (Path::new(path), text));
    let formats = Formats::load(files.chain([(Path::new("my/nec.toml"), changed.as_str())])).unwrap();
    assert_eq!(formats.all().iter().filter(|format| format.name() == "nec").count(), 1);
    let nec = formats.find("nec").unwrap().clone();
    let frame = encode(&nec, Code { address: 4, command: 8, toggle: false }).unwrap();
    let events = super::decode(&Arc::new(formats), &frame);
    assert_eq!(events[0].decoder.as_deref(), Some("nec@7"));
}

#[test]
fn a_code_that_a_format_cannot_carry_is_refused() {
    let formats = super::shipped();
    let refuse = |name: &str, address, command| {
        let error =
            encode(formats.find(name).unwrap(), Code { address, command, toggle: false }).unwrap_err();
        assert_eq!(error.exit_status(), 2);
    };
    refuse("nec", 256, 0);
    refuse("nec", 0, 256);
    refuse("nec-16", 0xff00, 1); // inverse bytes are the plain form
    refuse("rc-5", 32, 0);
    refuse("rc-5", 0, 64); // the extended form's
    refuse("rc-5x", 0, 63);
}

#[test]
fn impossible_pulses_do_no_harm_and_memory_stays_bounded() {
    let formats = super::shipped();
    let mut decoder = Decoder::new(formats, "test".into());
    let mut events = Vec::new();
    let lengths = [0, -5, i64::MAX, i64::MIN, 1, 4_000_000_000_000, 562_500, 9_000_000];
    for i in 0..200_000usize {
        let length = Nanoseconds(lengths[i * 7 % lengths.len()]);
        // Marks and spaces out of turn, time standing still and running back.
        let t = [Nanoseconds(i as i64 % 1000 * 1_000), Nanoseconds(i64::MAX), Nanoseconds(i64::MIN)];
        let t = t[usize::from(i % 1009 == 0) * (1 + i % 2)];
        let pulse = Pulse { t, mark: i % 3 != 0, length, offset: 0 };
        decoder.push(pulse, &mut events);
        decoder.tick(Nanoseconds(i as i64), &mut events);
    }
    decoder.finish(Nanoseconds::ZERO, &mut events);
    assert!(events.iter().all(|event| event.kind == EventKind::Noise), "{events:#?}");
    // A window of noise ends at each leap of time.
    assert!(events.len() < 17 * 2 * 200_000 / 1009, "{}", events.len());
}

#[test]
fn a_frame_of_two_parts_needs_equal_parts_and_a_pause() {
    let text = shipped::folder("protocols/remote/sharp-15.toml").next().unwrap().1;
    for (right, wrong, words) in [
        ("pause_us   = 40_000\n", "", "needs pause_us"),
        ("pause_us   = 40_000", "pause_us   = 5_000", "no such pause"),
        ("pause_us   = 40_000", "pause_us   = nan", "no such pause"),
        ("10 | aaaaa cccccccc 01", "10", "has no pause"),
        ("10 | aaaaa cccccccc 01", "10 | aaaaa cccccccc", "different lengths"),
        ("10 | aaaaa cccccccc 01", "10 |", "empty part"),
    ] {
        assert!(text.contains(right), "{right}");
        let text = text.replacen(right, wrong, 1).replace("check      = [\"a = A\", \"c = not C\"]\n", "");
        let error = Formats::parse(Path::new("sharp-15.toml"), &text).unwrap_err().to_string();
        assert!(error.contains(words), "{words}: {error}");
    }
}

/// Seeded damage to every shipped format file: a byte changed, a stretch doubled or cut.
#[test]
fn no_damage_to_a_format_file_makes_it_or_its_decoder_panic() {
    let mut random = Pcg64::seed_from_u64(14);
    let mut usable = 0;
    for (path, text) in shipped::folder("protocols/remote/") {
        for _ in 0..if cfg!(debug_assertions) { 150 } else { 5_000 } {
            let mut bytes = text.as_bytes().to_vec();
            for _ in 0..1 + random.next_u32() % 3 {
                let at = random.next_u32() as usize % bytes.len();
                let until = (at + 1 + random.next_u32() as usize % 8).min(bytes.len());
                match random.next_u32() % 4 {
                    0 => bytes[at] = b"0123456789.-e,[]|() aAcC\""[random.next_u32() as usize % 25],
                    1 => drop(bytes.drain(at..until)),
                    2 => bytes.extend_from_within(at..until),
                    _ => {
                        let copy = bytes[at..until].to_vec();
                        bytes.splice(at..at, copy);
                    }
                }
            }
            let text = String::from_utf8_lossy(&bytes);
            let Ok(formats) = Formats::parse(Path::new(path), &text) else { continue };
            usable += 1;
            let formats = Arc::new(formats);
            let code = Code { address: random.next_u32() & 7, command: random.next_u32() & 7, toggle: false };
            let mut lengths: Vec<Nanoseconds> =
                (0..200).map(|_| Nanoseconds(i64::from(random.next_u32() % 12_000_000))).collect();
            for format in formats.all() {
                lengths.extend(encode(format, code).unwrap_or_default());
            }
            super::decode(&formats, &lengths);
        }
    }
    assert!(usable > 100, "{usable}");
}
