//! Near-frames: which bit of which format failed, and by how much.

use crate::decode::infrared::coding::{Miss, Reason};
use crate::decode::infrared::format::Format;
use crate::decode::infrared::layout::Word;

/// What a failed attempt came to.
#[derive(Clone, Debug)]
pub(super) struct Near {
    /// Index of the format.
    pub(super) format: usize,
    pub(super) bits: u8,
    pub(super) word: Word,
    /// Marks and spaces up to the failure.
    pub(super) pulses: usize,
    /// How far the clock of the leader is off, as a share.
    pub(super) clock_error: f64,
    pub(super) failure: Failure,
}

#[derive(Clone, Debug)]
pub(super) enum Failure {
    Timing(Miss),
    /// The bits are whole, yet no format of the family has this many.
    Count,
    /// A constant bit is wrong, at these places on air.
    Constant(u64),
    /// Index of the check that does not hold.
    Check(usize),
}

impl Near {
    /// In words, for the note of an event.
    pub(super) fn describe(&self, format: &Format) -> String {
        let name = &format.name;
        let total = format.layout.bits;
        match &self.failure {
            Failure::Count => format!("nearly {name}: {} of {total} bits, then quiet", self.bits),
            Failure::Constant(wrong) => {
                let bits = (0..total).rev().filter(|bit| wrong >> bit & 1 == 1);
                let places = join(bits.map(|bit| u32::from(total - bit)));
                format!("nearly {name}: constant bit {places} of {total} is wrong")
            }
            Failure::Check(index) => {
                let Some(check) = format.checks.get(*index) else { return format!("nearly {name}") };
                let places = check.disagreeing(&format.layout, self.word);
                let count = places.len();
                let places = join(places.into_iter());
                format!("nearly {name}: check {} fails in {count} bits (bit {places} of {total})", check.text)
            }
            Failure::Timing(miss) => describe_timing(miss, format),
        }
    }
}

fn describe_timing(miss: &Miss, format: &Format) -> String {
    let micros = |length: f64| length / 1e3;
    let name = &format.name;
    let total = format.layout.bits;
    let bit = u32::from(miss.bits) + 1;
    let place = format!("nearly {name}: bit {bit} of {total}");
    match miss.reason {
        Reason::Length { measured, expected } => {
            let nearest = expected
                .into_iter()
                .min_by(|a, b| (measured - a).abs().total_cmp(&(measured - b).abs()))
                .unwrap_or(measured);
            format!(
                "{place} is {:.0} µs, expected {:.0} or {:.0}: off by {:+.0}",
                micros(measured),
                micros(expected[0]),
                micros(expected[1]),
                micros(measured - nearest)
            )
        }
        Reason::Error { measured, error } => format!(
            "{place}: {} of {:.0} µs is off by {:+.0} µs, more than {:.0}",
            if miss.pulse.is_multiple_of(2) { "mark" } else { "space" },
            micros(measured),
            micros(error),
            format.tolerance_us()
        ),
        Reason::Halves => format!("{place}: both halves have the same level"),
        Reason::Long => format!("nearly {name}: it goes on after bit {}", bit.min(total.into())),
        Reason::Short => format!("nearly {name}: {} of {total} bits, then quiet", miss.bits),
        Reason::Fit { clock, stretch } => format!(
            "nearly {name}: clock {:+.1} %, stretch {:+.0} µs are beyond the limits",
            (clock - 1.0) * 100.0,
            micros(stretch)
        ),
    }
}

fn join(places: impl Iterator<Item = u32>) -> String {
    let places: Vec<String> = places.map(|place| place.to_string()).collect();
    match places.as_slice() {
        [first, .., last] if places.len() > 6 => format!("{first} to {last}"),
        _ => places.join(", "),
    }
}
