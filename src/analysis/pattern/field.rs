//! The presses among which patterns are looked for, and what is known about chance among them.

use crate::analysis::episode::{Press, learn_gap};
use crate::base::Nanoseconds;

/// Presses that are still free belong to no pattern yet.
pub(super) const FREE: u8 = 0;
/// Presses that an accepted pattern explains.
pub(super) const TAKEN: u8 = 1;

/// Presses in time order with their state.
pub(super) struct Field<'a> {
    pub(super) presses: &'a [Press],
    pub(super) state: Vec<u8>,
    pub(super) origin: Nanoseconds,
}

impl<'a> Field<'a> {
    pub(super) fn new(presses: &'a [Press]) -> Self {
        let origin = presses.first().map_or(Nanoseconds::ZERO, |press| press.t);
        Self { presses, state: vec![FREE; presses.len()], origin }
    }

    /// Seconds since the first press.
    pub(super) fn seconds(&self, index: usize) -> f64 {
        (self.presses[index].t - self.origin).seconds()
    }

    /// Indices of the free presses of each symbol, ascending.
    pub(super) fn by_symbol(&self, symbols: usize) -> Vec<Vec<u32>> {
        let mut lists = vec![Vec::new(); symbols];
        for (index, press) in (0u32..).zip(self.presses) {
            if self.state[index as usize] == FREE
                && let Some(list) = lists.get_mut(press.symbol as usize)
            {
                list.push(index);
            }
        }
        lists
    }
}

/// How often a symbol comes by chance, given how long ago it came last: the hazard of one or two mixed
/// exponential gap lengths, whichever the data prefer. Never zero.
#[derive(Clone, Copy, Debug)]
pub(super) struct Hazard {
    share: f64,
    short: f64,
    long: f64,
}

/// Intensities are taken this much higher than fitted, so that what the fit leaves out (a slow change of the
/// rate) does not look like a pattern. A rule of our own, checked by the self-test.
const MARGIN: f64 = 1.2;
const MOST_GAPS: usize = 2000;

impl Hazard {
    /// From the gaps between presses of one symbol, seconds.
    #[allow(clippy::cast_precision_loss)]
    pub(super) fn fit(gaps: &[f64]) -> Self {
        let step = (gaps.len() / MOST_GAPS).max(1);
        let some: Vec<f64> = gaps.iter().copied().step_by(step).collect();
        let mean = (some.iter().sum::<f64>() / some.len().max(1) as f64).max(1e-6);
        match learn_gap(&some) {
            Some(mixture) => Self { share: mixture.share, short: mixture.short, long: mixture.long },
            None => Self { share: 1.0, short: mean, long: mean },
        }
    }

    /// Events per second expected by chance, `gap` seconds after the last.
    pub(super) fn rate(&self, gap: f64) -> f64 {
        let long = 1.0 - self.share;
        if long <= 0.0 {
            return MARGIN / self.short;
        }
        // Both lengths by what is left of the long ones, which never vanishes beside the short.
        let short = self.share * (-gap * (1.0 / self.short - 1.0 / self.long)).exp();
        MARGIN * (short / self.short + long / self.long) / (short + long)
    }
}

/// The free presses of one symbol as times, with the chance intensity at each.
pub(super) struct Line {
    pub(super) symbol: u32,
    pub(super) index: Vec<u32>,
    pub(super) t: Vec<f64>,
    pub(super) segment: Vec<u32>,
    pub(super) intensity: Vec<f64>,
}

impl Line {
    pub(super) fn new(field: &Field<'_>, symbol: u32, index: Vec<u32>) -> Self {
        let t: Vec<f64> = index.iter().map(|i| field.seconds(*i as usize)).collect();
        let segment: Vec<u32> = index.iter().map(|i| field.presses[*i as usize].segment).collect();
        let gaps: Vec<f64> =
            (1..t.len()).filter(|i| segment[*i] == segment[*i - 1]).map(|i| t[i] - t[i - 1]).collect();
        let hazard = Hazard::fit(&gaps);
        let start = hazard.rate(0.0);
        let intensity = (0..t.len())
            .map(|i| if i > 0 && segment[i] == segment[i - 1] { hazard.rate(t[i] - t[i - 1]) } else { start })
            .collect();
        Self { symbol, index, t, segment, intensity }
    }

    pub(super) fn len(&self) -> usize {
        self.t.len()
    }
}
