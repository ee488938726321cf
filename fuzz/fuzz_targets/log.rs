//! Text logs: no bytes make the reader panic, time never falls, and the delivery does not matter.
#![no_main]

mod drip;

use libfuzzer_sys::fuzz_target;
use straykey::source::text::TextLog;
use straykey::source::{ByteSource, Pulled, recognise, text_remark};

fn read(bytes: &[u8], most: usize) -> Vec<(Option<i64>, u8)> {
    let mut log = TextLog::new(drip::drip(bytes, most)).expect("a slice can be read");
    let mut all = Vec::new();
    let mut last = None;
    loop {
        match log.pull().expect("a slice can be read") {
            Pulled::Chunk(chunk) => {
                let arrival = chunk.arrival.map(|t| t.0);
                assert!(arrival >= last, "time never falls");
                last = arrival;
                let at = usize::try_from(chunk.offset).expect("small");
                assert_eq!(chunk.bytes, &bytes[at..at + chunk.bytes.len()], "the offset says where");
                all.extend(chunk.bytes.iter().map(|byte| (arrival, *byte)));
            }
            Pulled::Mark(_) => {}
            Pulled::Quiet(_) => panic!("a file is never quiet"),
            Pulled::End => return all,
        }
    }
}

fuzz_target!(|bytes: &[u8]| {
    let _ = (recognise(bytes), text_remark(bytes));
    assert_eq!(read(bytes, usize::MAX), read(bytes, 1 + bytes.len() % 7));
});
