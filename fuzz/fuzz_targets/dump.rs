//! Value change dumps: no bytes make the reader panic, the delivery does not matter, and what was read can be
//! written and reads back the same.
#![no_main]

mod drip;

use libfuzzer_sys::fuzz_target;
use straykey::base::Nanoseconds;
use straykey::source::vcd::{VcdOptions, VcdSource, Writer};
use straykey::source::{Change, Channel, SampleSource};

type Read = (Vec<Channel>, Vec<Change>, Option<String>);

fn read(bytes: &[u8], most: usize) -> Read {
    let mut all = Vec::new();
    let mut channels = Vec::new();
    let options = VcdOptions::default();
    let outcome = VcdSource::new(drip::drip(bytes, most), options).and_then(|mut source| {
        channels = source.channels().to_vec();
        while source.pull(&mut all)? {}
        Ok(())
    });
    (channels, all, outcome.err().map(|error| error.to_string()))
}

/// Not by `==`, because a real that is no number equals nothing.
fn shown(changes: &[Change]) -> Vec<String> {
    changes.iter().map(|change| format!("{} {} {:?}", change.t, change.channel, change.value)).collect()
}

fuzz_target!(|bytes: &[u8]| {
    let (channels, changes, error) = read(bytes, usize::MAX);
    let (_, drops, other) = read(bytes, 1 + bytes.len() % 7);
    assert_eq!((shown(&changes), &error), (shown(&drops), &other));
    let Some(last) = changes.last() else { return };
    let mut writer = Writer::new(Vec::new(), &channels, Nanoseconds::ZERO, "fuzz").expect("memory");
    for change in &changes {
        writer.change(change.t, change.channel, change.value).expect("in order");
    }
    let file = writer.finish(last.t).expect("in order");
    let (_, again, error) = read(&file, usize::MAX);
    assert_eq!((shown(&changes), None), (shown(&again), error));
});
