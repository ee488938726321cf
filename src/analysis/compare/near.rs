//! Excursions of a keypad line as a second endpoint: where most of them go as far as the strays do, a stray is an excursion that
//! lasted. They come oftener, so their end shows a repair sooner; and while they go on, the fault does, quiet or not.

use std::sync::Arc;

use serde::Serialize;

use crate::analysis::episode::{EpisodeRule, episodes, fold};
use crate::analysis::event_sequence::EventSequence;
use crate::analysis::ledger::{Intervals, Ledger, Observed, PathId};
use crate::analysis::level::goes_as_far;
use crate::analysis::quiet::{CERTAIN, LIKELY, QuietExposure, QuietPlan};
use crate::base::Span;
use crate::base::words::{capital, plural};

/// Excursions that make an endpoint, and more of them than of any others. A rule of our own.
const FEWEST: usize = 10;
/// A line that is read at less than this share of the rate before may hide excursions.
const AS_OFTEN: f64 = 0.8;
/// A pause so much longer than the others comes by chance in less than this share of all steady processes: the line rests for a
/// while by itself, and how long such rests are, so few of them do not tell.
const RESTS: f64 = 0.01;
/// How long a rest may last of which none was seen yet, seconds, on average. A rule of our own, tried with `examples/judge`.
const REST_S: f64 = 600.0;
/// From this many on, excursions as far as strays show that the fault is still there; a single one may come from outside, as a
/// spark does. A rule of our own.
const GOES_ON: u64 = 2;

/// How a line behaved beside its strays, in the captures of one side.
#[derive(Clone, Debug)]
pub(crate) struct NearSide {
    /// Of each excursion the reading furthest from rest.
    furthest: Vec<u32>,
    /// The same of strays, lowest and highest.
    of_strays: Option<(u32, u32)>,
    /// Lowest and highest level at rest.
    rest: (f64, f64),
    /// How far an excursion must go.
    reach: f64,
    /// How many readings there were while an excursion would have been listed.
    readings: u64,
    /// How long that was, seconds.
    seen_s: f64,
}

/// When an excursion on a path would have been listed.
pub(crate) fn time(ledger: &Ledger, id: &PathId) -> Intervals {
    let Some((path, found)) = ledger.path(id).and_then(|path| Some((path, path.departures.as_ref()?))) else {
        return Intervals::default();
    };
    let end = ledger.span.map_or(found.from, |span| found.until.unwrap_or(span.end));
    path.observed.and(&Intervals::one(Span { start: found.from, end: end.max(found.from) }))
}

impl NearSide {
    /// Of one capture; `None` where its line does not report by itself, or was not read for long enough.
    pub(crate) fn of(ledger: &Ledger, id: &PathId) -> Option<Self> {
        let found = ledger.path(id)?.departures.as_ref()?;
        Some(Self {
            furthest: found.excursions.iter().map(|(_, counts)| *counts).collect(),
            of_strays: found.of_strays,
            rest: (found.rest, found.rest),
            reach: found.reach,
            readings: found.readings,
            seen_s: time(ledger, id).length().seconds(),
        })
    }

    /// Together with a later capture.
    pub(crate) fn and(mut self, later: Self) -> Self {
        self.furthest.extend(later.furthest);
        let join = |(a, b): (u32, u32), (c, d): (u32, u32)| (a.min(c), b.max(d));
        Self {
            of_strays: match (self.of_strays, later.of_strays) {
                (Some(one), Some(two)) => Some(join(one, two)),
                (one, two) => one.or(two),
            },
            rest: (self.rest.0.min(later.rest.0), self.rest.1.max(later.rest.1)),
            reach: self.reach.max(later.reach),
            readings: self.readings + later.readings,
            seen_s: self.seen_s + later.seen_s,
            ..self
        }
    }

    /// How many excursions went as far as these strays.
    fn touches(&self, strays: (u32, u32)) -> u64 {
        self.furthest.iter().filter(|counts| goes_as_far(**counts, strays)).count() as u64
    }

