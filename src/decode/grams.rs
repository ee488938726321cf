//! Every run of three bytes in a sample, and which chassis cannot have written a sample without certain runs.
//!
//! This is what keeps recognition among hundreds of chassis as cheap as among a few: the sample is read once, and
//! a chassis none of whose shapes has all its fixed text in it is not tried at all. It never excludes a chassis
//! that could decode a line: fixed text of a shape stands in the line as it is, so each of its runs is there.

use super::chassis::Chassis;
use super::shape::{Part, Shape};
use super::text::clean;

/// Bytes of a run.
const RUN: usize = 3;

/// The set of runs.
pub(super) struct Grams {
    /// One bit for each of the 2^24 runs.
    bits: Vec<u64>,
    lines: u64,
}

impl Grams {
    pub(super) fn new(sample: &[u8]) -> Self {
        let mut grams = Self { bits: vec![0; 1 << 18], lines: 0 };
        grams.add(sample);
        let mut cleaned = Vec::new();
        for line in sample.split(|byte| matches!(byte, b'\n' | b'\r')).filter(|line| !line.is_empty()) {
            grams.lines += 1;
            // Fixed text may stand there in pieces, with colours or stray bytes between them.
            if clean::is_needed(line) {
                for escapes in [true, false] {
                    cleaned.clear();
                    clean::clean(line, escapes, &mut cleaned);
                    grams.add(&cleaned);
                }
            }
        }
        grams
    }

    /// Lines of the sample that are not empty.
    pub(super) fn lines(&self) -> u64 {
        self.lines
    }

    fn add(&mut self, bytes: &[u8]) {
        for run in bytes.windows(RUN) {
            let (word, bit) = place(run);
            if let Some(word) = self.bits.get_mut(word) {
                *word |= bit;
            }
        }
    }

    /// Whether all runs of `text` are there; true of text that is shorter than a run.
    fn may_hold(&self, text: &[u8]) -> bool {
        text.windows(RUN).all(|run| {
            let (word, bit) = place(run);
            self.bits.get(word).is_some_and(|word| word & bit != 0)
        })
    }

    fn may_fit(&self, shape: &Shape) -> bool {
        shape.parts.iter().all(|part| match part {
            Part::Literal(text) => self.may_hold(text),
            _ => true,
        })
    }

    /// Whether a line or frame of the chassis can stand in the sample.
    pub(super) fn may_be_of(&self, chassis: &Chassis) -> bool {
        let framed = chassis.frames.as_ref().is_some_and(|frames| self.may_hold(&frames.layout.sync));
        framed || chassis.patterns.iter().any(|pattern| self.may_fit(&pattern.shape))
    }
}

/// Word and bit of a run.
fn place(run: &[u8]) -> (usize, u64) {
    let number = run.iter().fold(0usize, |number, byte| number << 8 | usize::from(*byte));
    (number >> 6, 1 << (number & 63))
}
