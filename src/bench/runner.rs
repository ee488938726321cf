//! A soak as it runs, the same for terminal and daemon: the ledger, the judge, and the signs of life that are asked for.

use crate::analysis::compare::{CompareOptions, Observation};
use crate::analysis::ledger::{Blind, Builder, Ledger, PathId, Sign};
use crate::analysis::soak::{BlindNow, Soak, SoakState};
use crate::base::{Anchor, ControlPath, Error, Event, Key, Nanoseconds, Result, Span};
use crate::bench::hand_back;
use crate::bench::load::{Loaded, StageSeen};
use crate::bench::views::{options, reference};
use crate::decode::report::Report;
use crate::source::{Mark, What};
use crate::timeline::Watch;
use crate::timeline::live::Session;

/// A set that prints has printed by then: before, nobody is told that it says nothing.
const FIRST_WORD: Nanoseconds = Nanoseconds(2_000_000_000);

/// A key that is to be pressed now, so that a path shows that it reports.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Asked {
    /// Which.
    pub key: Key,
    /// On which path.
    pub path: PathId,
    /// Whether hands go off after it, or the soak ends.
    pub closing: bool,
}

impl Asked {
    /// What to do, in a sentence.
    pub fn words(&self) -> String {
        let how = match self.path.path {
            ControlPath::Infrared => "on the set's remote (any cover off the receiver for it)",
            ControlPath::Cec => "on the box that is connected by HDMI",
            _ => "on the set",
        };
        let why = if self.closing { "would have seen a stray" } else { "will see a stray" };
        format!("Press {} {how} once, so that straykey knows that it {why}.", self.key.label())
    }
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Phase {
    /// Signs of life before hands go off.
    Opening,
    Watching,
    /// Signs of life at the end.
    Closing,
    Over,
}

/// A soak that runs.
#[derive(Debug)]
pub struct SoakRun {
    soak: Soak,
    builder: Builder,
    state: SoakState,
    phase: Phase,
    /// Paths that still have to give a sign in this phase.
    wanted: Vec<(PathId, Key)>,
    /// Every path that strayed before, with a key to ask for.
    keys: Vec<(PathId, Key)>,
    asked: Option<Asked>,
    limit: Nanoseconds,
    full: bool,
    on_for: Option<Nanoseconds>,
    attended: bool,
    compared: bool,
    /// The stage was watched before.
    goes_on: bool,
    announced: bool,
    now: Nanoseconds,
    /// When this phase began: what came before it is no sign of it.
    since: Nanoseconds,
    strays: u64,
}

/// How a soak is to run.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SoakPlan {
    /// Longest time, seconds.
    pub seconds: f64,
    /// Go on when the verdict is certain.
    pub full: bool,
    /// Somebody is there to press a key as a sign of life.
    pub attended: bool,
    /// How long the set has been on, where the technician says; a clock that it prints is believed before that.
    pub on_for: Option<Nanoseconds>,
}

/// How long a set has been on, from the minutes that the technician says.
///
/// # Errors
/// `Usage` when they are no such time.
pub fn on_for(minutes: Option<f64>) -> Result<Option<Nanoseconds>> {
    const LONGEST: f64 = 1e6;
    if minutes.is_some_and(|minutes| !(0.0..=LONGEST).contains(&minutes)) {
        return Err(Error::usage(format!("the set has been on for 0 to {LONGEST} minutes"))
            .help("for example 30; leave it out where nobody knows"));
    }
    Ok(minutes.map(|minutes| Nanoseconds::from_seconds(60.0 * minutes)))
}

