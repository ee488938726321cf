//! Which chassis can have written a sample: those whose fixed text is in it.
//!
//! This is what keeps recognition among hundreds of chassis as cheap as among a few. The sample is read once, and every
//! run of three bytes in it is marked in a small map. Four runs of each pattern of each chassis lie side by side in one
//! index: most chassis are left out by looking there, without a look at the chassis itself. Of those that remain all
//! runs are asked for, and then a line that has one of the shapes. It never excludes a chassis that could decode a line:
//! fixed text of a shape stands in the line as it is, so each of its runs is there.

use std::sync::Arc;

use memchr::memmem;

use crate::decode::chassis::{Chassis, Pattern};
use crate::decode::shape::{Part, Shape, read_whole};
use crate::decode::text::clean;

/// Bytes of a run.
const RUN: usize = 3;
/// Runs of a pattern that stand in the index.
const FIRST: usize = 4;
/// The mark that every sample has: stands for runs that a pattern lacks.
const ALWAYS: u16 = 0;
/// Words of a map: one bit for each mark, small enough for the processor's nearest cache.
const WORDS: usize = 1 << 10;

/// The mark of a run. Different runs may share one: that lets a chassis in, and keeps none out.
fn mark(run: &[u8]) -> u16 {
    let number = run.iter().fold(0u32, |number, byte| number << 8 | u32::from(*byte));
    // Fibonacci hashing (Knuth, The Art of Computer Programming 3, 6.4): the upper half of a product with 2^32 / φ.
    (number.wrapping_mul(0x9e37_79b1) >> 16) as u16
}

/// The runs of a sample.
pub(super) struct Grams {
    marks: Box<[u64; WORDS]>,
    /// Fixed text may stand in the sample in pieces.
    cleaned: bool,
}

impl Grams {
    pub(super) fn new(sample: &[u8]) -> Self {
        let mut grams = Self { marks: Box::new([0; WORDS]), cleaned: false };
        grams.set(ALWAYS);
        grams.add(sample);
        let mut cleaned = Vec::new();
        for line in sample.split(|byte| matches!(byte, b'\n' | b'\r')).filter(|line| !line.is_empty()) {
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

    fn add(&mut self, bytes: &[u8]) {
        bytes.windows(RUN).for_each(|run| self.set(mark(run)));
    }

    fn set(&mut self, mark: u16) {
        if let Some(word) = self.marks.get_mut(usize::from(mark >> 6)) {
            *word |= 1 << (mark & 63);
        }
    }

    fn has(&self, mark: u16) -> bool {
        self.marks.get(usize::from(mark >> 6)).is_some_and(|word| word >> (mark & 63) & 1 == 1)
    }

    /// Whether a line or frame of the chassis can stand in the sample.
    fn may_be_of(&self, chassis: &Chassis, sample: &[u8]) -> bool {
        let any = chassis.telling.0.iter().any(|runs| runs.iter().all(|mark| self.has(*mark)));
        any && (self.cleaned || stands_in(chassis, sample))
    }
}

/// The marks of each pattern's fixed text, the longest text first, since it is the least likely to be there; at last
/// those of the sync bytes.
#[derive(Debug)]
pub(super) struct Telling(Vec<Box<[u16]>>);

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

/// Some marks of every pattern of many chassis, side by side.
#[derive(Debug)]
pub(super) struct Index {
    /// In the order in which they were given; those that decode by a program of their own are left out.
    chassis: Vec<Arc<Chassis>>,
    first: Vec<[u16; FIRST]>,
    /// Of each entry of `first`, the place of its chassis.
    owners: Vec<u32>,
}

impl Index {
    pub(super) fn new<'a>(all: impl Iterator<Item = &'a Arc<Chassis>>) -> Self {
        let mut index = Self { chassis: Vec::new(), first: Vec::new(), owners: Vec::new() };
        for chassis in all.filter(|chassis| chassis.own.is_none()) {
            for marks in &chassis.telling.0 {
                // From all over the text: neighbours tell little that is new.
                let step = |i: usize| marks.get(i * marks.len().saturating_sub(1) / (FIRST - 1));
                index.first.push(std::array::from_fn(|i| step(i).copied().unwrap_or(ALWAYS)));
                index.owners.push(u32::try_from(index.chassis.len()).unwrap_or(u32::MAX));
            }
            index.chassis.push(Arc::clone(chassis));
        }
        index
    }

    /// Chassis of which a line or frame can stand in the sample, in the order in which they were given.
    pub(super) fn candidates<'a>(&'a self, sample: &[u8]) -> Vec<&'a Arc<Chassis>> {
        let grams = Grams::new(sample);
        let entries = self.first.iter().zip(&self.owners);
        let mut owners: Vec<u32> = entries
            .filter(|(marks, _)| marks.iter().all(|mark| grams.has(*mark)))
            .map(|(_, owner)| *owner)
            .collect();
        owners.dedup();
        let chassis = owners.iter().filter_map(|owner| self.chassis.get(*owner as usize));
        chassis.filter(|chassis| grams.may_be_of(chassis, sample)).collect()
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
