//! A soak while it runs: hands off, every input a stray. May be looked at as often as one likes.
//!
//! The soak that proves a repair is planned before it begins, from the observation before the step. Reaching
//! its end quietly is the only way to `gone`; the first stray rules `gone` out for the whole stage, and
//! restarting the clock does not bring it back. Where strays do come, an e-process says whether there are fewer.

use serde::{Deserialize, Serialize};

use super::compare::{CompareOptions, Observation, SAME_WITHIN, Verdict, duration, percent, plural};
use super::episode::{episodes, fold};
use super::evidence::{Prior, log_e_ratio_scaled};
use super::offtime::Stretches;
use super::power::{OnStretch, OnTime, PowerClock};
use super::quiet::{Credit, Demand, QuietPlan, exposure, quiet_times, watched};
use super::rate::Count;
use super::scatter::scatter;
use super::train::Train;
use crate::base::{Event, EventKind, Nanoseconds};

/// Where a soak stands.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct SoakState {
    /// Watched in this stage, seconds, earlier soaks and restarts included.
    pub elapsed_s: f64,
    /// Strays in this stage.
    pub strays: u64,
    /// Episodes in this stage.
    pub episodes: u64,
    /// Verdict so far, valid whenever one looks.
    pub verdict: Verdict,
    /// Whether the soak may stop: a further look can only repeat the verdict.
    pub done: bool,
    /// Chance that the unrepaired set would have been quiet for so long; 1 once a stray came.
    pub quiet_anyway: f64,
    /// Quiet time still needed for `gone` (99 %), seconds; null when no soak of this stage can give it.
    pub soak_more_s: Option<f64>,
    /// Quiet time still needed for 95 %.
    pub soak_more_95_s: Option<f64>,
    /// How often the clock was restarted in this stage; it did not help.
    pub restarts: u32,
    /// What a technician should know, in sentences.
    pub notes: Vec<String>,
}

/// A live soak.
#[derive(Clone, Debug)]
pub struct Soak {
    before: Option<Before>,
    gap: Nanoseconds,
    train: Train,
    earlier: Count,
    earlier_strays: u64,
    credit: Credit,
    clock: Option<PowerClock>,
    switches: usize,
    seen: usize,
    forgotten: u64,
    episodes: u64,
    /// Episodes of which the beginning was not seen: what came before was not watched for as long as a pause lasts.
    unseen: u64,
    inside_s: f64,
    /// Of a baseline, the quiet stretches: of many whole ones the last [`PAUSES`].
    pauses: Stretches,
    /// Whole stretches in all.
    whole: usize,
    /// Longest quiet before an episode, seconds.
    longest_s: f64,
    /// What a repair would need if this baseline stopped now (95 %, 99 %), with the episodes and the seconds of which it
    /// was last worked out.
    forecast: Option<(u64, f64, (f64, f64))>,
    last: Option<Nanoseconds>,
    restarts: u32,
}

#[derive(Clone, Debug)]
struct Before {
    plan: QuietPlan,
    count: Count,
    hands_off: bool,
    dispersion: f64,
}

/// Strays that stay at hand, to find the press of a release; older ones are counted and gone.
const KEPT: usize = 4096;

/// Pauses that the forecast of a running baseline rests on.
const PAUSES: usize = 256;
/// A forecast is worked out anew with each episode, and when so much more was watched.
const LONGER: f64 = 1.02;

/// Repeats and quick presses of a held key never begin an episode of their own.
const SHORTEST_GAP: Nanoseconds = Nanoseconds::from_millis(1000);
/// E-value at which a change of the rate is called: 1/20 false at most, over all looks together.
const E_CALLS: f64 = 20.0;

impl Soak {
    /// A soak after a step, judged by what was seen before it; without `before`, a baseline soak.
    pub fn new(before: Option<&Observation>, options: &CompareOptions) -> Self {
        let mut gap = options.rule.as_ref().map_or(options.episode_gap, |rule| rule.gap);
        let before = before.map(|observation| {
            let presses = fold(&observation.train);
            let rule = options.rule(&[(&observation.train, &presses)]);
            gap = rule.gap;
            let found = episodes(&presses, rule.gap);
            Before {
                plan: QuietPlan::new(&observation.train, &found, rule.gap),
                count: Count { count: found.len() as u64, exposure: exposure(&observation.train, &found) },
                hands_off: observation.hands_off,
                dispersion: scatter(&[(&observation.train, found.as_slice())], rule.gap).dispersion,
            }
        });
        Self {
            before,
            gap: gap.unwrap_or(SHORTEST_GAP).max(SHORTEST_GAP),
            train: Train::new(),
            earlier: Count { count: 0, exposure: 0.0 },
            earlier_strays: 0,
            credit: Credit::default(),
            clock: None,
            switches: 0,
            seen: 0,
            forgotten: 0,
            episodes: 0,
            unseen: 0,
            inside_s: 0.0,
            pauses: Stretches::default(),
            whole: 0,
            longest_s: 0.0,
            forecast: None,
            last: None,
            restarts: 0,
        }
    }