impl SoakRun {
    /// A soak in the job's present stage, judged by what was seen before it.
    ///
    /// # Errors
    /// `System` when the disk fails.
    pub fn prepare(loaded: &Loaded, plan: SoakPlan) -> Result<Self> {
        let stages = loaded.stages()?;
        let options = options(&stages);
        let present = stages.last();
        let reference = reference(loaded, &stages, &options)?;
        let before = reference.as_ref().map(|reference| reference.observation.as_ref());
        // Other paths that strayed once have a say in handing the set back.
        let seen: Vec<&StageSeen> = stages.iter().collect();
        let others: Vec<(PathId, &Observation)> = hand_back::wanted(&seen)
            .into_iter()
            .filter(|(id, _)| before.is_none_or(|before| before.strayed().all(|own| own != id)))
            .map(|(id, stage)| (id, &stage.observation))
            .collect();
        let own = before.into_iter().flat_map(|before| before.strayed().map(move |id| (id.clone(), before)));
        let events = speaks_by_events(own.chain(others.iter().cloned()), loaded);
        let plan = SoakPlan { full: plan.full || !others.is_empty(), ..plan };
        let mut run = Self::new(before, &options, plan, Builder::new(loaded.taught()), events);
        let present = present.filter(|stage: &&StageSeen| stage.is_watched());
        let now = Some(Nanoseconds(Anchor::now().unix_ns));
        if let Some(wall) = present.map_or(now, |stage| stage.observation.wall.map(|wall| wall.start)) {
            run.soak.begins(wall);
        }
        if let Some(present) = present {
            run.soak.resume(&present.observation);
            run.goes_on = true;
        }
        run.state = run.soak.tick(&Ledger::NONE);
        Ok(run)
    }

    /// A soak judged by an observation; `keys` are the paths that need signs of life, with a key to ask for.
    pub fn new(
        before: Option<&Observation>,
        options: &CompareOptions,
        plan: SoakPlan,
        builder: Builder,
        keys: Vec<(PathId, Key)>,
    ) -> Self {
        let mut soak = Soak::new(before, options, Some(plan.seconds));
        let state = soak.tick(&Ledger::NONE);
        let attended = plan.attended && !keys.is_empty();
        Self {
            soak,
            builder,
            state,
            phase: if attended { Phase::Opening } else { Phase::Watching },
            wanted: if attended { keys.clone() } else { Vec::new() },
            keys,
            asked: None,
            limit: Nanoseconds::from_seconds(plan.seconds),
            full: plan.full,
            on_for: plan.on_for,
            attended,
            compared: before.is_some(),
            goes_on: false,
            announced: false,
            now: Nanoseconds::ZERO,
            since: Nanoseconds::ZERO,
            strays: 0,
        }
    }

    /// The mark that a recording of this soak begins with.
    pub fn planned(&self) -> What {
        What::Planned { ns: self.limit.0 }
    }

    /// Whether there is an earlier stage that it is compared with.
    pub fn is_compared(&self) -> bool {
        self.compared
    }

    /// Longest run.
    pub fn limit(&self) -> Nanoseconds {
        self.limit
    }

    /// Where it stands.
    pub fn state(&self) -> &SoakState {
        &self.state
    }

    /// What is not seen just now. A gap that is over is no such thing, though nothing has come since; nor is a path of
    /// which nothing came in the first moments of a soak.
    pub fn blind(&self) -> impl Iterator<Item = &BlindNow> {
        let waits = self.waits().is_some();
        let begun = self.now >= FIRST_WORD;
        self.state.blind.iter().filter(move |blind| waits || begun && blind.why != Blind::PortGone)
    }

    /// What is asked for just now.
    pub fn asked(&self) -> Option<&Asked> {
        self.asked.as_ref()
    }

    /// How long it has run: hands off, and the port there.
    pub fn run(&self) -> Nanoseconds {
        self.now - self.builder.paused(self.now)
    }

    /// For how long the port has been gone; the soak waits for it.
    pub fn waits(&self) -> Option<Nanoseconds> {
        self.builder.gone_since().map(|since| self.now - since)
    }

    /// Whether strays came since this was asked last.
    pub fn has_news(&mut self) -> bool {
        std::mem::replace(&mut self.strays, self.state.strays) != self.state.strays
    }

    fn span(&self) -> Span {
        Span { start: Nanoseconds::ZERO, end: self.now }
    }

    /// Whether an event that was taken answers a prompt.
    pub fn is_answer(&self, event: &Event) -> bool {
        self.builder.is_answer(event)
    }

    /// The ledger of this capture so far.
    pub fn ledger(&self) -> Ledger {
        self.builder.ledger(Some(self.span()))
    }

    /// Works out where the soak stands at this instant.
    pub fn tick(&mut self, now: Nanoseconds) -> &SoakState {
        self.now = self.now.max(now);
        self.builder.tick(now);
        let ledger = self.ledger();
        self.state = self.soak.tick(&ledger);
        &self.state
    }

