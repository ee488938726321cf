//! Where a path is held for long: the share of the observed time that it is held, before and after. An alternating renewal
//! process; one cycle is a time held and the time free after it.

use serde::Serialize;

use crate::analysis::episode::Episode;
use crate::analysis::event_sequence::EventSequence;
use crate::analysis::ledger::PathId;
use crate::analysis::rate::Interval;
use crate::analysis::special::{student_quantile, student_upper};
use crate::base::words::{capital, duration, share};

/// What was seen of one side, seconds.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Alternation {
    /// Each time held and the time free after it; a time cut at either end counts with what was seen of it.
    pub cycles: Vec<(f64, f64)>,
    /// Observed time free before the first hold of each capture.
    pub free_before: f64,
}

/// A path that is held for less of the time is judged by its episodes alone. A rule of our own.
const HELD: f64 = 0.1;

/// A path that is held for long, before and after a step; estimates at a fixed time, which no verdict rests on.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, schemars::JsonSchema)]
pub struct HeldFigures {
    /// Share of the observed time held before the step.
    pub before: f64,
    /// The same after it.
    pub after: f64,
    /// Lower end of the 95 % interval of the share before less the share after; null with fewer than three holds on a side.
    pub difference_low: Option<f64>,
    /// Its upper end.
    pub difference_high: Option<f64>,
    /// How long it was held without a break as the watching before the step ended, seconds; null where it was free then, or
    /// held three times and more.
    pub to_the_end_s: Option<f64>,
}

/// One side: its strays, their episodes, and the share of the time in which the ledger saw a key down.
pub(crate) type Watched<'a> = (&'a EventSequence, &'a [Episode], f64);

impl HeldFigures {
    /// Of the episodes of two sides; `None` where neither is held for long, or nothing was observed after the step.
    pub(crate) fn of(before: Watched<'_>, after: Watched<'_>) -> Option<Self> {
        let sides = [before, after].map(Alternation::of);
        let shares = sides.each_ref().map(|side| side.share().share);
        if shares.iter().all(|share| *share < HELD) || sides[1].observed() <= 0.0 {
            return None;
        }
        let interval = match compare_shares(&sides[0], &sides[1], 0.95) {
            HeldChange::Compared { interval, .. } => Some(interval),
            _ => None,
        };
        Some(Self {
            before: shares[0],
            after: shares[1],
            difference_low: interval.map(|interval| interval.low),
            difference_high: interval.map(|interval| interval.high),
            to_the_end_s: sides[0]
                .cycles
                .last()
                .filter(|last| sides[0].cycles.len() < FEWEST && last.1 < SECOND)
                .map(|last| last.0),
        })
    }

    /// The same for people.
    pub(crate) fn sentence(&self, path: &PathId) -> String {
        let path = capital(&path.words());
        match (self.to_the_end_s, self.difference_low.zip(self.difference_high)) {
            (Some(held_s), None) if self.after <= 0.0 => format!(
                "{path} was held for {} without a break as the watching before the step ended, and not once since. So few holds \
                 prove nothing by quiet alone. Undo the step and do it again: if the key is held again and then free, the step \
                 did it.",
                duration(held_s)
            ),
            (_, None) => format!(
                "{path} was held for {} of the time before and {} since.",
                share(self.before),
                share(self.after)
            ),
            (_, Some((low, high))) => format!(
                "{path} was held for {} of the time before and {} since: between {} and {}.",
                share(self.before),
                share(self.after),
                points(low),
                points(high)
            ),
        }
    }
}

/// A share less than before, in points of the time.
fn points(less: f64) -> String {
    let word = if less < 0.0 { "more" } else { "less" };
    format!("{:.0} points {word}", 100.0 * less.abs())
}

/// A hold that ends within this of the end of a capture went on, seconds.
const SECOND: f64 = 1.0;

/// The share of time held.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct HeldShare {
    /// Time held over time observed.
    pub share: f64,
    /// Its variance from cycle to cycle, and the degrees of freedom behind it; `None` with fewer than three cycles.
    pub variance: Option<(f64, f64)>,
}

/// How two sides compare.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum HeldChange {
    /// One side was never held.
    NeverHeld {
        /// Whether it is the side after.
        after: bool,
    },
    /// A side has too few cycles for their spread to be known: that a hold would not have ended by itself is then the
    /// only ground for a verdict.
    TooFew,
    /// Enough on both sides.
    Compared {
        /// Share held before less the share held after, with its 95 % interval.
        difference: f64,
        /// Its 95 % interval.
        interval: Interval,
        /// Two-sided chance of so large a difference between equal sides.
        chance: f64,
    },
}

