//! Excursions of a line: it leaves its resting band without making a key. Every reading is looked at, none is thinned.

use serde::{Deserialize, Serialize};

use crate::base::Nanoseconds;

/// Readings at rest from which the band is made, and then fixed. A rule of our own.
const FIRST: usize = 200;
/// The band reaches at least so far from the middle, counts.
const LEAST: f64 = 3.0;
/// And so many spreads.
const SPREADS: f64 = 6.0;
/// The spread is at least this, counts: a converter shows whole ones.
const GRAIN: f64 = 0.5;

/// Where a line rests: median and spread of its first readings at rest.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Band {
    middle: f64,
    reach: f64,
}

impl Band {
    fn of(first: &[u32]) -> Self {
        let middle = median(first.iter().map(|counts| f64::from(*counts)).collect());
        let spread = median(first.iter().map(|counts| (f64::from(*counts) - middle).abs()).collect());
        // For normal noise 1.4826 median deviations are one standard deviation.
        let spread = (1.4826 * spread).max(GRAIN);
        Self { middle, reach: LEAST.max(SPREADS * spread) }
    }
}

fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    let half = values.len() / 2;
    match (values.get(half), values.len() % 2) {
        (Some(upper), 0) => values[half - 1].midpoint(*upper),
        (Some(middle), _) => *middle,
        (None, _) => 0.0,
    }
}

/// Finds the excursions of one line while its readings come.
///
/// One begins beyond the band, max(3 counts, 6 spreads) from the middle, and ends within half of that. With a press in it, it
/// is a stray and no excursion. Nothing is found in the first 200 readings at rest, from which the band is made.
#[derive(Clone, Debug, Default, Serialize, Deserialize)]
pub struct Excursions {
    #[serde(skip)]
    first: Vec<u32>,
    #[serde(skip)]
    band: Option<Band>,
    /// Beyond the band; whether it is still counted.
    #[serde(skip)]
    out: Option<bool>,
    begun: Vec<Nanoseconds>,
}

impl Excursions {
    /// Takes a reading; `rest` tells whether the decoder took it for no key.
    pub fn push(&mut self, t: Nanoseconds, counts: u32, rest: bool) {
        let Some(band) = self.band else {
            if rest {
                self.first.push(counts);
            }
            if self.first.len() >= FIRST {
                self.band = Some(Band::of(&std::mem::take(&mut self.first)));
            }
            return;
        };
        let far = (f64::from(counts) - band.middle).abs();
        match self.out {
            None if far > band.reach => {
                self.out = Some(true);
                self.begun.push(t);
            }
            Some(_) if far <= band.reach / 2.0 => self.out = None,
            _ => {}
        }
    }

    /// A key went down on the line.
    pub fn press(&mut self) {
        if self.out == Some(true) {
            self.begun.pop();
            self.out = Some(false);
        }
    }

    /// When each began, in order.
    pub fn begun(&self) -> &[Nanoseconds] {
        &self.begun
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(second: i64) -> Nanoseconds {
        Nanoseconds::from_millis(1000 * second)
    }

    fn rested(readings: impl Iterator<Item = u32>) -> Excursions {
        let mut found = Excursions::default();
        readings.for_each(|counts| found.push(Nanoseconds::ZERO, counts, true));
        found
    }

    #[test]
    fn one_begins_beyond_the_band_and_ends_within_half_of_it() {
        // All equal: spread 0.5, so the band reaches 3 counts, and half of that is 1.5.
        let mut found = rested((0..200).map(|_| 1000));
        for (second, counts) in [(1, 997), (2, 996), (3, 998), (4, 996), (5, 999), (6, 996), (7, 1004)] {
            found.push(at(second), counts, true);
        }
        // 996 at 2 s; 998 is no end of it; 999 is; 996 at 6 s is the next, which 1004 goes on with.
        assert_eq!(found.begun(), [at(2), at(6)]);
    }

    #[test]
    fn the_band_is_as_wide_as_the_noise_asks_for() {
        // Half of them 2 below, half 2 above: median deviation 2, spread 2.97, band 17.8 counts.
        let mut found = rested((0..200).map(|i| if i % 2 == 0 { 998 } else { 1002 }));
        found.push(at(1), 983, true);
        assert!(found.begun().is_empty());
        found.push(at(2), 982, true);
        assert_eq!(found.begun(), [at(2)]);
    }

    #[test]
    fn what_became_a_press_is_a_stray_and_the_first_readings_make_the_band() {
        let mut found = rested((0..199).map(|_| 1000));
        // A key is no reading at rest: the band is not made yet.
        found.push(at(1), 700, false);
        found.push(at(2), 1000, true);
        found.push(at(3), 700, false);
        found.press();
        found.push(at(4), 700, false);
        found.push(at(5), 1000, true);
        found.push(at(6), 980, true);
        assert_eq!(found.begun(), [at(6)]);
    }
}
