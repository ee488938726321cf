//! Timing errors: inside the declared limits every frame is read, beyond them no checked format gives a wrong
//! code, and what almost was a frame is named.

use rand_pcg::Pcg64;
use rand_pcg::rand_core::{Rng, SeedableRng};
use straykey::base::{Event, EventKind, Nanoseconds};
use straykey::decode::infrared::{Code, Decoder, Format, Formats, encode, encode_press, pulses};

use super::formats::random_code;
use super::{decode, shipped};

/// Uniform in -1 to 1.
fn unit(random: &mut Pcg64) -> f64 {
    f64::from(random.next_u32()) / f64::from(u32::MAX) * 2.0 - 1.0
}

/// What a receiver makes of a frame: clock error, stretch (marks longer, spaces shorter), jitter per length.
fn receive(
    lengths: &[Nanoseconds],
    clock: f64,
    stretch_us: f64,
    mut jitter_us: impl FnMut() -> f64,
) -> Vec<Nanoseconds> {
    let receive = |(i, length): (usize, &Nanoseconds)| {
        let sign = if i % 2 == 0 { 1.0 } else { -1.0 };
        let micros = length.micros() * clock + sign * stretch_us + jitter_us();
        Nanoseconds((micros.max(1.0) * 1e3).round() as i64)
    };
    lengths.iter().enumerate().map(receive).collect()
}

/// A stretch within the receiver data sheet's limits: -5 to +6 periods of the carrier (Vishay TSOP48..).
fn random_stretch(format: &Format, random: &mut Pcg64) -> f64 {
    let period = 1e6 / format.carrier_hz();
    period * (0.5 + 5.5 * unit(random))
}

#[test]
fn every_frame_within_the_limits_is_read_with_its_stretch_and_clock() {
    let formats = shipped();
    let mut random = Pcg64::seed_from_u64(5);
    let mut shared = 0;
    let trials = if cfg!(debug_assertions) { 400 } else { 20_000 };
    for format in formats.all() {
        for _ in 0..trials {
            let code = random_code(format, &mut random);
            let clock = 1.0 + 0.95 * format.clock_limit() * unit(&mut random);
            let stretch = random_stretch(format, &mut random);
            let jitter = 0.6 * format.tolerance_us();
            let lengths = encode_press(format, code, 1).unwrap();
            let received = receive(&lengths, clock, stretch, || jitter * unit(&mut random));
            let events = decode(&formats, &received);
            // Where a file says that another format may claim the frame, it may; as a key it counts for nothing.
            let claims = |event: &Event| {
                format.shares().iter().any(|share| event.format.as_deref() == Some(&*share.format))
            };
            if events.iter().any(claims) {
                assert!(
                    events.iter().filter(|event| claims(event)).all(|event| event.kind == EventKind::Frame)
                );
                shared += 1;
                continue;
            }
            let told = || format!("{} {code:x?} clock {clock} stretch {stretch}: {events:#?}", format.name());
            assert_eq!(events[0].kind, EventKind::Press, "{}", told());
            assert_eq!(events[0].format.as_deref(), Some(format.name()), "{}", told());
            assert_eq!(events[0].command, Some(code.command), "{}", told());
            assert!(events.iter().all(|event| event.kind != EventKind::Noise), "{}", told());
        }
    }
    // The exception stays one.
    assert!(shared <= trials / 2_000, "{shared}");
}

/// `stretch +34 µs, clock -1.2 %` of a note.
fn estimates(event: &Event) -> (f64, f64) {
    let note = event.note.as_deref().unwrap();
    let stretch = note.strip_prefix("stretch ").unwrap().split_once(" µs").unwrap().0;
    let clock = note.split_once("clock ").unwrap().1.split_once(" %").unwrap().0;
    (stretch.parse().unwrap(), clock.parse().unwrap())
}

#[test]
fn stretch_and_clock_are_found_from_one_frame() {
    let formats = shipped();
    let mut random = Pcg64::seed_from_u64(6);
    for format in formats.all() {
        for _ in 0..20 {
            let code = random_code(format, &mut random);
            let clock = 1.0 + 0.05 * unit(&mut random);
            let stretch = random_stretch(format, &mut random);
            let received = receive(&encode_press(format, code, 1).unwrap(), clock, stretch, || 0.0);
            let events = decode(&formats, &received);
            let (found_stretch, found_clock) = estimates(&events[0]);
            // Half a microsecond and half a tenth of a percent are the rounding of the note.
            assert!((found_stretch - stretch).abs() <= 0.6, "{}: {found_stretch} {stretch}", format.name());
            assert!((found_clock - (clock - 1.0) * 100.0).abs() <= 0.06, "{}: {found_clock}", format.name());
        }
    }
}

/// Presses of checked formats that are not the code sent; what came out right counts apart.
struct Tally<'a> {
    formats: &'a std::sync::Arc<Formats>,
    right: u64,
    wrong: Vec<String>,
}

