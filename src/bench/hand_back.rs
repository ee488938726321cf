//! Whether a set may be handed back: every path that strayed with nothing isolated is gone, and nothing is isolated any more.

use std::collections::BTreeMap;

use serde::Serialize;

use crate::analysis::compare::{CompareOptions, Verdict, compare};
use crate::analysis::ledger::PathId;
use crate::bench::condition::Condition;
use crate::bench::load::StageSeen;
use crate::timeline::job::Step;

/// A path that strayed once, as the last watched stage shows it.
#[derive(Clone, Debug, PartialEq, Serialize, schemars::JsonSchema)]
pub struct PathBack {
    /// Which.
    #[serde(flatten)]
    pub id: PathId,
    /// The last stage in which it strayed with nothing isolated.
    pub against_stage: usize,
    /// What the last watched stage says against that.
    pub verdict: Verdict,
    /// Whether it is gone at 99 %.
    pub hand_back: bool,
    /// How long it was observed in the last watched stage, seconds.
    pub observed_s: f64,
}

/// Which earlier stages strayed with nothing isolated, by path; the last one of each.
fn strayed<'a>(stages: &[&'a StageSeen], conditions: &[Condition]) -> Vec<(PathId, &'a StageSeen)> {
    let open = stages.iter().copied().zip(conditions).filter(|(_, condition)| condition.isolated().is_none());
    // A later stage takes the place of an earlier one.
    let last: BTreeMap<PathId, &StageSeen> =
        open.flat_map(|(stage, _)| stage.observation.strayed().map(move |id| (id.clone(), stage))).collect();
    last.into_iter().collect()
}

/// What is isolated in the last stage: the last such step.
pub(super) fn isolated<'a>(stages: &[&'a StageSeen]) -> Option<&'a Step> {
    let by = conditions(stages).last().and_then(Condition::isolated)?;
    stages.get(by).and_then(|stage| stage.step.as_ref())
}

fn conditions(stages: &[&StageSeen]) -> Vec<Condition> {
    Condition::of_stages(stages.iter().map(|stage| stage.step.as_ref()))
}

/// The paths that strayed in an earlier stage than the last with nothing isolated, and have a say in handing the set back.
/// None while something is isolated.
pub(super) fn wanted<'a>(stages: &[&'a StageSeen]) -> Vec<(PathId, &'a StageSeen)> {
    let conditions = conditions(stages);
    match (stages.split_last(), conditions.split_last()) {
        (Some((_, stages)), Some((last, conditions))) if last.isolated().is_none() => {
            strayed(stages, conditions)
        }
        _ => Vec::new(),
    }
}

/// Every path that strayed, judged by the last watched stage. Empty while something is isolated or nothing was watched.
pub(super) fn paths(stages: &[&StageSeen], options: &CompareOptions) -> Vec<PathBack> {
    let Some(at) = stages.iter().rposition(|stage| stage.is_watched()) else { return Vec::new() };
    let Some(upto) = stages.get(..=at) else { return Vec::new() };
    if isolated(stages).is_some() {
        return Vec::new();
    }
    let Some(last) = upto.last() else { return Vec::new() };
    let judge = |(id, before): (PathId, &StageSeen)| {
        let found = compare(&before.observation, &last.observation, options);
        let path = found.paths.into_iter().find(|path| path.total.id == id)?;
        Some(PathBack {
            id,
            against_stage: before.number,
            verdict: path.figures.verdict,
            hand_back: path.figures.hand_back,
            observed_s: path.total.observed.seconds(),
        })
    };
    wanted(upto).into_iter().filter_map(judge).collect()
}
