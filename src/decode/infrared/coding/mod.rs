//! Bit codings in both directions: bits to marks and spaces, and back with the timing error found.
//!
//! A received length is modelled as `x = k n + s d`: `n` the nominal length, `k` the sender's clock (1 when
//! right), `s` the stretch of the receiver, `d` +1 for a mark and -1 for a space, because a receiver module
//! lengthens marks at the cost of the spaces after them. Bits are told apart by sums of mark and space or
//! after a first estimate of `s`, then `k` and `s` are fitted by least squares over the whole frame, and what
//! remains is the timing error that is judged.

mod biphase;
mod pair;

use crate::decode::infrared::layout::Word;

/// How bits are sent. All lengths in nanoseconds.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Coding {
    /// A mark and a space per bit, of which the sum tells 0 from 1: pulse distance and pulse width.
    Pair { zero: [f64; 2], one: [f64; 2], end_mark: bool },
    /// Two halves of opposite level per bit.
    Biphase {
        /// A 1 is mark, space; a 0 the opposite.
        one_mark_first: bool,
        /// Bits of double width, bit `n` for the `n`-th bit on air.
        double: u64,
        /// Bits in a frame.
        bits: u8,
        /// The first half of the first bit is a space that nothing precedes and nobody sees.
        unseen: bool,
    },
}

/// What one family of formats looks like on air, lengths in nanoseconds.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Air {
    pub(crate) unit: f64,
    /// Mark and space before the bits.
    pub(crate) leader: Option<[f64; 2]>,
    pub(crate) coding: Coding,
    /// Shortest space that ends a frame.
    pub(crate) quiet: u32,
    /// Largest timing error of one mark or space that is left after the fit.
    pub(crate) tolerance: f64,
    /// Largest relative clock error.
    pub(crate) clock: f64,
    /// Smallest and largest stretch.
    pub(crate) stretch: [f64; 2],
}

/// Bits read from marks and spaces.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Reading {
    pub(crate) word: Word,
    pub(crate) bits: u8,
    /// Marks and spaces used, up to and with the last mark.
    pub(crate) pulses: usize,
    pub(crate) fit: Fit,
}

/// The fit of a frame.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct Fit {
    /// Sender's clock, 1 when right (1.01 is 1 % slow).
    pub(crate) clock: f64,
    /// Stretch of the marks in nanoseconds.
    pub(crate) stretch: f64,
    /// Root mean square of the error that remains in the bits, as a share of the tolerance.
    pub(crate) error: f64,
    /// The same in nanoseconds and with the leader, to compare formats.
    pub(crate) rms: f64,
}

/// Why marks and spaces are not a frame of this air.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Miss {
    /// Whole bits read before.
    pub(crate) bits: u8,
    /// Those bits.
    pub(crate) word: Word,
    /// Index of the offending mark or space.
    pub(crate) pulse: usize,
    pub(crate) reason: Reason,
}

/// What was wrong at that place. Lengths in nanoseconds.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Reason {
    /// A mark or a mark with its space is `measured` long; `expected` are the two possible lengths.
    Length { measured: f64, expected: [f64; 2] },
    /// A mark or space is off by `error` after the fit, more than the tolerance.
    Error { measured: f64, error: f64 },
    /// Both halves of a bit have the same level.
    Halves,
    /// The frame goes on after its last bit.
    Long,
    /// The frame ends before its last bit.
    Short,
    /// Clock or stretch is beyond its limits.
    Fit { clock: f64, stretch: f64 },
}

