//! A mark and a space per bit: pulse distance and pulse width.

use crate::decode::infrared::coding::{Air, Miss, Reading, Reason, Sums};
use crate::decode::infrared::layout::Word;

/// Mark and space of the two bits, nanoseconds, and whether a mark follows the last bit.
pub(super) struct Shape {
    pub(super) zero: [f64; 2],
    pub(super) one: [f64; 2],
    pub(super) end_mark: bool,
}

/// Timing error, as a share of the tolerance, from which a reading of pulse widths is tried otherwise too.
const DOUBTFUL: f64 = 0.3;

/// Windows within which the loop over the bits stays; the fit judges afterwards.
struct Windows {
    mark: [u32; 2],
    sum: [u32; 2],
    border: u32,
}

impl Shape {
    fn windows(&self, air: &Air, clock: f64) -> Windows {
        let sums = [self.zero[0] + self.zero[1], self.one[0] + self.one[1]];
        let [low, high] = [clock * 0.95, clock * 1.05];
        let whole = |x: f64| x.clamp(0.0, f64::from(u32::MAX)) as u32;
        Windows {
            mark: [
                whole(self.zero[0].min(self.one[0]) * low + air.stretch[0] - air.tolerance),
                whole(self.zero[0].max(self.one[0]) * high + air.stretch[1] + air.tolerance),
            ],
            sum: [
                whole(sums[0].min(sums[1]) * low - 2.0 * air.tolerance),
                whole(sums[0].max(sums[1]) * high + 2.0 * air.tolerance),
            ],
            border: whole(clock * (sums[0] + sums[1]) / 2.0),
        }
    }

    fn nominal(&self, bit: bool) -> [f64; 2] {
        if bit { self.one } else { self.zero }
    }
}

impl Air {
    pub(super) fn read_pairs(
        &self,
        lengths: &[u32],
        start: usize,
        clock: f64,
        shape: &Shape,
        most_bits: u8,
    ) -> Result<Reading, Miss> {
        let windows = shape.windows(self, clock);
        let one_is_longer = shape.one[0] + shape.one[1] > shape.zero[0] + shape.zero[1];
        let body = lengths.get(start..).unwrap_or_default();
        let mut word: Word = 0;
        let mut bits = 0u8;
        let mut measured = [[0u64; 2]; 2];
        let mut pairs = body.chunks(2);
        loop {
            let miss = |reason| Miss { bits, word, pulse: start + 2 * usize::from(bits), reason };
            let (mark, space) = match pairs.next() {
                Some([mark, space]) => (*mark, *space),
                Some([mark]) => (*mark, u32::MAX),
                _ => return Err(miss(Reason::Short)),
            };
            if mark < windows.mark[0] || mark > windows.mark[1] {
                let expected = [shape.zero[0] * clock, shape.one[0] * clock];
                return Err(miss(Reason::Length { measured: f64::from(mark), expected }));
            }
            if space >= self.quiet {
                break;
            }
            if bits >= most_bits {
                return Err(miss(Reason::Long));
            }
            let sum = mark.saturating_add(space);
            if sum < windows.sum[0] || sum > windows.sum[1] {
                let expected = [shape.zero[0] + shape.zero[1], shape.one[0] + shape.one[1]];
                let expected = expected.map(|length| length * clock);
                return Err(miss(Reason::Length { measured: f64::from(sum), expected }));
            }
            let bit = (sum > windows.border) == one_is_longer;
            let sums = &mut measured[usize::from(bit)];
            sums[0] += u64::from(mark);
            sums[1] += u64::from(space);
            word = (word << 1) | u64::from(bit);
            bits += 1;
        }
        let sums = shape.sums(measured, word, bits);
        self.close_pairs(body, start, shape, (word, bits), &sums, most_bits)
    }

