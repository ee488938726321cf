//! Walks every declared format, so that a rule holds for formats that nobody has written yet.

use std::collections::BTreeSet;
use std::sync::Arc;

use rand_pcg::Pcg64;
use rand_pcg::rand_core::{Rng, SeedableRng};
use straykey::base::EventKind;
use straykey::decode::infrared::{Code, Format, Formats, encode, encode_press};

use super::{decode, shipped};

#[test]
fn every_example_of_every_format_file_decodes_to_what_its_source_says() {
    let formats = shipped();
    let mut wrong = Vec::new();
    for (path, example) in formats.examples() {
        if let Err(what) = example.check(&formats) {
            wrong.push(format!("{}: {what} ({})", path.display(), example.source));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
    // 26 worked frames and one bare repeat stand in the files.
    assert!(formats.examples().len() >= 26, "{}", formats.examples().len());
}

/// A random code that the format can carry.
pub(super) fn random_code(format: &Format, random: &mut Pcg64) -> Code {
    let (address, command) = format.widths();
    let bits = |width: u32, value: u32| if width == 0 { 0 } else { value >> (32 - width) };
    loop {
        let code = Code {
            address: bits(address, random.next_u32()),
            command: bits(command, random.next_u32()),
            toggle: random.next_u32() & 1 == 1,
        };
        // One bit from the address and its inverse: alone such a frame is no key, it may be a damaged one.
        let kin =
            format.name().ends_with("-16") && (!(code.address ^ code.address >> 8) & 0xff).count_ones() == 1;
        if !kin && encode(format, code).is_ok() {
            return code;
        }
    }
}

#[test]
fn every_format_decodes_what_it_encodes_and_no_other_claims_it() {
    let formats = shipped();
    let mut random = Pcg64::seed_from_u64(1);
    for format in formats.all() {
        for _ in 0..100 {
            let code = random_code(format, &mut random);
            let lengths = encode_press(format, code, 2).unwrap();
            let events = decode(&formats, &lengths);
            let press = &events[0];
            let told = format!("{} {code:x?}: {events:#?}", format.name());
            assert_eq!(press.kind, EventKind::Press, "{told}");
            assert_eq!(press.format.as_deref(), Some(format.name()), "{told}");
            assert_eq!(press.command, Some(code.command), "{told}");
            if format.widths().0 > 0 {
                assert_eq!(press.address, Some(code.address), "{told}");
            }
            let toggle = format.has_toggle().then_some(code.toggle);
            assert_eq!(press.toggle, toggle, "{told}");
            let kinds: Vec<_> = events.iter().map(|event| event.kind).collect();
            use EventKind::{Press, Release, Repeat};
            assert_eq!(kinds, [Press, Repeat, Repeat, Release], "{told}");
            assert!(events.iter().all(|event| event.format == press.format), "{told}");
        }
    }
}

#[test]
fn no_format_by_itself_claims_the_frame_of_another_but_where_a_file_says_why() {
    let all = shipped();
    let mut random = Pcg64::seed_from_u64(2);
    let alone = |name: &str| {
        let path = format!("protocols/remote/{name}.toml");
        let text = straykey::decode::shipped::folder(&path).next().unwrap().1;
        Arc::new(Formats::parse(std::path::Path::new(&path), text).unwrap())
    };
    let mut claimed = BTreeSet::new();
    for other in all.all() {
        let only = alone(other.name());
        for format in all.all().iter().filter(|format| format.name() != other.name()) {
            for _ in 0..30 {
                let code = random_code(format, &mut random);
                let events = decode(&only, &encode_press(format, code, 1).unwrap());
                // An orphan repeat is no code: families share their short repeat frames.
                if events.iter().any(|event| event.command.is_some()) {
                    claimed.insert((format.name(), other.name()));
                }
            }
        }
    }
    let listed: BTreeSet<_> = all
        .all()
        .iter()
        .flat_map(|format| format.shares().iter().map(|share| (format.name(), share.format.as_str())))
        .collect();
    assert!(claimed.is_subset(&listed), "{claimed:?} {listed:?}");
    let reasons = all.all().iter().flat_map(|format| format.shares());
    assert!(reasons.into_iter().all(|share| share.reason.len() > 20 && all.find(&share.format).is_some()));
}
