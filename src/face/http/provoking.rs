//! A provocation that runs on a port: which block is on, what the job notes of it, and what it shows.

use crate::analysis::provoke::Label;
use crate::analysis::provoke::stressor::Use;
use crate::base::Nanoseconds;
use crate::bench::provoke::{Now, ProvokeRun, instruction, uses};
use crate::face::http::error::{Answer, ApiError};
use crate::face::http::jobs::Entry;
use crate::face::http::types::{LiveProvoke, ProvokeNow, Shown, round};
use crate::timeline::Watch;
use crate::timeline::job::{BlockBegun, Job, Provocation, Spoiled};

/// What a provocation is begun with.
#[derive(Clone, Debug)]
pub struct ProvokePlan {
    /// The plan as it was drawn.
    pub plan: Provocation,
    /// What separates episodes in this job.
    pub gap: Option<Nanoseconds>,
}

/// What a technician tells a provocation that runs.
#[derive(Clone, Debug)]
pub enum ProvokeOrder {
    /// Nothing: he looks.
    Look,
    /// The present round does not count, since; its number, from 1, as it was shown to him.
    Strike {
        /// Why.
        why: String,
        /// The round that was meant.
        round: usize,
    },
    /// Stand still; the present round is drawn again.
    Pause,
    /// Go on with the next round.
    Resume,
}

/// The block that is on.
struct Block {
    begun: BlockBegun,
    label: Label,
}

/// A provocation that runs.
pub(super) struct Provoking {
    run: ProvokeRun,
    uses: Vec<Use>,
    capture: String,
    slot: Nanoseconds,
    counted: Nanoseconds,
    planned: usize,
    block: Option<Block>,
    /// The last block that was begun, on or not.
    last: Option<BlockBegun>,
    struck: usize,
    left: Nanoseconds,
    paused: bool,
    gone: bool,
    over: bool,
    shown: Shown,
    /// What came at the end of the block before is in what is shown.
    settled: bool,
}

impl Provoking {
    /// Notes the plan in the job and takes it up.
    pub(super) fn begin(plan: &ProvokePlan, capture: &str, job: &mut Job) -> Answer<Self> {
        let run = ProvokeRun::of(plan.plan.clone(), plan.gap)?;
        let uses = uses(&plan.plan.stressors)?;
        job.provoke(capture, plan.plan.clone())?;
        let shown = run.state(Nanoseconds::ZERO).into();
        Ok(Self {
            run,
            uses,
            capture: capture.to_owned(),
            slot: plan.plan.wash_out.saturating_add(plan.plan.counted),
            counted: plan.plan.counted,
            planned: plan.plan.rounds as usize,
            block: None,
            last: None,
            struck: 0,
            left: Nanoseconds::ZERO,
            paused: false,
            gone: false,
            over: false,
            shown,
            settled: true,
        })
    }

    /// What is told of what comes.
    pub(super) fn watch(&mut self) -> &mut dyn Watch {
        &mut self.run
    }

    /// Goes on to this instant; whether something is to be told.
    ///
    /// # Errors
    /// 503 when the job does not take what is to be noted.
    pub(super) fn step(&mut self, now: Nanoseconds, gone: bool, entry: &Entry) -> Answer<bool> {
        let left = gone && !self.gone;
        self.gone = gone;
        if left {
            self.strike(now, Spoiled::PortGone, entry)?;
        }
        if gone || self.paused || self.over {
            return Ok(left);
        }
        match self.run.now(now) {
            Now::Begin(begun, label) => {
                // On the record before it is shown, so that nothing is done to the set that the job does not know.
                entry.with(|job| Ok(job.begin_block(&self.capture, begun)?))?;
                (self.last, self.left) = (Some(begun), self.slot);
                self.block = Some(Block { begun, label });
                self.shown = self.run.state(now).into();
                self.settled = false;
                Ok(true)
            }
            Now::Going(left) => {
                self.left = left;
                // A press in a block's last moment is decoded after the next one has begun.
                let settles = left <= self.counted && !self.settled;
                if settles {
                    self.shown = self.run.state(now).into();
                    self.settled = true;
                }
                Ok(settles)
            }
            Now::Done => {
                self.end(now);
                Ok(true)
            }
        }
    }

    /// Does what the technician says, and says how it stands.
    ///
    /// # Errors
    /// 409 when another round is on, 503 when the job does not take what is to be noted.
    pub(super) fn tell(&mut self, now: Nanoseconds, order: &ProvokeOrder, entry: &Entry) -> Answer<()> {
        match order {
            ProvokeOrder::Look => {}
            ProvokeOrder::Strike { why, round } => {
                if self.block.as_ref().is_none_or(|block| block.begun.round + 1 != *round) {
                    return Err(ApiError::conflict("this round is not on any more")
                        .help("look at which one is, and strike that out if it was spoiled"));
                }
                self.strike(now, why.as_str().into(), entry)?;
            }
            ProvokeOrder::Pause => {
                if !self.paused {
                    self.strike(now, Spoiled::Paused, entry)?;
                }
                self.paused = true;
            }
            ProvokeOrder::Resume => self.paused = false,
        }
        Ok(())
    }

    /// Strikes out the round of the block that is on; nothing while none is.
    fn strike(&mut self, now: Nanoseconds, why: Spoiled, entry: &Entry) -> Answer<()> {
        if self.block.take().is_none() {
            return Ok(());
        }
        if let Some(round) = self.run.strike(why.clone()) {
            self.struck += 1;
            self.shown = self.run.state(now).into();
            entry.with(|job| Ok(job.strike_round(&self.capture, round, why)?))?;
        }
        Ok(())
    }

    /// Ends it: what was done stands.
    pub(super) fn end(&mut self, now: Nanoseconds) {
        (self.over, self.block) = (true, None);
        self.shown = self.run.state(now).into();
    }

    /// Whether it is at its end.
    pub(super) fn is_over(&self) -> bool {
        self.over
    }

    /// What it asks for.
    pub(super) fn now(&self) -> ProvokeNow {
        let width = self.uses.len() + 1;
        let label = self.block.as_ref().map(|block| block.label);
        let used = match label {
            Some(Label::Stressor(n)) => self.uses.get(usize::from(n)),
            _ => None,
        };
        // A round that was struck out is not gone on with.
        let passed = self.last.map_or(0, |last| {
            let places = if self.block.is_some() { last.place + 1 } else { width };
            last.round * width + places
        });
        let more = ((self.planned + self.struck) * width).saturating_sub(passed);
        let (number, _) = self.run.progress();
        let left = self.block.as_ref().map(|_| self.left.seconds());
        #[allow(clippy::cast_precision_loss)]
        let all_left = left.unwrap_or(0.0) + more as f64 * self.slot.seconds();
        ProvokeNow {
            instruction: label.map(|label| instruction(&self.uses, label)),
            stressor: used.map(Use::name),
            round: self.last.map_or(0, |last| last.round + 1),
            block: number,
            blocks: number + more,
            left_s: left.map(round),
            block_s: self.slot.seconds(),
            all_left_s: if self.over { 0.0 } else { round(all_left) },
            paused: self.paused,
            over: self.over,
        }
    }

    /// The same with what it shows.
    pub(super) fn live(&self) -> LiveProvoke {
        LiveProvoke { now: self.now(), shown: self.shown.clone() }
    }
}
