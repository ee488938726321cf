//! Two halves of opposite level per bit, some bits perhaps of double width.

use crate::decode::infrared::coding::{Air, Fit, Miss, Reading, Reason, Sums};
use crate::decode::infrared::layout::Word;

/// See [`crate::decode::infrared::coding::Coding::Biphase`].
pub(super) struct Shape {
    pub(super) one_mark_first: bool,
    pub(super) double: u64,
    pub(super) bits: u8,
    pub(super) unseen: bool,
}

impl Shape {
    /// Width of each half of a bit, in units.
    fn width(&self, bit: u8) -> u32 {
        if self.double >> bit & 1 == 1 { 2 } else { 1 }
    }

    /// Longest run in units: two halves of equal level that meet, one of them perhaps double.
    fn widest(&self) -> f64 {
        if self.double == 0 { 2.0 } else { 3.0 }
    }

    fn units(&self) -> u32 {
        2 * (u32::from(self.bits) + self.double.count_ones())
    }
}

/// The nearest whole number of a small positive one; below zero it gives zero.
fn nearest(x: f64) -> f64 {
    f64::from((x + 0.5) as u32)
}

/// Marks and spaces that the first estimate looks at.
const FIRST: usize = 16;

impl Air {
    /// `clock` is known from a leader, or not.
    pub(super) fn read_halves(
        &self,
        lengths: &[u32],
        start: usize,
        clock: Option<f64>,
        shape: &Shape,
    ) -> Result<Reading, Miss> {
        let body = lengths.get(start..).unwrap_or_default();
        // Bounds of a run of one to three units. In range: units are 5 ms at most.
        let slack = self.tolerance + self.stretch[1].max(-self.stretch[0]);
        let longest = (self.unit * shape.widest() * (1.0 + self.clock) + slack) as u32;
        let shortest = (self.unit * (1.0 - self.clock) - slack).max(0.0) as u32;
        let most = 2 * usize::from(shape.bits) + 1;
        let mut count = 0;
        let mut totals = [0u64; 2];
        for length in body.iter().take(most).copied() {
            let is_space = count % 2;
            if is_space == 1 && length >= self.quiet {
                break;
            }
            if length > longest || length < shortest {
                let measured = f64::from(length);
                let reason = Reason::Length { measured, expected: [self.unit, 2.0 * self.unit] };
                return Err(Miss { bits: (count / 2) as u8, word: 0, pulse: start + count, reason });
            }
            totals[is_space] += u64::from(length);
            count += 1;
        }
        let runs = body.get(..count).unwrap_or_default();
        let (unit, stretch) = self.estimate(totals, count, shape).unwrap_or_else(|| self.guess(runs, clock));
        let (levels, used, sums) = self.expand(runs, (unit, stretch), shape, start)?;
        let word = slots_to_bits(levels, used, shape).map_err(|(bits, word, reason)| {
            // The place of a bit in the runs is not unique; its middle is near enough for a report.
            let pulse = start + count * usize::from(bits) / usize::from(shape.bits.max(1));
            Miss { bits, word, pulse, reason }
        })?;
        let read = (word, shape.bits, start + count.saturating_sub(1));
        let fit = self.judge_runs(runs, self.judge(&sums, read)?, read.0, start, shape)?;
        Ok(Reading { word, bits: shape.bits, pulses: count, fit })
    }

    /// Judges what the fit leaves of each run.
    fn judge_runs(
        &self,
        runs: &[u32],
        mut fit: Fit,
        word: Word,
        start: usize,
        shape: &Shape,
    ) -> Result<Fit, Miss> {
        let mut square = 0.0;
        let unit = self.unit * fit.clock;
        let per_unit = 1.0 / unit;
        for (i, length) in runs.iter().enumerate() {
            let d = if i % 2 == 0 { fit.stretch } else { -fit.stretch };
            let own = (f64::from(*length) - d) * per_unit;
            let error = (own - nearest(own)) * unit;
            square += error * error;
            if error.abs() > self.tolerance {
                let bits = (i * usize::from(shape.bits) / runs.len().max(1)) as u8;
                let reason = Reason::Error { measured: f64::from(*length), error };
                return Err(Miss { bits, word, pulse: start + i, reason });
            }
        }
        fit.error = (square / runs.len().max(1) as f64).sqrt() / self.tolerance;
        Ok(fit)
    }

    /// First estimate of unit and stretch from a whole frame (total of its marks, total of its spaces, how many
    /// of both): its length, and the excess of marks over spaces,
    /// which are the same number of units but for halves that are not seen. `None` when the length is not
    /// that of a frame.
    fn estimate(&self, totals: [u64; 2], count: usize, shape: &Shape) -> Option<(f64, f64)> {
        let [marks, spaces] = totals.map(|total| total as f64);
        // Whether the last half is seen depends on the last bit: half of it is the mean.
        let last = f64::from(shape.width(shape.bits.saturating_sub(1))) / 2.0;
        let unseen = f64::from(u8::from(shape.unseen)) + last;
        let visible = f64::from(shape.units()) - unseen;
        let unit = (marks + spaces) / visible;
        // The sum of some twenty errors of the size of the tolerance is below 8 % of the length.
        let limit = self.clock + last / visible + 0.08;
        if (unit / self.unit - 1.0).abs() > limit {
            return None;
        }
        let stretch = (marks - spaces - unseen * unit) / count.max(1) as f64;
        Some((unit, stretch.clamp(self.stretch[0], self.stretch[1])))
    }

