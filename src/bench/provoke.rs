//! Provocation: a drawn plan carried out on a set, and what its blocks show. Live and stored captures are counted and judged
//! by the same code.

use schemars::JsonSchema;
use serde::Serialize;

use crate::analysis::ledger::{Intervals, Ledger, Sign};
use crate::analysis::provoke::stressor::{self, Use};
use crate::analysis::provoke::{
    Block, Direction, Forecast, Label, Looks, Plan, Slot, Spoiled, Timing, Wish, forecast, judge, ratio,
};
use crate::base::{Error, Event, EventKind, Nanoseconds, Result, Span};
use crate::bench::load::Loaded;
use crate::timeline::job::{BlockBegun, CaptureRef, Provocation};

/// Error at which a stressor is said to call the fault.
pub const SURE: f64 = 0.01;
/// Error at which it is said to seem so.
pub const LIKELY: f64 = 0.05;
/// Episodes are presses so far apart where the job has not learned it: twice a usual auto-repeat and a little.
const GAP: Nanoseconds = Nanoseconds::from_millis(2500);
/// A recording ends with the last thing that came, a little before its last block does. A rule of our own.
const TAIL: Nanoseconds = Nanoseconds::from_millis(500);
/// A round counts where so much of each of its blocks was observed. A rule of our own.
const SEEN: f64 = 0.9;

/// Plans a provocation, and says what it can show.
///
/// # Errors
/// `Usage` when the time does not hold a plan that can show anything; it names the least time.
pub fn planned(uses: &[Use], minutes: f64, per_minute: f64, seed: u64) -> Result<(Provocation, Forecast)> {
    let timings: Vec<Timing> = uses.iter().map(Use::timing).collect();
    let time = Nanoseconds::from_seconds(60.0 * minutes);
    let wish = Wish { stressors: &timings, time, per_minute, alpha: LIKELY };
    let found = forecast(&wish, seed).map_err(|_| {
        Error::usage("a provocation takes one to six stressors")
            .remedy("for example --with warm@key-cable --with tap@key-board")
    })?;
    if found.rounds == 0 || found.smallest_p > LIKELY {
        let least = (found.least.seconds() / 60.0).ceil();
        return Err(Error::usage(format!(
            "in {minutes} minutes these stressors can show nothing, whatever comes"
        ))
        .remedy(format!("give it {least} minutes or more, or fewer stressors")));
    }
    let provocation = Provocation {
        seed,
        stressors: uses.iter().map(Use::name).collect(),
        rounds: found.rounds,
        wash_out: found.slot.wash_out,
        counted: found.slot.counted,
        begun: Vec::new(),
        struck: std::collections::BTreeMap::new(),
    };
    Ok((provocation, found))
}

/// The plan of a job's provocation, with what was struck out.
///
/// # Errors
/// `Input` when the job holds a plan that cannot be.
fn plan_of(provocation: &Provocation) -> Result<Plan> {
    let slot = Slot { wash_out: provocation.wash_out, counted: provocation.counted };
    let broken = |_| Error::input("the job holds a provocation that no plan fits");
    let mut plan = Plan::draw(provocation.stressors.len(), slot, provocation.rounds, provocation.seed)
        .map_err(broken)?;
    for (round, why) in &provocation.struck {
        plan.strike(*round, Spoiled::Other(why.clone())).map_err(broken)?;
    }
    Ok(plan)
}

/// What a stressor did.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct StressorState {
    /// As it was written: `warm@key-cable`.
    pub stressor: String,
    /// Episodes in its counted time.
    pub episodes: u64,
    /// Episodes in as much time of "leave alone".
    pub alone: u64,
    /// Chance of so many more, or more, if it did nothing, for all stressors together and all looks.
    pub chance: f64,
    /// How many times as often the fault came; null where neither showed any.
    pub times: Option<f64>,
    /// Lower end of the 95 % interval.
    pub times_low: f64,
    /// Upper end; null without limit.
    pub times_high: Option<f64>,
}

/// One block.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct BlockState {
    /// Round, from 1.
    pub round: usize,
    /// The stressor; null in "leave alone".
    pub stressor: Option<String>,
    /// Its beginning on the capture clock, seconds.
    pub from_s: f64,
    /// Its end, seconds.
    pub to_s: f64,
    /// Episodes in the part that counts.
    pub episodes: u64,
    /// Why its round does not count; null where it does.
    pub struck: Option<String>,
}

/// A provocation as it stands.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct ProvokedState {
    /// The stage, counted from 1.
    pub stage: usize,
    /// The capture.
    pub capture: String,
    /// Seed of the plan.
    pub seed: u64,
    /// Rounds that were planned.
    pub planned: u32,
    /// Rounds that count.
    pub rounds: usize,
    /// Time of each block that counts, seconds.
    pub counted_s: f64,
    /// In the order in which they were named.
    pub stressors: Vec<StressorState>,
    /// In the order in which they were done.
    pub blocks: Vec<BlockState>,
}

