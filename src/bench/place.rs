//! Where the fault is: what the stages and the readings of a job say to the fault tree and to the ladder.

use std::collections::{BTreeMap, BTreeSet};

use crate::analysis::attribution::Toggle;
use crate::analysis::compare::{Comparison, PathSeen, Verdict, alone, compare, plan};
use crate::analysis::event_sequence::Occurrence;
use crate::analysis::ladder::{Fit, Moved};
use crate::analysis::locate::{self, CodeMix, Located, Outcome as Seen, StageEvidence};
use crate::analysis::special::median;
use crate::base::{ControlPath, EventKind, Key, Result};
use crate::bench::condition::is_measurement;
use crate::bench::load::{Loaded, StageSeen};
use crate::bench::provoke::{ProvokedState, SURE, StressorState};
use crate::bench::symptoms::Symptoms;
use crate::bench::views::{StageView, attributed, free_s, options};
use crate::timeline::Protocols;

/// Weighs all that a job holds; `provocations` are its own.
///
/// # Errors
/// `System` when the disk fails, `Input` when the built-in fault tree is broken, `Usage` when the chassis of the job is
/// not known.
pub fn located(
    loaded: &Loaded,
    views: &[StageView],
    provocations: &[ProvokedState],
    protocols: &Protocols,
) -> Result<Located> {
    let called = called(provocations);
    let symptoms = Symptoms::of(loaded, protocols)?;
    let tree = locate::faults()?;
    let strayed = views.iter().flat_map(|view| view.stage.seen.strayed()).map(|id| id.path);
    let paths: BTreeSet<ControlPath> = strayed.filter(|path| path.is_input()).collect();
    if paths.len() < 2 {
        return Ok(of_views(tree, views, &symptoms, &symptoms.fits, &called));
    }
    // Each path may have a cause of its own; what the readings of the keypad show explains no stray of another path.
    let mut causes = paths.into_iter().map(|path| {
        let fits = if path == ControlPath::Keypad { &symptoms.fits[..] } else { &[] };
        // Levels and excursions are the keypad's; which path the strays that a stressor called came on is not told apart.
        let called = called.iter().filter(|one| path == ControlPath::Keypad && !one.moved.is_empty());
        let called: Vec<locate::Called> = called.cloned().collect();
        Located { path: Some(path), ..of_views(tree, &only(views, path), &symptoms, fits, &called) }
    });
    let first = causes.next().unwrap_or_else(|| of_views(tree, views, &symptoms, &symptoms.fits, &called));
    Ok(Located { also: causes.collect(), ..first })
}

/// The views of one control path alone: its strays, on the time in which it was observed.
fn only(views: &[StageView], path: ControlPath) -> Vec<StageView> {
    let stages: Vec<StageSeen> = StageSeen::only(views.iter().map(|view| &view.stage), path);
    let options = options(&stages);
    let compared: Vec<Option<(usize, Comparison)>> = stages
        .iter()
        .zip(views)
        .map(|(stage, view)| {
            let number = view.comparison.as_ref().map(|(number, _)| *number)?;
            let before = stages.iter().find(|before| before.number == number)?;
            Some((number, compare(&before.observation, &stage.observation, &options)))
        })
        .collect();
    let view = |((stage, comparison), whole): ((StageSeen, _), &StageView)| StageView {
        patterns: whole.patterns.clone(),
        comparison,
        pooled: whole.pooled.clone(),
        alone: whole.alone.as_ref().map(|_| alone(&stage.observation, &options)),
        plan: stage.is_observed().then(|| plan(&stage.observation, &options)),
        suspicion: None,
        key_checks: None,
        stage,
    };
    stages.into_iter().zip(compared).zip(views).map(view).collect()
}

/// A level that a stressor moves by less may be that of a sound line, counts: the least reach of a resting band.
const MOVED: f64 = 3.0;

/// The stressors that had an effect, each once, with what they did to lines. What works on the whole set tells by its lines alone.
fn called(provoked: &[ProvokedState]) -> Vec<locate::Called> {
    let mut names: BTreeSet<&str> = BTreeSet::new();
    let mut list = Vec::new();
    for (state, one) in provoked.iter().flat_map(|state| state.stressors.iter().map(move |one| (state, one)))
    {
        let moved = moved(state, one);
        let excursions = one.excursions.as_ref().is_some_and(|found| found.chance <= SURE);
        if one.chance > SURE && !excursions && moved.is_empty() || !names.insert(&one.stressor) {
            continue;
        }
        let part = match one.stressor.split_once('@') {
            Some((_, part)) => Some(part.to_owned()),
            None => (one.stressor == "lamp").then(|| "infrared-ambient".to_owned()),
        };
        list.push(locate::Called { stressor: one.stressor.clone(), part, moved });
    }
    list
}