    /// Goes on to what is due; call it after a tick. Gives the key to ask for now, once: it is to be noted in the job as a
    /// prompt at this instant.
    pub fn proceed(&mut self) -> Option<Asked> {
        if self.phase == Phase::Opening || self.phase == Phase::Closing {
            // What is pressed while the port is gone shows nothing.
            if self.waits().is_some() {
                return None;
            }
            if self.builder.open_prompt().is_some() {
                return None;
            }
            if self.builder.hands_are_on(self.now) {
                return None;
            }
            self.asked = None;
            while let Some((path, key)) = self.wanted.pop() {
                if self.builder.signed(&path, self.since) {
                    continue;
                }
                let asked = Asked { key, path, closing: self.phase == Phase::Closing };
                self.builder.prompt(self.now, key);
                self.asked = Some(asked.clone());
                return Some(asked);
            }
            self.phase = if self.phase == Phase::Opening { Phase::Watching } else { Phase::Over };
            return None;
        }
        if self.phase == Phase::Watching && self.is_enough() {
            let pending: Vec<(PathId, Key)> = self
                .keys
                .iter()
                .filter(|(id, _)| self.builder.is_pending(id, self.span()))
                .cloned()
                .collect();
            if self.attended && !pending.is_empty() {
                self.phase = Phase::Closing;
                self.since = self.now;
                self.wanted = pending;
                return self.proceed();
            }
            self.phase = Phase::Over;
        }
        None
    }

    fn is_enough(&self) -> bool {
        let certain =
            self.compared && !self.full && (self.state.done || self.state.done_with_sign && self.attended);
        self.run() >= self.limit || certain
    }

    /// Whether the soak has come to its end.
    pub fn is_over(&self) -> bool {
        self.phase == Phase::Over
    }

    /// Writes the mark of the plan into the recording, once, and takes its clock for that of the soak.
    ///
    /// # Errors
    /// `System` when the disk fails.
    pub fn announce(&mut self, session: &mut Session, out: &mut Vec<Event>) -> Result<()> {
        if !std::mem::replace(&mut self.announced, true) {
            if let Some(anchor) = session.anchor().filter(|_| !self.goes_on) {
                self.soak.begins(Nanoseconds(anchor.unix_ns));
            }
            session.mark(self.planned(), self, out)?;
            if let Some(on_for) = self.on_for {
                session.mark(What::SwitchedOn { ns: on_for.0 }, self, out)?;
            }
        }
        Ok(())
    }
}

/// Those of the paths that speak only when something happens, with the key of each to ask for: the one that strayed most.
fn speaks_by_events<'a>(
    strayed: impl Iterator<Item = (PathId, &'a Observation)>,
    loaded: &Loaded,
) -> Vec<(PathId, Key)> {
    let reports = |id: &PathId| {
        loaded.job.captures().any(|capture| {
            loaded.ledger(capture).path(id).is_some_and(|path| matches!(path.sign, Sign::Cadence { .. }))
        })
    };
    let key = |id: &PathId, before: &Observation| {
        let sequence = before.path(id).map(|path| &path.sequence)?;
        let symbols = sequence.symbols();
        let keys = sequence.occurrences().iter().filter_map(|o| symbols.get(o.symbol as usize)?.key);
        let mut counts = std::collections::BTreeMap::new();
        keys.for_each(|key: Key| *counts.entry(key).or_insert(0u64) += 1);
        counts.into_iter().max_by_key(|(_, count)| *count).map(|(key, _)| key)
    };
    let usual = Key::from_name("KEY_VOLUMEUP");
    strayed
        .filter(|(id, _)| !reports(id))
        .filter_map(|(id, before)| {
            let key = key(&id, before).or(usual)?;
            Some((id, key))
        })
        .collect()
}

impl Watch for SoakRun {
    fn chassis(&mut self, chassis: &std::sync::Arc<crate::decode::chassis::Chassis>) {
        self.builder.chassis(chassis);
    }

    fn record(&mut self, t: Nanoseconds) {
        self.builder.record(t);
    }

    fn bytes(&mut self, t: Option<Nanoseconds>) {
        self.builder.bytes(t);
    }

    fn mark(&mut self, mark: &Mark) {
        self.builder.mark(mark);
    }

    fn report(&mut self, report: &Report) {
        self.builder.report(report);
    }

    fn event(&mut self, event: &Event) {
        let asked = self.builder.take(event);
        let (builder, now) = (&self.builder, self.now.max(event.t));
        let ledger = || builder.ledger(Some(Span { start: Nanoseconds::ZERO, end: now }));
        self.soak.push(event, asked, &ledger);
    }
}
