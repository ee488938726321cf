//! A soak while it runs: hands off, every input a stray. May be looked at as often as one likes.
//!
//! The soak that proves a repair is planned before it begins, from the observation before the step. It is judged by the
//! functions that judge a stored stage ([`Figures`]), from the same ledger: when it ends, the job says what the soak
//! said. Time counts only while a stray would have been seen.

mod state;

use std::collections::BTreeMap;
use std::sync::Arc;

use crate::analysis::compare::{
    CompareOptions, Evidence, Figures, NearEvidence, NearPlan, NearSide, Observation, PathSeen, Side,
    Verdict, figures, hand_back, near_time, of_verdicts, planned,
};
use crate::analysis::episode::{Episode, episodes, fold};
use crate::analysis::event_sequence::EventSequence;
use crate::analysis::ledger::{Intervals, Ledger, Observed, PathId, PathTotal};
use crate::analysis::overdispersion::overdispersion;
use crate::analysis::quiet::{QuietExposure, QuietPlan, exposure, free, watched};
use crate::analysis::rate::{Count, compare_scaled};
use crate::base::{ControlPath, Event, Nanoseconds, Span};

pub use state::{BlindNow, PathState, SoakState};
use state::{blind_now, notes};

/// Strays, episodes and the seconds inside them.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
struct Tally {
    strays: u64,
    episodes: u64,
    inside_s: f64,
}

impl Tally {
    fn of(sequence: &EventSequence, found: &[Episode]) -> Self {
        let inside_s = found.iter().map(|e| (e.end - e.start).seconds()).sum();
        Self { strays: sequence.len() as u64, episodes: found.len() as u64, inside_s }
    }

    fn add(&mut self, other: Self) {
        self.strays += other.strays;
        self.episodes += other.episodes;
        self.inside_s += other.inside_s;
    }
}

/// What was seen before the step, on one path.
#[derive(Clone, Debug)]
struct Before {
    plan: Arc<QuietPlan>,
    count: Count,
    watched_s: f64,
    strays: u64,
    near: Option<Arc<NearPlan>>,
}

/// What was seen earlier in this stage, on one path.
#[derive(Clone, Debug, Default)]
struct Earlier {
    tally: Tally,
    observed: Observed,
    exposure_s: f64,
    exposure: QuietExposure,
    total: Option<PathTotal>,
    near: Option<(NearSide, QuietExposure)>,
}

/// Tallies of so many strays, holds and intervals.
#[derive(Clone, Debug)]
struct Known {
    of: (usize, usize, usize),
    by_path: BTreeMap<PathId, Tally>,
    all: Tally,
}

/// A live soak.
#[derive(Clone, Debug)]
pub struct Soak {
    before: Option<(Observation, BTreeMap<PathId, Before>)>,
    hands_off: bool,
    gap: Option<Nanoseconds>,
    dispersion: f64,
    confidence: f64,
    /// Strays that are not settled yet.
    sequence: EventSequence,
    /// What is settled: all together, and by path.
    settled: Tally,
    by_path: BTreeMap<PathId, Tally>,
    earlier: Earlier,
    earlier_paths: BTreeMap<PathId, Earlier>,
    earlier_span_s: f64,
    planned_s: Option<f64>,
    last: Option<Nanoseconds>,
    begun: Option<Nanoseconds>,
    restarts: u32,
    /// Worked out for so many strays and intervals.
    known: Option<Known>,
    baseline: crate::analysis::baseline::Baseline,
}

