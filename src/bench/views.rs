//! Every stage of a job with its patterns, its figures, and what its step did; one episode gap for all.

use std::borrow::Cow;
use std::collections::BTreeMap;

use crate::analysis::attribution::{Attribution, Change, StageCount, attribute};
use crate::analysis::compare::{CompareOptions, Comparison, Observation, Side, alone, compare, plan};
use crate::analysis::pattern::{PatternOptions, Patterns, find};
use crate::analysis::quiet::QuietPlan;
use crate::analysis::rate::{Count, compare_scaled};
use crate::analysis::stray::{Suspect, Suspicion, suspect};
use crate::base::Result;
use crate::bench::condition::{self, Condition, changing};
use crate::bench::load::{Loaded, StageSeen};
use crate::bench::presses::{KeyChecks, key_checks};
use crate::timeline::job::{Hands, Step};

/// One stage as it is shown: strays, patterns, and what its step did.
#[derive(Debug)]
pub struct StageView {
    /// The stage and its strays.
    pub stage: StageSeen,
    /// Repeating strays.
    pub patterns: Patterns,
    /// Against the last earlier stage that was watched hands off.
    pub comparison: Option<(usize, Comparison)>,
    /// Numbers of the stages that it is compared with: all of one condition, the last of them above.
    pub pooled: Vec<usize>,
    /// Its key checks against earlier ones, when both hold any.
    pub key_checks: Option<KeyChecks>,
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
    match stages.find(|stage| stage.is_observed() && !stage.observation.sequence.is_empty()) {
        Some(teacher) => CompareOptions::of_job(&[&teacher.observation]),
        None => CompareOptions::default(),
    }
}

/// What a stage is compared with.
#[derive(Debug)]
pub struct Reference<'a> {
    /// Number of the last stage of the condition.
    pub stage: usize,
    /// Numbers of all stages of the condition that are taken together, this one included.
    pub pooled: Vec<usize>,
    /// What was seen in them.
    pub observation: Cow<'a, Observation>,
}

/// What stage `of` (an index) is compared with: of like condition, and something could be seen in it. Stages of one
/// condition are taken together, if their rates may be equal.
fn reference_of<'a>(
    loaded: &Loaded,
    stages: &'a [StageSeen],
    of: usize,
    options: &CompareOptions,
) -> Result<Option<Reference<'a>>> {
    let conditions = Condition::of_stages(stages.iter().map(|stage| stage.step.as_ref()));
    let observed: Vec<bool> = stages.iter().map(StageSeen::is_observed).collect();
    let Some(last) = condition::reference(&conditions, &observed, of) else { return Ok(None) };
    let Some(stage) = stages.get(last) else { return Ok(None) };
    let count = |stage: &StageSeen| {
        let side = alone(&stage.observation, options);
        Count { count: side.episodes, exposure: free_s(&side) }
    };
    let mut all = count(stage);
    let mut pooled = vec![last];
    for place in (0..last).rev().filter(|place| observed.get(*place) == Some(&true)) {
        let Some(earlier) = stages.get(place).filter(|_| conditions.get(place) == conditions.get(last))
        else {
            continue;
        };
        let one = count(earlier);
        if equal_rates(all, one, options.dispersion.unwrap_or(1.0)) {
            all = Count { count: all.count + one.count, exposure: all.exposure + one.exposure };
            pooled.insert(0, place);
        }
    }
    let observation = match &pooled[..] {
        [_] => Cow::Borrowed(&stage.observation),
        several => Cow::Owned(loaded.pooled(stages, several)?),
    };
    let number = |place: &usize| stages.get(*place).map_or(0, |stage| stage.number);
    Ok(Some(Reference { stage: stage.number, pooled: pooled.iter().map(number).collect(), observation }))
}

/// What the last stage is compared with.
///
/// # Errors
/// `System` when the disk fails.
pub fn reference<'a>(
    loaded: &Loaded,
    stages: &'a [StageSeen],
    options: &CompareOptions,
) -> Result<Option<Reference<'a>>> {
    stages.len().checked_sub(1).map_or(Ok(None), |last| reference_of(loaded, stages, last, options))
}

