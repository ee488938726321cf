//! The plan: which label comes when. It is a function of its seed, so the journal needs the seed and what was struck out.

use std::collections::{BTreeMap, BTreeSet};

use crate::analysis::provoke::table::{Table, TableError};
use crate::analysis::random::Random;
use crate::base::{Nanoseconds, Span};
use crate::timeline::job::Spoiled;

/// Most stressors of one plan.
pub const MOST_STRESSORS: usize = 6;
/// Most rounds of one plan.
pub const MOST_ROUNDS: u32 = 200;

/// What is done in a slot.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Label {
    /// Hands off.
    LeaveAlone,
    /// The stressor with this number, from 0 in the order in which the plan was given them.
    Stressor(u8),
}

impl Label {
    /// Its column: 0 is leave alone, 1 the first stressor.
    pub fn column(self) -> usize {
        match self {
            Self::LeaveAlone => 0,
            Self::Stressor(number) => usize::from(number) + 1,
        }
    }
}

/// What a stressor needs.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Timing {
    /// Shortest block that counts.
    pub block: Nanoseconds,
    /// As long after each change nothing is counted.
    pub wash_out: Nanoseconds,
}

/// The one shape that all slots of a plan have: the instruction stands for all of it, the first part is not counted. What the
/// block before left fades in that part while the new one builds up, so the same time serves both.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Slot {
    /// Not counted.
    pub wash_out: Nanoseconds,
    /// Counted, after that.
    pub counted: Nanoseconds,
}

impl Slot {
    /// The shortest slot that serves all these stressors. A slot of its own length for each label would make the label
    /// decide what is counted, and the test would no longer be exact.
    pub fn shortest(stressors: &[Timing]) -> Self {
        let longest = |of: fn(&Timing) -> Nanoseconds| stressors.iter().map(of).max().unwrap_or_default();
        Self { wash_out: longest(|timing| timing.wash_out), counted: longest(|timing| timing.block) }
    }

    /// Both parts.
    pub fn length(self) -> Nanoseconds {
        self.wash_out.saturating_add(self.counted)
    }
}

/// Why there is no such plan.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PlanError {
    /// No stressor, or more than [`MOST_STRESSORS`].
    Stressors(usize),
    /// No round, or more than [`MOST_ROUNDS`].
    Rounds(u32),
    /// Nothing of a slot is counted, or a part of it is negative.
    Slot(Slot),
    /// There is no such round, or it was struck out before.
    NoRound(usize),
}

/// One round: each label once.
#[derive(Clone, Debug, PartialEq)]
pub struct Round {
    /// In order of time.
    pub labels: Vec<Label>,
    /// Set if the round does not count.
    pub struck: Option<Spoiled>,
}

/// One slot of the plan, as if it went on without a pause from zero.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Block {
    /// Number of the round, from 0, struck ones counted too.
    pub round: usize,
    /// Place within the round, from 0.
    pub place: usize,
    /// What is done.
    pub label: Label,
    /// All of it.
    pub span: Span,
    /// What counts.
    pub counted: Span,
}

/// A balanced plan, restricted to rounds: each round holds each label once, in an order drawn at random.
#[derive(Clone, Debug, PartialEq)]
pub struct Plan {
    seed: u64,
    stressors: usize,
    slot: Slot,
    rounds: u32,
    struck: BTreeMap<usize, Spoiled>,
}

impl Plan {
    /// A plan of so many rounds that count.
    ///
    /// # Errors
    /// `Stressors`, `Rounds` or `Slot`, if out of range.
    pub fn draw(stressors: usize, slot: Slot, rounds: u32, seed: u64) -> Result<Self, PlanError> {
        if stressors == 0 || stressors > MOST_STRESSORS {
            return Err(PlanError::Stressors(stressors));
        }
        if rounds == 0 || rounds > MOST_ROUNDS {
            return Err(PlanError::Rounds(rounds));
        }
        if slot.counted <= Nanoseconds::ZERO || slot.wash_out < Nanoseconds::ZERO {
            return Err(PlanError::Slot(slot));
        }
        Ok(Self { seed, stressors, slot, rounds, struck: BTreeMap::new() })
    }

    /// The seed of the drawing.
    pub fn seed(&self) -> u64 {
        self.seed
    }

    /// How many stressors.
    pub fn stressors(&self) -> usize {
        self.stressors
    }

    /// Shape of each slot.
    pub fn slot(&self) -> Slot {
        self.slot
    }

    /// Rounds that are to count.
    pub fn planned(&self) -> u32 {
        self.rounds
    }

    /// All rounds in order of time, struck ones too.
    pub fn rounds(&self) -> Vec<Round> {
        let mut random = Random::new(self.seed);
        (0..self.rounds as usize + self.struck.len())
            .map(|number| {
                let stressors = (0u8..).map(Label::Stressor).take(self.stressors);
                let mut labels: Vec<Label> = std::iter::once(Label::LeaveAlone).chain(stressors).collect();
                random.shuffle(&mut labels);
                Round { labels, struck: self.struck.get(&number).cloned() }
            })
            .collect()
    }

    /// All blocks in order of time.
    pub fn blocks(&self) -> Vec<Block> {
        let mut start = Nanoseconds::ZERO;
        let mut blocks = Vec::new();
        for (round, drawn) in self.rounds().into_iter().enumerate() {
            for (place, label) in drawn.labels.into_iter().enumerate() {
                let end = start.saturating_add(self.slot.length());
                let from = start.saturating_add(self.slot.wash_out);
                let (span, counted) = (Span { start, end }, Span { start: from, end });
                blocks.push(Block { round, place, label, span, counted });
                start = end;
            }
        }
        blocks
    }

    /// Strikes out a round in which a block was spoiled; a newly drawn one is appended.
    ///
    /// The whole round goes: the spoiled block done anew at the end would tie its label to a later time, and leaving out
    /// that block alone would let the label choose which times are compared. What is left has every order of every round as
    /// likely as before, as long as the striking looks at the hands and not at the numbers.
    ///
    /// # Errors
    /// `NoRound`, if there is none or it is struck already.
    pub fn strike(&mut self, round: usize, why: Spoiled) -> Result<(), PlanError> {
        if round >= self.rounds as usize + self.struck.len() || self.struck.contains_key(&round) {
            return Err(PlanError::NoRound(round));
        }
        self.struck.insert(round, why);
        Ok(())
    }

    /// The same plan with these rounds not struck out.
    pub fn without(&self, struck: &BTreeSet<usize>) -> Self {
        let mut plan = self.clone();
        plan.struck.retain(|round, _| !struck.contains(round));
        plan
    }

    /// Numbers of whole rounds in order of time, as many as are done, put under their labels: `measured[r][p]` belongs to
    /// place `p` of round `r`. Struck rounds are left out.
    ///
    /// # Errors
    /// `TableError`, if a round that counts has not one finite number for each place.
    pub fn table(&self, measured: &[Vec<f64>]) -> Result<Table, TableError> {
        let mut rows = Vec::new();
        for (round, numbers) in self.rounds().iter().zip(measured).filter(|(round, _)| round.struck.is_none())
        {
            let places = round.labels.iter().map(|label| label.column()).zip(numbers);
            let mut row: Vec<(usize, f64)> = places.map(|(column, number)| (column, *number)).collect();
            row.sort_by_key(|(column, _)| *column);
            if numbers.len() != round.labels.len() {
                return Err(TableError::Width(rows.len()));
            }
            rows.push(row.into_iter().map(|(_, number)| number).collect());
        }
        Table::new(self.stressors, rows)
    }
}