impl Tally<'_> {
    fn judge(&mut self, format: &Format, code: Code, lengths: &[Nanoseconds]) {
        let mut decoder = Decoder::new(self.formats.clone(), "test".into());
        let mut events = Vec::new();
        for pulse in pulses(Nanoseconds::SECOND, lengths) {
            decoder.push(pulse, &mut events);
        }
        decoder.finish(Nanoseconds(3_000_000_000), &mut events);
        for event in events.iter().filter(|event| event.kind == EventKind::Press) {
            let same = event.format.as_deref() == Some(format.name())
                && event.command == Some(code.command)
                && event.address == Some(code.address);
            if same { self.right += 1 } else { self.wrong.push(format!("{code:x?}: {event:#?}")) }
        }
    }
}

fn trials() -> u64 {
    if cfg!(debug_assertions) { 10_000 } else { 1_000_000 }
}

#[test]
fn jitter_beyond_the_limits_never_gives_a_wrong_code_from_a_checked_format() {
    let formats = shipped();
    let checked: Vec<_> = formats.all().iter().filter(|format| format.is_checked()).collect();
    assert!(checked.len() >= 7);
    let mut random = Pcg64::seed_from_u64(7);
    let mut tally = Tally { formats: &formats, right: 0, wrong: Vec::new() };
    for i in 0..trials() {
        let format = checked[i as usize % checked.len()];
        let code = random_code(format, &mut random);
        let clock = 1.0 + 2.0 * format.clock_limit() * unit(&mut random);
        let stretch = 1.5 * random_stretch(format, &mut random);
        let jitter = format.tolerance_us() * (0.8 + 2.0 * unit(&mut random).abs());
        let lengths = encode(format, code).unwrap();
        let received = receive(&lengths, clock, stretch, || jitter * unit(&mut random));
        tally.judge(format, code, &received);
    }
    assert!(tally.wrong.is_empty(), "{} wrong, first {}", tally.wrong.len(), tally.wrong[0]);
    // Otherwise nothing was near enough to be mistaken.
    assert!(tally.right > trials() / 200, "{}", tally.right);
}

#[test]
fn one_length_wrong_by_any_amount_never_gives_a_wrong_code_where_checks_cover_all_bits() {
    let formats = shipped();
    // The 16-bit addresses of the others stand in the frame once: no decoder can see one bit of them turn.
    let covered = ["nec", "nec-4500", "rca", "sharp-15", "denon-15", "aeha-48"];
    let covered = covered.map(|name| formats.find(name).unwrap());
    let mut random = Pcg64::seed_from_u64(8);
    let mut tally = Tally { formats: &formats, right: 0, wrong: Vec::new() };
    for i in 0..trials() {
        let format = covered[i as usize % covered.len()];
        let code = random_code(format, &mut random);
        let mut lengths = encode(format, code).unwrap();
        let at = random.next_u32() as usize % lengths.len();
        let error = 2_500.0 * unit(&mut random);
        lengths[at] = Nanoseconds(((lengths[at].micros() + error).max(1.0) * 1e3) as i64);
        tally.judge(format, code, &lengths);
    }
    assert!(tally.wrong.is_empty(), "{} wrong, first {}", tally.wrong.len(), tally.wrong[0]);
    assert!(tally.right > trials() / 50, "{}", tally.right);
}

fn note(event: &Event) -> &str {
    event.note.as_deref().unwrap_or_default()
}

#[test]
fn a_near_frame_names_the_bit_and_by_how_much_it_failed() {
    let formats = shipped();
    let nec = formats.find("nec").unwrap();
    let frame = encode(nec, Code { address: 4, command: 8, toggle: false }).unwrap();
    // Leader, then the 20th bit: the space of its 1 is lengthened by 500 µs.
    let mut late = frame.clone();
    late[2 + 2 * 19 + 1] = late[2 + 2 * 19 + 1] + Nanoseconds::from_micros(500);
    let events = decode(&formats, &late);
    assert_eq!(events.len(), 1, "{events:#?}");
    assert_eq!((events[0].kind, events[0].format.as_deref()), (EventKind::Noise, Some("nec")));
    assert!(note(&events[0]).contains("bit 20 of 32"), "{}", note(&events[0]));
    // A data bit turned: the check that fails and the bits that disagree are named.
    let mut turned = frame.clone();
    turned[2 + 2 * 20 + 1] = turned[2 + 2 * 20 + 1] + Nanoseconds::from_micros(1125);
    let events = decode(&formats, &turned);
    assert_eq!(events.len(), 1, "{events:#?}");
    assert!(note(&events[0]).contains("check c = not C fails in 1 bits"), "{}", note(&events[0]));
    assert!(note(&events[0]).contains("bit 29 of 32"), "{}", note(&events[0]));
    // Cut short.
    let events = decode(&formats, &frame[..2 + 2 * 22 + 1]);
    assert!(note(&events[0]).contains("22 of 32 bits, then quiet"), "{}", note(&events[0]));
}

#[test]
fn a_sirc_frame_that_is_cut_short_is_no_key_of_a_shorter_form() {
    // A 20-bit frame after 15 bits and after 12: as frames they are legal, as keys they need a second one.
    let formats = shipped();
    let long = formats.find("sirc-20").unwrap();
    let frame = encode(long, Code { address: 0x55a, command: 0x15, toggle: false }).unwrap();
    for bits in [12, 15] {
        let events = decode(&formats, &frame[..2 + 2 * bits - 1]);
        assert_eq!(events.len(), 1, "{events:#?}");
        assert_eq!(events[0].kind, EventKind::Frame, "{events:#?}");
    }
}