/// Fewest cycles whose spread says anything.
const FEWEST: usize = 3;

impl Alternation {
    /// Of the episodes of a sequence.
    pub(crate) fn of((sequence, episodes, down): Watched<'_>) -> Self {
        let mut found = Self::default();
        let mut rest = episodes;
        for (segment, number) in sequence.segments().iter().zip(0u32..) {
            let here = rest.iter().take_while(|episode| episode.segment == number).count();
            let (own, later) = rest.split_at(here);
            rest = later;
            let end = segment.span.end;
            let first = own.first().map_or(end, |first| first.start);
            found.free_before += (first - segment.span.start).seconds();
            for (place, episode) in own.iter().enumerate() {
                let next = own.get(place + 1).map_or(end, |next| next.start);
                let until = episode.end.min(end);
                found.cycles.push(((until - episode.start).seconds(), (next - until).seconds().max(0.0)));
            }
        }
        // A hold without a release goes on to the end, where the ledger saw the key down for so long.
        let down_s = down * found.observed() - found.held();
        if let Some(last) =
            found.cycles.last_mut().filter(|last| last.1 > SECOND && (down_s - last.1).abs() < SECOND)
        {
            *last = (last.0 + last.1, 0.0);
        }
        found
    }

    fn held(&self) -> f64 {
        // A sum of nothing is minus zero.
        0.0 + self.cycles.iter().map(|cycle| cycle.0).sum::<f64>()
    }

    fn observed(&self) -> f64 {
        self.free_before + self.cycles.iter().map(|(held, free)| held + free).sum::<f64>()
    }

    /// The share held, as a ratio estimate over cycles.
    ///
    /// # Source
    /// Regenerative estimate: Crane & Iglehart 1975, Operations Research 23:33; the variance is that of held − share ×
    /// cycle, over the square of the observed time.
    #[allow(clippy::cast_precision_loss)]
    pub fn share(&self) -> HeldShare {
        let observed = self.observed();
        let share = if observed > 0.0 { self.held() / observed } else { 0.0 };
        let n = self.cycles.len() as f64;
        let off = |cycle: &(f64, f64)| (cycle.0 - share * (cycle.0 + cycle.1)).powi(2);
        let squares = self.cycles.iter().map(off).sum::<f64>() + (share * self.free_before).powi(2);
        let variance =
            (self.cycles.len() >= FEWEST).then(|| (squares * n / (n - 1.0) / (observed * observed), n - 1.0));
        HeldShare { share, variance }
    }
}

/// Welch's comparison of two means of which each has its own variance: difference, interval and two-sided chance.
///
/// # Source
/// Satterthwaite 1946, Biometrics Bulletin 2:110; Welch 1947, Biometrika 34:28.
fn welch(means: (f64, f64), one: (f64, f64), two: (f64, f64), confidence: f64) -> (f64, Interval, f64) {
    let variance = one.0 + two.0;
    let freedom = variance * variance / (one.0 * one.0 / one.1 + two.0 * two.0 / two.1);
    let difference = means.0 - means.1;
    if variance <= 0.0 || !freedom.is_finite() {
        let chance = if difference == 0.0 { 1.0 } else { 0.0 };
        return (difference, Interval { low: difference, high: difference }, chance);
    }
    let reach = student_quantile((1.0 - confidence) / 2.0, freedom) * variance.sqrt();
    let chance = 2.0 * student_upper(difference.abs() / variance.sqrt(), freedom);
    (difference, Interval { low: difference - reach, high: difference + reach }, chance)
}

/// Compares the shares held.
pub fn compare_shares(before: &Alternation, after: &Alternation, confidence: f64) -> HeldChange {
    if before.cycles.is_empty() || after.cycles.is_empty() {
        return HeldChange::NeverHeld { after: !before.cycles.is_empty() };
    }
    let (one, two) = (before.share(), after.share());
    match (one.variance, two.variance) {
        (Some(first), Some(second)) => {
            let (difference, interval, chance) = welch((one.share, two.share), first, second, confidence);
            HeldChange::Compared { difference, interval, chance }
        }
        _ => HeldChange::TooFew,
    }
}
