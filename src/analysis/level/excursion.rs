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

/// Most excursions of a capture that are listed with their times. Time after the last of them counts for nothing.
const MOST: usize = 4096;
/// A reading so near to another is of the same level, counts: five deviations of strong noise, and less than the distance
/// between keys. Ours.
pub(crate) const OF_LEVEL: u32 = 8;

/// Finds the excursions of one line while its readings come.
///
/// One begins beyond the band, max(3 counts, 6 spreads) from the middle, and ends within half of that. With a press in it, it
/// is a stray and no excursion. Nothing is found in the first 200 readings at rest, from which the band is made.
#[derive(Clone, Debug, Default, Serialize, Deserialize)]
pub struct Excursions {
    #[serde(skip)]
    first: Vec<u32>,
    /// The band, and when it was known.
    #[serde(skip)]
    band: Option<(Band, Nanoseconds)>,
    #[serde(skip)]
    out: Option<Out>,
    begun: Vec<Nanoseconds>,
    /// The reading of each that is furthest from rest.
    #[serde(skip)]
    furthest: Vec<u32>,
    /// Those of strays: lowest and highest.
    #[serde(skip)]
    of_strays: Option<(u32, u32)>,
    /// Readings since the band is known, while excursions are listed.
    #[serde(skip)]
    readings: u64,
}

/// The line is beyond its band.
#[derive(Clone, Copy, Debug)]
struct Out {
    furthest: u32,
    makes: Makes,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Makes {
    /// No key so far.
    Nothing,
    /// A key that nobody asked for.
    Stray,
    /// A key that was asked for.
    Answer,
}

impl Excursions {
    /// Takes a reading; `rest` tells whether the decoder took it for no key.
    pub fn push(&mut self, t: Nanoseconds, counts: u32, rest: bool) {
        let Some((band, _)) = self.band else {
            if rest {
                self.first.push(counts);
            }
            if self.first.len() >= FIRST {
                self.band = Some((Band::of(&std::mem::take(&mut self.first)), t));
            }
            return;
        };
        let far = |counts: u32| (f64::from(counts) - band.middle).abs();
        self.readings += u64::from(self.begun.len() <= MOST);
        match &mut self.out {
            None if far(counts) > band.reach => {
                self.out = Some(Out { furthest: counts, makes: Makes::Nothing });
                self.begun.push(t);
                self.furthest.push(counts);
            }
            None => {}
            Some(_) if far(counts) <= band.reach / 2.0 => self.ends(),
            Some(out) if far(counts) > far(out.furthest) => {
                out.furthest = counts;
                if let (Makes::Nothing, Some(last)) = (out.makes, self.furthest.last_mut()) {
                    *last = counts;
                }
            }
            Some(_) => {}
        }
    }

    /// Takes a report that the reading is as before.
    pub fn same(&mut self) {
        self.readings += u64::from(self.band.is_some() && self.begun.len() <= MOST);
    }

    fn ends(&mut self) {
        if let Some(Out { furthest, makes: Makes::Stray }) = self.out.take() {
            let (low, high) = self.of_strays.unwrap_or((furthest, furthest));
            self.of_strays = Some((low.min(furthest), high.max(furthest)));
        }
    }

    /// A key went down on the line; `asked` tells whether that was asked for.
    pub fn press(&mut self, asked: bool) {
        let Some(out) = &mut self.out else { return };
        if std::mem::replace(&mut out.makes, if asked { Makes::Answer } else { Makes::Stray })
            == Makes::Nothing
        {
            self.begun.pop();
            self.furthest.pop();
        }
    }

    /// Says whether hands are on for a key that was asked for: its bounces are no excursions.
    pub fn asked(&mut self, hands: bool) {
        if hands {
            self.press(true);
        }
    }

    /// When each began, in order.
    pub fn begun(&self) -> &[Nanoseconds] {
        &self.begun
    }

    /// All of a capture; `None` where the band was never known.
    pub fn departures(&self) -> Option<Departures> {
        let (band, from) = self.band?;
        let listed = self.begun.iter().copied().zip(self.furthest.iter().copied());
        Some(Departures {
            from,
            until: self.begun.get(MOST).copied(),
            rest: band.middle,
            reach: band.reach,
            excursions: listed.take(MOST).collect(),
            of_strays: self.of_strays,
            readings: self.readings,
        })
    }
}

/// How a line left its resting band in one capture.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct Departures {
    /// From when on excursions are seen.
    pub from: Nanoseconds,
    /// From when on they are not listed any more; null while all are.
    pub until: Option<Nanoseconds>,
    /// Where the line rests, counts.
    pub rest: f64,
    /// How far from that a reading must be, counts.
    pub reach: f64,
    /// When each excursion began, and its reading furthest from rest.
    pub excursions: Vec<(Nanoseconds, u32)>,
    /// Lowest and highest of those readings where strays came of it.
    pub of_strays: Option<(u32, u32)>,
    /// How many readings there were in that time.
    pub readings: u64,
}

/// Whether an excursion with this furthest reading went as far as strays do, whose furthest readings lie between these.
pub(crate) fn goes_as_far(counts: u32, (low, high): (u32, u32)) -> bool {
    low.saturating_sub(OF_LEVEL) <= counts && counts <= high.saturating_add(OF_LEVEL)
}
