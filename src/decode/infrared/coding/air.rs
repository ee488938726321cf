//! What a coding looks like on the air, and what was read there.

use crate::decode::infrared::layout::Word;

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

/// Sums of the least-squares fit of `x = k n + s d`.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Sums {
    pub(crate) nn: f64,
    pub(crate) nd: f64,
    pub(crate) dd: f64,
    pub(crate) xn: f64,
    pub(crate) xd: f64,
}

impl Sums {
    pub(crate) fn add(&mut self, measured: f64, nominal: f64, mark: bool) {
        let d = if mark { 1.0 } else { -1.0 };
        self.nn += nominal * nominal;
        self.nd += nominal * d;
        self.dd += 1.0;
        self.xn += measured * nominal;
        self.xd += measured * d;
    }

    pub(crate) fn determinant(&self) -> f64 {
        self.nn * self.dd - self.nd * self.nd
    }

    /// Clock and stretch.
    ///
    /// # Formula
    /// The normal equations `k Σn² + s Σnd = Σxn`, `k Σnd + s Σd² = Σxd`.
    pub(crate) fn solve(&self) -> (f64, f64) {
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