/// Strays that stay at hand until a pause settles them; more are settled without one.
const KEPT: usize = 4096;
/// A pause so much longer than the gap of episodes settles what came before: nothing joins over it.
const SETTLES: Nanoseconds = Nanoseconds::from_millis(2_000);
impl Soak {
    /// A soak after a step, judged by what was seen before it; without `before`, a baseline soak. `planned_s` is how long it is
    /// to last.
    pub fn new(before: Option<&Observation>, options: &CompareOptions, planned_s: Option<f64>) -> Self {
        let taught = match (&options.rule, options.dispersion, before) {
            (Some(_), Some(_), _) | (_, _, None) => options.clone(),
            (_, _, Some(before)) => {
                let seed = options.seed;
                let learned = CompareOptions::of_job(&[before]);
                CompareOptions { rule: options.rule.clone().or(learned.rule), seed, ..learned }
            }
        };
        let gap = taught.rule.as_ref().map_or(taught.episode_gap, |rule| rule.gap);
        let dispersion = taught.dispersion.unwrap_or_else(|| {
            before.map_or(1.0, |seen| {
                let found = episodes(&fold(&seen.sequence), gap);
                overdispersion(&[(&seen.sequence, found.as_slice())], gap).dispersion
            })
        });
        let seen_before = |sequence: &EventSequence| {
            let found = episodes(&fold(sequence), gap);
            Before {
                plan: Arc::new(QuietPlan::new(sequence, &found, gap)),
                count: Count { count: found.len() as u64, exposure: exposure(sequence, &found) },
                watched_s: watched(sequence),
                strays: sequence.len() as u64,
                near: None,
            }
        };
        let on_path = |path: &PathSeen| Before {
            near: path.near.as_ref().and_then(NearPlan::new).map(Arc::new),
            ..seen_before(&path.sequence)
        };
        Self {
            before: before.map(|seen| {
                let paths = seen.paths.iter().map(|path| (path.total.id.clone(), on_path(path))).collect();
                (seen.clone(), paths)
            }),
            hands_off: before.is_none_or(|seen| seen.hands_off && !seen.untimed),
            gap,
            dispersion,
            confidence: options.confidence,
            sequence: EventSequence::new(),
            settled: Tally::default(),
            by_path: BTreeMap::new(),
            earlier: Earlier::default(),
            earlier_paths: BTreeMap::new(),
            earlier_span_s: 0.0,
            planned_s,
            last: None,
            begun: None,
            restarts: 0,
            known: None,
            baseline: crate::analysis::baseline::Baseline::new(gap),
        }
    }

    /// Says when it begins by the wall clock, or when the stage that it goes on with began.
    pub fn begins(&mut self, wall: Nanoseconds) {
        if let Some((seen, paths)) = &mut self.before {
            let away_s = seen.away_s(Some(wall));
            for before in paths.values_mut() {
                before.plan = Arc::new(QuietPlan::clone(&before.plan).after(away_s));
                before.near = before.near.take().map(|near| Arc::new(NearPlan::clone(&near).after(away_s)));
            }
        }
    }

    /// Counts what was already watched in this stage, before this soak.
    pub fn resume(&mut self, earlier: &Observation) {
        self.earlier = self.account(None, &earlier.sequence);
        self.earlier_span_s = earlier.span_s;
        // One plan for a stage: what was looked at at its end cannot be planned again.
        self.planned_s = earlier.planned_s.or(self.planned_s);
        for path in &earlier.paths {
            let mut account = self.account(Some(&path.total.id), &path.sequence);
            account.observed = path.total.observed;
            account.total = Some(path.total.clone());
            let plan = self.before.as_ref().and_then(|(_, paths)| paths.get(&path.total.id)?.near.clone());
            account.near = path.near.as_ref().zip(plan).map(|(near, plan)| {
                (near.side.clone(), plan.exposure_from(QuietExposure::default(), &near.sequence))
            });
            self.earlier_paths.insert(path.total.id.clone(), account);
        }
        self.baseline.resume(&earlier.sequence);
        self.restarts += 1;
    }

    fn account(&self, id: Option<&PathId>, sequence: &EventSequence) -> Earlier {
        let found = episodes(&fold(sequence), self.gap);
        let plan = self.before.as_ref().zip(id).and_then(|((_, paths), id)| paths.get(id));
        Earlier {
            tally: Tally::of(sequence, &found),
            observed: Observed::default(),
            exposure_s: watched(sequence),
            exposure: plan.map_or_else(QuietExposure::default, |before| before.plan.exposure_of(sequence)),
            total: None,
            near: None,
        }
    }