    /// Counts what was already watched in this stage, before this soak.
    pub fn resume(&mut self, earlier: &Observation) {
        let presses = fold(&earlier.train);
        let found = episodes(&presses, Some(self.gap));
        self.earlier.count += found.len() as u64;
        self.earlier.exposure += watched(&earlier.train);
        self.earlier_strays += earlier.train.len() as u64;
        let seen = quiet_times(&earlier.train, &found, Some(self.gap));
        seen.whole.into_iter().for_each(|pause| self.pause(pause));
        self.pauses.leading.extend(seen.leading);
        self.pauses.trailing.extend(seen.trailing);
        for stretch in &OnTime::of(&earlier.train).stretches {
            self.end_stretch(stretch);
        }
        self.restarts += 1;
    }

    /// The technician starts the clock again. Nothing is forgotten; it is counted.
    pub fn restart(&mut self) {
        self.restarts += 1;
    }

    fn end_stretch(&mut self, stretch: &OnStretch) {
        if let Some(before) = &self.before {
            self.credit = before.plan.credit(self.credit, stretch);
        }
    }

    /// Follows the supply of the set by the events that came.
    fn power(&mut self) {
        let Some(start) = self.train.segments().first().map(|segment| segment.span.start) else { return };
        let mut clock = self.clock.unwrap_or_else(|| PowerClock::new(start, 0));
        while let Some(switch) = self.train.switches().get(self.switches).copied() {
            self.switches += 1;
            if let Some(ended) = clock.take(switch) {
                self.end_stretch(&ended);
            }
        }
        self.clock = Some(clock);
    }

    /// What the quiet so far is worth, the stretch that goes on included.
    fn credit(&self, before: &Before, now: Nanoseconds) -> Credit {
        let current = self.clock.and_then(|clock| clock.current(now));
        current.map_or(self.credit, |stretch| before.plan.credit(self.credit, &stretch))
    }

    /// Takes a whole quiet stretch, seconds.
    fn pause(&mut self, seconds: f64) {
        let place = self.whole % PAUSES;
        match self.pauses.whole.get_mut(place) {
            Some(oldest) => *oldest = seconds,
            None => self.pauses.whole.push(seconds),
        }
        self.whole += 1;
        self.longest_s = self.longest_s.max(seconds);
    }

    /// Takes an event. O(1).
    pub fn push(&mut self, event: &Event) {
        self.train.push(event);
        self.power();
        let news = self.train.len() > self.seen;
        let Some(stray) = self.train.occurrences().last().copied().filter(|_| news) else { return };
        self.seen = self.train.len();
        let apart = self.last.is_none_or(|last| stray.t - last > self.gap);
        if apart {
            self.episodes += 1;
            let begun = self.train.segments().first().map_or(stray.t, |segment| segment.span.start);
            let quiet = stray.t - self.last.unwrap_or(begun);
            self.unseen += u64::from(quiet < self.gap);
            if self.last.is_some() {
                self.pause(quiet.seconds());
            } else {
                self.longest_s = self.longest_s.max(quiet.seconds());
                self.pauses.leading.push(quiet.seconds());
            }
        } else if let Some(last) = self.last {
            self.inside_s += (stray.t - last).seconds().max(0.0);
        }
        if stray.kind != EventKind::Release {
            self.last = Some(self.last.map_or(stray.t, |last| last.max(stray.t)));
        }
        if self.seen > 2 * KEPT {
            self.forgotten += self.train.forget(KEPT) as u64;
            self.seen = self.train.len();
        }
    }

    /// Says how late it is on the capture's clock, and where the soak stands. O(1).
    pub fn tick(&mut self, now: Nanoseconds) -> SoakState {
        self.train.extend(now);
        self.power();
        let end = self.train.segments().last().map_or(now, |segment| segment.span.end);
        let elapsed_s = self.elapsed();
        let credit = self.before.as_ref().map_or_else(Credit::default, |before| self.credit(before, end));
        let after = Count { count: self.earlier.count + self.episodes, exposure: elapsed_s - self.inside_s };
        let strays = self.earlier_strays + self.forgotten + self.train.len() as u64;
        let (verdict, quiet_anyway) = match &self.before {
            None => (Verdict::Undecided, 1.0),
            Some(before) if strays == 0 => {
                let certain = before.hands_off && before.plan.is_certain(credit);
                let verdict = if certain { Verdict::Gone } else { Verdict::Undecided };
                (verdict, before.plan.quiet_anyway(credit.quiet_s))
            }
            Some(before) => (with_strays(before, after), 1.0),
        };
        let baseline = if self.before.is_none() { self.own_plan(after, end) } else { None };
        let plan = self.before.as_ref().map(|before| &before.plan).filter(|_| strays == 0);
        SoakState {
            elapsed_s,
            strays,
            episodes: after.count,
            verdict,
            done: verdict != Verdict::Undecided || baseline.is_some_and(|needed| needed.1 <= elapsed_s),
            quiet_anyway,
            soak_more_s: plan.and_then(|plan| plan.missing(plan.certain_s, credit)),
            soak_more_95_s: plan.and_then(|plan| plan.missing(plan.likely_s, credit)),
            restarts: self.restarts,
            notes: self.notes(after, strays, verdict, baseline, credit),
        }
    }

