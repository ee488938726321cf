//! How long a soak must stay quiet before it proves anything, planned from what was seen before the step.

use serde::Serialize;

use crate::analysis::drift::{Counted, Drift, Watched, drift};
use crate::analysis::episode::{Episode, episodes, fold};
use crate::analysis::event_sequence::EventSequence;
use crate::analysis::laws::{From, Laws, NO_VARIANCE, Proof};
use crate::analysis::ledger::Observed;
use crate::analysis::power::{OnInterval, OnTime, Origin};
use crate::analysis::quiet_intervals::QuietIntervals;
use crate::analysis::rate::{Count, quiet_anyway, quiet_needed};
use crate::base::words::{duration, plural};
use crate::base::{ControlPath, Nanoseconds};

/// The chance of an unrepaired set being quiet that a set handed back must not exceed.
pub const CERTAIN: f64 = 0.01;
/// The chance of an unrepaired set being quiet that `gone` must not exceed.
pub const LIKELY: f64 = 0.05;

/// Strays further apart than this are no burst to the law of the quiet, whatever the pauses beside them: the laws know
/// pauses of two kinds by themselves, and joined they would be too few to tell. A rule of our own.
pub(super) const NEAR: Nanoseconds = Nanoseconds::from_millis(10_000);

/// A set that was switched on in a soak counts as warm after so many seconds, when strays came on its keypad and the
/// observation before the step did not show its switch-on: a leak may have come with warmth that was there before anybody
/// looked, and nothing shows how long it took. Half an hour is common practice for warming up instruments and sets; no
/// source for all sets.
const WARM_S: f64 = 1800.0;

/// What the observation before the step demands of the soak after it.
#[derive(Clone, Debug, PartialEq, Serialize, schemars::JsonSchema)]
pub struct QuietPlan {
    /// Episodes seen before.
    pub episodes: u64,
    /// Exposure before, seconds, the time inside episodes left out when it is over a twentieth.
    pub exposure_s: f64,
    /// Longest quiet interval seen before, seconds, those at the ends of captures included.
    pub longest_gap_s: f64,
    /// Quiet intervals between episodes that were seen whole.
    pub whole_gaps: usize,
    /// Longest quiet from switching on (or from the start of a capture, where switching on was not seen) to the first
    /// stray, seconds: a fault that comes with warming up needs so long to appear, in one piece.
    pub onset_s: f64,
    /// Whether the set was seen to be switched on before one of the strays; without, it may have been warm already.
    pub switch_on_seen: bool,
    /// The youngest age of the set, seconds, from which on it was watched until a stray came; null where no capture tells.
    pub watched_from_s: Option<f64>,
    /// Whether that quiet is so long beside the rest that the fault seems to need warming up.
    pub warms_up: bool,
    /// Mean Weibull shape of the quiet intervals as far as they tell, when it is below one: off-times longer and more
    /// uneven than independent episodes'.
    pub long_off_times: Option<f64>,
    /// Whether the gaps seem to have no variance: counts then scatter without bound, and compare nothing.
    pub no_variance: bool,
    /// Where quiet alone proves nothing: how many mean gaps of it 99 % would take; null where that is without bound too.
    pub heavy_mean_gaps: Option<f64>,
    /// Whether quiet alone proves nothing, however long a soak.
    pub too_uneven: bool,
    #[serde(skip)]
    of_keypad: bool,
    /// Episodes and the time they came in, as the law of the quiet counts them.
    #[serde(skip)]
    count: Count,
    /// How long nobody watched between this and the soak.
    #[serde(skip)]
    away_s: Option<f64>,
    #[serde(skip)]
    pub(super) drift: Option<(Drift, Counted)>,
    #[serde(skip)]
    laws: Option<Laws>,
    /// Quiet soak for 95 %, seconds; `None` when nothing was seen before or quiet alone proves nothing.
    pub likely_s: Option<f64>,
    /// Quiet soak for 99 %, seconds; `None` when nothing was seen before or quiet alone proves nothing.
    pub certain_s: Option<f64>,
}

