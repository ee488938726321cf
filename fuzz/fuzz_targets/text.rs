//! Debug text and binary frames: no bytes make a decoder panic, time never falls, memory stays small, and the
//! delivery does not matter.
#![no_main]

use std::sync::{Arc, LazyLock};

use libfuzzer_sys::fuzz_target;
use straykey::base::{Event, Nanoseconds};
use straykey::decode::Counters;
use straykey::decode::chassis::Chassis;
use straykey::decode::library::Library;
use straykey::decode::text::TextDecoder;

static CHASSIS: LazyLock<Vec<Arc<Chassis>>> =
    LazyLock::new(|| Library::shipped().expect("shipped files are right").all().cloned().collect());

/// `gap` is where bytes are missing, if any are.
fn decode(
    chassis: &Arc<Chassis>,
    bytes: &[u8],
    piece: usize,
    arrivals: bool,
    gap: Option<usize>,
) -> (Vec<Event>, Counters) {
    let mut decoder = TextDecoder::new(Arc::clone(chassis), "fuzz".into());
    let mut events = Vec::new();
    let mut offset = 0;
    let (before, after) = bytes.split_at(gap.unwrap_or(bytes.len()));
    for (i, part) in [before, after].into_iter().enumerate() {
        if i > 0 && gap.is_some() {
            decoder.cut(&mut events);
        }
        for chunk in part.chunks(piece) {
            // Every byte arrives at one instant, so that pieces of any size say the same.
            let arrival = arrivals.then_some(Nanoseconds(5));
            decoder.push(arrival, offset, chunk, &mut events);
            offset += chunk.len() as u64;
            assert!(decoder.held_bytes() <= 66_000);
        }
    }
    decoder.finish(&mut events);
    (events, decoder.counters())
}

fuzz_target!(|data: &[u8]| {
    let Some((choice, bytes)) = data.split_first() else { return };
    let Some(chassis) = CHASSIS.get(usize::from(choice & 0x0f) % CHASSIS.len()) else { return };
    let arrivals = choice & 0x80 != 0;
    let gap = (choice & 0x40 != 0).then_some(bytes.len() / 2);
    let (whole, counters) = decode(chassis, bytes, usize::MAX, arrivals, gap);
    let (pieces, others) = decode(chassis, bytes, 1 + bytes.len() % 7, arrivals, gap);
    assert_eq!(whole, pieces);
    assert_eq!(counters, others);
    assert_eq!(counters.records, counters.decoded + counters.damaged + counters.not_mine);
    let mut last = Nanoseconds(i64::MIN);
    for event in &whole {
        assert!(event.t >= last, "time never falls");
        last = event.t;
        if let (Some(offset), Some(length)) = (event.offset, event.length) {
            assert!(offset + u64::from(length) <= bytes.len() as u64, "the place lies in the capture");
        }
    }
});
