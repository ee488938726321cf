//! From single readings of the converter to one number per condition: mean, spread, count, both peaks.

use std::collections::BTreeMap;

use crate::base::{Event, EventKind};

use crate::analysis::ladder::fault::Condition;
use crate::analysis::ledger::Level;
use crate::analysis::special::normal_upper;

/// What the converter said in one condition.
#[derive(Clone, Debug, PartialEq)]
pub struct Reading {
    /// The condition.
    pub condition: Condition,
    /// Mean in counts.
    pub counts: f64,
    /// Standard deviation of single readings in counts.
    pub spread: f64,
    /// How many readings.
    pub n: u64,
    /// How many independent readings they are worth: fewer when each is like the one before it. One when the
    /// level wanders, since its spread is then the least by which it differs from stage to stage.
    pub independent: f64,
    /// Share of the readings at zero.
    pub at_zero: f64,
    /// Share of the readings at full scale.
    pub at_full: f64,
    /// The two levels between which the reading jumps, when it does; its mean then means nothing.
    pub levels: Option<(f64, f64)>,
}

impl Reading {
    /// A reading with this code that was seen once or never varied, with noise `spread`.
    pub fn steady(condition: Condition, code: u32, full_scale: u32, spread: f64) -> Self {
        Self {
            condition,
            counts: f64::from(code),
            spread,
            n: 1,
            independent: 1.0,
            at_zero: if code == 0 { 1.0 } else { 0.0 },
            at_full: if code >= full_scale { 1.0 } else { 0.0 },
            levels: None,
        }
    }

    /// From a level of the ledger of evidence, which knows every reading.
    pub fn of_level(condition: Condition, level: &Level, full_scale: u32) -> Self {
        let n = level.n.max(1) as f64;
        let share = |at: u64, is_end: bool| if is_end { at as f64 / n } else { 0.0 };
        Self {
            condition,
            counts: level.mean,
            spread: (level.variance * n / (n - 1.0).max(1.0)).sqrt(),
            n: level.n,
            independent: n,
            at_zero: share(level.at_min, level.min == 0),
            at_full: share(level.at_max, level.max >= full_scale),
            levels: None,
        }
    }

    /// Whether the reading tells the converter's noise: not cut at an end of the scale, not wandering.
    fn tells_noise(&self) -> bool {
        self.n >= 2 && !self.is_cut() && self.levels.is_none() && 2.0 * self.independent > self.n as f64
    }

    /// Whether an end of the scale cuts many of its readings.
    pub(super) fn is_cut(&self) -> bool {
        self.at_full > CUT || self.at_zero > CUT
    }

    /// The level in counts of a reading that an end of the scale cuts, from the share at the end and the mean, and the standard
    /// deviation of the noise; `None` where too few lie off the end, or where they lie one count off it, as with any small noise.
    ///
    /// # Formula
    /// Of a normal level with deviation `s` the share `p` is at the end, so that it lies `a = Φ⁻¹(p)` deviations beyond the
    /// end's border, and the readings lie `Σ Φ(-(a + k/s))`, k from 0, off the end on average: which gives `s`.
    ///
    /// # Source
    /// Two moments of a censored normal variable, as in Tobin, Econometrica 26 (1958) 24, here of whole counts.
    fn uncut(&self, full_scale: f64) -> Option<(f64, f64)> {
        let is_high = self.at_full >= self.at_zero;
        let share = if is_high { self.at_full } else { self.at_zero };
        let off = if is_high { full_scale - self.counts } else { self.counts };
        let n = self.n as f64;
        if !self.is_cut() || self.levels.is_some() || (1.0 - share) * n < FEWEST_OFF {
            return None;
        }
        let spread = spread_of(share, off)?;
        // Half a count inside the border: the mean of the codes that a level gives.
        let beyond = spread * quantile(share) - 0.5;
        let level = if is_high { full_scale + beyond } else { -beyond };
        Some((level, spread))
    }

