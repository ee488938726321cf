//! Edges of any spacing: no bus makes the CEC decoder or the reader of messages panic, every event lies inside the
//! capture, and any bytes are a message.
#![no_main]

use libfuzzer_sys::fuzz_target;
use straykey::base::Nanoseconds;
use straykey::decode::cec::{Decoder, Keys, message};
use straykey::signal::{Edge, Level};

fuzz_target!(|bytes: &[u8]| {
    // A byte is 0 to 5.1 ms, which spans the start bit and the longest data bit; 255 is a long silence.
    let mut t = Nanoseconds(0);
    let mut level = Level::High;
    let mut decoder = Decoder::new("fuzz".into()).expect("the shipped table is right");
    let mut events = Vec::new();
    for byte in bytes {
        t = t + Nanoseconds(if *byte == 255 { 700_000_000 } else { i64::from(*byte) * 20_000 + 1 });
        level = if level == Level::High { Level::Low } else { Level::High };
        decoder.push(Edge { t, level, offset: 0 }, &mut events);
    }
    decoder.finish(t, &mut events);
    let counters = decoder.counters();
    assert!(counters.decoded + counters.damaged <= counters.records, "frames and near-frames are records");
    for event in &events {
        assert!(event.t.0 >= 0 && event.t <= t, "inside the capture");
    }
    let mut keys = Keys::new();
    let mut said = Vec::new();
    for (index, piece) in bytes.chunks(5).enumerate() {
        let now = Nanoseconds(index as i64 * 150_000_000);
        keys.push(message(piece, now), &mut said);
    }
    keys.finish(Nanoseconds(i64::MAX), &mut said);
});