    /// The same for what is no whole frame, from the shortest mark and the shortest space of its beginning.
    fn guess(&self, runs: &[u32], clock: Option<f64>) -> (f64, f64) {
        let runs = runs.get(..runs.len().min(FIRST)).unwrap_or_default();
        let shortest = |parity: usize| {
            runs.iter().skip(parity).step_by(2).min().map(|length| {
                let length = f64::from(*length);
                (length, (length / (self.unit * clock.unwrap_or(1.0))).round().max(1.0))
            })
        };
        let (Some((mark, marks)), Some((space, spaces))) = (shortest(0), shortest(1)) else {
            return (self.unit * clock.unwrap_or(1.0), 0.0);
        };
        let unit = match clock {
            Some(clock) => self.unit * clock,
            None => ((mark + space) / (marks + spaces))
                .clamp(self.unit * (1.0 - self.clock), self.unit * (1.0 + self.clock)),
        };
        let stretch = ((mark - marks * unit) - (space - spaces * unit)) / 2.0;
        (unit, stretch.clamp(self.stretch[0], self.stretch[1]))
    }

    /// Runs to a row of levels, the first unit the most significant of those used.
    fn expand(
        &self,
        runs: &[u32],
        estimate: (f64, f64),
        shape: &Shape,
        start: usize,
    ) -> Result<(u128, u32, Sums), Miss> {
        let (unit, stretch) = estimate;
        let units = shape.units();
        let widest = shape.widest();
        let per_unit = 1.0 / unit;
        let mut levels = 0u128;
        let mut used = u32::from(shape.unseen);
        let mut sums = Sums::default();
        for (i, length) in runs.iter().enumerate() {
            let mark = i % 2 == 0;
            let measured = f64::from(*length);
            let own = (measured - if mark { stretch } else { -stretch }) * per_unit;
            let whole = nearest(own).max(1.0);
            let miss = |reason| Miss { bits: (used / 2) as u8, word: 0, pulse: start + i, reason };
            if whole > widest {
                return Err(miss(Reason::Length { measured, expected: [unit, widest * unit] }));
            }
            let width = whole as u32;
            if used + width > units {
                return Err(miss(Reason::Long));
            }
            levels = (levels << width) | if mark { (1 << width) - 1 } else { 0 };
            used += width;
            sums.add(measured, whole * self.unit, mark);
        }
        // The last half is not seen when it is a space.
        if used < units {
            levels <<= units - used;
        }
        Ok((levels, used, sums))
    }
}

fn slots_to_bits(levels: u128, used: u32, shape: &Shape) -> Result<Word, (u8, Word, Reason)> {
    let units = shape.units();
    let mut word: Word = 0;
    let mut left = units;
    for bit in 0..shape.bits {
        let width = shape.width(bit);
        let ones = (1u128 << width) - 1;
        left -= 2 * width;
        let first = levels >> (left + width) & ones;
        let second = levels >> left & ones;
        // Only the second half of the last bit may be missing, and only as a space.
        if units - left - width > used {
            return Err((bit, word, Reason::Short));
        }
        let mark_first = match (first == ones, second == ones) {
            (true, false) if second == 0 => true,
            (false, true) if first == 0 => false,
            _ => return Err((bit, word, Reason::Halves)),
        };
        word = (word << 1) | u64::from(mark_first == shape.one_mark_first);
    }
    if used < units && bit_is_short(used, units, shape) {
        return Err((shape.bits, word, Reason::Short));
    }
    Ok(word)
}

fn bit_is_short(used: u32, units: u32, shape: &Shape) -> bool {
    units - used != shape.width(shape.bits.saturating_sub(1))
}

pub(super) fn write(shape: &Shape, unit: f64, word: Word, out: &mut Vec<f64>) {
    // The leader ends with a space, or there is none and the first half may be unseen.
    let mut runs: Vec<(bool, u32)> = Vec::new();
    for bit in 0..shape.bits {
        let width = shape.width(bit);
        let mark_first = (word >> (shape.bits - 1 - bit) & 1 == 1) == shape.one_mark_first;
        for mark in [mark_first, !mark_first] {
            match runs.last_mut() {
                Some(last) if last.0 == mark => last.1 += width,
                _ => runs.push((mark, width)),
            }
        }
    }
    if shape.unseen && runs.first().is_some_and(|run| !run.0) {
        runs.remove(0);
    }
    if runs.last().is_some_and(|run| !run.0) {
        runs.pop();
    }
    out.extend(runs.iter().map(|run| f64::from(run.1) * unit));
}