    /// The technician starts the clock again. Nothing is forgotten; it is counted.
    pub fn restart(&mut self) {
        self.restarts += 1;
    }

    /// Takes an event; `asked` says that a prompt asked for it, so that it is nobody's stray.
    pub fn push(&mut self, event: &Event, asked: bool, ledger: &dyn Fn() -> Ledger) {
        self.begun.get_or_insert(event.t);
        let count = self.sequence.len();
        let pause = self.last.is_some_and(|last| event.t - last > self.gap.unwrap_or_default() + SETTLES);
        if count > 0 && event.is_input() && (pause || count >= KEPT) {
            self.settle(&ledger());
        }
        let before = self.sequence.len();
        if asked {
            self.sequence.push_asked(event);
        } else {
            self.sequence.push(event);
        }
        if self.sequence.len() > before || event.comes_in() && event.key.is_some() {
            self.last = Some(self.last.map_or(event.t, |last| last.max(event.t)));
        }
        if self.sequence.len() > before
            && let Some(stray) = self.sequence.occurrences().last()
        {
            self.baseline.stray(stray.t, self.begun.unwrap_or(stray.t));
        }
    }

    /// Counts what nothing can join any more, and forgets it.
    fn settle(&mut self, ledger: &Ledger) {
        let (by_path, all) = self.open(ledger);
        self.settled.add(all);
        for (id, tally) in by_path {
            self.by_path.entry(id).or_default().add(tally);
        }
        self.sequence.forget(0);
        self.known = None;
    }

    /// What is not settled yet, by the functions that count a stored stage.
    fn open(&mut self, ledger: &Ledger) -> (BTreeMap<PathId, Tally>, Tally) {
        if self.sequence.is_empty() {
            return (BTreeMap::new(), Tally::default());
        }
        let held = self.sequence.occurrences().iter().filter(|o| o.held().is_some()).count();
        let spans = ledger.paths.iter().map(|path| path.observed.spans().len()).sum();
        let mark = (self.sequence.len(), held, spans);
        if let Some(known) = self.known.as_ref().filter(|known| known.of == mark) {
            return (known.by_path.clone(), known.all);
        }
        let mut ids: Vec<PathId> = self
            .sequence
            .occurrences()
            .iter()
            .filter_map(|o| self.sequence.symbols().get(o.symbol as usize))
            .map(crate::analysis::event_sequence::Symbol::id)
            .collect();
        ids.sort();
        ids.dedup();
        let tally = |sequence: &EventSequence| Tally::of(sequence, &episodes(&fold(sequence), self.gap));
        let all = tally(&self.sequence.restricted(&|_| true, &[self.union(ledger)]));
        let by_path: BTreeMap<PathId, Tally> = ids
            .into_iter()
            .map(|id| {
                let own = self.sequence.restricted(&|symbol| symbol.id() == id, &[ledger.observed(&id)]);
                (id, tally(&own))
            })
            .collect();
        self.known = Some(Known { of: mark, by_path: by_path.clone(), all });
        (by_path, all)
    }

    /// The paths that are judged: those that strayed before the step or in this stage.
    fn judged(&self, open: &BTreeMap<PathId, Tally>) -> Vec<PathId> {
        let before = self.before.iter().flat_map(|(seen, _)| seen.strayed().cloned());
        let earlier = self.earlier_paths.iter().filter(|(_, e)| e.tally.strays > 0).map(|(id, _)| id.clone());
        let now = self.by_path.keys().chain(open.keys()).cloned();
        let mut ids: Vec<PathId> = before.chain(earlier).chain(now).collect();
        ids.sort();
        ids.dedup();
        ids
    }