impl QuietPlan {
    /// Plans from the episodes of a sequence; `joined` is the gap below which presses were joined.
    ///
    /// The soak is that of the average over laws ([`Laws`]), the repair being a break in the watching, and never shorter than
    /// for independent episodes: a beat may stumble. Too few gaps for it leave the exact conditional answer, and twice the
    /// longest quiet interval.
    ///
    /// # Source
    /// See [`Laws`] and [`quiet_needed`]; the doubling is a rule of our own.
    pub fn new(sequence: &EventSequence, episodes: &[Episode], joined: Option<Nanoseconds>) -> Self {
        let of_keypad = sequence
            .occurrences()
            .iter()
            .filter_map(|stray| sequence.symbols().get(stray.symbol as usize))
            .any(|symbol| symbol.path == ControlPath::Keypad);
        let far = joined.is_some_and(|joined| joined > NEAR);
        let near: Vec<Episode>;
        let (own, joined) = if far {
            near = self::episodes(&fold(sequence), Some(NEAR));
            (&near[..], Some(NEAR))
        } else {
            (episodes, joined)
        };
        let seen = quiet_times(sequence, own, joined);
        let Onset { longest_s: onset_s, switch_on_seen, watched_from_s } = onset(sequence, episodes);
        let count = Count { count: own.len() as u64, exposure: exposure(sequence, own) };
        let whole_gaps = seen.whole.len();
        let demand = Demand::of(seen, 0.0, count, if of_keypad { onset_s } else { 0.0 });
        let drift = drifting(sequence, episodes);
        Self {
            episodes: episodes.len() as u64,
            exposure_s: exposure(sequence, episodes),
            longest_gap_s: demand.longest_gap_s,
            whole_gaps,
            onset_s,
            switch_on_seen,
            watched_from_s,
            warms_up: demand.warms_up,
            long_off_times: demand.laws.as_ref().map(Laws::shape).filter(|shape| *shape < 1.0),
            no_variance: demand.laws.as_ref().is_some_and(|laws| laws.no_variance() > NO_VARIANCE),
            heavy_mean_gaps: None,
            too_uneven: false,
            of_keypad,
            count,
            away_s: None,
            drift,
            laws: demand.laws,
            likely_s: None,
            certain_s: None,
        }
        .asked()
    }

    /// The same for a soak that begins so long after this was seen.
    #[must_use]
    pub fn after(self, away_s: Option<f64>) -> Self {
        Self { away_s, ..self }.asked()
    }

    /// With what is to be asked of the soak.
    fn asked(self) -> Self {
        let from = From::Break { seconds: self.away_s };
        let asked = asked(self.laws.as_ref(), self.count, self.longest_gap_s, from);
        Self {
            heavy_mean_gaps: asked.heavy_mean_gaps.filter(|gaps| gaps.is_finite()),
            too_uneven: asked.likely_s.is_none() && self.episodes > 0,
            likely_s: asked.likely_s,
            certain_s: asked.certain_s,
            ..self
        }
    }

    /// The chance that the unrepaired set would have been quiet for so many seconds: by the average over laws, and never less
    /// than for independent episodes.
    pub fn quiet_anyway(&self, quiet_s: f64) -> f64 {
        let exact = quiet_anyway(self.count, quiet_s);
        let from = From::Break { seconds: self.away_s };
        match &self.laws {
            None => exact,
            Some(laws) if laws.shape() < 1.0 => laws.quiet_from(from, quiet_s),
            Some(laws) => laws.quiet_from(from, quiet_s).max(exact),
        }
    }

    /// What to tell the technician before the repair begins.
    pub fn advice(&self) -> String {
        if self.episodes == 0 {
            return "No stray was seen yet, so no repair can be proved: watch the set as received until the fault \
                    shows itself."
                .to_owned();
        }
        let seen = format!("{} in {}", plural(self.episodes, "episode"), duration(self.exposure_s));
        let Some(likely) = self.likely_s else {
            return format!("{seen}: {}", self.too_uneven());
        };
        let longer = if likely > self.exposure_s { "; watch the baseline for longer first" } else { "" };
        let certain = self.certain_s.map_or_else(
            || "for 99 % quiet alone will not do".to_owned(),
            |certain| format!("99 % {}", duration(certain)),
        );
        format!("{seen}: after a repair, 95 % will need {} of quiet, {certain}{longer}.", duration(likely))
    }

