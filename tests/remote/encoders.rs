//! Frames made by encoders that are not ours.

use infrared::protocol::nec::{Nec16Command, NecCommand, SamsungNecCommand};
use infrared::protocol::rc5::Rc5Command;
use infrared::protocol::rc6::Rc6Command;
use infrared::protocol::{Nec, Nec16, Rc5, Rc6, SamsungNec};
use infrared::sender::ProtocolEncoder;
use straykey::base::{Event, EventKind, Nanoseconds};
use straykey::decode::infrared::{Decoder, pulses};

use super::shipped;

/// The crate `infrared` 0.14.2 at one tick a microsecond. Its list begins with an empty space; NEC frames lack
/// the stop mark and RC-5 frames the last half bit (`last`); a space at the end is not seen.
fn frame<P: ProtocolEncoder<1_000_000>>(command: &P::Cmd, last: Option<u32>) -> Vec<u32> {
    let mut buffer = [0u32; 128];
    let length = P::encode(command, &mut buffer);
    let mut lengths = buffer[1..length].to_vec();
    lengths.extend(last);
    if lengths.len() % 2 == 0 {
        lengths.pop();
    }
    lengths
}

/// Decodes frames that follow each other after 300 ms, each twice in its format's period.
fn decode(frames: &[Vec<u32>], gap_ms: i64) -> Vec<Event> {
    let formats = shipped();
    let mut lengths = Vec::new();
    for frame in frames {
        for gap in [gap_ms, 300] {
            lengths.extend(frame.iter().map(|length| Nanoseconds::from_micros(i64::from(*length))));
            lengths.push(Nanoseconds::from_millis(gap));
        }
    }
    let mut decoder = Decoder::new(formats, "test".into());
    let mut events = Vec::new();
    for pulse in pulses(Nanoseconds::SECOND, &lengths) {
        decoder.push(pulse, &mut events);
    }
    decoder.finish(Nanoseconds(i64::MAX / 2), &mut events);
    events.retain(|event| event.kind == EventKind::Press);
    events
}

type Known<'a> = (&'a str, u32, u32, Option<bool>);

fn codes(events: &[Event]) -> Vec<Known<'_>> {
    let code = |event| {
        let Event { format, address, command, toggle, .. }: &Event = event;
        (format.as_deref().unwrap_or_default(), address.unwrap(), command.unwrap(), *toggle)
    };
    events.iter().map(code).collect()
}

#[test]
fn nec_of_the_independent_crate_decodes_to_its_codes() {
    let all: Vec<(u8, u8)> = (0..=255).flat_map(|a| (0..=255).step_by(17).map(move |c| (a, c))).collect();
    let frames: Vec<_> = all
        .iter()
        .map(|&(addr, cmd)| frame::<Nec<NecCommand>>(&NecCommand { addr, cmd, repeat: false }, Some(563)))
        .collect();
    let events = decode(&frames, 40);
    let expected: Vec<_> = all.iter().map(|&(a, c)| ("nec", u32::from(a), u32::from(c), None)).collect();
    assert_eq!(codes(&events), expected);
}

#[test]
fn nec_16_of_the_independent_crate_decodes_to_its_codes() {
    let all: Vec<(u16, u8)> = (0..=u16::MAX).step_by(97).map(|a| (a, (a >> 3) as u8)).collect();
    let frames: Vec<_> = all
        .iter()
        .map(|&(addr, cmd)| frame::<Nec16>(&Nec16Command { addr, cmd, repeat: false }, Some(563)))
        .collect();
    let events = decode(&frames, 40);
    // Inverse bytes are a plain frame: the first byte on air is the low one.
    let expected: Vec<_> = all
        .iter()
        .map(|&(a, c)| match a.to_le_bytes() {
            [low, high] if high == !low => ("nec", u32::from(low), u32::from(c), None),
            _ => ("nec-16", u32::from(a), u32::from(c), None),
        })
        .collect();
    assert_eq!(codes(&events), expected);
}

