//! The levels of a keypad line, from all its readings.

use serde::{Deserialize, Serialize};

use crate::analysis::level::OF_LEVEL;
use crate::base::Name;
use crate::decode::report::LineState;

/// All readings of a line in one state, before any is thinned. Integers, so that the sums are equal on any chunking.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct LevelStats {
    /// How many.
    pub n: u64,
    /// Sum of the counts.
    pub sum: u64,
    /// Sum of their squares.
    pub squares: u128,
    /// Lowest.
    pub min: u32,
    /// Highest.
    pub max: u32,
    /// How many of them are the lowest.
    pub at_min: u64,
    /// How many of them are the highest.
    pub at_max: u64,
}

impl LevelStats {
    fn push(&mut self, counts: u32) {
        if self.n == 0 || counts < self.min {
            (self.min, self.at_min) = (counts, 0);
        }
        if self.n == 0 || counts > self.max {
            (self.max, self.at_max) = (counts, 0);
        }
        self.at_min += u64::from(counts == self.min);
        self.at_max += u64::from(counts == self.max);
        self.n += 1;
        self.sum = self.sum.saturating_add(u64::from(counts));
        self.squares = self.squares.saturating_add(u128::from(counts) * u128::from(counts));
    }

    fn add(&mut self, other: &Self) {
        self.at_min = if other.min < self.min { 0 } else { self.at_min }
            + u64::from(other.min <= self.min) * other.at_min;
        self.at_max = if other.max > self.max { 0 } else { self.at_max }
            + u64::from(other.max >= self.max) * other.at_max;
        self.min = self.min.min(other.min);
        self.max = self.max.max(other.max);
        self.n += other.n;
        self.sum = self.sum.saturating_add(other.sum);
        self.squares = self.squares.saturating_add(other.squares);
    }

    /// Mean in counts.
    #[allow(clippy::cast_precision_loss)]
    pub fn mean(&self) -> f64 {
        self.sum as f64 / self.n.max(1) as f64
    }

    /// Variance in counts squared, of the population: from integers, so nothing cancels.
    #[allow(clippy::cast_precision_loss)]
    pub fn variance(&self) -> f64 {
        let n = u128::from(self.n.max(1));
        let sum = u128::from(self.sum);
        (n * self.squares).saturating_sub(sum * sum) as f64 / (n * n) as f64
    }
}

/// Levels whose readings come so near to each other are one that wanders or has much noise, counts.
const TOUCH: u32 = 2;
/// Most levels of one state that are told apart; further readings count with the nearest.
const MOST_MODES: usize = 6;

/// All readings of a line in one state, and the levels among them.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub(super) struct StateLevels {
    whole: LevelStats,
    modes: Vec<LevelStats>,
}

impl StateLevels {
    pub(super) fn push(&mut self, counts: u32) {
        self.whole.push(counts);
        // Compared in whole numbers: `sum` is `n` times the mean.
        let far = |mode: &LevelStats| (u64::from(counts) * mode.n).abs_diff(mode.sum) / mode.n.max(1);
        let nearest = (0..self.modes.len()).min_by_key(|at| self.modes.get(*at).map(far));
        let is_new = self.modes.len() < MOST_MODES
            && nearest.and_then(|at| self.modes.get(at)).is_none_or(|mode| far(mode) > u64::from(OF_LEVEL));
        if is_new {
            self.modes.push(LevelStats::default());
        }
        let at = if is_new { self.modes.len().checked_sub(1) } else { nearest };
        if let Some(mode) = at.and_then(|at| self.modes.get_mut(at)) {
            mode.push(counts);
        }
    }

    pub(super) fn of(&self, state: LineState) -> Level {
        let told = |stats: &LevelStats, state: Name, modes| Level {
            state,
            n: stats.n,
            mean: stats.mean(),
            variance: stats.variance(),
            min: stats.min,
            max: stats.max,
            at_min: stats.at_min,
            at_max: stats.at_max,
            modes,
        };
        let mut apart: Vec<LevelStats> = Vec::new();
        let mut modes = self.modes.clone();
        modes.sort_by_key(|mode| mode.min);
        for mode in modes {
            match apart.last_mut().filter(|last| mode.min <= last.max + TOUCH) {
                Some(last) => last.add(&mode),
                None => apart.push(mode),
            }
        }
        apart.sort_by_key(|mode| std::cmp::Reverse(mode.n));
        if apart.len() < 2 {
            apart.clear();
        }
        let modes = apart.iter().map(|mode| told(mode, state_word(state), Vec::new())).collect();
        told(&self.whole, state_word(state), modes)
    }
}

/// Levels of one line in one state, as JSON shows them.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
pub struct Level {
    /// `rest`, `between`, or the key.
    pub state: Name,
    /// How many readings.
    pub n: u64,
    /// Mean in counts.
    pub mean: f64,
    /// Variance in counts squared.
    pub variance: f64,
    /// Lowest.
    pub min: u32,
    /// Highest.
    pub max: u32,
    /// How many of them are the lowest: where that is an end of the scale, they are cut there.
    #[serde(default)]
    pub at_min: u64,
    /// How many of them are the highest.
    #[serde(default)]
    pub at_max: u64,
    /// The levels among these readings, the one with most first; empty where all are of one.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub modes: Vec<Level>,
}

fn state_word(state: LineState) -> Name {
    match state {
        LineState::Rest => "rest".into(),
        LineState::Between => "between".into(),
        LineState::Key(key) => key.name().into(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn level(readings: impl Iterator<Item = u32>) -> Level {
        let mut levels = StateLevels::default();
        readings.for_each(|counts| levels.push(counts));
        levels.of(LineState::Rest)
    }

    #[test]
    fn a_line_that_jumps_has_two_levels_and_one_that_wanders_has_one() {
        // By hand: 30 readings of 900 and 901 by turns, 10 of 1023.
        let jumps = level((0..40).map(|i| if i % 4 == 3 { 1023 } else { 900 + i % 2 }));
        assert_eq!(jumps.n, 40);
        let told: Vec<_> = jumps.modes.iter().map(|mode| (mode.n, mode.min, mode.max)).collect();
        assert_eq!(told, [(30, 900, 901), (10, 1023, 1023)]);
        assert_eq!((jumps.modes[1].at_max, jumps.modes[1].variance), (10, 0.0));
        assert!(level((0..400).map(|i| 900 + i / 4)).modes.is_empty());
    }

    #[test]
    fn readings_at_the_ends_are_counted_on_any_order() {
        let one = level([5, 3, 3, 7, 7, 7].into_iter());
        let other = level([7, 7, 3, 5, 7, 3].into_iter());
        assert_eq!((one.at_min, one.at_max), (2, 3));
        assert_eq!(one, other);
    }
}
