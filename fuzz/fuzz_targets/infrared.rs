//! Marks and spaces of any length: no sequence makes the infrared decoder panic, the timeline stays in order, and when
//! the clock is told in between, the same is said.
#![no_main]

use std::sync::{Arc, LazyLock};

use libfuzzer_sys::fuzz_target;
use straykey::base::{Event, Nanoseconds};
use straykey::decode::infrared::{Decoder, Formats};
use straykey::signal::Pulse;

static FORMATS: LazyLock<Arc<Formats>> =
    LazyLock::new(|| Formats::shipped().expect("shipped files are right"));

/// Lengths near the units of real formats are the fruitful ones: two bytes are 0 to 16 ms in quarters of a
/// microsecond, except that the highest ones grow to seconds.
fn length(pair: [u8; 2]) -> Nanoseconds {
    let value = i64::from(u16::from_le_bytes(pair));
    Nanoseconds(if value < 0xf000 { value * 250 + 1 } else { (value - 0xefff) * 1_000_000 })
}

fn decode(pulses: &[Pulse], end: Nanoseconds, ticks: bool) -> Vec<Event> {
    let mut decoder = Decoder::new(Arc::clone(&FORMATS), "fuzz".into());
    let mut events = Vec::new();
    for pulse in pulses {
        if ticks {
            decoder.tick(pulse.t, &mut events);
        }
        decoder.push(*pulse, &mut events);
    }
    decoder.finish(end, &mut events);
    let counters = decoder.counters();
    assert!(counters.decoded + counters.damaged <= counters.records, "frames and near-frames are records");
    events
}

fuzz_target!(|bytes: &[u8]| {
    let mut t = Nanoseconds(0);
    let mut mark = true;
    let pulses: Vec<Pulse> = bytes
        .chunks_exact(2)
        .map(|pair| {
            let pulse = Pulse { t, length: length([pair[0], pair[1]]), mark, offset: 0 };
            t = t + pulse.length;
            mark = !mark;
            pulse
        })
        .collect();
    let events = decode(&pulses, t, false);
    assert_eq!(events, decode(&pulses, t, true));
    for event in &events {
        assert!(event.t.0 >= 0 && event.t <= t, "inside the capture");
    }
});
