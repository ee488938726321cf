//! The ripple of a line at rest: how much, and at what frequency.
//!
//! Samples are averaged into bins of at least [`BIN`]; [`BINS`] of them make a block, whose spectrum tells
//! what dominates. A block spans at least 0.2 s, so that mains and its double are told apart; a frequency
//! above half the bin rate (2.5 kHz) shows in the spread alone.

use crate::base::{Nanoseconds, Volts};

/// Shortest bin: 5 kHz.
const BIN: Nanoseconds = Nanoseconds::from_micros(200);
/// Bins of a block, a power of two.
pub const BINS: usize = 1024;
/// A bin that lies further from the block's first ones, as a fraction of the reference, is a key or another
/// step, and no ripple. Ladders keep their keys further apart than this; ours.
const STEP: f64 = 0.05;
/// A frequency dominates when it and its neighbours hold this share of the power.
const DOMINANT: f64 = 0.5;

/// Ripple over one block.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Ripple {
    /// When the block began.
    pub t: Nanoseconds,
    /// How long it lasted.
    pub length: Nanoseconds,
    /// Standard deviation of the samples.
    pub rms: Volts,
    /// Highest less lowest sample.
    pub peak_to_peak: Volts,
    /// The frequency that holds most of the power, where one does.
    pub frequency_hz: Option<f64>,
}

/// Collects blocks.
#[derive(Clone, Debug)]
pub(super) struct RippleMeter {
    step: f64,
    /// Length of a bin, known from the second sample on.
    bin: Option<Nanoseconds>,
    last: Option<(Nanoseconds, f64)>,
    start: Nanoseconds,
    bins: Vec<f64>,
    sum: f64,
    count: f64,
    spread: Spread,
}

/// Running mean and squares of raw samples.
///
/// # Source
/// Welford (1962), "Note on a method for calculating corrected sums of squares and products",
/// Technometrics 4; from memory.
#[derive(Clone, Copy, Debug, Default)]
struct Spread {
    count: f64,
    mean: f64,
    squares: f64,
    lowest: f64,
    highest: f64,
}

impl Spread {
    fn push(&mut self, value: f64) {
        if self.count == 0.0 {
            (self.lowest, self.highest) = (value, value);
        }
        self.count += 1.0;
        let off = value - self.mean;
        self.mean += off / self.count;
        self.squares += off * (value - self.mean);
        self.lowest = self.lowest.min(value);
        self.highest = self.highest.max(value);
    }
}

impl RippleMeter {
    pub(super) fn new(reference: f64) -> Self {
        Self {
            step: STEP * reference,
            bin: None,
            last: None,
            start: Nanoseconds::ZERO,
            bins: Vec::new(),
            sum: 0.0,
            count: 0.0,
            spread: Spread::default(),
        }
    }

    /// Takes one sample; the ripple when it completes a block.
    pub(super) fn push(&mut self, t: Nanoseconds, volts: f64) -> Option<Ripple> {
        let Some((before, held)) = self.last.replace((t, volts)) else {
            self.begin(t);
            self.add(volts);
            return None;
        };
        let bin = *self.bin.get_or_insert((t - before).clamp(BIN, Nanoseconds::SECOND));
        // A pause longer than a block leaves nothing to measure.
        if t <= before || (t - self.start).0 / bin.0 > 2 * BINS as i64 {
            self.begin(t);
            self.add(volts);
            return None;
        }
        let mut done = None;
        while self.start + Nanoseconds(bin.0 * (self.bins.len() as i64 + 1)) <= t && done.is_none() {
            // A bin without samples holds the one before, as an export of changes means it.
            let mean = if self.count > 0.0 { self.sum / self.count } else { held };
            (self.sum, self.count) = (0.0, 0.0);
            if self.bins.first().is_some_and(|first| (mean - first).abs() > self.step) {
                self.begin(t);
                break;
            }
            self.bins.push(mean);
            if self.bins.len() == BINS {
                done = Some(self.measure(bin));
                self.begin(t);
            }
        }
        self.add(volts);
        done
    }

    fn begin(&mut self, t: Nanoseconds) {
        self.start = t;
        self.bins.clear();
        (self.sum, self.count) = (0.0, 0.0);
        self.spread = Spread::default();
    }

    fn add(&mut self, volts: f64) {
        self.sum += volts;
        self.count += 1.0;
        self.spread.push(volts);
    }

