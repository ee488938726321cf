//! Bit codings in both directions: bits to marks and spaces, and back with the timing error found.
//!
//! A received length is modelled as `x = k n + s d`: `n` the nominal length, `k` the sender's clock (1 when
//! right), `s` the stretch of the receiver, `d` +1 for a mark and -1 for a space, because a receiver module
//! lengthens marks at the cost of the spaces after them. Bits are told apart by sums of mark and space or
//! after a first estimate of `s`, then `k` and `s` are fitted by least squares over the whole frame, and what
//! remains is the timing error that is judged.

mod air;
mod biphase;
mod pair;

pub(crate) use crate::decode::infrared::coding::air::Coding;
use crate::decode::infrared::coding::air::Sums;
pub(crate) use crate::decode::infrared::coding::air::{Air, Fit, Miss, Reading, Reason};
use crate::decode::infrared::layout::Word;

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