impl ProvokedState {
    /// Whether each stressor's effect is certain: more rounds would add nothing.
    pub fn is_certain(&self) -> bool {
        self.stressors.iter().all(|stressor| stressor.chance <= SURE)
    }
}

/// The provocations of a job, in order.
///
/// # Errors
/// `Machine` when the disk fails, `Input` when the job holds a plan that cannot be.
pub fn provoked(loaded: &Loaded, gap: Option<Nanoseconds>) -> Result<Vec<ProvokedState>> {
    let mut list = Vec::new();
    for stage in loaded.job.stages() {
        for capture in &stage.captures {
            if let Some(provocation) = &capture.provocation {
                list.push(stored(loaded, stage.number, capture, provocation, gap)?);
            }
        }
    }
    Ok(list)
}

fn stored(
    loaded: &Loaded,
    stage: usize,
    capture: &CaptureRef,
    provocation: &Provocation,
    gap: Option<Nanoseconds>,
) -> Result<ProvokedState> {
    let ledger = loaded.ledger(capture);
    let mut run = ProvokeRun::of(provocation.clone(), gap)?;
    loaded.acts(capture, &mut |event| {
        if !ledger.is_answer(&event) {
            run.take(&event);
        }
        Ok(())
    })?;
    let end = ledger.span.map_or(Nanoseconds::ZERO, |span| span.end);
    run.unseen(ledger, end);
    Ok(ProvokedState { stage, capture: capture.name.clone(), ..run.state(end) })
}

/// What is to be done now.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Now {
    /// A block begins: it is to be noted in the job, and its instruction shown.
    Begin(BlockBegun, Label),
    /// The block goes on for so long.
    Going(Nanoseconds),
    /// All is done.
    Done,
}

/// A provocation while it runs, or as it was recorded.
#[derive(Clone, Debug)]
pub struct ProvokeRun {
    provocation: Provocation,
    plan: Plan,
    blocks: Vec<Block>,
    /// Beginnings of episodes.
    episodes: Vec<Nanoseconds>,
    last: Option<Nanoseconds>,
    gap: Nanoseconds,
    /// The last block was ended before its time.
    broken: bool,
}

impl ProvokeRun {
    /// Takes up a plan.
    ///
    /// # Errors
    /// `Input` when no plan fits it.
    pub fn of(provocation: Provocation, gap: Option<Nanoseconds>) -> Result<Self> {
        let plan = plan_of(&provocation)?;
        let blocks = plan.blocks();
        let gap = gap.unwrap_or(GAP);
        Ok(Self { provocation, plan, blocks, episodes: Vec::new(), last: None, gap, broken: false })
    }

    /// Takes an event that no hand gave.
    pub fn take(&mut self, event: &Event) {
        if !matches!(event.kind, EventKind::Press | EventKind::Repeat) || !event.comes_in() {
            return;
        }
        if self.last.is_none_or(|last| event.t - last > self.gap) {
            self.episodes.push(event.t);
        }
        self.last = Some(event.t);
    }

    /// How many blocks are in the plan, and the number of the present one, from 1.
    pub fn progress(&self) -> (usize, usize) {
        (self.provocation.begun.len(), self.blocks.len())
    }

    /// What is to be done at this instant.
    pub fn now(&mut self, now: Nanoseconds) -> Now {
        let last = self.provocation.begun.last().copied();
        if let Some(last) = last.filter(|_| !self.broken) {
            let end = last.t.saturating_add(self.plan.slot().length());
            if now < end {
                return Now::Going(end - now);
            }
            if last.place == self.plan.stressors() && self.state(now).is_certain() {
                return Now::Done;
            }
        }
        let next = match last {
            None => 0,
            Some(last) if self.broken || last.place == self.plan.stressors() => {
                (last.round + 1) * (self.plan.stressors() + 1)
            }
            Some(last) => last.round * (self.plan.stressors() + 1) + last.place + 1,
        };
        let Some(block) = self.blocks.get(next) else { return Now::Done };
        let begun = BlockBegun { round: block.round, place: block.place, t: now };
        self.broken = false;
        self.provocation.begun.push(begun);
        Now::Begin(begun, block.label)
    }

    /// Strikes out the present round, which is drawn again at the end; gives its number. Nothing before the first block, and
    /// nothing twice.
    pub fn strike(&mut self, why: &str) -> Option<usize> {
        let round = self.provocation.begun.last()?.round;
        self.plan.strike(round, Spoiled::Other(why.to_owned())).ok()?;
        self.provocation.struck.insert(round, why.to_owned());
        self.blocks = self.plan.blocks();
        self.broken = true;
        Some(round)
    }

    /// Strikes out rounds of which too little was seen: of a path that reports by itself.
    fn unseen(&mut self, ledger: &Ledger, end: Nanoseconds) {
        let steady = ledger.paths.iter().filter(|path| matches!(path.sign, Sign::Cadence { .. }));
        // A line that never came is no line of this set.
        let seen: Vec<Intervals> =
            steady.map(|path| ledger.observed(&path.id)).filter(|seen| !seen.spans().is_empty()).collect();
        for block in self.done(end).into_iter().map(|(block, _)| block).collect::<Vec<_>>() {
            let counted = self.counted(&block);
            let share = |seen: &Intervals| {
                seen.and(&Intervals::one(counted)).length().seconds() / self.provocation.counted.seconds()
            };
            if seen.iter().any(|seen| share(seen) < SEEN)
                && !self.provocation.struck.contains_key(&block.round)
            {
                self.provocation.struck.insert(block.round, "not all of it was seen".to_owned());
            }
        }
    }

