//! A drawn plan carried out on a set, or as it was recorded.

use crate::analysis::episode::{Episode, Press, episodes, fold};
use crate::analysis::event_sequence::EventSequence;
use crate::analysis::ledger::{Intervals, Ledger, Sign};
use crate::analysis::provoke::{
    Block, JOINED, Kind, Label, Looks, Plan, Slot, Table, judge_all, ratio, shift,
};
use crate::base::{Error, Event, Name, Nanoseconds, Result, Span};
use crate::bench::load::Loaded;
use crate::bench::provoke::lines::BlockLines;
use crate::bench::provoke::state::{
    BlockState, ExcursionState, LevelState, LineLevel, ProvokedState, SURE, StressorState, factor,
};
use crate::decode::report::Report;
use crate::timeline::Watch;
use crate::timeline::job::{BlockBegun, CaptureRef, Provocation, Spoiled};

/// Episodes are presses so far apart where the job has not learned it: twice a usual auto-repeat and a little.
const GAP: Nanoseconds = Nanoseconds::from_millis(2500);
/// A recording ends with the last thing that came, a little before its last block does. A rule of our own.
const TAIL: Nanoseconds = Nanoseconds::from_millis(500);
/// A round counts where so much of each of its blocks was observed. A rule of our own.
const SEEN: f64 = 0.9;
/// Lines whose levels are judged; a set has two.
pub(super) const JUDGED_LINES: usize = 2;

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
        plan.strike(*round, why.clone()).map_err(broken)?;
    }
    Ok(plan)
}

