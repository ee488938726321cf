//! Serial ports over pseudo-terminals.

#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::print_stdout)]

mod names;
mod port;
mod record;
mod replug;
mod server;

use std::time::{Duration, Instant};

use straykey::source::serial::SerialPort;
use straykey::source::{ByteSource, Pulled};

/// What a port gave.
#[derive(Debug, Default)]
pub(crate) struct Taken {
    pub(crate) bytes: Vec<u8>,
    pub(crate) marks: Vec<String>,
    pub(crate) ended: bool,
}

/// Pulls until `enough` says so or the port ends; fails after 20 s.
pub(crate) fn take_until(port: &mut SerialPort, enough: impl Fn(&Taken) -> bool) -> Taken {
    let begun = Instant::now();
    let mut taken = Taken::default();
    let mut last = None;
    let mut first = None;
    while !enough(&taken) {
        assert!(begun.elapsed() < Duration::from_secs(20), "nothing more came: {:?}", taken.marks);
        match port.pull().unwrap() {
            Pulled::Chunk(chunk) => {
                let first = *first.get_or_insert(chunk.offset);
                assert_eq!(chunk.offset, first + taken.bytes.len() as u64);
                assert!(chunk.arrival >= last, "arrival never runs back");
                last = chunk.arrival;
                taken.bytes.extend_from_slice(chunk.bytes);
            }
            Pulled::Mark(mark) => taken.marks.push(mark.what.to_string()),
            Pulled::Quiet(_) => {}
            Pulled::End => {
                taken.ended = true;
                break;
            }
        }
    }
    taken
}