    /// The part of a block that counts.
    fn counted(&self, begun: &BlockBegun) -> Span {
        let start = begun.t.saturating_add(self.provocation.wash_out);
        Span { start, end: start.saturating_add(self.provocation.counted) }
    }

    /// Blocks that were done to their end, with their episodes.
    fn done(&self, now: Nanoseconds) -> Vec<(BlockBegun, u64)> {
        let begun = self.provocation.begun.iter().enumerate();
        begun
            .filter(|(i, block)| {
                let next = self.provocation.begun.get(i + 1).map_or(now.saturating_add(TAIL), |next| next.t);
                self.counted(block).end <= next
            })
            .map(|(_, block)| {
                let counted = self.counted(block);
                let first = self.episodes.partition_point(|t| *t < counted.start);
                let past = self.episodes.partition_point(|t| *t < counted.end);
                (*block, past.saturating_sub(first) as u64)
            })
            .collect()
    }

    /// What the rounds that were done show up to now.
    #[allow(clippy::cast_precision_loss)]
    pub fn state(&self, now: Nanoseconds) -> ProvokedState {
        let width = self.plan.stressors() + 1;
        let done = self.done(now);
        let rounds = done.last().map_or(0, |(block, _)| block.round + 1);
        let mut plan = self.plan.clone();
        let mut measured = vec![Vec::new(); rounds];
        for (block, episodes) in &done {
            measured[block.round].push(*episodes as f64);
        }
        // A round that was broken off or not wholly seen is as good as struck out.
        for (round, row) in measured.iter_mut().enumerate() {
            if row.len() < width || self.provocation.struck.contains_key(&round) {
                let _ = plan.strike(round, Spoiled::BrokenOff);
                row.resize(width, 0.0);
            }
        }
        let table = plan.table(&measured).ok();
        let looks = Looks { alpha: SURE, planned: self.provocation.rounds };
        let rows = table.as_ref().map_or(0, |table| table.rows().len());
        let outcomes = table.as_ref().map(|table| judge(table, Direction::More, Some(looks), plan.seed()));
        let sum = |column: usize| {
            table
                .as_ref()
                .map_or(0.0, |table| table.rows().iter().map(|row| row[column]).sum::<f64>())
                .round()
        };
        let stressors = self.provocation.stressors.iter().enumerate().map(|(i, name)| {
            let found = table.as_ref().filter(|_| rows > 0).map(|table| ratio(table, i, 0.95, plan.seed()));
            #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
            StressorState {
                stressor: name.clone(),
                episodes: sum(i + 1) as u64,
                alone: sum(0) as u64,
                chance: outcomes.as_ref().and_then(|all| all.get(i)).map_or(1.0, |outcome| outcome.p),
                times: found.as_ref().and_then(|found| found.ratio).filter(|ratio| ratio.is_finite()),
                times_low: found.as_ref().map_or(0.0, |found| found.interval.low),
                times_high: found.map(|found| found.interval.high).filter(|high| high.is_finite()),
            }
        });
        let all = self.plan.rounds();
        let label = |block: &BlockBegun| all.get(block.round).and_then(|round| round.labels.get(block.place));
        let blocks = self.provocation.begun.iter().enumerate().map(|(i, block)| {
            let whole = done.iter().find(|(done, _)| done == block);
            let full = block.t.saturating_add(self.plan.slot().length());
            let next = self.provocation.begun.get(i + 1).map_or(now, |next| next.t);
            let end = if whole.is_some() { full } else { next.min(full).max(block.t) };
            let struck = self.provocation.struck.get(&block.round).cloned();
            let broken = || whole.is_none().then(|| "broken off".to_owned());
            BlockState {
                round: block.round + 1,
                stressor: label(block).and_then(|label| match label {
                    Label::LeaveAlone => None,
                    Label::Stressor(n) => self.provocation.stressors.get(usize::from(*n)).cloned(),
                }),
                from_s: block.t.seconds(),
                to_s: end.seconds(),
                episodes: whole.map_or(0, |(_, episodes)| *episodes),
                struck: struck.or_else(broken),
            }
        });
        ProvokedState {
            stage: 0,
            capture: String::new(),
            seed: self.provocation.seed,
            planned: self.provocation.rounds,
            rounds: rows,
            counted_s: rows as f64 * self.provocation.counted.seconds(),
            stressors: stressors.collect(),
            blocks: blocks.collect(),
        }
    }
}

/// The stressors of a provocation.
///
/// # Errors
/// As [`stressor::parse`].
pub fn uses(names: &[String]) -> Result<Vec<Use>> {
    names.iter().map(|name| stressor::parse(name)).collect()
}
