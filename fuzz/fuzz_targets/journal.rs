//! Journals: no bytes make the reader panic, the delivery does not matter, time never falls, and what cannot be
//! read is counted.
#![no_main]

mod drip;

use libfuzzer_sys::fuzz_target;
use straykey::base::Nanoseconds;
use straykey::journal::{OwnedRecord, Reader, Recovered};

fn read(bytes: &[u8], most: usize) -> (Vec<OwnedRecord>, Option<Recovered>, Option<String>, Nanoseconds) {
    let mut reader = match Reader::new(drip::drip(bytes, most)) {
        Ok(reader) => reader,
        Err(error) => return (Vec::new(), None, Some(error.to_string()), Nanoseconds(0)),
    };
    let mut records = Vec::new();
    let error = loop {
        match reader.next_record() {
            Ok(Some(record)) => records.push(record),
            Ok(None) => break None,
            Err(error) => break Some(error.to_string()),
        }
    };
    (records, reader.recovered(), error, reader.now())
}

fuzz_target!(|bytes: &[u8]| {
    let whole = read(bytes, usize::MAX);
    let drops = read(bytes, 1 + bytes.len() % 7);
    assert_eq!(format!("{whole:?}"), format!("{drops:?}"));
});
