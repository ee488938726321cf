//! Tests for a beat by folding: Rayleigh, Z², H; and the aliases under which mains and lamps hide.

use serde::Serialize;

/// Z² with n harmonics of phases in turns: (2/N) Σ over harmonics of (Σ cos)² + (Σ sin)².
///
/// # Source
/// Buccheri et al. 1983, A&A 128:245.
#[allow(clippy::cast_precision_loss)]
pub fn z_squared(phases: &[f64], harmonics: u32) -> f64 {
    (1..=harmonics).map(|k| power(phases, f64::from(k))).sum()
}

#[allow(clippy::cast_precision_loss)]
fn power(phases: &[f64], harmonic: f64) -> f64 {
    let (mut c, mut s) = (0.0, 0.0);
    for phase in phases {
        let (sin, cos) = (std::f64::consts::TAU * harmonic * phase).sin_cos();
        c += cos;
        s += sin;
    }
    2.0 * (c * c + s * s) / phases.len().max(1) as f64
}

/// Frequency at which `frequency` appears when sampled at `rate`, 0 to rate / 2.
pub fn alias(frequency: f64, rate: f64) -> f64 {
    (frequency - rate * (frequency / rate).round()).abs()
}

/// A real frequency that would look like the one seen.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, schemars::JsonSchema)]
pub struct AliasCandidate {
    /// The real frequency, Hz.
    pub frequency: f64,
    /// Where it would be seen, Hz.
    pub seen_at: f64,
    /// How far it may be off, Hz.
    pub band: f64,
}

/// Mains tolerance of synchronous networks, EN 50160: 1 % for 99.5 % of a year.
const MAINS_TOLERANCE: f64 = 0.01;

/// Mains harmonics and lamp rates that appear at `seen` when sampled at `rate`, `resolution` Hz being how well
/// `seen` is known. More than one means that the sampling cannot tell them apart.
pub fn alias_candidates(seen: f64, rate: f64, resolution: f64, lamps: &[f64]) -> Vec<AliasCandidate> {
    let mains = [50.0, 60.0].into_iter().flat_map(|base| (1..=4).map(move |n| base * f64::from(n)));
    let mut candidates: Vec<AliasCandidate> = mains
        .map(|frequency| (frequency, frequency * MAINS_TOLERANCE))
        .chain(lamps.iter().map(|frequency| (*frequency, resolution)))
        .map(|(frequency, band)| AliasCandidate { frequency, seen_at: alias(frequency, rate), band })
        .filter(|candidate| (candidate.seen_at - seen).abs() <= candidate.band + resolution)
        .collect();
    candidates.sort_by(|a, b| (a.seen_at - seen).abs().total_cmp(&(b.seen_at - seen).abs()));
    candidates
}
