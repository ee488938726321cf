//! Walks every declared format, so that a rule holds for formats that nobody has written yet.

use rand_pcg::Pcg64;
use rand_pcg::rand_core::{Rng, SeedableRng};
use straykey::base::EventKind;
use straykey::decode::infrared::{Code, Format, encode, encode_press};

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
        if encode(format, code).is_ok() {
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
