//! How far the windows are from being crossed: by tolerance, and by a fault that grows.

use serde::Serialize;

use crate::base::Key;

use crate::analysis::random::Random;

use crate::analysis::ladder::fault::{Condition, Fault};
use crate::analysis::ladder::network::Network;
use crate::analysis::ladder::windows::{Window, Windows};

/// Where one key's reading may lie for parts within their tolerance.
#[derive(Clone, Debug, PartialEq, Serialize, schemars::JsonSchema)]
pub struct Margin {
    /// The key; `None` is idle.
    pub key: Option<Key>,
    /// Nominal code.
    pub nominal: u32,
    /// Lowest code over all corners of the tolerances.
    pub low: u32,
    /// Highest code over all corners.
    pub high: u32,
    /// Counts between the worst corner and the nearest border of the key's window; negative is outside, null where
    /// the window has no border.
    pub margin: Option<f64>,
    /// Share of random sets of parts whose reading falls outside the window.
    pub outside: f64,
}

/// One range of a growing fault over which the line reads as the same key.
#[derive(Clone, Debug, PartialEq, Serialize, schemars::JsonSchema)]
pub struct FaultRange {
    /// What the firmware sees; `None` is no key.
    pub key: Option<Key>,
    /// Value of the fault at which the range begins (the milder end).
    pub from: f64,
    /// Value at which it ends.
    pub to: f64,
}

/// How far a fault may grow before a window is left.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, schemars::JsonSchema)]
pub struct Borne {
    /// Value of the fault at which the reading leaves the window; null where it is borne to the end of the range.
    pub at: Option<f64>,
    /// What the firmware sees from there on; null is no key, or nothing else at all where `at` is null.
    pub then: Option<Key>,
}

/// Worst case and Monte Carlo margins of every key and of idle.
///
/// The voltage is monotonic in every resistor, so that the worst case lies in a corner: the pull-up at one
/// end of its tolerance, the key's resistors at the other. `draws` sets of parts, each resistor uniform
/// within its tolerance, give the share outside.
pub fn margins(network: &Network, draws: u32, seed: u64) -> Vec<Margin> {
    let windows = Windows::of(network);
    let mut conditions: Vec<(Option<Key>, Condition)> =
        network.keys.iter().map(|k| (Some(k.key), Condition::Key(k.key))).collect();
    conditions.push((None, Condition::Idle));
    let corner = |pull: f64, keys: f64, condition: &Condition| {
        let mut other = network.clone();
        other.pull_up_ohm *= pull;
        other.keys.iter_mut().for_each(|k| k.ohm *= keys);
        other.solve(condition, &[]).map_or(network.full_scale, |volts| network.code(volts))
    };
    let t = network.tolerance;
    let mut random = Random::new(seed);
    let parts: Vec<Network> = (0..draws).map(|_| scattered(network, &mut random)).collect();
    conditions
        .into_iter()
        .map(|(key, condition)| {
            let low = corner(1.0 + t, 1.0 - t, &condition);
            let high = corner(1.0 - t, 1.0 + t, &condition);
            let window = windows.of_key(key);
            // The ends of the scale are no borders: nothing is read beyond them.
            let below = |w: &Window| if w.low > 0.0 { f64::from(low) - w.low } else { f64::INFINITY };
            let above =
                |w: &Window| if w.high < network.levels() { w.high - f64::from(high) } else { f64::INFINITY };
            let margin = window.map(|w| below(w).min(above(w))).filter(|margin| margin.is_finite());
            let outside = parts.iter().filter(|other| {
                let counts = other.solve(&condition, &[]).map_or(network.full_scale, |v| network.code(v));
                windows.key(f64::from(counts)) != key
            });
            let outside = outside.count() as f64 / f64::from(draws.max(1));
            Margin { key, nominal: corner(1.0, 1.0, &condition), low, high, margin, outside }
        })
        .collect()
}

/// A set of parts drawn uniformly within the tolerance.
fn scattered(network: &Network, random: &mut Random) -> Network {
    let mut factor = || 1.0 + network.tolerance * (2.0 * random.unit() - 1.0);
    let mut other = network.clone();
    other.pull_up_ohm *= factor();
    other.keys.iter_mut().for_each(|k| k.ohm *= factor());
    other
}

/// The keys that a growing fault would imitate, in order.
///
/// `fault` makes the fault from its value; `mild` and `bad` are the ends of its range (100 MΩ and 1 Ω for a
/// leak, 0 and 0.5 V for an offset). Values are tried evenly in the logarithm where both ends are positive,
/// and each border is then narrowed to a millionth.
pub fn walk(
    network: &Network,
    condition: &Condition,
    fault: impl Fn(f64) -> Fault,
    mild: f64,
    bad: f64,
) -> Vec<FaultRange> {
    const STEPS: u32 = 600;
    let windows = Windows::of(network);
    let value = |share: f64| {
        if mild > 0.0 && bad > 0.0 {
            (mild.ln() + (bad.ln() - mild.ln()) * share).exp()
        } else {
            mild + (bad - mild) * share
        }
    };
    let seen = |share: f64| {
        let volts = network.solve(condition, &[fault(value(share))])?;
        windows.key(network.counts(volts) + 0.5)
    };
    let mut walk = vec![FaultRange { key: seen(0.0), from: value(0.0), to: value(1.0) }];
    for step in 1..=STEPS {
        let (mut low, mut high) =
            (f64::from(step - 1) / f64::from(STEPS), f64::from(step) / f64::from(STEPS));
        let (before, after) = (seen(low), seen(high));
        if before == after {
            continue;
        }
        for _ in 0..40 {
            let middle = f64::midpoint(low, high);
            if seen(middle) == before { low = middle } else { high = middle }
        }
        if let Some(last) = walk.last_mut() {
            last.to = value(high);
        }
        walk.push(FaultRange { key: after, from: value(high), to: value(1.0) });
    }
    walk
}

/// How far a fault may grow before each key's window, and last idle's, is left, in the order of [`margins`].
pub fn tolerated(network: &Network, fault: impl Fn(f64) -> Fault, mild: f64, bad: f64) -> Vec<Borne> {
    let keys = network.keys.iter().map(|k| Condition::Key(k.key));
    keys.chain([Condition::Idle])
        .map(|condition| {
            let walk = walk(network, &condition, &fault, mild, bad);
            let next = walk.get(1);
            Borne { at: next.map(|range| range.from), then: next.and_then(|range| range.key) }
        })
        .collect()
}
