//! Every stage of a job with its patterns, its figures, and what its step did; one episode gap for all.

use std::collections::BTreeMap;

use crate::analysis::attribution::{Attribution, StageCount, attribute};
use crate::analysis::compare::{CompareOptions, Comparison, Side, alone, compare, plan};
use crate::analysis::locate;
use crate::analysis::pattern::{PatternOptions, Patterns, find};
use crate::analysis::quiet::QuietPlan;
use crate::analysis::rate::Count;
use crate::analysis::stray::{Suspect, Suspicion, suspect};
use crate::base::Result;
use crate::bench::condition::{self, Condition};
use crate::bench::load::{Loaded, StageSeen};
use crate::timeline::job::Hands;

/// One stage as it is shown: strays, patterns, and what its step did.
#[derive(Debug)]
pub struct StageView {
    /// The stage and its strays.
    pub stage: StageSeen,
    /// Repeating strays.
    pub patterns: Patterns,
    /// Against the last earlier stage that was watched hands off.
    pub comparison: Option<(usize, Comparison)>,
    /// The stage by itself, when it was watched hands off.
    pub alone: Option<Side>,
    /// What this stage demands of the soak after the next step, when it was watched hands off.
    pub plan: Option<QuietPlan>,
    /// What its hands-on input gives away, when there is any.
    pub suspicion: Option<Suspicion>,
}

/// Comparison with one gap between episodes and one dispersion for the whole job: counts of different stages mean the same.
pub fn options(stages: &[StageSeen]) -> CompareOptions {
    learn(stages.iter())
}

/// The same from views that are there already.
pub fn options_of(views: &[StageView]) -> CompareOptions {
    learn(views.iter().map(|view| &view.stage))
}

fn learn<'a>(mut stages: impl Iterator<Item = &'a StageSeen>) -> CompareOptions {
    // The first stage that strayed teaches, and later ones never change it: what a soak said stays said, however far the job
    // goes.
    match stages.find(|stage| stage.is_observed() && !stage.observation.train.is_empty()) {
        Some(teacher) => CompareOptions::of_job(&[&teacher.observation]),
        None => CompareOptions::default(),
    }
}

/// For each stage the one that it is compared with: of like condition, and something could be seen in it.
fn references(stages: &[StageSeen]) -> Vec<Option<usize>> {
    let conditions = Condition::of_stages(stages.iter().map(|stage| stage.step.as_ref()));
    let observed: Vec<bool> = stages.iter().map(StageSeen::is_observed).collect();
    (0..stages.len()).map(|of| condition::reference(&conditions, &observed, of)).collect()
}

/// The stage that the last one is compared with.
pub fn reference(stages: &[StageSeen]) -> Option<&StageSeen> {
    references(stages).last().copied().flatten().and_then(|of| stages.get(of))
}

/// What the stage observed last demands of the soak after the next step, with its number.
pub fn last_plan(stages: &[StageSeen]) -> Option<(usize, QuietPlan)> {
    let last = stages.iter().rev().find(|stage| stage.is_observed())?;
    Some((last.number, plan(&last.observation, &options(stages))))
}

/// Every stage with its patterns, compared with the watched stage before it.
///
/// # Errors
/// `Machine` when the disk fails.
pub fn views(loaded: &Loaded) -> Result<Vec<StageView>> {
    let mut views: Vec<StageView> = Vec::new();
    let stages = loaded.stages()?;
    let options = options(&stages);
    let references = references(&stages);
    for ((stage, of), reference) in stages.into_iter().zip(loaded.job.stages()).zip(references) {
        let patterns = find(&stage.seen.train, &PatternOptions::default());
        let watched = stage.is_watched();
        let observation = &stage.observation;
        let earlier = reference.and_then(|earlier| views.get(earlier)).filter(|_| watched);
        let comparison =
            earlier.map(|view| (view.stage.number, compare(&view.stage.observation, observation, &options)));
        let by_hand = loaded.seen(of, Hands::On)?;
        views.push(StageView {
            patterns,
            comparison,
            alone: watched.then(|| alone(observation, &options)),
            plan: stage.is_observed().then(|| plan(observation, &options)),
            suspicion: (!by_hand.train.is_empty()).then(|| suspect(&by_hand.train)),
            stage,
        });
    }
    Ok(views)
}