/// What the stage observed last demands of the soak after the next step, with its number.
pub fn last_plan(stages: &[StageSeen]) -> Option<(usize, QuietPlan)> {
    let last = stages.iter().rev().find(|stage| stage.is_observed())?;
    Some((last.number, plan(&last.observation, &options(stages))))
}

struct Compared {
    comparison: (usize, Comparison),
    pooled: Vec<usize>,
}

/// Every stage with its patterns, compared with the watched stage before it.
///
/// # Errors
/// `System` when the disk fails.
pub fn views(loaded: &Loaded) -> Result<Vec<StageView>> {
    let mut views: Vec<StageView> = Vec::new();
    let stages = loaded.stages()?;
    let options = options(&stages);
    let compared: Vec<Option<Compared>> = (0..stages.len())
        .map(|of| {
            let Some(stage) = stages.get(of).filter(|stage| stage.is_watched()) else { return Ok(None) };
            Ok(reference_of(loaded, &stages, of, &options)?.map(|reference| Compared {
                comparison: (reference.stage, compare(&reference.observation, &stage.observation, &options)),
                pooled: reference.pooled,
            }))
        })
        .collect::<Result<_>>()?;
    let conditions = Condition::of_stages(stages.iter().map(|stage| stage.step.as_ref()));
    let checks = key_checks(loaded, &stages, &conditions)?;
    let each = stages.into_iter().zip(loaded.job.stages()).zip(compared).zip(checks);
    for (((stage, of), compared), key_checks) in each {
        let patterns = find(&stage.seen.sequence, &PatternOptions::default());
        let watched = stage.is_watched();
        let observation = &stage.observation;
        let by_hand = loaded.seen(of, Hands::On)?;
        let (comparison, pooled) = compared.map(|found| (found.comparison, found.pooled)).unzip();
        views.push(StageView {
            patterns,
            comparison,
            pooled: pooled.unwrap_or_default(),
            key_checks,
            alone: watched.then(|| alone(observation, &options)),
            plan: stage.is_observed().then(|| plan(observation, &options)),
            suspicion: (!by_hand.sequence.is_empty()).then(|| suspect(&by_hand.sequence)),
            stage,
        });
    }
    Ok(views)
}

/// Which step changed the rate. Steps with no soak between them cannot be told apart and are one unit; so are the
/// parts of one step. What was done and undone again between two soaks is no step, and going back to an earlier condition
/// is no second change, unless the strays say that undoing changed something too. `None` with fewer than two watched
/// stages.
///
/// The second value gives, for each unit, the stage that it began.
pub fn attributed(views: &[StageView]) -> Option<(Attribution, Vec<usize>)> {
    let steps: Vec<Option<&Step>> = views.iter().map(|view| changing(view.stage.step.as_ref())).collect();
    let conditions = Condition::of_stages(steps.iter().copied());
    let dispersion = options_of(views).dispersion.unwrap_or(1.0);
    let none = Condition::default();
    let mut counts: Vec<StageCount> = Vec::new();
    let mut began = Vec::new();
    // For each unit the facts that it brought.
    let mut brought: Vec<Condition> = Vec::new();
    let mut seen: Vec<&Condition> = Vec::new();
    let mut previous: Option<usize> = None;
    for (place, (view, condition)) in views.iter().zip(&conditions).enumerate() {
        // What was watched blind tells nothing of the step before it.
        let Some(side) = view.alone.as_ref().filter(|_| view.stage.is_observed()) else { continue };
        let before = previous.and_then(|previous| conditions.get(previous)).unwrap_or(&none);
        let news = condition.news(before);
        let count = Count { count: side.episodes, exposure: free_s(side) / 60.0 };
        let same = (0..counts.len()).filter(|at| seen.get(*at) == Some(&condition));
        let pooled = same
            .filter_map(|at| counts.get(at))
            .map(|stage| stage.count)
            .reduce(|one, two| Count { count: one.count + two.count, exposure: one.exposure + two.exposure });
        let kind = match pooled {
            Some(pooled) if equal_rates(pooled, count, dispersion) => Change::Undo,
            _ if news.only_isolates() => Change::Isolation,
            _ => Change::Repair,
        };
        if !counts.is_empty() {
            began.push(view.stage.number);
        }
        let number = counts.len();
        brought.push(news);
        let kind_of = |unit: usize| counts.get(unit).map_or(kind, |stage: &StageCount| stage.kind);
        // What brought nothing that is known is in force from its stage on.
        let holds = |unit: usize| brought.get(unit).is_some_and(|facts| condition.holds(facts));
        let in_force = (1..=number).filter(|unit| kind_of(*unit) != Change::Undo && holds(*unit)).collect();
        let range = previous.map_or(0, |previous| previous + 1)..=place;
        counts.push(StageCount {
            // What was done before the first soak changed nothing that was seen.
            changes: if number == 0 { Vec::new() } else { changes(&steps, &conditions, range, before) },
            count,
            likely_min: view.plan.as_ref().and_then(|plan| plan.likely_s).map(|seconds| seconds / 60.0),
            kind,
            in_force: Some(in_force),
        });
        seen.push(condition);
        previous = Some(place);
    }
    (counts.len() > 1).then(|| (attribute(&counts, dispersion), began))
}

