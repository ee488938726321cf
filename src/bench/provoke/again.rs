//! The same stressors before and after a step: whether they still call the fault, and what that says of the fault as it comes by
//! itself.

use std::collections::{BTreeMap, BTreeSet};

use schemars::JsonSchema;
use serde::Serialize;

use crate::analysis::compare::Verdict;
use crate::analysis::ledger::PathId;
use crate::analysis::provoke::Before;
use crate::analysis::special::median;
use crate::base::{Error, EventKind, Key, Nanoseconds, Result, Span};
use crate::bench::load::Loaded;
use crate::bench::provoke::state::{BlockState, LIKELY, ProvokedState, SURE, StressorState};
use crate::bench::views::StageView;
use crate::timeline::job::{CaptureRef, Hands, Provocation};

/// What the same stressor brings now, against before.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum AgainVerdict {
    /// Nothing any more, beyond chance. It says nothing yet of the set left alone.
    Quiet,
    /// It still comes. Whether less often is not judged: spells of a fault that outlast a block would pass for it.
    Still,
    /// Nothing now, and that could be luck.
    Undecided,
    /// It brought nothing before.
    Nothing,
}

/// What is compared.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Compared {
    /// Episodes of strays.
    Episodes,
    /// Excursions of a line without a press: where the stressor was shown to bring those, and oftener than strays. A stray
    /// now still is one.
    Excursions,
}

impl Compared {
    fn of(before: &StressorState) -> Self {
        let shown = before.excursions.as_ref().filter(|found| found.chance <= LIKELY);
        let more = |excursions: u64| before.chance > LIKELY || excursions > before.episodes;
        if shown.is_some_and(|found| more(found.excursions)) { Self::Excursions } else { Self::Episodes }
    }

    fn number(self, block: &BlockState) -> u64 {
        match self {
            Self::Episodes => block.episodes,
            Self::Excursions => block.excursions,
        }
    }
}

/// What supports that a stressor calls the fault that comes by itself.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct Support {
    /// Presses under the stressor, before the step.
    pub presses: u64,
    /// Those of them whose key on its path and line came by itself as well.
    pub same: u64,
    /// Presses that came by themselves up to then, hands off.
    pub alone: u64,
    /// The input that both have most, in words; null without one.
    pub input: Option<String>,
    /// Its median reading under the stressor, counts; null where presses tell none.
    pub level: Option<f64>,
    /// The same of what came by itself.
    pub level_alone: Option<f64>,
}

/// One stressor before and now.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct AgainStressor {
    /// As it was written.
    pub stressor: String,
    /// What is compared.
    pub compared: Compared,
    /// How many came under it before.
    pub before: u64,
    /// In this time that counts, seconds.
    pub before_s: f64,
    /// How many come under it now.
    pub now: u64,
    /// In this time that counts, seconds.
    pub now_s: f64,
    /// Chance of so few if nothing had changed, for all stressors together.
    pub chance: f64,
    /// What that comes to.
    pub verdict: AgainVerdict,
    /// Further time of the same plan that would decide if it stays quiet, seconds; null where none would, or strays come.
    pub more_s: Option<f64>,
    /// What supports that it calls the same fault; null where no press came under it.
    pub support: Option<Support>,
}

/// A provocation against the last one with the same plan in an earlier stage.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct AgainState {
    /// The stage.
    pub stage: usize,
    /// Its capture.
    pub capture: String,
    /// The stage before.
    pub before_stage: usize,
    /// Its capture.
    pub before_capture: String,
    /// In the order in which they were named.
    pub stressors: Vec<AgainStressor>,
    /// What the soak of this stage says of the set left alone; null where it was not watched or has nothing to compare with.
    pub soak: Option<Verdict>,
    /// Quiet that a soak still needs to be sure at 99 %, seconds; null where none would do.
    pub soak_more_s: Option<f64>,
}

