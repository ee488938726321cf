//! What a fault can do to the level of a line at rest while something makes it grow or shrink.

use std::collections::BTreeMap;

use crate::analysis::ladder::fault::Condition;
use crate::analysis::ladder::model::{Mechanism, all};
use crate::analysis::ladder::network::Network;

/// Values of a mechanism that are tried over its range.
const VALUES: u32 = 160;
/// A nominal circuit is taken for a line that rests this share of the scale from it: parts have tolerances.
const NEAR: f64 = 0.02;

/// What the level of a line at rest did.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Moved {
    /// From the first to the second mean, counts; it stayed there.
    By(f64, f64),
    /// It left the first and came back, over and over.
    Jumps(f64),
}

/// For each location that the circuit knows, the share of its mechanisms, weighted by how common they are, by which the line
/// moves so: by one and the same mechanism, at two of its values, or between one and none. A shift counts from half to twice
/// its size, a jump from three counts on.
///
/// A leak to ground lowers a line that is pulled up; a contact in series with open keys does nothing to it.
pub fn moves(network: &Network, moved: Moved) -> BTreeMap<&'static str, f64> {
    let (mut can, mut sum) = (BTreeMap::<&str, f64>::new(), BTreeMap::<&str, f64>::new());
    let singles = all(network, true).into_iter().filter_map(|model| match model[..] {
        [one] => Some(one),
        _ => None,
    });
    for mechanism in singles {
        let own = mechanism.prior(network);
        let moves = f64::from(u8::from(can_move(network, mechanism, moved)));
        for (location, share) in mechanism.locations() {
            *sum.entry(location).or_default() += own * share;
            *can.entry(location).or_default() += own * share * moves;
        }
    }
    sum.into_iter().map(|(location, all)| (location, can[location] / all)).collect()
}

fn can_move(network: &Network, mechanism: Mechanism, moved: Moved) -> bool {
    let range = mechanism.range();
    let value = |i: u32| {
        let at = range.low + (range.high - range.low) * f64::from(i) / f64::from(VALUES);
        if range.log { 10f64.powf(at) } else { at }
    };
    let level = |faults: &[_]| {
        let counts = network.counts(network.solve(&Condition::Idle, faults)?);
        Some(counts.clamp(0.0, f64::from(network.full_scale)))
    };
    let mut levels: Vec<f64> =
        (0..=VALUES).filter_map(|i| level(&[mechanism.fault(network, value(i))])).collect();
    levels.extend(level(&[]));
    let (Moved::By(from, _) | Moved::Jumps(from)) = moved;
    let begins = levels.iter().filter(|level| (**level - from).abs() <= NEAR * network.levels());
    begins.into_iter().any(|begin| {
        levels.iter().any(|end| {
            let shift = end - begin;
            match moved {
                Moved::Jumps(_) => shift.abs() >= 3.0,
                Moved::By(from, to) => (0.5..=2.0).contains(&(shift / (to - from))),
            }
        })
    })
}
