//! A beat of which some are missed: gaps are whole multiples of a period, each beat missed with one chance.

use crate::analysis::laws::gaps::{Gaps, Weighed, prior};
use crate::analysis::special::{ln_gamma, quantile};

/// Jitter of a gap, as a share of the period.
const JITTERS: [f64; 5] = [0.01, 0.02, 0.04, 0.08, 0.14];
/// Periods tried: this part of the middle gap.
const PARTS: [f64; 3] = [1.0, 2.0, 3.0];
/// Fewest gaps: fewer fit a beat by chance.
const FEWEST: usize = 4;

#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Beat {
    period: f64,
    jitter: f64,
    missed: f64,
    seen: f64,
}

impl Beat {
    /// Chance that so many beats more are missed: the mean of q^j over its Beta posterior.
    fn all_missed(&self, beats: f64) -> f64 {
        let (m, n) = (self.missed + 0.5, self.seen + 0.5);
        (ln_gamma(m + beats) + ln_gamma(m + n) - ln_gamma(m) - ln_gamma(m + n + beats)).exp()
    }

    pub(super) fn lasts(&self, since: f64, t: f64) -> f64 {
        // A beat is past when it is late by more than the jitter.
        let past = |x: f64| (x / self.period - 3.0 * self.jitter).floor().max(0.0);
        self.all_missed(past(since + t) - past(since))
    }

    pub(super) fn mean(&self) -> f64 {
        self.period * (self.missed + self.seen) / self.seen
    }

    pub(super) fn quiet(&self, t: f64) -> f64 {
        let beats = (t / self.period - 3.0 * self.jitter).max(0.0);
        let (whole, part) = (beats.floor(), beats.fract());
        (1.0 - part) * self.all_missed(whole) + part * self.all_missed(whole + 1.0)
    }
}

#[allow(clippy::cast_precision_loss)]
pub(super) fn weigh(gaps: &Gaps) -> Weighed<Beat> {
    if gaps.whole.len() < FEWEST {
        return Vec::new();
    }
    let n = gaps.count();
    let middle = quantile(&gaps.whole, 0.5);
    let each = (prior::BEAT / (JITTERS.len() * PARTS.len()) as f64).ln();
    let mut found = Vec::new();
    for part in PARTS {
        let mut period = middle / part;
        let turns = |x: f64, period: f64| (x / period).round().max(1.0);
        for _ in 0..4 {
            let (mut xk, mut kk) = (0.0, 0.0);
            for x in &gaps.whole {
                let k = turns(*x, period);
                xk += x;
                kk += k;
            }
            period = xk / kk;
        }
        let (mut missed, mut off, mut whole) = (0.0, 0.0, 0.0);
        for x in &gaps.whole {
            let k = turns(*x, period);
            missed += k - 1.0;
            whole += k * k;
            off += (x / period - k).powi(2);
        }
        let share = ln_gamma(missed + 0.5) + ln_gamma(n + 0.5)
            - ln_gamma(missed + n + 1.0)
            - std::f64::consts::PI.ln();
        for jitter in JITTERS {
            let root = (std::f64::consts::TAU).sqrt() * jitter;
            // The period is integrated out about its best value: a normal of relative width jitter/√Σk².
            let log = -n * (root * period).ln() - 0.5 * off / (jitter * jitter) + (root / whole.sqrt()).ln();
            let law = Beat { period, jitter, missed, seen: n };
            let cut: f64 = gaps.cut.iter().map(|x| law.lasts(0.0, *x).max(1e-300).ln()).sum();
            found.push((each + share + log + cut, law));
        }
    }
    found
}