    /// What is to be fitted.
    fn fitted(&self, spread: f64, full_scale: f64) -> Fitted {
        match self.uncut(full_scale) {
            // Of noise that need not be normal the level beyond an end is known to a part of the noise at best.
            Some((counts, spread)) => {
                let sigma = self.sigma_at(spread).hypot(NOISE_KNOWN * spread);
                Fitted { counts, sigma, cut: None }
            }
            None => Fitted {
                counts: self.counts,
                sigma: self.sigma_at(spread),
                cut: Some((spread * spread + 1.0 / 12.0).sqrt()),
            },
        }
    }

    /// Standard error of the mean in counts, rounding included.
    ///
    /// A reading without noise repeats its rounding error, which averaging cannot reduce: `1/12 + s²/n`, with the
    /// number of independent readings. From a spread of half a count on the noise dithers the converter, and what is
    /// left of the rounding error is the mean square of its Fourier series, `Σ exp(-4π²h²σ²) / (2π²h²)`. Uneven steps
    /// of a real converter are not in it.
    ///
    /// # Source
    /// Quantisation error q²/12: Texas Instruments SLOA249; dither: Lyons and Yates, "Reducing ADC Quantization
    /// Noise", Microwaves & RF, 2005. The series is the Fourier series of the sawtooth error averaged over Gaussian
    /// noise (Carbone and Petri, IEEE Trans. Instrum. Meas. 43 (1994) 389, from memory).
    pub fn sigma(&self) -> f64 {
        self.sigma_at(self.spread)
    }

    /// The same with another spread of single readings, in counts.
    pub(super) fn sigma_at(&self, spread: f64) -> f64 {
        let variance = spread * spread;
        let rounding = if self.n < 2 || spread < 0.5 {
            1.0 / 12.0
        } else {
            let noise = variance - 1.0 / 12.0;
            let pi2 = std::f64::consts::PI * std::f64::consts::PI;
            let series = (1..=3).map(|h| f64::from(h * h));
            series.map(|h2| (-4.0 * pi2 * h2 * noise).exp() / (2.0 * pi2 * h2)).sum()
        };
        (rounding + variance / self.independent.max(1.0)).sqrt()
    }
}

/// Share of readings at an end of the scale from which their mean no longer is the level's.
const CUT: f64 = 0.1;
/// Readings off the end of the scale that tell how far they scatter. A rule of our own.
const FEWEST_OFF: f64 = 20.0;
/// Deviations in counts that readings off the end tell apart: below, all of them lie one count off it.
const SPREADS: (f64, f64) = (0.4, 64.0);
/// How far a level that an end of the scale cuts is known at best, in deviations of the noise. A rule of our own.
const NOISE_KNOWN: f64 = 0.05;

/// What is fitted of one reading, in counts.
#[derive(Clone, Copy, Debug)]
pub(super) struct Fitted {
    /// Mean, or the level that an end of the scale cut.
    pub(super) counts: f64,
    /// Its standard error.
    pub(super) sigma: f64,
    /// Standard deviation of single readings, rounding included, where an end of the scale may cut them and the mean has not
    /// been mended.
    pub(super) cut: Option<f64>,
}

/// Standard deviation of a normal level of which this share lies at an end of the scale, and that lies so far off it on average.
fn spread_of(share: f64, off: f64) -> Option<f64> {
    let beyond = quantile(share);
    let mean_off = |s: f64| {
        (0..).map(|k| normal_upper(beyond + f64::from(k) / s)).take_while(|p| *p > 1e-12).sum::<f64>()
    };
    let (mut low, mut high) = SPREADS;
    if !(mean_off(low)..mean_off(high)).contains(&off) {
        return None;
    }
    while high - low > 1e-4 * high {
        let middle = f64::midpoint(low, high);
        if mean_off(middle) < off { low = middle } else { high = middle }
    }
    Some(high)
}

/// Standard score below which a share lies.
fn quantile(share: f64) -> f64 {
    std::f64::consts::SQRT_2 * statrs::function::erf::erf_inv(2.0 * share - 1.0)
}