    /// Why quiet alone proves nothing, and what does.
    pub(super) fn too_uneven(&self) -> String {
        let long = self.heavy_mean_gaps.map_or_else(
            || "no soak is long enough".to_owned(),
            |gaps| format!("it would take {gaps:.0} times the usual pause"),
        );
        format!(
            "the pauses between strays are so uneven that quiet alone proves no repair ({long}). What can: the level of \
             the line back at its value, a fault that can be called at will (warmth, a tap) and no longer comes, or \
             undoing the step and doing it again."
        )
    }

    /// How long an interval must have lasted before its quiet says anything: the set was too cold until then.
    ///
    /// Only a keypad's fault needs warmth. Quiet counts from the age on from which the set was watched before the step, and
    /// the warming up that showed then; a capture that found the set on, nobody knows since when, goes on where the capture
    /// before it ended.
    fn cold_s(&self, interval: &OnInterval, still_cold_s: f64) -> f64 {
        if !self.of_keypad {
            return 0.0;
        }
        let onset_s = if self.warms_up { self.onset_s } else { 0.0 };
        let counts_from_s = match self.watched_from_s {
            Some(age_s) if age_s <= WARM_S => age_s + onset_s,
            // A first pause that was long by chance is no warming up that was seen.
            _ => self.onset_s.max(WARM_S),
        };
        match (interval.origin, interval.age_s) {
            (Origin::Found, Some(age_s)) => (counts_from_s - age_s).max(0.0),
            (Origin::Found, None) if self.warms_up => self.onset_s,
            (Origin::Found, None) => still_cold_s,
            (Origin::Cold | Origin::Warm, _) => counts_from_s,
        }
    }

    /// What a further interval of quiet is worth.
    pub fn exposure(&self, earlier: QuietExposure, interval: &OnInterval) -> QuietExposure {
        let (age_s, cold_s) = (interval.seconds(), self.cold_s(interval, earlier.warming_s));
        QuietExposure {
            quiet_s: earlier.quiet_s + (age_s - cold_s).max(0.0),
            longest_s: earlier.longest_s.max(age_s),
            warming_s: (cold_s - age_s).max(0.0),
            unseen_s: if cold_s > self.onset_s { cold_s } else { earlier.unseen_s },
        }
    }

    /// What the quiet of a whole sequence is worth.
    pub fn exposure_of(&self, sequence: &EventSequence) -> QuietExposure {
        self.exposure_from(QuietExposure::default(), sequence)
    }

    /// The same on top of earlier quiet.
    pub fn exposure_from(&self, earlier: QuietExposure, sequence: &EventSequence) -> QuietExposure {
        let on = OnTime::of(sequence);
        on.intervals.iter().fold(earlier, |exposure, interval| self.exposure(exposure, interval))
    }

    /// Whether so much quiet is enough for a soak that needs so much; no more of it counts than was observed.
    pub fn suffices(&self, needed: Option<f64>, exposure: QuietExposure, observed: Observed) -> bool {
        let quiet_s = exposure.quiet_s.min(observed.seconds());
        self.missing(needed, QuietExposure { quiet_s, ..exposure }).is_some_and(|missing| missing <= 0.0)
    }

    /// Seconds of quiet still needed to come from `needed`, if the set stays on: the rest of its warming up included,
    /// and at least one interval as long as the onset before.
    pub fn missing(&self, needed: Option<f64>, exposure: QuietExposure) -> Option<f64> {
        let still = |short: f64| if short > 0.0 { short + exposure.warming_s } else { 0.0 };
        let onset_s = if self.of_keypad { self.onset_s } else { 0.0 };
        needed.map(|needed| still(needed - exposure.quiet_s).max(onset_s - exposure.longest_s))
    }

    /// What to say of the set's warmth when a soak is quiet.
    pub(super) fn warmth(&self, exposure: QuietExposure) -> Option<String> {
        if self.episodes == 0 {
            return None;
        }
        if exposure.unseen_s > 0.0 {
            return Some(format!(
                "The set was younger in this soak than it was watched before the step: it may have been warm then. So the \
                 first {} prove nothing. A baseline from switching on shortens that.",
                duration(exposure.unseen_s)
            ));
        }
        let from = if self.switch_on_seen {
            "switching on"
        } else {
            "the start of the capture (no switch-on was seen)"
        };
        self.warms_up.then(|| {
            format!(
                "Before the step the first stray came {} after {from}: the fault seems to need warmth, and quiet counts \
                 only from that age of the set on.",
                duration(self.onset_s)
            )
        })
    }
}

