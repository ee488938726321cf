//! Groups without a beat: events that follow another at a fixed distance, whenever that one comes.
//!
//! Each press of the leading symbol is a trial; what stands at a fixed time after it in enough of them belongs
//! to the group. Weighed as the elements of a motif are, so that chance means the same.

use crate::analysis::pattern::field::Line;
use crate::analysis::pattern::motif::{Beat, Element, elements};

/// A leading symbol and what follows it.
#[derive(Clone, Debug)]
pub(super) struct Group {
    /// Line of the leader.
    pub(super) line: usize,
    pub(super) elements: Vec<Element>,
    /// Bits gained against chance.
    pub(super) gain: f64,
}

/// What follows later than this belongs to another group.
pub(super) const HORIZON_S: f64 = 4.0;

/// The best group among these lines.
pub(super) fn group(lines: &[Line], grain: f64) -> Option<Group> {
    let mut best: Option<Group> = None;
    for (number, leader) in lines.iter().enumerate() {
        let beats: Vec<Beat> =
            (0..leader.len()).map(|i| Beat::fixed(leader.t[i], HORIZON_S, leader.segment[i])).collect();
        let (found, gain) = elements(lines, number, None, &beats, HORIZON_S, grain);
        if !found.is_empty() && best.as_ref().is_none_or(|best| gain > best.gain) {
            best = Some(Group { line: number, elements: found, gain });
        }
    }
    best
}
