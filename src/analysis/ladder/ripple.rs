//! Hum on the readings: mains and dimming lines, where sampling folds them to, and what they say about the place.

use serde::Serialize;
use statrs::distribution::{ContinuousCDF, FisherSnedecor};

use crate::base::Nanoseconds;

use crate::analysis::ladder::fault::Condition;
use crate::analysis::ladder::network::Network;

/// Frequencies that are looked for, hertz: mains and its rectified form with two harmonics each, at 50 and at
/// 60 Hz.
///
/// # Source
/// EN 50160 (50 Hz ± 1 % for 99.5 % of a year); dimming lines are the caller's, since they differ from set to set.
pub const MAINS_HZ: [f64; 8] = [50.0, 100.0, 150.0, 200.0, 60.0, 120.0, 180.0, 240.0];

/// Where a frequency appears when it is sampled at `rate_hz`: `|f - fs * round(f / fs)|`, hertz.
///
/// # Source
/// Sampling theorem, any text (Shannon, Proceedings of the IRE 37 (1949) 10).
pub fn alias_hz(frequency_hz: f64, rate_hz: f64) -> f64 {
    (frequency_hz - (frequency_hz / rate_hz).round() * rate_hz).abs()
}

/// Frequencies that a scan of this period folds to below half a hertz, so that they look like a steady offset
/// or a slow drift.
pub fn hidden(period: Nanoseconds, dimming_hz: &[f64]) -> Vec<f64> {
    let rate = 1.0 / period.seconds();
    if !rate.is_finite() || rate <= 0.0 {
        return Vec::new();
    }
    MAINS_HZ.iter().chain(dimming_hz).copied().filter(|f| alias_hz(*f, rate) < 0.5).collect()
}

/// A line found in the readings of one condition.
#[derive(Clone, Debug, PartialEq, Serialize, schemars::JsonSchema)]
pub struct Ripple {
    /// The condition in words.
    pub condition: String,
    /// The known source frequency that fits best, hertz.
    pub source_hz: f64,
    /// Where it appears at the readings' own rate, hertz.
    pub appears_hz: f64,
    /// Peak amplitude in counts.
    pub amplitude: f64,
    /// Chance of a line this strong at any of the tried frequencies in pure noise.
    pub chance: f64,
}

/// Most readings that are looked at; the latest are left out beyond it.
const MOST: usize = 8_192;

/// Looks for a mains or dimming line in the readings of one condition, `(time, counts)` in order of time.
///
/// A sine and a cosine of each known frequency are fitted at the readings' own times, over one per cent around
/// it in steps of a quarter of the resolution; the F test's chance is multiplied by the number of tries. Lines
/// that appear below two cycles in the stretch are left out, since drift looks the same.
///
/// # Source
/// Lomb, Astrophysics and Space Science 39 (1976) 447 (sine fitting at uneven times); F test of two added
/// regressors, any text on regression; Bonferroni's correction.
pub fn find(condition: &Condition, samples: &[(Nanoseconds, u32)], dimming_hz: &[f64]) -> Option<Ripple> {
    let samples = &samples[..samples.len().min(MOST)];
    let (first, last) = (samples.first()?.0, samples.last()?.0);
    let span = (last - first).seconds();
    if samples.len() < 16 || span <= 0.0 {
        return None;
    }
    let n = samples.len() as f64;
    let rate = (n - 1.0) / span;
    let mean = samples.iter().map(|(_, c)| f64::from(*c)).sum::<f64>() / n;
    let points: Vec<(f64, f64)> =
        samples.iter().map(|(t, c)| ((*t - first).seconds(), f64::from(*c) - mean)).collect();
    let total: f64 = points.iter().map(|(_, y)| y * y).sum();
    if total <= 0.0 {
        return None;
    }
    let mut tries = 0.0;
    let mut best: Option<(f64, f64, f64)> = None;
    for centre in MAINS_HZ.iter().chain(dimming_hz) {
        let half = centre * 0.01;
        let steps = ((2.0 * half * span * 4.0).ceil()).clamp(1.0, 400.0);
        for i in 0..=steps as u32 {
            let f = centre - half + 2.0 * half * f64::from(i) / steps;
            if alias_hz(f, rate) * span < 2.0 {
                continue;
            }
            tries += 1.0;
            let (explained, amplitude) = sine(&points, f);
            if best.is_none_or(|(most, ..)| explained > most) {
                best = Some((explained, f, amplitude));
            }
        }
    }
    let (explained, source_hz, amplitude) = best?;
    let rest = (total - explained).max(total * 1e-12);
    let f = explained / 2.0 / (rest / (n - 3.0));
    let chance = FisherSnedecor::new(2.0, n - 3.0).map_or(1.0, |law| law.sf(f)) * tries;
    (chance < 1e-3 && amplitude >= 0.5).then(|| Ripple {
        condition: condition.text(),
        source_hz,
        appears_hz: alias_hz(source_hz, rate),
        amplitude,
        chance,
    })
}