    /// Whether an excursion of `before` would be one here: the line is read as often, does not rest nearer to the level of the
    /// strays, and its band leaves that level out.
    fn shows(&self, before: &Self, (low, high): (u32, u32)) -> bool {
        let away = |side: &Self, level: u32| {
            let level = f64::from(level);
            (level - side.rest.0).abs().min((level - side.rest.1).abs())
        };
        let seen = |level| {
            let distance = away(self, level);
            distance > self.reach && distance >= away(before, level) - before.reach
        };
        // Readings a second, each multiplied by both times.
        #[allow(clippy::cast_precision_loss)]
        let rate = |side: &Self, other: &Self| side.readings as f64 * other.seen_s;
        rate(self, before) >= AS_OFTEN * rate(before, self) && seen(low) && seen(high)
    }
}

/// A line beside its strays over all captures of a stage, with the time in which excursions would have been listed.
#[derive(Clone, Debug)]
pub struct NearSeen {
    pub(crate) side: NearSide,
    /// Strays, and excursions that went as far, on that time.
    pub(crate) sequence: EventSequence,
}

impl NearSeen {
    /// Of the strays of a stage, one segment for each of its captures.
    pub fn of(id: &PathId, sequence: &EventSequence, ledgers: &[Ledger]) -> Option<Self> {
        let sides = ledgers.iter().filter_map(|ledger| NearSide::of(ledger, id));
        let side = sides.reduce(NearSide::and)?;
        let times: Vec<Intervals> = ledgers.iter().map(|ledger| time(ledger, id)).collect();
        let touches = ledgers.iter().map(|ledger| {
            let found = ledger.path(id).and_then(|path| path.departures.as_ref());
            let all = found.zip(side.of_strays).into_iter().flat_map(|(found, strays)| {
                found.excursions.iter().filter(move |(_, counts)| goes_as_far(*counts, strays))
            });
            all.map(|(t, _)| *t).collect()
        });
        let sequence = sequence
            .with_presses(id, &touches.collect::<Vec<_>>())
            .restricted(&|symbol| symbol.id() == *id, &times);
        Some(Self { side, sequence })
    }
}

/// What the excursions before a step demand of the time after it.
#[derive(Clone, Debug)]
pub(crate) struct NearPlan {
    side: NearSide,
    strays: (u32, u32),
    touches: u64,
    plan: QuietPlan,
    /// Whether they came without a rest.
    steady: bool,
    /// The chance that the line came to rest by itself while nobody watched.
    may_rest: f64,
}

impl NearPlan {
    /// Of what was seen before; `None` where excursions do not show what strays do.
    pub(crate) fn new(seen: &NearSeen) -> Option<Self> {
        let strays = seen.side.of_strays?;
        let touches = seen.side.touches(strays);
        if touches < FEWEST as u64 || 2 * touches <= seen.side.furthest.len() as u64 {
            return None;
        }
        let presses = fold(&seen.sequence);
        let gap = EpisodeRule::learn(&[(&seen.sequence, presses.as_slice())]).gap;
        let plan = QuietPlan::new(&seen.sequence, &episodes(&presses, gap), gap);
        #[allow(clippy::cast_precision_loss)]
        let n = plan.episodes as f64;
        // Of n pauses by chance the longest is as long as this with at most this chance.
        let others_s = (plan.exposure_s - plan.longest_gap_s) / n;
        let steady = n * (-plan.longest_gap_s / others_s).exp() >= RESTS;
        Some(Self { side: seen.side.clone(), strays, touches, plan, steady, may_rest: 0.0 }.after(None))
    }

    /// For a soak that begins so long after.
    ///
    /// # Formula
    /// Coming to rest has a rate of which nothing was seen in `B`: by Jeffreys' prior it happened within `A` with a chance of
    /// `1 - (B / (B + A))^(1/2)`. An unknown break is taken for as long as the time before.
    #[must_use]
    pub(crate) fn after(self, away_s: Option<f64>) -> Self {
        let before_s = self.plan.exposure_s;
        let may_rest = 1.0 - (before_s / (before_s + away_s.unwrap_or(before_s))).sqrt();
        Self { plan: self.plan.after(away_s), may_rest, ..self }
    }