/// What was changed by the steps in this range and is so at its end; all of them where nothing is.
fn changes(
    steps: &[Option<&Step>],
    conditions: &[Condition],
    range: std::ops::RangeInclusive<usize>,
    before: &Condition,
) -> Vec<String> {
    let end = conditions.get(*range.end()).cloned().unwrap_or_default();
    let all: Vec<(&Step, bool)> = range
        .filter_map(|place| {
            let earlier =
                place.checked_sub(1).and_then(|place| conditions.get(place)).cloned().unwrap_or_default();
            let own = conditions.get(place)?;
            // Its own change lasts, or it undid what was so before.
            let lasts = end.shares(&own.news(&earlier)) || before.shares(&earlier.news(own));
            Some(((*steps.get(place)?)?, lasts))
        })
        .collect();
    let some = all.iter().any(|(_, lasts)| *lasts);
    let parts = |step: &Step| match &step.parts[..] {
        [] | [_] => vec![step.text.clone()],
        parts => parts.iter().map(|part| format!("{} ({part})", step.text)).collect(),
    };
    all.iter().filter(|(_, lasts)| *lasts || !some).flat_map(|(step, _)| parts(step)).collect()
}

/// Stages whose rates differ so much by luck more seldom than this are not pooled, whatever their condition.
const UNEQUAL: f64 = 0.01;

/// Whether two stages of one condition may have one rate.
fn equal_rates(one: Count, two: Count, dispersion: f64) -> bool {
    one.count + two.count == 0 || compare_scaled(one, two, dispersion, 0.95).two_sided_mid >= UNEQUAL
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
    let sequence = &view.stage.seen.sequence;
    let mut counts = vec![0u64; sequence.symbols().len()];
    for occurrence in sequence.occurrences() {
        if let Some(count) = counts.get_mut(occurrence.symbol as usize) {
            *count += 1;
        }
    }
    // Input comes before what the software then did without one.
    let mut by_label: BTreeMap<(bool, String), u64> = BTreeMap::new();
    for (symbol, count) in sequence.symbols().iter().zip(counts) {
        *by_label.entry((!symbol.path.is_input(), symbol.label())).or_default() += count;
    }
    let mut keys: Vec<(bool, String, u64)> =
        by_label.into_iter().map(|((effect, label), count)| (effect, label, count)).collect();
    keys.sort_by(|a, b| a.0.cmp(&b.0).then(b.2.cmp(&a.2)).then(a.1.cmp(&b.1)));
    keys.into_iter().map(|(_, label, count)| (label, count)).collect()
}
