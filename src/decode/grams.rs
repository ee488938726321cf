//! Every run of three bytes in a sample, and which chassis cannot have written a sample without certain runs.
//!
//! This is what keeps recognition among hundreds of chassis as cheap as among a few: the sample is read once, and
//! a chassis none of whose shapes has all its fixed text in it, or no line with one of its shapes, is not tried at all. It
//! never excludes a chassis
//! that could decode a line: fixed text of a shape stands in the line as it is, so each of its runs is there.

use memchr::memmem;

use super::chassis::{Chassis, Pattern};
use super::shape::{Part, Shape, read_whole};
use super::text::clean;

/// Bytes of a run.
const RUN: usize = 3;

/// The set of runs.
pub(super) struct Grams {
    /// One bit for each of the 2^24 runs.
    bits: Vec<u64>,
    lines: u64,
    /// Fixed text may stand in the sample in pieces.
    cleaned: bool,
}

impl Grams {
    pub(super) fn new(sample: &[u8]) -> Self {
        let mut grams = Self { bits: vec![0; 1 << 18], lines: 0, cleaned: false };
        grams.add(sample);
        let mut cleaned = Vec::new();
        for line in sample.split(|byte| matches!(byte, b'\n' | b'\r')).filter(|line| !line.is_empty()) {
            grams.lines += 1;
            // Fixed text may stand there in pieces, with colours or stray bytes between them.
            if clean::is_needed(line) {
                grams.cleaned = true;
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
            let (word, bit) = place(number(run));
            if let Some(word) = self.bits.get_mut(word) {
                *word |= bit;
            }
        }
    }

    /// Whether a line or frame of the chassis can stand in the sample.
    pub(super) fn may_be_of(&self, chassis: &Chassis, sample: &[u8]) -> bool {
        let mut all = true;
        let mut any = false;
        for run in &*chassis.telling.0 {
            if *run == END {
                any |= all;
                all = true;
            } else if all {
                let (word, bit) = place(*run);
                all = self.bits.get(word).is_some_and(|word| word & bit != 0);
            }
        }
        any && (self.cleaned || stands_in(chassis, sample))
    }
}

/// Ends the runs of one pattern.
const END: u32 = u32::MAX;

/// The runs of each pattern's fixed text, the longest text first, since it is the least likely to be there: all that
/// a chassis is first asked for, in one piece of memory.
#[derive(Debug)]
pub(super) struct Telling(Box<[u32]>);

impl Telling {
    pub(super) fn new(patterns: &[Pattern], sync: Option<&[u8]>) -> Self {
        let mut all = Vec::new();
        for pattern in patterns {
            let mut texts: Vec<&[u8]> = literals(&pattern.shape).collect();
            texts.sort_by_key(|text| std::cmp::Reverse(text.len()));
            all.extend(texts.iter().flat_map(|text| text.windows(RUN).map(number)));
            all.push(END);
        }
        if let Some(sync) = sync {
            all.extend(sync.windows(RUN).map(number));
            all.push(END);
        }
        Self(all.into())
    }
}

fn literals(shape: &Shape) -> impl Iterator<Item = &[u8]> {
    shape
        .parts
        .iter()
        .filter_map(|part| if let Part::Literal(text) = part { Some(text.as_slice()) } else { None })
}

/// Whether a line has one of the shapes, or the sync bytes stand anywhere.
fn stands_in(chassis: &Chassis, sample: &[u8]) -> bool {
    let sync = chassis.frames.as_ref().map(|frames| frames.layout.sync.as_slice());
    if sync.is_some_and(|sync| memmem::find(sample, sync).is_some()) {
        return true;
    }
    let is_end = |byte: &u8| matches!(byte, b'\n' | b'\r');
    chassis.patterns.iter().any(|pattern| {
        let Some(longest) = literals(&pattern.shape).max_by_key(|text| text.len()) else { return true };
        let longest = memmem::Finder::new(longest);
        let mut rest = sample;
        while let Some(at) = longest.find(rest) {
            let (before, after) = rest.split_at(at);
            let begin = before.iter().rposition(is_end).map_or(0, |end| end + 1);
            let end = after.iter().position(is_end).map_or(rest.len(), |end| at + end);
            let line = rest.get(begin..end).unwrap_or_default();
            if read_whole(&pattern.shape.parts, line, &mut []) {
                return true;
            }
            rest = rest.get(end..).unwrap_or_default();
        }
        false
    })
}

/// A run as a number.
fn number(run: &[u8]) -> u32 {
    run.iter().fold(0, |number, byte| number << 8 | u32::from(*byte))
}

/// Word and bit of a run.
fn place(number: u32) -> (usize, u64) {
    ((number >> 6) as usize, 1 << (number & 63))
}
