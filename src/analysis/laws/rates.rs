//! Two rates: short gaps while the fault is active, and now and then a long one while it is not. The long ones are
//! exponential where the fault comes and goes by chance, and of nearly one length where it does so by turns (a
//! thermostat, a duty cycle).

use crate::analysis::laws::gaps::{Gaps, Weighed, prior};
use crate::analysis::special::{ln_gamma, normal_upper};

/// Lengths of the long gap considered, in mean short gaps; evenly spread in the logarithm.
const LONG: (f64, f64) = (3.0, 1000.0);
const STEPS: u32 = 40;
/// By how much the long gaps of turns differ: standard deviations of their logarithm.
const SPREADS: [f64; 3] = [0.05, 0.12, 0.3];
/// Prior of the share of long gaps: Beta with these counts.
const SHARE: (f64, f64) = (0.3, 1.7);

#[derive(Clone, Copy, Debug, PartialEq)]
enum Long {
    Exponential { mean: f64 },
    Turns { length: f64, spread: f64 },
}

impl Long {
    fn survival(self, x: f64) -> f64 {
        match self {
            Self::Exponential { mean } => (-x / mean).exp(),
            Self::Turns { .. } if x <= 0.0 => 1.0,
            Self::Turns { length, spread } => normal_upper((x / length).ln() / spread),
        }
    }

    fn mean(self) -> f64 {
        match self {
            Self::Exponential { mean } => mean,
            Self::Turns { length, spread } => length * (0.5 * spread * spread).exp(),
        }
    }

    /// Integral of the survival beyond `t`, over the mean.
    fn quiet(self, t: f64) -> f64 {
        match self {
            Self::Exponential { mean } => (-t / mean).exp(),
            Self::Turns { .. } if t <= 0.0 => 1.0,
            // Mean excess of a lognormal.
            Self::Turns { length, spread } => {
                let z = (t / length).ln() / spread;
                (normal_upper(z - spread) - t / self.mean() * normal_upper(z)).max(0.0)
            }
        }
    }
}

#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Rates {
    /// Share of long gaps.
    share: f64,
    /// Gamma posterior of the short gaps' rate.
    a: f64,
    s: f64,
    long: Long,
    /// Whether a long gap was seen whole.
    seen: bool,
    least: f64,
}

impl Rates {
    /// Off by turns, and seen whole: then when the next one comes is no chance, and the quiet may be one.
    fn turns(&self) -> bool {
        self.seen && matches!(self.long, Long::Turns { .. })
    }

    pub(super) fn lasts(&self, since: f64, t: f64) -> f64 {
        let (from, to) = ((since - self.least).max(0.0), (since + t - self.least).max(0.0));
        if self.turns() {
            let before = self.long.survival(from);
            return if before > 1e-12 { self.long.survival(to) / before } else { 0.0 };
        }
        let short = |x: f64| (1.0 - self.share) * (self.s / (self.s + x)).powf(self.a);
        let long = |x: f64| self.share * self.long.survival(x);
        let before = short(from) + long(from);
        if before > 0.0 { (short(to) + long(to)) / before } else { 1.0 }
    }

    pub(super) fn mean(&self) -> f64 {
        self.least + self.share * self.long.mean() + (1.0 - self.share) * self.s / self.a
    }

    pub(super) fn quiet(&self, t: f64) -> f64 {
        let t = (t - self.least).max(0.0);
        let (long, short) = (self.share * self.long.mean(), (1.0 - self.share) * self.s / self.a);
        (long * self.long.quiet(t) + short * (self.s / (self.s + t)).powf(self.a)) / (long + short)
    }
}

/// Every way to call the longest k gaps long, by its evidence.
///
/// # Source
/// Exponential mixtures: Hasselblad 1969, JASA 64:1459; of all ways to part the gaps only those by length are taken, as
/// in a product partition model (Barry & Hartigan 1992, Ann. Stat. 20:260).
#[allow(clippy::cast_precision_loss)]
pub(super) fn weigh(gaps: &Gaps) -> Weighed<Rates> {
    let y: Vec<f64> = gaps.whole.iter().map(|x| gaps.beyond(*x).max(1e-6)).collect();
    let n = y.len() as f64;
    let (a0, b0) = SHARE;
    // Flat in the logarithm of the ratio.
    let each = -f64::from(STEPS + 1).ln();
    let mut found = Vec::new();
    let mut short_sum: f64 = y.iter().sum();
    let (mut sum, mut logs, mut squares) = (0.0, 0.0, 0.0);
    for k in 0..y.len().saturating_sub(1) {
        if k > 0 {
            let longest = y[y.len() - k];
            short_sum = (short_sum - longest).max(1e-9);
            sum += longest;
            logs += longest.ln();
            squares += longest.ln().powi(2);
        }
        let (count, rest) = (k as f64, n - k as f64);
        let short = short_sum / rest;
        // Long gaps that are no longer than short ones are none; and of a pause that nobody saw, not even in part, there
        // is nothing to weigh.
        if k > 0 && y[y.len() - k] < short {
            break;
        }
        if k == 0 && !gaps.cut.iter().any(|x| gaps.beyond(*x) > LONG.0 * short) {
            continue;
        }
        let ways = ln_gamma(count + a0) + ln_gamma(rest + b0) - ln_gamma(n + a0 + b0) + ln_gamma(a0 + b0)
            - ln_gamma(a0)
            - ln_gamma(b0);
        let base = ways + ln_gamma(rest) - rest * short_sum.ln() + each;
        let share = (count + a0) / (n + a0 + b0);
        let ends = |long: Long| -> f64 {
            let one = |x: &f64| {
                let x = gaps.beyond(*x);
                let short = (1.0 - share) * (-x / short).exp();
                (short + share * long.survival(x)).max(1e-300).ln()
            };
            gaps.cut.iter().map(one).sum()
        };
        for i in 0..=STEPS {
            let length = short * LONG.0 * (LONG.1 / LONG.0).powf(f64::from(i) / f64::from(STEPS));
            let law =
                |long: Long| Rates { share, a: rest, s: short_sum, long, seen: k > 0, least: gaps.least };
            let long = Long::Exponential { mean: length };
            let log = -count * length.ln() - sum / length;
            found.push((prior::RATES.ln() + base + log + ends(long), law(long)));
            for spread in SPREADS {
                let long = Long::Turns { length, spread };
                let m = length.ln();
                let off = squares - 2.0 * m * logs + count * m * m;
                let log =
                    -count * (spread * std::f64::consts::TAU.sqrt()).ln() - logs - 0.5 * off / spread.powi(2);
                let prior = (prior::TURNS / SPREADS.len() as f64).ln();
                found.push((prior + base + log + ends(long), law(long)));
            }
        }
    }
    // Most splits explain nothing.
    let top = found.iter().map(|(log, _)| *log).fold(f64::NEG_INFINITY, f64::max);
    found.retain(|(log, _)| *log > top - 18.0);
    found
}