#[test]
fn the_variant_with_the_short_leader_decodes_to_its_codes() {
    let all: Vec<(u8, u8)> = (0..=255).map(|a| (a, a ^ 0x5a)).collect();
    let frames: Vec<_> = all
        .iter()
        .map(|&(addr, cmd)| frame::<SamsungNec>(&SamsungNecCommand { addr, cmd, repeat: false }, Some(563)))
        .collect();
    let events = decode(&frames, 47);
    let expected: Vec<_> = all.iter().map(|&(a, c)| ("nec-4500", u32::from(a), u32::from(c), None)).collect();
    assert_eq!(codes(&events), expected);
}

#[test]
fn rc_5_of_the_independent_crate_decodes_to_its_codes() {
    let all: Vec<(u8, u8, bool)> =
        (0..32).flat_map(|a| (0..64).flat_map(move |c| [(a, c, false), (a, c, true)])).collect();
    let frames: Vec<_> = all
        .iter()
        .map(|&(addr, cmd, toggle)| frame::<Rc5>(&Rc5Command::new(addr, cmd, toggle), Some(889)))
        .collect();
    let events = decode(&frames, 89);
    let expected: Vec<_> =
        all.iter().map(|&(a, c, t)| ("rc-5", u32::from(a), u32::from(c), Some(t))).collect();
    assert_eq!(codes(&events), expected);
}

#[test]
fn rc_6_of_the_independent_crate_decodes_to_its_codes() {
    let all: Vec<(u8, u8, bool)> =
        (0..=255u8).flat_map(|a| [(a, a.wrapping_mul(37), false), (a, a.wrapping_mul(91), true)]).collect();
    let frames: Vec<_> = all
        .iter()
        .map(|&(addr, cmd, toggle)| frame::<Rc6>(&Rc6Command { addr, cmd, toggle }, None))
        .collect();
    let events = decode(&frames, 84);
    let expected: Vec<_> =
        all.iter().map(|&(a, c, t)| ("rc-6-0", u32::from(a), u32::from(c), Some(t))).collect();
    assert_eq!(codes(&events), expected);
}

/// Frames of PyPI infrared-protocols 10.7.0: `tests/reference/infrared.py` writes the table; a fresh one in the
/// folder that `STRAYKEY_REFERENCE` names is taken before the committed one.
#[test]
fn frames_of_the_independent_python_package_decode_to_their_codes() {
    let folder = std::env::var_os("STRAYKEY_REFERENCE").map_or_else(
        || std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/reference"),
        std::path::PathBuf::from,
    );
    let path = folder.join("infrared.csv");
    let table = std::fs::read_to_string(&path)
        .unwrap_or_else(|error| panic!("{}: {error}; run tests/reference/infrared.py first", path.display()));
    let formats = shipped();
    let mut seen = std::collections::BTreeMap::new();
    for row in table.lines().filter(|row| !row.starts_with('#')) {
        let fields: Vec<&str> = row.split(',').collect();
        let &[format, address, command, toggle, lengths] = fields.as_slice() else { panic!("{row}") };
        let micros = lengths.split(' ').map(|length| Nanoseconds::from_micros(length.parse().unwrap()));
        let events = super::decode(&formats, &micros.collect::<Vec<_>>());
        let toggle = (!toggle.is_empty()).then_some(toggle == "1");
        let expected = (format, address.parse().unwrap(), command.parse().unwrap(), toggle);
        assert_eq!(events[0].kind, EventKind::Press, "{row}: {events:#?}");
        assert_eq!(codes(&events[..1]), [expected], "{row}");
        if format != "sharp-15" {
            assert_eq!(events[1].kind, EventKind::Repeat, "{row}: {events:#?}");
        }
        *seen.entry(format.to_owned()).or_insert(0) += 1;
    }
    // All that the package can send of ours; rca and denon-15 it cannot.
    assert!(seen.len() >= 12 && seen.values().all(|count| *count >= 5), "{seen:?}");
}