/// Sum of squares explained by sine and cosine of one frequency, and their peak amplitude.
fn sine(points: &[(f64, f64)], frequency: f64) -> (f64, f64) {
    let (mut cc, mut ss, mut cs, mut yc, mut ys) = (0.0, 0.0, 0.0, 0.0, 0.0);
    for (t, y) in points {
        let (s, c) = (2.0 * std::f64::consts::PI * frequency * t).sin_cos();
        cc += c * c;
        ss += s * s;
        cs += c * s;
        yc += y * c;
        ys += y * s;
    }
    let determinant = cc * ss - cs * cs;
    if determinant <= 1e-9 * (cc + ss).powi(2) {
        // One of the two vanishes at every reading (sampling locked to the line).
        let (norm, product) = if cc >= ss { (cc, yc) } else { (ss, ys) };
        let a = product / norm.max(f64::MIN_POSITIVE);
        return (a * product, a.abs());
    }
    let a = (yc * ss - ys * cs) / determinant;
    let b = (ys * cc - yc * cs) / determinant;
    (a * yc + b * ys, a.hypot(b))
}

/// How the ripple gets onto the line.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Coupling {
    /// In the return: strongest on the keys of low resistance, absent when nothing is pressed.
    Return,
    /// Picked up by the open line: strongest when nothing is pressed.
    PickUp,
    /// One condition only was looked at, or the shares fit neither.
    Unknown,
}

/// Tells the coupling from the ripple's peak amplitudes (counts) in several conditions.
///
/// A source in the return is divided by `Rpu / (Rpu + Rk)`; a capacitively coupled one meets the impedance of
/// the node, `Rpu || Rk`. Both shapes are fitted by least squares without an intercept; the better one is named
/// when it leaves less than a quarter of what the other leaves.
///
/// # Source
/// The two divider rules, any text on circuits; the ratio of a quarter is ours.
pub fn coupling(network: &Network, amplitudes: &[(Condition, f64)]) -> Coupling {
    if amplitudes.len() < 2 {
        return Coupling::Unknown;
    }
    let pull = network.pull_up_ohm;
    let shares = |by: &dyn Fn(Option<f64>) -> f64| -> f64 {
        let pairs: Vec<(f64, f64)> = amplitudes
            .iter()
            .map(|(condition, amplitude)| {
                let ohm = match condition {
                    Condition::Key(key) => network.to_ground(*key).map(|r| r.0),
                    _ => None,
                };
                (by(ohm), *amplitude)
            })
            .collect();
        let norm: f64 = pairs.iter().map(|(x, _)| x * x).sum();
        let scale = pairs.iter().map(|(x, y)| x * y).sum::<f64>() / norm.max(f64::MIN_POSITIVE);
        pairs.iter().map(|(x, y)| (y - scale * x).powi(2)).sum()
    };
    let in_return = shares(&|ohm| ohm.map_or(0.0, |r| pull / (pull + r)));
    let picked_up = shares(&|ohm| ohm.map_or(1.0, |r| r / (pull + r)));
    match () {
        () if in_return < 0.25 * picked_up => Coupling::Return,
        () if picked_up < 0.25 * in_return => Coupling::PickUp,
        () => Coupling::Unknown,
    }
}

/// What the ripple in several conditions says together.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Clue {
    /// The strongest line.
    pub strongest: Ripple,
    /// How it gets onto the line.
    pub coupling: Coupling,
    /// In a sentence.
    pub text: String,
}

/// Joins the ripples of several conditions; `None` without any.
pub fn clue(network: &Network, found: &[(Condition, Ripple)]) -> Option<Clue> {
    let strongest = found.iter().map(|(_, r)| r).max_by(|a, b| a.amplitude.total_cmp(&b.amplitude))?;
    let amplitudes: Vec<(Condition, f64)> = found.iter().map(|(c, r)| (c.clone(), r.amplitude)).collect();
    let coupling = coupling(network, &amplitudes);
    let why = match coupling {
        Coupling::Return => {
            "it is strongest on the keys of low resistance and absent when nothing is pressed, so it sits in the \
             return: look at the ground bond"
        }
        Coupling::PickUp => {
            "it is strongest when nothing is pressed, so the open line picks it up: look at the cable's way and its \
             shield before the ground bond"
        }
        Coupling::Unknown => {
            "which part it enters by shows when it is compared with no key pressed and with a key of low resistance"
        }
    };
    let text = format!(
        "{}: {:.1} Hz of {} counts peak with {} (seen at {:.1} Hz at the readings' own rate); {why}.",
        network.name,
        strongest.source_hz,
        crate::analysis::ladder::words::three_digits(strongest.amplitude),
        strongest.condition,
        strongest.appears_hz
    );
    Some(Clue { strongest: strongest.clone(), coupling, text })
}