    /// The quiet that 95 and 99 % need, seconds: by the pauses, and by how long the line may rest by itself.
    fn needed(&self) -> [Option<f64>; 2] {
        let rests = |chance: f64| REST_S * (self.may_rest / chance).ln().max(0.0);
        [(self.plan.likely_s, LIKELY), (self.plan.certain_s, CERTAIN)]
            .map(|(needed, chance)| needed.map(|needed| needed.max(rests(chance))))
    }

    /// What quiet is worth by it, on top of earlier quiet.
    pub(crate) fn exposure_from(&self, earlier: QuietExposure, on: &EventSequence) -> QuietExposure {
        self.plan.exposure_from(earlier, on)
    }
}

/// Excursions after a step against those before it.
#[derive(Clone, Debug)]
pub(crate) struct NearEvidence {
    pub(crate) plan: Arc<NearPlan>,
    pub(crate) after: NearSide,
    pub(crate) exposure: QuietExposure,
}

/// Excursions of a line that went as far as its strays did before the step.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, schemars::JsonSchema)]
pub struct NearFigures {
    /// How many before the step.
    pub before: u64,
    /// How many after it.
    pub after: u64,
    /// Whether quiet without any excursion counts as proof: the line is read as often as before, and rests where one would show.
    pub counts: bool,
    /// Whether the verdict rests on that.
    pub decides: bool,
}

impl NearFigures {
    /// What they say beside quiet.
    pub(crate) fn sentence(&self, path: &PathId) -> Option<String> {
        let path = path.words();
        if self.after >= GOES_ON {
            return Some(format!(
                "No stray came, but {path} still went as far as its strays did: {} since the step, {} before. What made \
                 the strays is still there.",
                plural(self.after, "time"),
                plural(self.before, "time"),
            ));
        }
        self.decides.then(|| {
            format!(
                "{path} went as far as its strays did {} before the step without making a key, and not once since: that \
                 shows a repair sooner than strays alone.",
                plural(self.before, "time"),
                path = capital(&path),
            )
        })
    }
}

impl NearEvidence {
    /// Whether they go on.
    pub(crate) fn goes_on(&self) -> bool {
        self.after.touches(self.plan.strays) >= GOES_ON
    }

    /// Whether their end can prove anything: they came without a rest, not one of any kind came since, and one would have been seen.
    fn counts(&self) -> bool {
        self.plan.steady
            && self.after.furthest.is_empty()
            && self.after.shows(&self.plan.side, self.plan.strays)
    }

    /// Whether the time without any reaches 95 % and 99 %.
    pub(crate) fn proves(&self, observed: Observed) -> (bool, bool) {
        let suffices = |needed| self.plan.plan.suffices(needed, self.exposure, observed);
        let [likely, certain] = self.plan.needed().map(|needed| self.counts() && suffices(needed));
        (likely, certain)
    }

    /// The chance of so much time without any, and the seconds still needed for 95 and 99 %; `None` where it proves nothing.
    pub(crate) fn quiet(&self) -> Option<(f64, Option<f64>, Option<f64>)> {
        let (plan, quiet_s) = (&self.plan.plan, self.exposure.quiet_s);
        let rests = self.plan.may_rest * (-quiet_s / REST_S).exp();
        let [likely_s, certain_s] = self.plan.needed().map(|needed| plan.missing(needed, self.exposure));
        self.counts().then(|| (plan.quiet_anyway(quiet_s).max(rests), likely_s, certain_s))
    }

    pub(crate) fn figures(&self, decides: bool) -> NearFigures {
        NearFigures {
            before: self.plan.touches,
            after: self.after.touches(self.plan.strays),
            counts: self.counts(),
            decides,
        }
    }
}