    /// When any judged path was observed; any path at all while none strayed.
    fn union(&self, ledger: &Ledger) -> Intervals {
        let strayed: Vec<PathId> = self.judged(&BTreeMap::new());
        let own = self.sequence.symbols().iter().map(crate::analysis::event_sequence::Symbol::id);
        let ids: Vec<PathId> = strayed.into_iter().chain(own).collect();
        let some = ledger.any_observed(&ids);
        if ids.is_empty() { ledger.any_observed(ledger.paths.iter().map(|path| &path.id)) } else { some }
    }

    /// Where the soak stands by the ledger of its capture.
    pub fn tick(&mut self, ledger: &Ledger) -> SoakState {
        let now = ledger.span.map_or(Nanoseconds::ZERO, |span| span.end);
        self.begun.get_or_insert(ledger.span.map_or(Nanoseconds::ZERO, |span| span.start));
        let (open, open_all) = self.open(ledger);
        let judged = self.judged(&open);
        let union = self.union(ledger);
        let observed_s =
            self.earlier.exposure_s + watched(&EventSequence::new_observed(&self.sequence, union));
        let mut all = self.settled;
        all.add(open_all);
        all.add(self.earlier.tally);
        let elapsed_s = self.earlier_span_s + ledger.length().seconds();
        let empty = Ledger { span: ledger.span, age: ledger.age, ..Ledger::default() };
        let mut with_sign = Vec::new();
        let mut paths = Vec::new();
        for id in &judged {
            let mut tally = self.by_path.get(id).copied().unwrap_or_default();
            tally.add(open.get(id).copied().unwrap_or_default());
            let own = if ledger.path(id).is_some() { ledger } else { &empty };
            let state = self.path_state(id, tally, own, false);
            // Where nothing is pending a sign of life would change nothing.
            with_sign.extend(if state.total.pending_s > 0.0 {
                self.path_state(id, tally, own, true).figures
            } else {
                state.figures
            });
            paths.push(state);
        }
        let figures = || paths.iter().filter_map(|path| path.figures);
        let verdict = of_verdicts(figures());
        let most = |of: fn(&Figures) -> Option<f64>| {
            let needed: Option<Vec<f64>> = figures().map(|figures| of(&figures)).collect();
            needed.filter(|all| !all.is_empty()).map(|all| all.into_iter().fold(0.0, f64::max))
        };
        let baseline = match &self.before {
            None => {
                let exposure = free(observed_s, all.inside_s);
                self.baseline.plan(Count { count: all.episodes, exposure }, now)
            }
            Some(_) => None,
        };
        let may = hand_back(figures());
        let long = baseline.and_then(|needed| needed.certain_s).is_some_and(|needed| needed <= observed_s);
        // A set that is gone at 95 % is watched on until it may be handed back.
        let settled = |verdict, may| match verdict {
            Verdict::Undecided => false,
            Verdict::Gone => may,
            _ => true,
        };
        let done = settled(verdict, may) || long;
        let decided = settled(of_verdicts(with_sign.iter().copied()), hand_back(with_sign.iter().copied()));
        let pending_s = paths.iter().map(|path| path.total.pending_s).fold(0.0, f64::max);
        let mut state = SoakState {
            elapsed_s,
            observed_s,
            pending_s,
            strays: all.strays,
            episodes: all.episodes,
            verdict,
            hand_back: may,
            done,
            done_with_sign: decided && pending_s > 0.0,
            quiet_anyway: figures().map(|figures| figures.quiet_anyway).reduce(f64::max).unwrap_or(1.0),
            soak_more_s: most(|figures| figures.soak_more_99_s),
            soak_more_95_s: most(|figures| figures.soak_more_95_s),
            restarts: self.restarts,
            blind: blind_now(&judged, ledger),
            paths,
            notes: Vec::new(),
        };
        state.notes = notes(&state, self.before.is_some(), baseline);
        state
    }

