//! The quick look: each mechanism makes one transform of the readings shift by a constant.
//!
//! With `x = V / supply` of the healthy and `x'` of the measured ladder: a leak to ground shifts `1/x` by `Rpu/RL`
//! at idle and at every key alike; series resistance shifts `x/(1-x)` by `Rs/Rpu`; a ground offset scales `1-x`; another
//! pull-up scales `x/(1-x)`; a supply or reference error scales `x`; a leaky switch shifts `1/x` everywhere but at its
//! own key, where it shifts nothing.
//!
//! # Source
//! The divider rule solved for each fault; constants checked in the tests against the worked cases.

use crate::base::Key;

use crate::analysis::ladder::fault::Condition;
use crate::analysis::ladder::model::Mechanism;
use crate::analysis::ladder::network::Network;
use crate::analysis::ladder::reading::Reading;

/// What the quick look says.
#[derive(Clone, Debug, PartialEq)]
pub struct Quick {
    /// The mechanism whose transform is most nearly constant.
    pub mechanism: Mechanism,
    /// Its number from the constant.
    pub value: f64,
    /// Scatter of the constant over the readings, weighted, in standard errors of the readings.
    pub misfit: f64,
}

/// One plugged reading: healthy and measured node ratio, and the ratio's standard error.
struct Point {
    key: Option<Key>,
    healthy: f64,
    measured: f64,
    sigma: f64,
}

/// One transform: the constant that a reading gives, and the constant's slope by the measured ratio.
type Transform = fn(f64, f64) -> (f64, f64);

fn points(network: &Network, readings: &[Reading]) -> Vec<Point> {
    let ratio = network.reference_volts / network.supply_volts / network.levels();
    readings
        .iter()
        .filter(|r| r.at_full <= 0.1 && r.at_zero <= 0.1 && r.levels.is_none())
        .filter_map(|r| {
            let key = match r.condition {
                Condition::Idle => None,
                Condition::Key(key) => Some(key),
                _ => return None,
            };
            let healthy = network.solve(&r.condition, &[])?.0 / network.supply_volts;
            Some(Point { key, healthy, measured: (r.counts + 0.5) * ratio, sigma: r.sigma() * ratio })
        })
        .collect()
}

/// Weighted mean of a transform's constant, and its scatter per reading; `None` with fewer than two readings.
fn constant(points: &[&Point], transform: Transform) -> Option<(f64, f64)> {
    let values: Vec<(f64, f64)> = points
        .iter()
        .map(|p| {
            let (value, slope) = transform(p.healthy, p.measured);
            (value, (slope * p.sigma).powi(-2))
        })
        .filter(|(value, weight)| value.is_finite() && weight.is_finite() && *weight > 0.0)
        .collect();
    if values.len() < 2 {
        return None;
    }
    let total: f64 = values.iter().map(|(_, w)| w).sum();
    let mean = values.iter().map(|(v, w)| v * w).sum::<f64>() / total;
    let scatter: f64 = values.iter().map(|(v, w)| (v - mean).powi(2) * w).sum();
    Some((mean, scatter / (values.len() - 1) as f64))
}

/// Shift of `1/x`.
fn conductance(healthy: f64, measured: f64) -> (f64, f64) {
    (1.0 / measured - 1.0 / healthy, 1.0 / (measured * measured))
}

/// Shift of `x/(1-x)`.
fn series(healthy: f64, measured: f64) -> (f64, f64) {
    let odds = |x: f64| x / (1.0 - x);
    (odds(measured) - odds(healthy), 1.0 / (1.0 - measured).powi(2))
}

/// Ratio of `1-x`.
fn complement(healthy: f64, measured: f64) -> (f64, f64) {
    ((1.0 - measured) / (1.0 - healthy), 1.0 / (1.0 - healthy))
}

/// Ratio of `x/(1-x)`.
fn pull(healthy: f64, measured: f64) -> (f64, f64) {
    let odds = |x: f64| x / (1.0 - x);
    (odds(measured) / odds(healthy), 1.0 / (1.0 - measured).powi(2) / odds(healthy))
}

/// Ratio of `x`.
fn scale(healthy: f64, measured: f64) -> (f64, f64) {
    (measured / healthy, 1.0 / healthy)
}

/// Every mechanism that the quick look knows, with the number that its constant gives, the best first.
///
/// Readings at an end of the scale are left out. Which board a leak is on does not show in idle and keys: the
/// key board stands for both.
pub fn quick(network: &Network, readings: &[Reading]) -> Vec<Quick> {
    let all = points(network, readings);
    let pull_up = network.pull_up_ohm;
    let mut found: Vec<Quick> = Vec::new();
    let mut add = |mechanism, constant: Option<(f64, f64)>, value: &dyn Fn(f64) -> f64| {
        if let Some((mean, scatter)) = constant {
            let value = value(mean);
            if value.is_finite() {
                found.push(Quick { mechanism, value, misfit: scatter.sqrt() });
            }
        }
    };
    // At idle a healthy ladder has x = 1, where the odds are infinite: keys only for the transforms of 1-x.
    let every: Vec<&Point> = all.iter().filter(|p| p.healthy > 1e-4).collect();
    let keys: Vec<&Point> = all.iter().filter(|p| p.key.is_some() && p.healthy < 0.999).collect();
    let high: Vec<&Point> = keys.iter().copied().filter(|p| p.healthy > 1e-3).collect();
    add(Mechanism::KeyLeakGround, constant(&every, conductance), &|c| pull_up / c);
    add(Mechanism::Series, constant(&keys, series), &|c| c * pull_up);
    add(Mechanism::GroundOffset, constant(&keys, complement), &|c| (1.0 - c) * network.supply_volts);
    add(Mechanism::PullUp, constant(&high, pull), &|c| pull_up / c);
    add(Mechanism::Supply, constant(&every, scale), &|c| c);
    for key in network.keys.iter().map(|k| k.key) {
        let others: Vec<&Point> = every.iter().copied().filter(|p| p.key != Some(key)).collect();
        let Some(own) = every.iter().find(|p| p.key == Some(key)) else { continue };
        let (shift, slope) = conductance(own.healthy, own.measured);
        let still = (shift / (slope * own.sigma)).abs();
        let Some((mean, scatter)) = constant(&others, conductance) else { continue };
        let ohm = network.to_ground(key).map_or(0.0, |r| r.0);
        // Its own key must not move: that counts as one more reading.
        let count = others.len() as f64;
        let misfit = ((scatter * (count - 1.0) + still * still) / count).sqrt();
        add(Mechanism::SwitchLeak(key), Some((mean, misfit * misfit)), &|c| pull_up / c - ohm);
    }
    found.sort_by(|a, b| a.misfit.total_cmp(&b.misfit));
    found
}
