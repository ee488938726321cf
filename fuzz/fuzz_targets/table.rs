//! Tables of samples: no bytes make the reader panic, changes come in the order of time, and the delivery
//! does not matter.
#![no_main]

mod drip;

use libfuzzer_sys::fuzz_target;
use straykey::source::csv::{CsvOptions, CsvSource};
use straykey::source::{Change, SampleSource};

fn read(bytes: &[u8], most: usize, rate: Option<f64>) -> (Vec<Change>, Option<String>) {
    let mut all = Vec::new();
    let outcome = CsvSource::new(drip::drip(bytes, most), CsvOptions { sample_rate_hz: rate }).and_then(
        |mut source| {
            while source.pull(&mut all)? {}
            Ok(())
        },
    );
    assert!(all.windows(2).all(|pair| pair[0].t <= pair[1].t), "in the order of time");
    (all, outcome.err().map(|error| error.to_string()))
}

fuzz_target!(|bytes: &[u8]| {
    let Some((first, bytes)) = bytes.split_first() else { return };
    let rate = (first % 2 == 1).then_some(1e6);
    assert_eq!(read(bytes, usize::MAX, rate), read(bytes, 1 + bytes.len() % 7, rate));
});