    /// One path as the judge sees it; with `signed`, as if a sign of life came now.
    fn path_state(&self, id: &PathId, own: Tally, ledger: &Ledger, signed: bool) -> PathState {
        let earlier = self.earlier_paths.get(id);
        let mut total = PathTotal::of(id, std::slice::from_ref(ledger));
        let mut spans = ledger.observed(id);
        if let Some(path) = ledger.path(id).filter(|_| signed) {
            total = total.with_pending();
            spans = spans.spans().iter().chain(path.pending.spans()).copied().collect();
        }
        if let Some(before) = earlier.and_then(|earlier| earlier.total.as_ref()) {
            total = before.and(total);
        }
        let mut own_time = EventSequence::new_observed(&self.sequence, spans);
        own_time.aged(ledger.age);
        let own_s = watched(&own_time);
        let mut tally = own;
        let mut exposure_s = own_s;
        let mut exposure = QuietExposure::default();
        if let Some(earlier) = earlier {
            tally.add(earlier.tally);
            exposure_s += earlier.exposure_s;
            exposure = earlier.exposure;
        }
        let after = Count { count: tally.episodes, exposure: free(exposure_s, tally.inside_s) };
        let figures = self.before.as_ref().map(|(_, paths)| {
            let nothing = || Before {
                plan: Arc::new(QuietPlan::new(&EventSequence::new(), &[], self.gap)),
                count: Count { count: 0, exposure: 0.0 },
                watched_s: 0.0,
                strays: 0,
                near: None,
            };
            let before = paths.get(id).cloned().unwrap_or_else(nothing);
            Figures::of(&Evidence {
                before: before.count,
                after,
                strays: (before.strays, tally.strays),
                hands_off: self.hands_off,
                observed: total.observed,
                exposure: before.plan.exposure_from(exposure, &own_time),
                test: compare_scaled(before.count, after, self.dispersion, self.confidence),
                dispersion: self.dispersion,
                planned_s: planned(self.planned_s, before.watched_s),
                near: before.near.and_then(|plan| self.near(id, plan, ledger)),
                plan: before.plan,
            })
        });
        let side = figures_of(&total, exposure_s, tally, after, self.dispersion, self.confidence);
        PathState { total, side, figures }
    }

    /// Excursions of the stage so far against those before it.
    fn near(&self, id: &PathId, plan: Arc<NearPlan>, ledger: &Ledger) -> Option<NearEvidence> {
        let earlier = self.earlier_paths.get(id).and_then(|earlier| earlier.near.clone());
        let now = NearSide::of(ledger, id);
        let (side, exposure) = earlier.unzip();
        let after = match (side, now) {
            (Some(one), Some(two)) => one.and(two),
            (one, two) => one.or(two)?,
        };
        let mut on = EventSequence::new_observed(&self.sequence, near_time(ledger, id));
        on.aged(ledger.age);
        let exposure = plan.exposure_from(exposure.unwrap_or_default(), &on);
        Some(NearEvidence { plan, after, exposure })
    }
}

fn figures_of(
    total: &PathTotal,
    observed_s: f64,
    tally: Tally,
    count: Count,
    dispersion: f64,
    confidence: f64,
) -> Side {
    figures(total.span_s, observed_s, tally.inside_s, tally.strays, count, dispersion, confidence)
}

/// For simulations with a known truth: everything was observed, from the first instant on.
impl Soak {
    fn all_observed(&self, now: Nanoseconds) -> Ledger {
        let own = self.sequence.symbols().iter().map(crate::analysis::event_sequence::Symbol::id);
        let before = self.before.iter().flat_map(|(_, paths)| paths.keys().cloned());
        let keypad = PathId::whole(ControlPath::Keypad);
        let ids: Vec<PathId> = own.chain(before).chain([keypad]).collect();
        Ledger::simulated(&ids, Span { start: Nanoseconds::ZERO, end: now })
    }

    /// As [`Soak::push`], everything observed.
    pub fn push_observed(&mut self, event: &Event) {
        let ledger = self.all_observed(event.t);
        self.push(event, false, &|| ledger.clone());
    }

    /// As [`Soak::tick`], everything observed.
    pub fn tick_observed(&mut self, now: Nanoseconds) -> SoakState {
        let ledger = self.all_observed(now);
        self.tick(&ledger)
    }
}