/// The last provocation of an earlier stage than the present one, to be done again with another seed.
///
/// # Errors
/// `Usage` when there is none.
pub fn again(loaded: &Loaded, seed: u64) -> Result<Provocation> {
    let earlier = loaded.job.stages().split_last().map(|(_, earlier)| earlier).unwrap_or_default();
    let captures = earlier.iter().rev().flat_map(|stage| stage.captures.iter().rev());
    let done =
        captures.filter_map(|capture| capture.provocation.as_ref()).find(|done| !done.begun.is_empty());
    let Some(done) = done else {
        return Err(Error::usage("no earlier stage was provoked, so there is nothing to do again")
            .at(loaded.job.folder())
            .help("provoke before the repair, note the repair with straykey step, then again"));
    };
    Ok(Provocation {
        seed,
        begun: Vec::new(),
        struck: BTreeMap::new(),
        struck_later: BTreeSet::new(),
        cautions: None,
        ..done.clone()
    })
}

/// Every provocation against the last one with the same plan in an earlier stage.
///
/// # Errors
/// `System` when the disk fails.
pub fn compared(loaded: &Loaded, all: &[ProvokedState], views: &[StageView]) -> Result<Vec<AgainState>> {
    let mut list = Vec::new();
    for now in all {
        let same = |before: &&ProvokedState| {
            let names = before.stressors.iter().map(|one| &one.stressor);
            before.stage < now.stage
                && names.eq(now.stressors.iter().map(|one| &one.stressor))
                && (before.wash_out_s, before.block_s) == (now.wash_out_s, now.block_s)
        };
        let Some(before) = all.iter().rev().find(same) else { continue };
        let by_itself = by_itself(loaded, before.stage)?;
        let pairs = || before.stressors.iter().zip(&now.stressors);
        // Those that brought nothing are no test.
        let brought_any = |one: &StressorState| brought(before, one).counts().iter().any(|count| *count > 0);
        let asked = pairs().filter(|(one, _)| brought_any(one)).count().max(1);
        let stressors = pairs()
            .map(|(one, _)| {
                let called = under(loaded, before, &one.stressor)?;
                Ok(AgainStressor { support: support(&called, &by_itself), ..judged(before, now, one, asked) })
            })
            .collect::<Result<Vec<AgainStressor>>>()?;
        let view = views.iter().find(|view| view.stage.number == now.stage);
        let soak = view.and_then(|view| view.comparison.as_ref()).map(|(_, comparison)| &comparison.figures);
        let plan = views.iter().take_while(|view| view.stage.number < now.stage);
        let plan = plan.filter_map(|view| view.plan.as_ref()).last();
        list.push(AgainState {
            stage: now.stage,
            capture: now.capture.clone(),
            before_stage: before.stage,
            before_capture: before.capture.clone(),
            stressors,
            soak: soak.map(|figures| figures.verdict),
            soak_more_s: match soak {
                Some(figures) => figures.soak_more_99_s,
                None => plan.and_then(|plan| plan.certain_s),
            },
        });
    }
    Ok(list)
}

/// Numbers of a stressor's blocks that count.
fn numbers(state: &ProvokedState, stressor: &str, compared: Compared) -> Vec<u64> {
    let counts = state.blocks.iter().filter(|block| block.struck.is_none());
    counts
        .filter(|block| block.stressor.as_deref() == Some(stressor))
        .map(|block| compared.number(block))
        .collect()
}

/// What a stressor brought, with its times in the blocks.
pub(super) fn brought(state: &ProvokedState, one: &StressorState) -> Before {
    let times = match Compared::of(one) {
        Compared::Episodes => &state.episodes_s,
        Compared::Excursions => &state.excursions_s,
    };
    let blocks = state.blocks.iter().filter(|block| block.struck.is_none());
    let own = blocks.filter(|block| block.stressor.as_deref() == Some(&*one.stressor)).map(|block| {
        let from = block.from_s + state.wash_out_s;
        let inside = times.iter().filter(|t| from <= **t && **t < from + state.block_s);
        inside.map(|t| Nanoseconds::from_seconds(t - from)).collect()
    });
    Before::of(&own.collect::<Vec<_>>(), Nanoseconds::from_seconds(state.block_s))
}