/// Which step changed the rate. Steps with no soak between them cannot be told apart and are one unit; so are the
/// parts of one step. `None` with fewer than two watched stages.
///
/// The second value gives, for each unit, the stage that it began.
pub fn credit(views: &[StageView]) -> Option<(Attribution, Vec<usize>)> {
    let mut counts: Vec<StageCount> = Vec::new();
    let mut began = Vec::new();
    let mut changes: Vec<String> = Vec::new();
    let tree = locate::faults();
    for view in views {
        // A measurement changed nothing.
        let measured = tree.as_ref().is_ok_and(|tree| measures(view, tree));
        if let Some(step) = view.stage.step.as_ref().filter(|_| !measured) {
            match &step.parts[..] {
                [] | [_] => changes.push(step.text.clone()),
                parts => changes.extend(parts.iter().map(|part| format!("{} ({part})", step.text))),
            }
        }
        // What was watched blind tells nothing of the step before it.
        let Some(side) = view.alone.as_ref().filter(|_| view.stage.is_observed()) else { continue };
        if !counts.is_empty() {
            began.push(view.stage.number);
        }
        let exposure = free_s(side) / 60.0;
        counts.push(StageCount {
            // What was done before the first soak changed nothing that was seen.
            changes: if counts.is_empty() { Vec::new() } else { std::mem::take(&mut changes) },
            count: Count { count: side.episodes, exposure },
            likely_min: view.plan.as_ref().and_then(|plan| plan.likely_s).map(|seconds| seconds / 60.0),
        });
        changes.clear();
    }
    (counts.len() > 1).then(|| {
        let dispersion = options_of(views).dispersion.unwrap_or(1.0);
        (attribute(&counts, dispersion), began)
    })
}

/// Whether a stage's step is a measurement of the fault tree, which needs no soak.
pub(super) fn measures(view: &StageView, tree: &locate::FaultTree) -> bool {
    let step = view.stage.step.as_ref().filter(|step| step.kind == locate::StepKind::Isolate);
    step.and_then(|step| tree.recognise(&step.text, &step.parts))
        .is_some_and(|test| test.kind == locate::TestKind::Measure)
}

/// How long a stage could have begun an episode, seconds: it was watched, and none was going on.
pub(super) fn free_s(side: &Side) -> f64 {
    side.observed_s * (1.0 - side.stray_share)
}

/// Suspects below this probability are not worth a line.
const TOLD: f64 = 0.05;

/// The suspects that are worth a line.
pub fn worth_telling(suspicion: &Suspicion) -> impl Iterator<Item = &Suspect> {
    suspicion.suspects.iter().filter(|suspect| suspect.probability >= TOLD)
}

/// What the strays of a stage were, in words, the most frequent first.
pub fn keys(view: &StageView) -> Vec<(String, u64)> {
    let train = &view.stage.seen.train;
    let mut counts = vec![0u64; train.symbols().len()];
    for occurrence in train.occurrences() {
        if let Some(count) = counts.get_mut(occurrence.symbol as usize) {
            *count += 1;
        }
    }
    // Input comes before what the software then did without one.
    let mut by_label: BTreeMap<(bool, String), u64> = BTreeMap::new();
    for (symbol, count) in train.symbols().iter().zip(counts) {
        *by_label.entry((!symbol.path.is_input(), symbol.label())).or_default() += count;
    }
    let mut keys: Vec<(bool, String, u64)> =
        by_label.into_iter().map(|((effect, label), count)| (effect, label, count)).collect();
    keys.sort_by(|a, b| a.0.cmp(&b.0).then(b.2.cmp(&a.2)).then(a.1.cmp(&b.1)));
    keys.into_iter().map(|(_, label, count)| (label, count)).collect()
}