/// What to fit, one for each reading, with the noise to reckon with: few readings of one condition may lie together by luck, while
/// the converter's noise is that of all conditions. Never below the reading's own.
///
/// # Source
/// A variance is drawn to that of all by the degrees of freedom, the common one at most [`COMMON`] strong: Smyth 2004,
/// Stat. Appl. Genet. Mol. Biol. 3:3. Keeping the larger is a rule of our own.
pub(super) fn fitted(readings: &[Reading], full_scale: u32) -> Vec<Fitted> {
    let freedom = |r: &Reading| r.n.saturating_sub(1) as f64;
    let telling = || readings.iter().filter(|r| r.tells_noise());
    let whole: f64 = telling().map(freedom).sum();
    let common = telling().map(|r| freedom(r) * r.spread * r.spread).sum::<f64>() / whole.max(1.0);
    let strength = whole.min(COMMON);
    let drawn = |r: &Reading| {
        let own = freedom(r);
        let variance = (strength * common + own * r.spread * r.spread) / (strength + own).max(1.0);
        if r.n >= 2 { r.spread.max(variance.sqrt()) } else { r.spread }
    };
    readings.iter().map(|r| r.fitted(drawn(r), f64::from(full_scale))).collect()
}

/// Most degrees of freedom that the noise of all conditions counts for.
const COMMON: f64 = 8.0;

/// Gathers single readings of one condition; memory is bounded by the number of codes.
#[derive(Clone, Debug, Default)]
pub struct Gatherer {
    histogram: BTreeMap<u32, u64>,
    n: u64,
    /// Sum of squared steps from one reading to the next.
    steps: f64,
    last: Option<u32>,
}

/// Most different codes that are kept; a converter of sixteen bits has no more.
const MOST_CODES: usize = 1 << 16;

impl Gatherer {
    /// Takes one code.
    pub fn push(&mut self, counts: u32) {
        self.push_many(counts, 1);
    }

    /// Takes the same code several times: a set that reports only changes holds a code until the next one.
    pub fn push_many(&mut self, counts: u32, times: u64) {
        if self.histogram.len() >= MOST_CODES && !self.histogram.contains_key(&counts) {
            return;
        }
        *self.histogram.entry(counts).or_default() += times;
        self.n += times;
        let step = self.last.map_or(0.0, |last| f64::from(counts.abs_diff(last)));
        self.steps += step * step;
        self.last = Some(counts);
    }

    /// Takes the event if it is a reading of this line.
    pub fn event(&mut self, event: &Event, line: &str) {
        if event.kind == EventKind::Reading
            && event.line.as_deref() == Some(line)
            && let Some(counts) = event.counts
        {
            self.push(counts);
        }
    }

    /// How many readings were taken.
    pub fn n(&self) -> u64 {
        self.n
    }

    /// Worth of `n` readings of this variance in independent ones, from the mean squared step between
    /// neighbours: `1 - ρ = steps / 2 variance`, `n (1 - ρ) / (1 + ρ)`.
    ///
    /// # Source
    /// von Neumann, Annals of Mathematical Statistics 12 (1941) 367 (mean square successive difference); Bayley
    /// and Hammersley, J. R. Statist. Soc. Suppl. 8 (1946) 184 (effective number).
    fn independent(&self, n: f64, variance: f64) -> f64 {
        let pairs = self.n.saturating_sub(1) as f64;
        if variance <= 0.25 || pairs < 4.0 {
            return n;
        }
        let correlation = (1.0 - self.steps / pairs / (2.0 * variance)).clamp(0.0, 0.999);
        if correlation > 0.5 { 1.0 } else { (n * (1.0 - correlation) / (1.0 + correlation)).max(1.0) }
    }

    /// The code with the most readings, its neighbours counted with it; `None` without readings.
    pub fn mode(&self) -> Option<u32> {
        let near = |code: u32| -> u64 {
            self.histogram.range(code.saturating_sub(2)..=code.saturating_add(2)).map(|(_, n)| n).sum()
        };
        self.histogram.keys().copied().max_by_key(|code| (near(*code), std::cmp::Reverse(*code)))
    }

    /// The reading of this condition; `None` without readings.
    pub fn reading(&self, condition: Condition, full_scale: u32) -> Option<Reading> {
        self.reading_within(condition, full_scale, 0, u32::MAX)
    }