#[allow(clippy::cast_precision_loss)]
fn judged(before: &ProvokedState, now: &ProvokedState, one: &StressorState, asked: usize) -> AgainStressor {
    let compared = Compared::of(one);
    let then = brought(before, one);
    let today = numbers(now, &one.stressor, compared);
    let sum = |blocks: &[u64]| blocks.iter().sum::<u64>();
    let asked = asked as f64;
    let chance = (asked * then.chance(&today)).min(1.0);
    let strays = sum(&numbers(now, &one.stressor, Compared::Episodes));
    let verdict = match (sum(then.counts()), sum(&today).max(strays)) {
        (0, _) => AgainVerdict::Nothing,
        (_, 0) if chance <= SURE => AgainVerdict::Quiet,
        (_, 0) => AgainVerdict::Undecided,
        _ => AgainVerdict::Still,
    };
    let round = (now.wash_out_s + now.block_s) * (now.stressors.len() + 1) as f64;
    let more = || then.quiet_blocks(SURE / asked).map(|needed| needed.saturating_sub(today.len()));
    AgainStressor {
        stressor: one.stressor.clone(),
        compared,
        before: sum(then.counts()),
        before_s: then.counts().len() as f64 * before.block_s,
        now: sum(&today),
        now_s: today.len() as f64 * now.block_s,
        chance,
        verdict,
        more_s: match verdict {
            AgainVerdict::Quiet => Some(0.0),
            AgainVerdict::Undecided => more().map(|blocks| blocks as f64 * round),
            _ => None,
        },
        support: None,
    }
}

/// Presses by input, with what the line read at each.
type Inputs = BTreeMap<(PathId, Option<Key>), (u64, Vec<u32>)>;

fn presses(loaded: &Loaded, capture: &CaptureRef, within: Option<&[Span]>, found: &mut Inputs) -> Result<()> {
    let ledger = loaded.ledger(capture);
    loaded.acts(capture, &mut |event| {
        let inside = within.is_none_or(|spans| spans.iter().any(|s| s.start <= event.t && event.t < s.end));
        if event.kind == EventKind::Press && event.comes_in() && inside && !ledger.is_answer(&event) {
            let own = found.entry((PathId::of(&event), event.key)).or_default();
            own.0 += 1;
            own.1.extend(event.counts);
        }
        Ok(())
    })
}

/// What came by itself, hands off, in the stages up to this one.
fn by_itself(loaded: &Loaded, stage: usize) -> Result<Inputs> {
    let mut found = Inputs::new();
    let stages = loaded.job.stages().iter().filter(|one| one.number <= stage);
    for capture in stages.flat_map(|one| &one.captures).filter(|capture| capture.hands == Hands::Off) {
        presses(loaded, capture, None, &mut found)?;
    }
    Ok(found)
}

/// What came under a stressor in the blocks that count.
fn under(loaded: &Loaded, state: &ProvokedState, stressor: &str) -> Result<Inputs> {
    let blocks = state.blocks.iter().filter(|block| block.struck.is_none());
    let spans: Vec<Span> = blocks
        .filter(|block| block.stressor.as_deref() == Some(stressor))
        .map(|block| Span {
            start: Nanoseconds::from_seconds(block.from_s + state.wash_out_s),
            end: Nanoseconds::from_seconds(block.to_s),
        })
        .collect();
    let mut found = Inputs::new();
    for capture in loaded.job.captures().filter(|capture| capture.name == state.capture) {
        presses(loaded, capture, Some(&spans), &mut found)?;
    }
    Ok(found)
}

fn support(called: &Inputs, alone: &Inputs) -> Option<Support> {
    let all = |inputs: &Inputs| inputs.values().map(|(count, _)| count).sum::<u64>();
    let presses = all(called);
    if presses == 0 {
        return None;
    }
    let both = || called.iter().filter_map(|(id, own)| Some((id, own, alone.get(id)?)));
    let most = both().max_by_key(|(_, own, _)| own.0);
    Some(Support {
        presses,
        same: both().map(|(_, own, _)| own.0).sum(),
        alone: all(alone),
        input: most.map(|((path, key), ..)| match key {
            Some(key) => format!("{} on {}", key.label(), path.words()),
            None => path.words(),
        }),
        level: most.and_then(|(_, own, _)| median(own.1.iter().copied().map(f64::from))),
        level_alone: most.and_then(|(.., other)| median(other.1.iter().copied().map(f64::from))),
    })
}