/// The provocations of a job, in order.
///
/// # Errors
/// `System` when the disk fails, `Input` when the job holds a plan that cannot be.
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
    run.lines = loaded.block_lines(capture);
    loaded.acts(capture, &mut |event| {
        if event.path.is_input() && !ledger.is_answer(&event) {
            run.strays.push(&event);
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

/// A provocation while it runs, or as it was recorded. Live it is told what comes as a [`Watch`]; without reports of the
/// readings it judges strays alone.
#[derive(Clone, Debug)]
pub struct ProvokeRun {
    /// What was struck out of it stands in the plan.
    provocation: Provocation,
    plan: Plan,
    blocks: Vec<Block>,
    strays: EventSequence,
    lines: BlockLines,
    gap: Nanoseconds,
    /// The last block was ended before its time.
    broken: bool,
}

impl Watch for ProvokeRun {
    fn report(&mut self, report: &Report) {
        self.lines.report(report, &self.provocation);
    }

    fn event(&mut self, event: &Event) {
        if event.path.is_input() {
            self.strays.push(event);
        }
        self.lines.event(event);
    }
}

impl ProvokeRun {
    /// Takes up a plan.
    ///
    /// # Errors
    /// `Input` when no plan fits it.
    pub fn of(mut provocation: Provocation, gap: Option<Nanoseconds>) -> Result<Self> {
        let plan = plan_of(&provocation)?;
        provocation.struck.clear();
        let (blocks, gap) = (plan.blocks(), gap.unwrap_or(GAP));
        let (strays, lines) = (EventSequence::new(), BlockLines::default());
        Ok(Self { provocation, plan, blocks, strays, lines, gap, broken: false })
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
    pub fn strike(&mut self, why: impl Into<Spoiled>) -> Option<usize> {
        let round = self.provocation.begun.last()?.round;
        self.plan.strike(round, why.into()).ok()?;
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
        for block in self.done(end).iter().map(|done| done.begun).collect::<Vec<_>>() {
            let counted = self.provocation.counted_of(&block);
            let share = |seen: &Intervals| {
                seen.and(&Intervals::one(counted)).length().seconds() / self.provocation.counted.seconds()
            };
            if seen.iter().any(|seen| share(seen) < SEEN) {
                // It may be struck out already.
                let _ = self.plan.strike(block.round, Spoiled::Blind);
            }
        }
    }

    /// Presses, and what they make together. Nothing is joined over the edge of a part that counts: what came before it would
    /// else hide all that comes in it.
    fn episodes(&self) -> (Vec<Press>, Vec<Episode>) {
        let mut presses = fold(&self.strays);
        let counted = self.provocation.begun.iter().map(|begun| self.provocation.counted_of(begun));
        let mut edges: Vec<Nanoseconds> = counted.flat_map(|span| [span.start, span.end]).collect();
        edges.sort_unstable();
        for press in &mut presses {
            let part = edges.partition_point(|edge| *edge <= press.t);
            press.segment = u32::try_from(part).unwrap_or(u32::MAX);
        }
        let episodes = episodes(&presses, Some(self.gap));
        (presses, episodes)
    }

    /// Blocks that were done to their end, with what was counted in them.
    fn done(&self, now: Nanoseconds) -> Vec<Done> {
        let (presses, episodes) = self.episodes();
        let mut last = None;
        let is_fresh = |press: &&Press| last.replace(press.t).is_none_or(|last| press.t - last > JOINED);
        let fresh: Vec<Press> = presses.iter().filter(is_fresh).copied().collect();
        let begun = self.provocation.begun.iter().enumerate();
        begun
            .filter(|(i, block)| {
                let next = self.provocation.begun.get(i + 1).map_or(now.saturating_add(TAIL), |next| next.t);
                self.provocation.counted_of(block).end <= next
            })
            .map(|(number, begun)| {
                let counted = self.provocation.counted_of(begun);
                let first = episodes.partition_point(|episode| episode.start < counted.start);
                let past = episodes.partition_point(|episode| episode.start < counted.end);
                Done {
                    number,
                    begun: *begun,
                    episodes: past.saturating_sub(first) as u64,
                    presses: within(&presses, counted),
                    fresh: within(&fresh, counted),
                    excursions: self.lines.excursions(counted.start, counted.end),
                    fresh_excursions: self.lines.fresh(counted, JOINED),
                }
            })
            .collect()
    }

    /// The plan with every round struck out that was broken off or is not over.
    fn whole(&self, mut plan: Plan, done: &[Done]) -> Plan {
        let rounds = done.last().map_or(0, |done| done.begun.round + 1);
        for round in 0..rounds {
            if done.iter().filter(|done| done.begun.round == round).count() <= plan.stressors() {
                // It may be struck out already.
                let _ = plan.strike(round, Spoiled::BrokenOff);
            }
        }
        plan
    }

    /// Numbers of the blocks that were done, under their labels; `None` where one is missing.
    fn table(&self, plan: &Plan, done: &[Done], number: &dyn Fn(&Done) -> f64) -> Option<Table> {
        let rounds = done.last().map_or(0, |done| done.begun.round + 1);
        let mut measured = vec![Vec::new(); rounds];
        for block in done {
            measured[block.begun.round].push(number(block));
        }
        plan.table(&measured).ok()
    }

    /// What is judged of these rounds.
    #[allow(clippy::cast_precision_loss)]
    fn tables(&self, plan: &Plan, done: &[Done]) -> Tables {
        let table = |number: &dyn Fn(&Done) -> f64| self.table(plan, done, number);
        let read = self.lines.names().next().is_some();
        let level = |line: &Name, done: &Done| self.lines.level(line, done.number).unwrap_or(f64::NAN);
        let levels = self.lines.names().filter_map(|line| {
            let table = table(&|done: &Done| level(line, done)).filter(|table| !table.rows().is_empty())?;
            Some((Name::clone(line), table))
        });
        let episodes = table(&|done: &Done| done.episodes as f64);
        Tables {
            episodes: episodes.unwrap_or_else(|| Table::none(plan.stressors())),
            presses: table(&|done: &Done| done.presses as f64)
                .zip(table(&|done: &Done| done.fresh as f64))
                .unwrap_or_else(|| (Table::none(plan.stressors()), Table::none(plan.stressors()))),
            excursions: table(&|done: &Done| done.excursions as f64)
                .zip(table(&|done: &Done| done.fresh_excursions as f64))
                .filter(|_| read),
            levels: levels.take(JUDGED_LINES).collect(),
        }
    }

    /// What the rounds that were done show up to now.
    #[allow(clippy::cast_precision_loss)]
    pub fn state(&self, now: Nanoseconds) -> ProvokedState {
        let done = self.done(now);
        let plan = self.whole(self.plan.clone(), &done);
        let tables = self.tables(&plan, &done);
        let looks = Looks { alpha: SURE, planned: self.provocation.rounds };
        let mut outcomes = tables.judge(looks, plan.seed());
        if !self.provocation.struck_later.is_empty() {
            // Who knows the numbers could pick what to leave out: the larger chance stands.
            let kept = self.whole(self.plan.without(&self.provocation.struck_later), &done);
            let all = self.tables(&kept, &done).judge(looks, plan.seed());
            let pairs = outcomes.iter_mut().flatten().zip(all.iter().flatten());
            pairs.for_each(|(chance, other)| *chance = chance.max(*other));
        }
        let rounds = tables.episodes.rows().len();
        let stressors = self.provocation.stressors.iter().enumerate().map(|(i, name)| {
            let chances = outcomes.get(i).cloned().unwrap_or_default();
            tables.stressor(name, i, &chances, plan.seed())
        });
        ProvokedState {
            stage: 0,
            capture: String::new(),
            seed: self.provocation.seed,
            planned: self.provocation.rounds,
            rounds,
            wash_out_s: self.provocation.wash_out.seconds(),
            block_s: self.provocation.counted.seconds(),
            counted_s: rounds as f64 * self.provocation.counted.seconds(),
            stressors: stressors.collect(),
            blocks: self.block_states(&done, now),
            excursions_s: self.lines.excursion_times().iter().map(|t| t.seconds()).collect(),
            episodes_s: self.episodes().1.iter().map(|episode| episode.start.seconds()).collect(),
            cautions: self.provocation.cautions.clone(),
            struck_later: self.provocation.struck_later.iter().map(|round| round + 1).collect(),
        }
    }

    fn block_states(&self, done: &[Done], now: Nanoseconds) -> Vec<BlockState> {
        let all = self.plan.rounds();
        let state = |(number, block): (usize, &BlockBegun)| {
            let whole = done.iter().find(|done| done.number == number);
            let full = block.t.saturating_add(self.plan.slot().length());
            let next = self.provocation.begun.get(number + 1).map_or(now, |next| next.t);
            let end = if whole.is_some() { full } else { next.min(full).max(block.t) };
            let round = all.get(block.round);
            let label = round.and_then(|round| round.labels.get(block.place));
            let struck = round.and_then(|round| round.struck.clone());
            let struck = struck.or_else(|| whole.is_none().then_some(Spoiled::BrokenOff));
            let level = |line: &Name| {
                let level = whole.and_then(|done| self.lines.level(line, done.number))?;
                Some(LineLevel { line: line.to_string(), level })
            };
            BlockState {
                round: block.round + 1,
                stressor: label.and_then(|label| match label {
                    Label::LeaveAlone => None,
                    Label::Stressor(n) => self.provocation.stressors.get(usize::from(*n)).cloned(),
                }),
                from_s: block.t.seconds(),
                to_s: end.seconds(),
                episodes: whole.map_or(0, |done| done.episodes),
                excursions: whole.map_or(0, |done| done.excursions),
                levels: self.lines.names().filter_map(level).collect(),
                struck: struck.map(|why| why.to_string()),
            }
        };
        self.provocation.begun.iter().enumerate().map(state).collect()
    }
}

/// How many of these presses, in order, came in this time.
fn within(presses: &[Press], span: Span) -> usize {
    let before = |t| presses.partition_point(|press| press.t < t);
    before(span.end).saturating_sub(before(span.start))
}

/// A block that was done to its end.
struct Done {
    /// Among those that were begun.
    number: usize,
    begun: BlockBegun,
    episodes: u64,
    presses: usize,
    /// Presses that follow none.
    fresh: usize,
    excursions: u64,
    fresh_excursions: u64,
}

/// What is judged: all that came, and what followed nothing, since a burst may go on into the next block.
struct Tables {
    episodes: Table,
    presses: (Table, Table),
    excursions: Option<(Table, Table)>,
    levels: Vec<(Name, Table)>,
}

impl Tables {
    /// The chance of each stressor: for its episodes, its excursions, its levels.
    fn judge(&self, looks: Looks, seed: u64) -> Vec<Vec<f64>> {
        let counts = |(all, fresh): (Table, Table)| Kind::counts(vec![all, fresh]);
        let strays = counts(self.presses.clone());
        let excursions = self.excursions.clone().map(counts);
        let levels = self.levels.iter().map(|(_, table)| Kind::level(table.clone()));
        let kinds: Vec<Kind> = std::iter::once(strays).chain(excursions).chain(levels).collect();
        let outcomes = judge_all(&kinds, Some(looks), seed);
        outcomes.iter().map(|kinds| kinds.iter().map(|outcome| outcome.p).collect()).collect()
    }

    /// What one of them did.
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    fn stressor(&self, name: &str, number: usize, chances: &[f64], seed: u64) -> StressorState {
        let sum = |table: &Table, column: usize| {
            let numbers = table.rows().iter().filter_map(|row| row.get(column));
            numbers.sum::<f64>().round() as u64
        };
        let found =
            |table: &Table| factor((!table.rows().is_empty()).then(|| ratio(table, number, 0.95, seed)));
        let mut chances = chances.iter().copied();
        let mut chance = || chances.next().unwrap_or(1.0);
        let (times, times_low, times_high) = found(&self.episodes);
        StressorState {
            stressor: name.to_owned(),
            episodes: sum(&self.episodes, number + 1),
            alone: sum(&self.episodes, 0),
            chance: chance(),
            times,
            times_low,
            times_high,
            excursions: self.excursions.as_ref().map(|(table, _)| {
                let (times, times_low, times_high) = found(table);
                ExcursionState {
                    excursions: sum(table, number + 1),
                    alone: sum(table, 0),
                    chance: chance(),
                    times,
                    times_low,
                    times_high,
                }
            }),
            levels: self
                .levels
                .iter()
                .filter_map(|(line, table)| {
                    let chance = chance();
                    let found = shift(table, number, 0.95, seed)?;
                    Some(LevelState {
                        line: line.to_string(),
                        shift: found.shift,
                        low: found.interval.map(|interval| interval.low),
                        high: found.interval.map(|interval| interval.high),
                        chance,
                    })
                })
                .collect(),
        }
    }
}