    /// Fits the frame, decides a last bit that has no space of its own, and judges what remains. Where that is
    /// too much, the bits are told apart once more with the clock and stretch that were found.
    fn close_pairs(
        &self,
        body: &[u32],
        start: usize,
        shape: &Shape,
        read: (Word, u8),
        sums: &Sums,
        most_bits: u8,
    ) -> Result<Reading, Miss> {
        let (word, pairs) = read;
        let pulse = start + 2 * usize::from(pairs);
        if shape.end_mark && pairs == 0 {
            return Err(Miss { bits: 0, word, pulse, reason: Reason::Short });
        }
        if !shape.end_mark && pairs >= most_bits {
            return Err(Miss { bits: pairs, word, pulse, reason: Reason::Long });
        }
        let first = self.fit_pairs(body, start, shape, read, *sums);
        match &first {
            // The lengths of pulse width differ by the spaces' length only: the leader's clock may mislead.
            Ok(reading) if !shape.end_mark && reading.fit.error > DOUBTFUL => {
                self.by_marks(body, start, shape, pairs, first)
            }
            Err(_) if !shape.end_mark => self.by_marks(body, start, shape, pairs, first),
            Err(miss) if matches!(miss.reason, Reason::Error { .. }) => {
                let better = self.tell_apart(body, shape, pairs, sums);
                if better == word {
                    return first;
                }
                let sums = shape.sums(measure(body, (better, pairs)), better, pairs);
                self.fit_pairs(body, start, shape, (better, pairs), sums).or(first)
            }
            _ => first,
        }
    }

    /// Bits by the width of the marks alone: every border between two marks is tried, the best fit is kept.
    fn by_marks(
        &self,
        body: &[u32],
        start: usize,
        shape: &Shape,
        pairs: u8,
        first: Result<Reading, Miss>,
    ) -> Result<Reading, Miss> {
        let one_is_longer = shape.one[0] > shape.zero[0];
        let marks = || body.iter().step_by(2).take(usize::from(pairs));
        let mut borders: Vec<u32> = marks().copied().collect();
        borders.push(0);
        borders.sort_unstable();
        borders.dedup();
        let error = |reading: &Result<Reading, Miss>| reading.as_ref().map_or(f64::MAX, |r| r.fit.error);
        borders.into_iter().fold(first, |best, border| {
            let word =
                marks().fold(0, |word, mark| (word << 1) | u64::from((*mark > border) == one_is_longer));
            let sums = shape.sums(measure(body, (word, pairs)), word, pairs);
            let other = self.fit_pairs(body, start, shape, (word, pairs), sums);
            if error(&other) < error(&best) { other } else { best }
        })
    }

    /// The bits that fit best with the clock and stretch of a first reading.
    fn tell_apart(&self, body: &[u32], shape: &Shape, pairs: u8, sums: &Sums) -> Word {
        let (clock, stretch) = sums.solve();
        let stretch = stretch.clamp(self.stretch[0], self.stretch[1]);
        let distance = |pair: &[u32], nominal: [f64; 2]| match pair {
            [mark, space] => {
                let mark = f64::from(*mark) - clock * nominal[0] - stretch;
                let space = f64::from(*space) - clock * nominal[1] + stretch;
                mark * mark + space * space
            }
            _ => 0.0,
        };
        body.chunks_exact(2).take(usize::from(pairs)).fold(0, |word, pair| {
            (word << 1) | u64::from(distance(pair, shape.one) < distance(pair, shape.zero))
        })
    }