/// What a stressor did to each line that was read in all blocks: its level moved and stayed, or else jumped where only one line
/// can have.
fn moved(state: &ProvokedState, one: &StressorState) -> Vec<(String, Moved)> {
    let rest = |line: &str| {
        let alone = state.blocks.iter().filter(|block| block.struck.is_none() && block.stressor.is_none());
        let levels = alone.flat_map(|block| &block.levels).filter(|level| level.line == line);
        median(levels.map(|level| level.level))
    };
    let shifted = one.levels.iter().filter(|level| level.chance <= SURE && level.shift.abs() >= MOVED);
    let by: Vec<(String, Moved)> = shifted
        .filter_map(|level| {
            let from = rest(&level.line)?;
            Some((level.line.clone(), Moved::By(from, from + level.shift)))
        })
        .collect();
    match (&one.levels[..], &one.excursions) {
        ([only], Some(found)) if by.is_empty() && found.chance <= SURE => {
            rest(&only.line).map(|from| (only.line.clone(), Moved::Jumps(from))).into_iter().collect()
        }
        _ => by,
    }
}

fn of_views(
    tree: &locate::FaultTree,
    views: &[StageView],
    symptoms: &Symptoms,
    fits: &[Fit],
    called: &[locate::Called],
) -> Located {
    let (numbers, evidence): (Vec<usize>, Vec<StageEvidence>) = evidence(views, symptoms).into_iter().unzip();
    let mut located = locate::locate_with(tree, &evidence, fits, called);
    // Stages that show nothing were left out; from here on they have the job's numbers.
    let number = |place: usize| place.checked_sub(1).and_then(|i| numbers.get(i)).copied().unwrap_or(place);
    located.stages.iter_mut().for_each(|note| note.stage = number(note.stage));
    located.steps.iter_mut().for_each(|step| step.stage = number(step.stage));
    if let Some((found, began)) = attributed(views) {
        locate::attributed(&mut located.steps, &found, &began);
        if locate::mended(&evidence) {
            located.next =
                found.toggle.map(|toggle| settle(tree, toggle, views, &began)).into_iter().collect();
        }
    }
    located.asks = without_result(views);
    located
}

/// The undoing and redoing of the step that the counts of all stages name, as a test.
fn settle(
    tree: &locate::FaultTree,
    toggle: Toggle,
    views: &[StageView],
    began: &[usize],
) -> locate::Proposal {
    let stage = toggle.step.checked_sub(1).and_then(|unit| began.get(unit));
    let view = views.iter().find(|view| Some(&view.stage.number) == stage);
    let step = view.and_then(|view| view.stage.step.as_ref());
    let (text, parts) = step.map_or(("", &[][..]), |step| (step.text.as_str(), step.parts.as_slice()));
    locate::settle(tree, toggle, text, parts)
}

/// What each stage showed, with its number in the job: those that were watched with hands off, and measurements with
/// their result.
fn evidence(views: &[StageView], symptoms: &Symptoms) -> Vec<(usize, StageEvidence)> {
    let mut list: Vec<(usize, StageEvidence)> = Vec::with_capacity(views.len());
    // The last watched stage.
    let mut before: Option<usize> = None;
    for view in views {
        let result = measures(view).then(|| locate::finding(&view.stage.text)).flatten();
        if let Some(outcome) = result {
            list.push((view.stage.number, measured(view, outcome)));
        } else if view.stage.is_watched() {
            let before_it = before.and_then(|i| list.get(i)).map(|(_, evidence)| evidence);
            list.push((view.stage.number, watched(view, before_it, symptoms)));
            before = Some(list.len() - 1);
        }
    }
    list
}

fn measures(view: &StageView) -> bool {
    view.stage.step.as_ref().is_some_and(is_measurement)
}

/// A measurement's result as evidence.
fn measured(view: &StageView, outcome: Seen) -> StageEvidence {
    let step = view.stage.step.as_ref();
    StageEvidence {
        kind: step.map(|step| step.kind),
        text: view.stage.text.clone(),
        parts: step.map(|step| step.parts.clone()).unwrap_or_default(),
        outcome,
        quiet_anyway: None,
        exposure_s: 0.0,
        episodes: 0,
        keys: Vec::new(),
        path: None,
        compared_strayed: None,
        misread: (0, 0),
        codes: CodeMix::default(),
        quiet_paths: Vec::new(),
    }
}

/// A stage that was watched with hands off, against the watched one before it.
fn watched(view: &StageView, before: Option<&StageEvidence>, symptoms: &Symptoms) -> StageEvidence {
    let number = view.stage.number;
    let strays = symptoms.strays(view);
    let (keys, path) = (keys(view, &strays), path(view, &strays));
    let outcome = match (strays.is_empty(), before) {
        (true, _) => Seen::Stops,
        (false, None) => Seen::Stays,
        (false, Some(before)) if before.outcome == Seen::Stops => Seen::Returns,
        // Of another key: on a line that is another level; on other paths the next stray may be any.
        (false, Some(before))
            if before.path != path
                || path == Some(ControlPath::Keypad) && leading(&before.keys) != leading(&keys) =>
        {
            Seen::Changes
        }
        (false, Some(_)) => Seen::Stays,
    };
    let comparison = view.comparison.as_ref().map(|(_, comparison)| comparison);
    StageEvidence {
        kind: view.stage.step.as_ref().map(|step| step.kind),
        text: view.stage.text.clone(),
        parts: view.stage.step.as_ref().map(|step| step.parts.clone()).unwrap_or_default(),
        outcome,
        quiet_anyway: comparison.map(|comparison| quiet_anyway(view, comparison)),
        // As for the credit of the steps, so that both propose the same.
        exposure_s: view
            .alone
            .as_ref()
            .map_or_else(|| view.stage.observation.sequence.exposure().seconds(), free_s),
        episodes: if strays.is_empty() { 0 } else { view.alone.as_ref().map_or(1, |side| side.episodes) },
        keys,
        path,
        compared_strayed: comparison.map(|comparison| comparison.before.strays > 0),
        misread: symptoms.misread.get(&number).copied().unwrap_or_default(),
        codes: symptoms.codes.get(&number).cloned().unwrap_or_default(),
        quiet_paths: quiet_paths(view),
    }
}