/// What was seen of the quiet before a soak, as far as it says how long that must last.
pub(super) struct Demand {
    longest_gap_s: f64,
    warms_up: bool,
    laws: Option<Laws>,
}

impl Demand {
    /// From intervals of which none is longer than `longest_s` or one in `seen`, the count, and the longest quiet from
    /// switching on to the first stray, where that may be warming up.
    #[allow(clippy::cast_precision_loss)]
    pub(super) fn of(mut seen: QuietIntervals, longest_s: f64, count: Count, onset_s: f64) -> Self {
        let all = seen.whole.iter().chain(&seen.leading).chain(&seen.trailing);
        let longest_gap_s = all.copied().fold(longest_s, f64::max);
        let others = (count.exposure - onset_s).max(0.0) / (count.count.max(1) as f64);
        let warms_up = onset_s > WARM_UP * others;
        if warms_up {
            // Warming up is no off-time, and is asked for by itself.
            seen.leading.clear();
        }
        Self { longest_gap_s, warms_up, laws: Laws::fit(&seen) }
    }

    /// What a soak would be asked for, nobody knows how long after this.
    pub(super) fn asked(&self, count: Count) -> Asked {
        asked(self.laws.as_ref(), count, self.longest_gap_s, From::Break { seconds: None })
    }
}

/// What a soak must last.
pub(super) struct Asked {
    heavy_mean_gaps: Option<f64>,
    /// Seconds for 95 %.
    pub(super) likely_s: Option<f64>,
    /// Seconds for 99 %.
    pub(super) certain_s: Option<f64>,
}

fn asked(laws: Option<&Laws>, count: Count, longest_gap_s: f64, from: From) -> Asked {
    let mut heavy_mean_gaps = None;
    let mut needed = |chance| match laws {
        None => quiet_needed(count, chance).map(|least| least.max(2.0 * longest_gap_s)),
        Some(laws) => match laws.proof(from, chance) {
            Proof::After { seconds } if laws.shape() < 1.0 => Some(seconds),
            // Pauses more even than by chance may stumble.
            Proof::After { seconds } => quiet_needed(count, chance).map(|exact| seconds.max(exact)),
            Proof::TailsTooHeavy { mean_gaps } => {
                heavy_mean_gaps = Some(mean_gaps);
                None
            }
        },
    };
    let (likely_s, certain_s) = (needed(LIKELY), needed(CERTAIN));
    Asked { heavy_mean_gaps, likely_s, certain_s }
}

/// What the quiet of a soak is worth against a plan.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct QuietExposure {
    /// Seconds of quiet with the set on and as warm as the fault needs.
    pub quiet_s: f64,
    /// Longest interval with the set on, seconds, its warming up included.
    pub longest_s: f64,
    /// Seconds until the present interval is as warm as the fault needs.
    pub warming_s: f64,
    /// Warming up that is asked for only since the switch-on was seen after the step and not before, seconds; else 0.
    pub unseen_s: f64,
}

/// A first quiet interval so many times the mean gap is no chance: e^-3 is one in twenty.
const WARM_UP: f64 = 3.0;

/// The quiet intervals of one side, by what was seen of them.
pub(super) fn quiet_times(
    sequence: &EventSequence,
    episodes: &[Episode],
    joined: Option<Nanoseconds>,
) -> QuietIntervals {
    let mut found = QuietIntervals {
        least: joined.map_or(0.0, Nanoseconds::seconds).max(0.0),
        ..QuietIntervals::default()
    };
    for interval in quiet_intervals(sequence, episodes) {
        let kind = match interval.ends {
            Ends::Both => &mut found.whole,
            Ends::Right => &mut found.leading,
            Ends::Left | Ends::None => &mut found.trailing,
        };
        kind.push(interval.seconds);
    }
    found
}