    fn measure(&self, bin: Nanoseconds) -> Ripple {
        let Spread { count, squares, lowest, highest, .. } = self.spread;
        Ripple {
            t: self.start,
            length: Nanoseconds(bin.0 * BINS as i64),
            rms: Volts((squares / count.max(1.0)).sqrt()),
            peak_to_peak: Volts(highest - lowest),
            frequency_hz: dominant(&self.bins).map(|cycles| cycles / bin.seconds()),
        }
    }
}

/// The dominant frequency in cycles per bin, by the peak of the spectrum under a Hann window, refined by the
/// parabola through the logarithms of the peak and its neighbours.
///
/// # Source
/// Harris (1978), "On the use of windows for harmonic analysis with the discrete Fourier transform", Proc.
/// IEEE 66, for the window; the parabola is common practice. From memory. The bias of the parabola under
/// this window is below a tenth of a line, 0.5 Hz at the shortest bin.
#[allow(clippy::cast_precision_loss)]
fn dominant(bins: &[f64]) -> Option<f64> {
    let n = bins.len();
    let mean = bins.iter().sum::<f64>() / n as f64;
    let mut values: Vec<(f64, f64)> = bins
        .iter()
        .enumerate()
        .map(|(i, value)| {
            let window = 0.5 - 0.5 * (std::f64::consts::TAU * i as f64 / n as f64).cos();
            ((value - mean) * window, 0.0)
        })
        .collect();
    transform(&mut values);
    // Line 0 is the mean; line 1 is what is left of a slow change.
    let power: Vec<f64> = values.iter().take(n / 2).map(|(re, im)| re * re + im * im).collect();
    let total: f64 = power.iter().skip(2).sum();
    let peak = (2..power.len().saturating_sub(2)).max_by(|a, b| power[*a].total_cmp(&power[*b]))?;
    let around: f64 = power.get(peak.saturating_sub(2).max(2)..=peak + 2)?.iter().sum();
    if total <= 0.0 || around < DOMINANT * total {
        return None;
    }
    let logarithm = |i: usize| power.get(i).copied().unwrap_or_default().max(f64::MIN_POSITIVE).ln();
    let (before, here, after) = (logarithm(peak - 1), logarithm(peak), logarithm(peak + 1));
    let bend = before - 2.0 * here + after;
    let shift = if bend < 0.0 { 0.5 * (before - after) / bend } else { 0.0 };
    Some((peak as f64 + shift) / n as f64)
}

/// Discrete Fourier transform in place; the length must be a power of two.
///
/// # Source
/// Cooley and Tukey (1965), "An algorithm for the machine calculation of complex Fourier series",
/// Mathematics of Computation 19; from memory.
#[allow(clippy::cast_precision_loss)]
fn transform(values: &mut [(f64, f64)]) {
    let n = values.len();
    if n < 2 || !n.is_power_of_two() {
        return;
    }
    let shift = usize::BITS - n.trailing_zeros();
    for i in 0..n {
        let j = i.reverse_bits() >> shift;
        if i < j {
            values.swap(i, j);
        }
    }
    let mut size = 2;
    while size <= n {
        for part in values.chunks_exact_mut(size) {
            let (low, high) = part.split_at_mut(size / 2);
            for (k, (a, b)) in low.iter_mut().zip(high).enumerate() {
                let (sin, cos) = (-std::f64::consts::TAU * k as f64 / size as f64).sin_cos();
                let turned = (b.0 * cos - b.1 * sin, b.0 * sin + b.1 * cos);
                *b = (a.0 - turned.0, a.1 - turned.1);
                *a = (a.0 + turned.0, a.1 + turned.1);
            }
        }
        size *= 2;
    }
}

#[cfg(test)]
mod tests {
    use super::transform;

    #[test]
    fn the_transform_is_that_of_the_definition() {
        let n = 16;
        let signal: Vec<f64> = (0..n).map(|i| ((i * i * 7) % 11) as f64).collect();
        let mut fast: Vec<(f64, f64)> = signal.iter().map(|value| (*value, 0.0)).collect();
        transform(&mut fast);
        for (k, (re, im)) in fast.iter().enumerate() {
            let angle = |i: usize| std::f64::consts::TAU * (k * i) as f64 / n as f64;
            let slow_re: f64 = signal.iter().enumerate().map(|(i, v)| v * angle(i).cos()).sum();
            let slow_im: f64 = signal.iter().enumerate().map(|(i, v)| -v * angle(i).sin()).sum();
            assert!((re - slow_re).abs() < 1e-9 && (im - slow_im).abs() < 1e-9, "line {k}");
        }
    }
}
