//! Which chassis can have written a sample: those whose fixed text is in it.
//!
//! This is what keeps recognition among hundreds of chassis as cheap as among a few. The sample is read once, and every
//! run of three bytes in it is marked in a small map. Four runs of each pattern of each chassis lie side by side in one
//! index: most chassis are left out by looking there, without a look at the chassis itself. Of those that remain all
//! runs are asked for, and then a line that has one of the shapes. It never excludes a chassis that could decode a line:
//! fixed text of a shape stands in the line as it is, so each of its runs is there.

use crate::base::is_line_end;
use crate::decode::chassis::Pattern;
use crate::decode::shape::{Part, Shape};
use crate::decode::text::clean;

/// Bytes of a run.
const RUN: usize = 3;
/// Words of a map: one bit for each mark, small enough for the processor's nearest cache.
const WORDS: usize = 1 << 10;

/// The mark of a run. Different runs may share one: that lets a chassis in, and keeps none out.
fn mark(run: &[u8]) -> u16 {
    let number = run.iter().fold(0u32, |number, byte| number << 8 | u32::from(*byte));
    // Fibonacci hashing (Knuth, The Art of Computer Programming 3, 6.4): the upper half of a product with 2^32 / φ.
    (number.wrapping_mul(0x9e37_79b1) >> 16) as u16
}

/// The runs of a sample.
pub(super) struct Trigrams {
    marks: Box<[u64; WORDS]>,
    /// Fixed text may stand in the sample in pieces.
    pub(super) cleaned: bool,
}

impl Trigrams {
    pub(super) fn new(sample: &[u8]) -> Self {
        let mut trigrams = Self { marks: Box::new([0; WORDS]), cleaned: false };
        trigrams.set(ALWAYS);
        trigrams.add(sample);
        let mut cleaned = Vec::new();
        for line in sample.split(|byte| is_line_end(*byte)).filter(|line| !line.is_empty()) {
            // Fixed text may stand there in pieces, with colours or stray bytes between them.
            if clean::is_needed(line) {
                trigrams.cleaned = true;
                for escapes in [true, false] {
                    cleaned.clear();
                    clean::clean(line, escapes, &mut cleaned);
                    trigrams.add(&cleaned);
                }
            }
        }
        trigrams
    }

    fn add(&mut self, bytes: &[u8]) {
        bytes.windows(RUN).for_each(|run| self.set(mark(run)));
    }

    fn set(&mut self, mark: u16) {
        if let Some(word) = self.marks.get_mut(usize::from(mark >> 6)) {
            *word |= 1 << (mark & 63);
        }
    }

    pub(super) fn has(&self, mark: u16) -> bool {
        self.marks.get(usize::from(mark >> 6)).is_some_and(|word| word >> (mark & 63) & 1 == 1)
    }
}

/// The marks of each pattern's fixed text, the longest text first, since it is the least likely to be there; at last
/// those of the sync bytes.
#[derive(Debug)]
pub(super) struct Telling(pub(super) Vec<Box<[u16]>>);

impl Telling {
    pub(super) fn new(patterns: &[Pattern], sync: Option<&[u8]>) -> Self {
        let marks = |pattern: &Pattern| {
            let mut texts: Vec<&[u8]> = literals(&pattern.shape).collect();
            texts.sort_by_key(|text| std::cmp::Reverse(text.len()));
            texts.iter().flat_map(|text| text.windows(RUN).map(mark)).collect()
        };
        let sync = sync.map(|sync| sync.windows(RUN).map(mark).collect());
        Self(patterns.iter().map(marks).chain(sync).collect())
    }
}

pub(super) fn literals(shape: &Shape) -> impl Iterator<Item = &[u8]> {
    shape
        .parts
        .iter()
        .filter_map(|part| if let Part::Literal(text) = part { Some(text.as_slice()) } else { None })
}

/// The mark that every sample has: stands for runs that a pattern lacks.
pub(crate) const ALWAYS: u16 = 0;