/// Paths that were observed for most of the stage and did not stray in it.
fn quiet_paths(view: &StageView) -> Vec<ControlPath> {
    let seen = &view.stage.observation;
    let strayed = |path| seen.paths.iter().any(|own| own.total.id.path == path && !own.sequence.is_empty());
    let watched = |own: &&PathSeen| 2.0 * own.total.observed.seconds() > seen.sequence.exposure().seconds();
    let paths: BTreeSet<ControlPath> =
        seen.paths.iter().filter(watched).map(|own| own.total.id.path).collect();
    paths.into_iter().filter(|path| path.is_input() && !strayed(*path)).collect()
}

/// Chance that time without a sign of life would have left no event though a stray came: the log itself went on, and the same
/// record came before. Common practice, no source.
const UNSEEN: f64 = 0.05;

/// Chance that an unchanged fault was quiet for so long: as the comparison has it; where a step takes away what would give a sign
/// of life, as tape on the receiver does, time without one tells the place of the fault too, though no verdict rests on it.
///
/// # Formula
/// `(T0 / (T0 + T1))^(k + 1/2)`: none in `T1` after `k` episodes in `T0`, the rate having Jeffreys' prior.
fn quiet_anyway(view: &StageView, comparison: &Comparison) -> f64 {
    let before = &comparison.before;
    let pending =
        view.stage.observation.paths.iter().map(|path| path.total.pending_s + path.total.observed.seconds());
    let elapsed = pending.fold(0.0, f64::max);
    let known = before.observed_s.max(1.0);
    #[allow(clippy::cast_precision_loss)]
    let episodes = before.episodes as f64 / comparison.dispersion.max(1.0);
    let plain = (known / (known + elapsed)).powf(episodes + 0.5);
    let own = UNSEEN + (1.0 - UNSEEN) * plain;
    // Strays that are none, of a known resistor, leave the comparison without a quiet.
    if comparison.after.strays > 0 { own } else { comparison.figures.quiet_anyway.min(own) }
}

/// Asks for the result of every measurement whose step does not say it.
fn without_result(views: &[StageView]) -> Vec<String> {
    let open = |view: &&StageView| measures(view) && locate::finding(&view.stage.text).is_none();
    let ask = |view: &StageView| {
        format!(
            "The step \"{}\" is a measurement whose result is not known; write it as a step that ends in \": found\" or \": \
             clear\".",
            view.stage.text
        )
    };
    views.iter().filter(open).map(ask).collect()
}

/// The key that makes most of a stage's strays stands first in [`keys`].
fn leading(keys: &[Key]) -> Option<Key> {
    keys.first().copied()
}

/// The stray keys of a stage, the most frequent first.
fn keys(view: &StageView, strays: &[Occurrence]) -> Vec<Key> {
    let symbols = view.stage.seen.sequence.symbols();
    let mut counts: BTreeMap<Key, u64> = BTreeMap::new();
    for occurrence in strays.iter().filter(|occurrence| occurrence.kind == EventKind::Press) {
        if let Some(key) = symbols.get(occurrence.symbol as usize).and_then(|symbol| symbol.key) {
            *counts.entry(key).or_default() += 1;
        }
    }
    let mut keys: Vec<(Key, u64)> = counts.into_iter().collect();
    keys.sort_by_key(|(key, count)| (std::cmp::Reverse(*count), *key));
    keys.into_iter().map(|(key, _)| key).collect()
}

/// The control path of most strays of a stage.
fn path(view: &StageView, strays: &[Occurrence]) -> Option<ControlPath> {
    let mut counts: BTreeMap<ControlPath, u64> = BTreeMap::new();
    for occurrence in strays {
        if let Some(symbol) = view.stage.seen.sequence.symbols().get(occurrence.symbol as usize) {
            *counts.entry(symbol.path).or_default() += 1;
        }
    }
    counts.into_iter().max_by_key(|(path, count)| (*count, std::cmp::Reverse(*path))).map(|(path, _)| path)
}

/// Whether any stage ended with the fault gone.
pub fn concluding(views: &[StageView]) -> Option<u32> {
    let last = views.iter().rev().find(|view| view.comparison.is_some())?;
    let (_, comparison) = last.comparison.as_ref()?;
    (comparison.figures.verdict != Verdict::Undecided)
        .then(|| u32::try_from(last.stage.number).unwrap_or(u32::MAX))
}