    /// The reading from the codes between `low` and `high`, both inside: a key check's condition, say,
    /// without the idle codes before and after the press.
    pub fn reading_within(
        &self,
        condition: Condition,
        full_scale: u32,
        low: u32,
        high: u32,
    ) -> Option<Reading> {
        let chosen =
            || self.histogram.range(low..=high.max(low)).map(|(code, n)| (f64::from(*code), *n as f64));
        let n: f64 = chosen().map(|(_, n)| n).sum();
        if n <= 0.0 {
            return None;
        }
        let mean = chosen().map(|(code, n)| code * n).sum::<f64>() / n;
        let squares = chosen().map(|(code, m)| (code - mean).powi(2) * m).sum::<f64>();
        let variance = if n > 1.0 { squares / (n - 1.0) } else { 0.0 };
        let full = f64::from(full_scale);
        Some(Reading {
            condition,
            counts: mean,
            spread: variance.sqrt(),
            n: n as u64,
            independent: self.independent(n, variance),
            at_zero: chosen().filter(|(code, _)| *code < 0.5).map(|(_, m)| m).sum::<f64>() / n,
            at_full: chosen().filter(|(code, _)| *code >= full).map(|(_, m)| m).sum::<f64>() / n,
            levels: two_levels(&chosen().collect::<Vec<_>>(), mean, squares),
        })
    }
}

/// Splits the codes where the two sides' own scatter is least; two levels are reported when the split
/// explains nine tenths of the variance, each side holds a tenth of the readings, and the levels stand apart.
///
/// # Source
/// Otsu, "A threshold selection method from gray-level histograms", IEEE Trans. SMC 9 (1979) 62. A split
/// normal distribution leaves `1 - 2/π` = 36 % of the variance inside the halves, a two-level one nothing.
fn two_levels(codes: &[(f64, f64)], mean: f64, squares: f64) -> Option<(f64, f64)> {
    let n: f64 = codes.iter().map(|(_, m)| m).sum();
    let total: f64 = codes.iter().map(|(code, m)| code * m).sum();
    let (mut below, mut sum) = (0.0, 0.0);
    let mut best: Option<(f64, f64, f64, f64)> = None;
    for (code, m) in codes {
        below += m;
        sum += code * m;
        let above = n - below;
        if above <= 0.0 {
            break;
        }
        let (low, high) = (sum / below, (total - sum) / above);
        let between = below * (low - mean).powi(2) + above * (high - mean).powi(2);
        if best.is_none_or(|(most, ..)| between > most) {
            best = Some((between, low, high, below / n));
        }
    }
    let (between, low, high, share) = best?;
    let apart = high - low >= 4.0 && n >= 10.0;
    (apart && between >= 0.9 * squares && (0.1..=0.9).contains(&share)).then_some((low, high))
}

#[cfg(test)]
mod tests {
    use statrs::distribution::{ContinuousCDF, Normal};

    use super::*;

    /// A hundred thousand codes of a converter of ten bits at a normal level, as their shares come out.
    fn codes(level: f64, spread: f64) -> Gatherer {
        let normal = Normal::new(level, spread).unwrap();
        let mut gathered = Gatherer::default();
        for code in 0..=1023u32 {
            let low = if code == 0 { f64::NEG_INFINITY } else { f64::from(code) };
            let high = if code == 1023 { f64::INFINITY } else { f64::from(code) + 1.0 };
            let times = 1e5 * (normal.cdf(high) - normal.cdf(low));
            gathered.push_many(code, times.round() as u64);
        }
        gathered
    }

    #[test]
    fn a_level_that_an_end_of_the_scale_cuts_is_found_from_what_it_left() {
        for (level, spread) in [(1023.9, 1.5), (1023.0, 0.7), (1022.6, 0.7), (1024.4, 3.0), (1021.5, 2.0)] {
            for mirrored in [false, true] {
                let level = if mirrored { 1024.0 - level } else { level };
                let reading = codes(level, spread).reading(Condition::Idle, 1023).unwrap();
                let found = reading.fitted(reading.spread, 1023.0);
                assert!(found.cut.is_none(), "{level} {spread}");
                assert!((found.counts - (level - 0.5)).abs() < 0.02 * spread, "{level} {spread}: {found:?}");
            }
        }
        // Every reading that is off the end lies one count off it: the noise may be anything that is small.
        let reading = codes(1023.02, 0.05).reading(Condition::Idle, 1023).unwrap();
        assert!(reading.fitted(reading.spread, 1023.0).cut.is_some());
    }
}
