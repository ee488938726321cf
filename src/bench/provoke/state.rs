//! A provocation as every face shows it.

use schemars::JsonSchema;
use serde::Serialize;

use crate::analysis::provoke::Ratio;

/// Error at which a stressor is said to call the fault.
pub const SURE: f64 = 0.01;
/// Error at which it is said to seem so.
pub const LIKELY: f64 = 0.05;

/// What a stressor did. Each chance is for all stressors, all that is judged, and all looks together.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct StressorState {
    /// As it was written: `warm@key-cable`.
    pub stressor: String,
    /// Episodes in its counted time.
    pub episodes: u64,
    /// Episodes in as much time of "leave alone".
    pub alone: u64,
    /// Chance of so many more, or more, if it did nothing.
    pub chance: f64,
    /// How many times as often the fault came; null where neither showed any.
    pub times: Option<f64>,
    /// Lower end of the 95 % interval.
    pub times_low: f64,
    /// Upper end; null without limit.
    pub times_high: Option<f64>,
    /// How often a line left its resting band without making a key; null where no line is read.
    pub excursions: Option<ExcursionState>,
    /// What it did to the resting level of each line that was read in all blocks.
    pub levels: Vec<LevelState>,
}

impl StressorState {
    /// Whether it brings strays or excursions, surely: more rounds would add nothing.
    pub(super) fn is_certain(&self) -> bool {
        self.chance <= SURE || self.excursions.as_ref().is_some_and(|found| found.chance <= SURE)
    }
}

/// Excursions under a stressor.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct ExcursionState {
    /// Begun in its counted time.
    pub excursions: u64,
    /// In as much time of "leave alone".
    pub alone: u64,
    /// Chance of so many more, or more, if it did nothing.
    pub chance: f64,
    /// How many times as often; null where neither showed any.
    pub times: Option<f64>,
    /// Lower end of the 95 % interval.
    pub times_low: f64,
    /// Upper end; null without limit.
    pub times_high: Option<f64>,
}

/// Factor with its interval, as JSON has it.
pub(super) fn factor(found: Option<Ratio>) -> (Option<f64>, f64, Option<f64>) {
    let finite = |value: f64| value.is_finite().then_some(value);
    found.map_or((None, 0.0, None), |found| {
        (found.ratio.and_then(finite), found.interval.low, finite(found.interval.high))
    })
}

/// The resting level of a line under a stressor.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct LevelState {
    /// The line.
    pub line: String,
    /// Mean over rounds of the level under the stressor less that of "leave alone", counts.
    pub shift: f64,
    /// Lower end of the 95 % interval; null with fewer than six rounds.
    pub low: Option<f64>,
    /// Upper end.
    pub high: Option<f64>,
    /// Chance of so large a shift either way, or larger, if it did nothing.
    pub chance: f64,
}

/// The resting level of a line in a block.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct LineLevel {
    /// The line.
    pub line: String,
    /// Mean of its readings at rest, counts.
    pub level: f64,
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
    /// Excursions that began in the part that counts.
    pub excursions: u64,
    /// Where the lines rested in the part that counts.
    pub levels: Vec<LineLevel>,
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
    /// Time of each block that is not counted, at its start, seconds.
    pub wash_out_s: f64,
    /// Time of each block that counts, after that, seconds.
    pub block_s: f64,
    /// Time that counts of each stressor and of "leave alone", seconds.
    pub counted_s: f64,
    /// In the order in which they were named.
    pub stressors: Vec<StressorState>,
    /// In the order in which they were done.
    pub blocks: Vec<BlockState>,
    /// When each episode began, in blocks that count or not, seconds.
    pub episodes_s: Vec<f64>,
    /// The same of excursions.
    pub excursions_s: Vec<f64>,
    /// How the cautions of its stressors were read; null where the job does not say it.
    pub cautions: Option<String>,
    /// Rounds, from 1, that were left out when the numbers were known. Each chance is then the larger one of with and without
    /// them.
    pub struck_later: Vec<usize>,
}

impl ProvokedState {
    /// Whether each stressor's effect is certain: more rounds would add nothing. A level that moves is no reason to stop: it
    /// says nothing of how often the fault comes.
    pub fn is_certain(&self) -> bool {
        self.stressors.iter().all(StressorState::is_certain)
    }
}