    /// Seconds watched in this stage, standby left out.
    fn elapsed(&self) -> f64 {
        self.earlier.exposure + (self.train.exposure().seconds() - self.asleep_s()).max(0.0)
    }

    fn asleep_s(&self) -> f64 {
        let end = self.train.segments().last().map(|segment| segment.span.end);
        self.clock.zip(end).map_or(0.0, |(clock, end)| clock.asleep_s(end))
    }

    /// For a baseline: the quiet soak that a repair would need if the baseline stopped at `end` (95 %, 99 %), by the rules
    /// of [`QuietPlan`]; nothing while no episode was seen to begin.
    fn own_plan(&mut self, count: Count, end: Nanoseconds) -> Option<(f64, f64)> {
        let stale = |(episodes, elapsed, _): &(u64, f64, _)| {
            *episodes != count.count || count.exposure > LONGER * elapsed || count.exposure < *elapsed
        };
        if self.forecast.as_ref().is_none_or(stale) {
            let mut seen = self.pauses.clone();
            seen.least = self.gap.seconds();
            seen.trailing.extend(self.last.map(|last| (end - last).seconds().max(0.0)));
            let onset_s = seen.leading.iter().copied().fold(0.0, f64::max);
            let begun = Count { count: count.count - self.unseen, ..count };
            // Nothing is said of less than one pause.
            let longest_s = self.longest_s.max(self.gap.seconds());
            let demand = Demand::of(seen, self.whole, longest_s, begun, onset_s);
            let more = |needed: f64| needed.max(onset_s);
            let found = demand.likely_s.zip(demand.certain_s).map(|(one, two)| (more(one), more(two)));
            self.forecast = found.map(|found| (count.count, count.exposure, found));
        }
        self.forecast.as_ref().map(|forecast| forecast.2)
    }

    fn notes(
        &self,
        after: Count,
        strays: u64,
        verdict: Verdict,
        baseline: Option<(f64, f64)>,
        credit: Credit,
    ) -> Vec<String> {
        let mut notes = Vec::new();
        let elapsed = self.elapsed();
        if self.restarts > 0 {
            notes.push(format!(
                "The clock was restarted {}; all {} since the step count.",
                plural(u64::from(self.restarts), "time"),
                duration(elapsed)
            ));
        }
        if self.asleep_s() > 0.0 {
            notes.push(format!("{} in standby do not count.", duration(self.asleep_s())));
        }
        match &self.before {
            None => notes.push(match baseline {
                None if strays == 0 => {
                    "No stray yet: without one, no repair can be proved later. Watch on.".to_owned()
                }
                None => "It was stray when the watching began: how often it begins is not known yet. Watch on."
                    .to_owned(),
                Some((likely, certain)) => format!(
                    "{} in {}: after a repair, 95 % will need {} of quiet, 99 % {}. A longer baseline shortens that.",
                    plural(after.count, "episode"),
                    duration(elapsed),
                    duration(likely),
                    duration(certain)
                ),
            }),
            Some(before) if strays == 0 => {
                notes.push(match (verdict, before.plan.missing(before.plan.certain_s, credit)) {
                    (Verdict::Gone, _) => format!(
                        "Quiet for {}; an unrepaired set would have been so in {} of cases.",
                        duration(elapsed),
                        percent(before.plan.quiet_anyway(credit.quiet_s))
                    ),
                    (_, Some(missing)) => format!("Quiet so far; {} more for 99 %.", duration(missing)),
                    (_, None) => "No stray was seen before the step, so quiet proves nothing.".to_owned(),
                });
                notes.extend(before.plan.warmth(credit));
            }
            Some(_) => notes.push(format!(
                "{} in {}: not gone. Starting the clock again will not change that; the next step will.",
                plural(after.count, "episode"),
                duration(elapsed)
            )),
        }
        notes
    }
}

/// Verdict once strays have come: by e-processes, so that looking often costs nothing. `Unchanged` needs both a fall and
/// a rise by [`SAME_WITHIN`] excluded.
#[allow(clippy::cast_precision_loss)]
fn with_strays(before: &Before, after: Count) -> Verdict {
    if !before.hands_off || before.count.count == 0 || after.exposure <= 0.0 {
        return Verdict::Undecided;
    }
    let minutes = |count: Count| Count { exposure: count.exposure / 60.0, ..count };
    let (before, dispersion, after) = (minutes(before.count), before.dispersion, minutes(after));
    let excludes =
        |ratio| log_e_ratio_scaled(before, after, ratio, dispersion, Prior::MINUTE) >= E_CALLS.ln();
    let fell = before.count as f64 * after.exposure > after.count as f64 * before.exposure;
    match (excludes(1.0), fell) {
        (true, true) => Verdict::Reduced,
        (true, false) => Verdict::Worse,
        (false, _) if excludes(SAME_WITHIN) && excludes(1.0 / SAME_WITHIN) => Verdict::Unchanged,
        (false, _) => Verdict::Undecided,
    }
}
