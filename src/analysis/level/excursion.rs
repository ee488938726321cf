//! Excursions of a line: it leaves its resting band without making a key. Every reading is looked at, none is thinned.

use serde::{Deserialize, Serialize};

use crate::analysis::special::median;
use crate::base::Nanoseconds;

/// Readings at rest from which the band is made, and then fixed. A rule of our own.
const FIRST: usize = 200;
/// The band reaches at least so far from the middle, counts.
const LEAST: f64 = 3.0;
/// It reaches at least this many spreads from the middle, too.
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
        let counts = || first.iter().map(|counts| f64::from(*counts));
        let middle = median(counts()).unwrap_or_default();
        let spread = median(counts().map(|counts| (counts - middle).abs())).unwrap_or_default();
        // For normal noise 1.4826 median deviations are one standard deviation.
        let spread = (1.4826 * spread).max(GRAIN);
        Self { middle, reach: LEAST.max(SPREADS * spread) }
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