impl Air {
    /// Reads the bits that begin with the mark at index 0 of `lengths` (mark, space, mark …, nanoseconds).
    /// A missing last space counts as quiet. `leader` says whether this air's leader comes first.
    pub(crate) fn read(&self, lengths: &[u32], leader: bool, most_bits: u8) -> Result<Reading, Miss> {
        let (clock, start) = match (leader, self.leader, lengths) {
            (true, Some([mark, space]), [first, second, ..]) => {
                (((f64::from(*first) + f64::from(*second)) / (mark + space)), 2)
            }
            (true, Some(_), _) => {
                return Err(Miss { bits: 0, word: 0, pulse: 0, reason: Reason::Short });
            }
            _ => (1.0, 0),
        };
        let clock = clock.clamp(1.0 - self.clock, 1.0 + self.clock);
        let mut reading = match self.coding {
            Coding::Pair { zero, one, end_mark } => {
                self.read_pairs(lengths, start, clock, &pair::Shape { zero, one, end_mark }, most_bits)
            }
            Coding::Biphase { one_mark_first, double, bits, unseen } => {
                let shape = biphase::Shape { one_mark_first, double, bits, unseen };
                self.read_halves(lengths, start, leader.then_some(clock), &shape)
            }
        }?;
        let count = reading.pulses as f64;
        let mut square = (reading.fit.error * self.tolerance).powi(2) * count;
        if let (2, Some(leader), [first, second, ..]) = (start, self.leader, lengths) {
            let Fit { clock, stretch, .. } = reading.fit;
            square += (f64::from(*first) - clock * leader[0] - stretch).powi(2);
            square += (f64::from(*second) - clock * leader[1] + stretch).powi(2);
        }
        reading.fit.rms = (square / (count + start as f64)).sqrt();
        reading.pulses += start;
        Ok(reading)
    }

    /// Marks and spaces of these bits, beginning and ending with a mark, nanoseconds.
    pub(crate) fn write(&self, word: Word, bits: u8, leader: bool) -> Vec<f64> {
        let mut lengths = match (leader, self.leader) {
            (true, Some(leader)) => leader.to_vec(),
            _ => Vec::new(),
        };
        match self.coding {
            Coding::Pair { zero, one, end_mark } => {
                pair::write(&pair::Shape { zero, one, end_mark }, word, bits, &mut lengths);
            }
            Coding::Biphase { one_mark_first, double, bits, unseen } => {
                let shape = biphase::Shape { one_mark_first, double, bits, unseen };
                biphase::write(&shape, self.unit, word, &mut lengths);
            }
        }
        lengths
    }

    /// Fits clock and stretch and judges them; `reading` is bits, their number and the last pulse.
    fn judge(&self, sums: &Sums, reading: (Word, u8, usize)) -> Result<Fit, Miss> {
        let (word, bits, pulse) = reading;
        let (clock, stretch) = sums.solve();
        // Both estimates have an error of their own: three and a half standard deviations of what errors spread
        // evenly over the tolerance give them (the inverse of the normal matrix).
        let determinant = sums.determinant().max(1.0);
        let doubt = 2.0 * self.tolerance * (sums.dd / determinant).sqrt();
        let slack = 2.0 * self.tolerance * (sums.nn / determinant).sqrt();
        let [low, high] = self.stretch;
        if (clock - 1.0).abs() > self.clock + doubt || stretch < low - slack || stretch > high + slack {
            return Err(Miss { bits, word, pulse, reason: Reason::Fit { clock, stretch } });
        }
        Ok(Fit { clock, stretch, error: 0.0, rms: 0.0 })
    }
}

/// Sums of the least-squares fit of `x = k n + s d`.
#[derive(Clone, Copy, Debug, Default)]
struct Sums {
    nn: f64,
    nd: f64,
    dd: f64,
    xn: f64,
    xd: f64,
}

impl Sums {
    fn add(&mut self, measured: f64, nominal: f64, mark: bool) {
        let d = if mark { 1.0 } else { -1.0 };
        self.nn += nominal * nominal;
        self.nd += nominal * d;
        self.dd += 1.0;
        self.xn += measured * nominal;
        self.xd += measured * d;
    }

    fn determinant(&self) -> f64 {
        self.nn * self.dd - self.nd * self.nd
    }

    /// Clock and stretch.
    ///
    /// # Formula
    /// The normal equations `k Σn² + s Σnd = Σxn`, `k Σnd + s Σd² = Σxd`.
    fn solve(&self) -> (f64, f64) {
        let determinant = self.determinant();
        if determinant <= self.nn * 1e-9 {
            // Marks alone, all equal: clock and stretch cannot be told apart, so the clock is taken as right.
            return (1.0, if self.dd > 0.0 { (self.xd - self.nd) / self.dd } else { 0.0 });
        }
        (
            (self.xn * self.dd - self.xd * self.nd) / determinant,
            (self.xd * self.nn - self.xn * self.nd) / determinant,
        )
    }
}