/// Exposure in seconds, standby left out; the time inside episodes, in which no second one can begin, is left out when
/// it is more than a twentieth of the whole.
pub fn exposure(sequence: &EventSequence, episodes: &[Episode]) -> f64 {
    let inside: f64 = episodes.iter().map(|e| (e.end - e.start).seconds()).sum();
    free(watched(sequence), inside)
}

/// What is left of observed seconds for a new episode to begin in.
pub(crate) fn free(whole: f64, inside: f64) -> f64 {
    if inside > 0.05 * whole && inside < whole { whole - inside } else { whole }
}

/// Seconds watched with the set not in standby.
pub fn watched(sequence: &EventSequence) -> f64 {
    (sequence.exposure().seconds() - OnTime::of(sequence).asleep_s).max(0.0)
}

/// The drift within the sequence, as the places of its episodes show it, with what was counted.
fn drifting(sequence: &EventSequence, episodes: &[Episode]) -> Option<(Drift, Counted)> {
    let (first, last) = (sequence.segments().first()?, sequence.segments().last()?);
    let times: Vec<f64> = episodes.iter().map(|episode| episode.start.seconds()).collect();
    let (start, end) = (first.span.start.seconds(), last.span.end.seconds());
    let watched = Watched { times: &times, start, end };
    Some((drift(&[watched])?, watched.counted()))
}

/// How the first strays came.
struct Onset {
    /// Longest quiet from the beginning of warmth to the first episode after it, seconds.
    longest_s: f64,
    /// Whether that beginning was ever a switch-on that was seen.
    switch_on_seen: bool,
    /// The youngest known age at such a beginning.
    watched_from_s: Option<f64>,
}

/// How the first strays came. A restart while the set is warm is no beginning.
fn onset(sequence: &EventSequence, episodes: &[Episode]) -> Onset {
    let on = OnTime::of(sequence);
    let mut begun: Vec<&OnInterval> = Vec::new();
    for interval in &on.intervals {
        if interval.origin != Origin::Warm || begun.last().is_none_or(|last| last.segment != interval.segment)
        {
            begun.push(interval);
        }
    }
    let mut found = Onset { longest_s: 0.0, switch_on_seen: false, watched_from_s: None };
    for (place, interval) in begun.iter().enumerate() {
        let from = episodes.partition_point(|e| {
            (sequence.capture_of(e.segment), e.start) < (interval.segment, interval.start)
        });
        let next = begun.get(place + 1).map(|next| (next.segment, next.start));
        let first = episodes.get(from).filter(|e| {
            sequence.capture_of(e.segment) == interval.segment
                && next.is_none_or(|next| (sequence.capture_of(e.segment), e.start) < next)
        });
        if let Some(first) = first {
            found.longest_s = found.longest_s.max((first.start - interval.start).seconds());
            found.switch_on_seen |= interval.origin == Origin::Cold;
            let youngest = interval.age_s.into_iter().chain(found.watched_from_s).reduce(f64::min);
            found.watched_from_s = youngest;
        }
    }
    found
}

/// Which ends of a quiet interval were seen.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Ends {
    /// From one episode to the next.
    Both,
    /// It ended with an episode; it began before the capture.
    Right,
    /// It began with the end of an episode; the capture ended before it did.
    Left,
    /// A whole capture.
    None,
}

#[derive(Clone, Copy, Debug)]
struct Quiet {
    seconds: f64,
    ends: Ends,
}

/// Quiet intervals in seconds.
fn quiet_intervals(sequence: &EventSequence, episodes: &[Episode]) -> Vec<Quiet> {
    let mut intervals = Vec::with_capacity(episodes.len() + 1);
    let mut rest = episodes;
    for (segment, number) in sequence.segments().iter().zip(0u32..) {
        let here = rest.iter().take_while(|episode| episode.segment == number).count();
        let (own, later) = rest.split_at(here);
        rest = later;
        let mut from = segment.span.start;
        for (i, episode) in own.iter().enumerate() {
            let ends = if i > 0 { Ends::Both } else { Ends::Right };
            intervals.push(Quiet { seconds: (episode.start - from).seconds().max(0.0), ends });
            from = episode.end;
        }
        let ends = if own.is_empty() { Ends::None } else { Ends::Left };
        intervals.push(Quiet { seconds: (segment.span.end - from).seconds().max(0.0), ends });
    }
    intervals
}