    fn fit_pairs(
        &self,
        body: &[u32],
        start: usize,
        shape: &Shape,
        read: (Word, u8),
        mut sums: Sums,
    ) -> Result<Reading, Miss> {
        let (mut word, pairs) = read;
        let whole = usize::from(pairs) * 2;
        let last_mark = body.get(whole).copied().map_or(0.0, f64::from);
        let (last, bits) = if shape.end_mark {
            (f64::midpoint(shape.zero[0], shape.one[0]), pairs)
        } else {
            let (clock, stretch) = sums.solve();
            let border = clock * f64::midpoint(shape.zero[0], shape.one[0]) + stretch;
            let bit = (last_mark > border) == (shape.one[0] > shape.zero[0]);
            word = (word << 1) | u64::from(bit);
            (shape.nominal(bit)[0], pairs + 1)
        };
        sums.add(last_mark, last, true);
        let mut fit = self.judge(&sums, (word, bits, start + whole))?;
        let expected = [shape.zero, shape.one]
            .map(|[mark, space]| [fit.clock * mark + fit.stretch, fit.clock * space - fit.stretch]);
        let last_error = last_mark - fit.clock * last - fit.stretch;
        let (mut square, mut worst) = (last_error * last_error, last_error.abs());
        for (i, pair) in body.chunks_exact(2).take(usize::from(pairs)).enumerate() {
            let bit = word >> (usize::from(bits) - 1 - i) & 1;
            let [mark, space] = expected[usize::from(bit == 1)];
            if let [measured_mark, measured_space] = pair {
                let mark = f64::from(*measured_mark) - mark;
                let space = f64::from(*measured_space) - space;
                square += mark * mark + space * space;
                worst = worst.max(mark.abs()).max(space.abs());
            }
        }
        if worst > self.tolerance {
            return Err(self.worst(body, start, &expected, (word, bits, pairs), last_error));
        }
        fit.error = (square / (whole + 1) as f64).sqrt() / self.tolerance;
        Ok(Reading { word, bits, pulses: whole + 1, fit })
    }

    /// The first mark or space that is off by more than the tolerance.
    fn worst(
        &self,
        body: &[u32],
        start: usize,
        expected: &[[f64; 2]; 2],
        read: (Word, u8, u8),
        last_error: f64,
    ) -> Miss {
        let (word, bits, pairs) = read;
        let whole = usize::from(pairs) * 2;
        for (index, length) in body.iter().take(whole).enumerate() {
            let bit = word >> (usize::from(bits) - 1 - index / 2) & 1;
            let error = f64::from(*length) - expected[usize::from(bit == 1)][index % 2];
            if error.abs() > self.tolerance {
                let reason = Reason::Error { measured: f64::from(*length), error };
                // An index of at most 2 x 64.
                return Miss { bits: (index / 2) as u8, word, pulse: start + index, reason };
            }
        }
        let measured = body.get(whole).copied().map_or(0.0, f64::from);
        Miss {
            bits: pairs,
            word,
            pulse: start + whole,
            reason: Reason::Error { measured, error: last_error },
        }
    }
}

/// Sums of marks and spaces, for zeros and for ones, nanoseconds.
fn measure(body: &[u32], read: (Word, u8)) -> [[u64; 2]; 2] {
    let (word, bits) = read;
    let mut measured = [[0u64; 2]; 2];
    for (i, pair) in body.chunks_exact(2).take(usize::from(bits)).enumerate() {
        let bit = word >> (usize::from(bits) - 1 - i) & 1 == 1;
        if let [mark, space] = pair {
            measured[usize::from(bit)][0] += u64::from(*mark);
            measured[usize::from(bit)][1] += u64::from(*space);
        }
    }
    measured
}

impl Shape {
    /// Sums of the fit from those of [`measure`].
    fn sums(&self, measured: [[u64; 2]; 2], word: Word, bits: u8) -> Sums {
        let ones = f64::from(word.count_ones());
        let counts = [f64::from(bits) - ones, ones];
        let mut sums = Sums::default();
        for (bit, nominal) in [(0, self.zero), (1, self.one)] {
            let (count, [mark, space]) = (counts[bit], measured[bit].map(|sum| sum as f64));
            sums.nn += count * (nominal[0] * nominal[0] + nominal[1] * nominal[1]);
            sums.nd += count * (nominal[0] - nominal[1]);
            sums.dd += 2.0 * count;
            sums.xn += mark * nominal[0] + space * nominal[1];
            sums.xd += mark - space;
        }
        sums
    }
}

pub(super) fn write(shape: &Shape, word: Word, bits: u8, out: &mut Vec<f64>) {
    for i in (0..bits).rev() {
        out.extend(shape.nominal(word >> i & 1 == 1));
    }
    if shape.end_mark {
        out.push(shape.zero[0]);
    } else {
        // The last space is the quiet that follows.
        out.pop();
    }
}
