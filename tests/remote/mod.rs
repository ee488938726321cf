//! Infrared and HDMI-CEC.

// Helpers of tests are not tests to the lints.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::print_stdout)]

mod cec; // bits, frames, messages, keys over HDMI-CEC
mod encoders; // frames made by encoders that are not ours
mod formats; // every declared format: its examples, encode and decode, nobody claims another's
mod held; // press, repeat, release, orphans, toggles, order in time
mod limits; // timing errors inside and beyond the limits, near-frames
mod mistakes; // wrong format files, wrong input
mod noise;
mod stranger; // formats that no file declares // an hour of it, and what its summary says

use std::sync::Arc;

use straykey::base::{Event, Nanoseconds};
use straykey::decode::infrared::{Decoder, Formats, pulses};

/// The shipped formats.
fn shipped() -> Arc<Formats> {
    Formats::shipped().expect("the shipped formats are right")
}

/// Events of marks and spaces by themselves, which begin at one second; the capture ends two seconds later.
fn decode(formats: &Arc<Formats>, lengths: &[Nanoseconds]) -> Vec<Event> {
    let mut decoder = Decoder::new(Arc::clone(formats), "test".into());
    let mut events = Vec::new();
    let mut end = Nanoseconds::SECOND;
    for pulse in pulses(Nanoseconds::SECOND, lengths) {
        decoder.push(pulse, &mut events);
        end = pulse.t + pulse.length;
    }
    decoder.finish(end + Nanoseconds::SECOND + Nanoseconds::SECOND, &mut events);
    events
}
