//! Ripple of unevenly sampled readings: the floating-mean periodogram and the chance of its peaks.

use crate::analysis::special::ln_gamma;

/// One frequency of a periodogram.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Peak {
    /// Hz.
    pub frequency: f64,
    /// Power, 0 to 1: the share of the scatter that a sine at this frequency explains.
    pub power: f64,
}

/// Power at one frequency: (χ² of a constant - χ² of constant + sine) / χ² of a constant.
///
/// # Source
/// Zechmeister & Kürster 2009, A&A 496:577 (floating mean); Lomb 1976; Scargle 1982.
#[allow(clippy::cast_precision_loss)]
pub fn power(times: &[f64], values: &[f64], frequency: f64) -> f64 {
    let n = times.len().min(values.len()) as f64;
    let mean = values.iter().sum::<f64>() / n;
    let start = times.first().copied().unwrap_or_default();
    let (mut c, mut s, mut cc, mut cs, mut yc, mut ys, mut yy) = (0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0);
    for (t, v) in times.iter().zip(values) {
        // Turns are reduced before the sine sees them, so that late times keep their phase.
        let turns = frequency * (t - start);
        let (sin, cos) = (std::f64::consts::TAU * (turns - turns.round())).sin_cos();
        let y = v - mean;
        c += cos;
        s += sin;
        cc += cos * cos;
        cs += cos * sin;
        yc += y * cos;
        ys += y * sin;
        yy += y * y;
    }
    let (c, s) = (c / n, s / n);
    let (yc, ys, yy) = (yc / n, ys / n, yy / n);
    let (cc_, ss_, cs_) = (cc / n - c * c, 1.0 - cc / n - s * s, cs / n - c * s);
    let determinant = cc_ * ss_ - cs_ * cs_;
    if yy <= 0.0 || determinant <= 1e-14 {
        return 0.0;
    }
    ((ss_ * yc * yc + cc_ * ys * ys - 2.0 * cs_ * yc * ys) / (yy * determinant)).clamp(0.0, 1.0)
}

/// Periodogram from `low` to `high` in even steps, O(readings x steps).
#[allow(clippy::cast_precision_loss, clippy::cast_possible_truncation, clippy::cast_sign_loss)]
pub fn periodogram(times: &[f64], values: &[f64], low: f64, high: f64, step: f64) -> Vec<Peak> {
    let steps = ((high - low) / step + 0.5).floor().max(0.0) as usize;
    (0..=steps)
        .map(|i| low + step * i as f64)
        .map(|frequency| Peak { frequency, power: power(times, values, frequency) })
        .collect()
}

/// Chance of a power this high at one frequency fixed beforehand: (1 - z)^((N - 3)/2).
#[allow(clippy::cast_precision_loss)]
pub fn single_chance(power: f64, count: usize) -> f64 {
    (1.0 - power).powf((count as f64 - 3.0) / 2.0)
}

/// Upper bound of the chance of a peak this high anywhere up to `highest` Hz.
///
/// # Source
/// Baluev 2008, MNRAS 385:1279, for the floating mean.
#[allow(clippy::cast_precision_loss)]
pub fn search_chance(power: f64, times: &[f64], highest: f64) -> f64 {
    let n = times.len() as f64;
    let mean = times.iter().sum::<f64>() / n;
    let variance = times.iter().map(|t| (t - mean) * (t - mean)).sum::<f64>() / n;
    let width = highest * (4.0 * std::f64::consts::PI * variance).sqrt();
    let gamma = (2.0 / (n - 1.0)).sqrt() * (ln_gamma((n - 1.0) / 2.0) - ln_gamma((n - 2.0) / 2.0)).exp();
    let tau = gamma * width * (1.0 - power).powf(0.5 * (n - 4.0)) * (0.5 * (n - 1.0) * power).sqrt();
    let single = single_chance(power, times.len());
    // 1 - (1 - single) exp(-tau), without losing a small answer.
    let log = (-single).ln_1p() - tau;
    -log.exp_m1()
}
