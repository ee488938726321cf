//! Many chassis side by side: which of them a sample can be of, before any line is read.

use crate::decode::chassis::Chassis;
pub(crate) use crate::decode::prefilter::ALWAYS;
use crate::decode::prefilter::{Trigrams, literals};
use crate::decode::shape::read_whole;
use memchr::memmem;
use std::sync::Arc;

/// Runs of a pattern that stand in the index.
pub(crate) const FIRST: usize = 4;

/// Some marks of every pattern of many chassis, side by side.
#[derive(Debug)]
pub(crate) struct Index {
    /// In the order in which they were given; those that decode by a program of their own are left out.
    chassis: Vec<Arc<Chassis>>,
    first: Vec<[u16; FIRST]>,
    /// Of each entry of `first`, the place of its chassis.
    owners: Vec<u32>,
}

impl Index {
    pub(crate) fn new<'a>(all: impl Iterator<Item = &'a Arc<Chassis>>) -> Self {
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

    /// All of them.
    pub(crate) fn all(&self) -> impl Iterator<Item = &Arc<Chassis>> {
        self.chassis.iter()
    }

    /// Chassis of which a line or frame can stand in the sample, in the order in which they were given.
    pub(crate) fn candidates<'a>(&'a self, sample: &[u8]) -> Vec<&'a Arc<Chassis>> {
        let trigrams = Trigrams::new(sample);
        let entries = self.first.iter().zip(&self.owners);
        let mut owners: Vec<u32> = entries
            .filter(|(marks, _)| marks.iter().all(|mark| trigrams.has(*mark)))
            .map(|(_, owner)| *owner)
            .collect();
        owners.dedup();
        let chassis = owners.iter().filter_map(|owner| self.chassis.get(*owner as usize));
        chassis.filter(|chassis| may_be_of(&trigrams, chassis, sample)).collect()
    }
}

/// Whether a line has one of the shapes, or the sync bytes stand anywhere.
pub(crate) fn stands_in(chassis: &Chassis, sample: &[u8]) -> bool {
    let sync = chassis.frames.as_ref().map(|frames| frames.layout.sync.as_slice());
    if sync.is_some_and(|sync| memmem::find(sample, sync).is_some()) {
        return true;
    }
    let is_end = |byte: &u8| chassis.ends_line(*byte);
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

/// Whether a line or frame of the chassis can stand in the sample.
fn may_be_of(trigrams: &Trigrams, chassis: &Chassis, sample: &[u8]) -> bool {
    let any = chassis.telling.0.iter().any(|runs| runs.iter().all(|mark| trigrams.has(*mark)));
    any && (trigrams.cleaned || stands_in(chassis, sample))
}
