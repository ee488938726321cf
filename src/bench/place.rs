//! Where the fault is: what the stages and the readings of a job say to the fault tree and to the ladder.

use std::collections::{BTreeMap, BTreeSet};

use crate::analysis::attribution::Toggle;
use crate::analysis::compare::{Comparison, alone, compare, plan};
use crate::analysis::ladder::{Fit, Network};
use crate::analysis::locate::{self, Collector, Located, Outcome as Seen, StageEvidence};
use crate::base::{ControlPath, EventKind, Key, Result};
use crate::bench::load::{Loaded, StageSeen};
use crate::bench::views::{StageView, credit, free_s, measures, options};
use crate::timeline::Protocols;
use crate::timeline::job::Hands;

/// Weighs all that a job holds.
///
/// # Errors
/// `Machine` when the disk fails, `Input` when the built-in fault tree is broken, `Usage` when the chassis of the job is
/// not known.
pub fn located(loaded: &Loaded, views: &[StageView], protocols: &Protocols) -> Result<Located> {
    let fits = fits(loaded, protocols)?;
    let tree = locate::faults()?;
    let strayed = views.iter().flat_map(|view| view.stage.seen.strayed()).map(|id| id.path);
    let paths: BTreeSet<ControlPath> = strayed.filter(|path| path.is_input()).collect();
    if paths.len() < 2 {
        return Ok(of_views(tree, views, &fits));
    }
    // Each path may have a cause of its own, and a ladder explains keypad strays alone.
    let mut causes = paths.into_iter().map(|path| {
        let fits = if path == ControlPath::Keypad { &fits[..] } else { &[] };
        Located { path: Some(path), ..of_views(tree, &only(views, path), fits) }
    });
    let first = causes.next().unwrap_or_else(|| of_views(tree, views, &fits));
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

fn of_views(tree: &locate::FaultTree, views: &[StageView], fits: &[Fit]) -> Located {
    let (numbers, evidence): (Vec<usize>, Vec<StageEvidence>) = evidence(views, tree).into_iter().unzip();
    let mut located = locate::locate_with(tree, &evidence, fits);
    // Stages that show nothing were left out; from here on they have the job's numbers.
    let number = |place: usize| place.checked_sub(1).and_then(|i| numbers.get(i)).copied().unwrap_or(place);
    located.stages.iter_mut().for_each(|note| note.stage = number(note.stage));
    located.steps.iter_mut().for_each(|step| step.stage = number(step.stage));
    if let Some((found, began)) = credit(views) {
        locate::attributed(&mut located.steps, &found, &began);
        if locate::mended(&evidence) {
            located.next =
                found.toggle.map(|toggle| settle(tree, toggle, views, &began)).into_iter().collect();
        }
    }
    located.notes.extend(without_result(views, tree));
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
fn evidence(views: &[StageView], tree: &locate::FaultTree) -> Vec<(usize, StageEvidence)> {
    let mut list: Vec<(usize, StageEvidence)> = Vec::with_capacity(views.len());
    // The last watched stage.
    let mut before: Option<usize> = None;
    for view in views {
        let result = measures(view, tree).then(|| locate::finding(&view.stage.text)).flatten();
        if let Some(outcome) = result {
            list.push((view.stage.number, measured(view, outcome)));
        } else if view.stage.is_watched() {
            let before_it = before.and_then(|i| list.get(i)).map(|(_, evidence)| evidence);
            list.push((view.stage.number, watched(view, before_it)));
            before = Some(list.len() - 1);
        }
    }
    list
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
    }
}

/// A stage that was watched with hands off, against the watched one before it.
fn watched(view: &StageView, before: Option<&StageEvidence>) -> StageEvidence {
    let (keys, path) = (keys(view), path(view));
    let strays = !view.stage.seen.train.is_empty();
    let outcome = match (strays, before) {
        (false, _) => Seen::Stops,
        (true, None) => Seen::Stays,
        (true, Some(before)) if before.outcome == Seen::Stops => Seen::Returns,
        (true, Some(before)) if leading(&before.keys) != leading(&keys) || before.path != path => {
            Seen::Changes
        }
        (true, Some(_)) => Seen::Stays,
    };
    let comparison = view.comparison.as_ref().map(|(_, comparison)| comparison);
    StageEvidence {
        kind: view.stage.step.as_ref().map(|step| step.kind),
        text: view.stage.text.clone(),
        parts: view.stage.step.as_ref().map(|step| step.parts.clone()).unwrap_or_default(),
        outcome,
        quiet_anyway: comparison.map(|comparison| comparison.figures.quiet_anyway),
        // As for the credit of the steps, so that both propose the same.
        exposure_s: view
            .alone
            .as_ref()
            .map_or_else(|| view.stage.observation.train.exposure().seconds(), free_s),
        episodes: view.alone.as_ref().map_or(u64::from(strays), |side| side.episodes),
        keys,
        path,
        compared_strayed: comparison.map(|comparison| comparison.before.strays > 0),
    }
}

/// Asks for the result of every measurement whose step does not say it.
fn without_result(views: &[StageView], tree: &locate::FaultTree) -> Vec<String> {
    let open = |view: &&StageView| measures(view, tree) && locate::finding(&view.stage.text).is_none();
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
fn keys(view: &StageView) -> Vec<Key> {
    let train = &view.stage.seen.train;
    let mut counts: BTreeMap<Key, u64> = BTreeMap::new();
    for occurrence in train.occurrences().iter().filter(|occurrence| occurrence.kind == EventKind::Press) {
        if let Some(key) = train.symbols().get(occurrence.symbol as usize).and_then(|symbol| symbol.key) {
            *counts.entry(key).or_default() += 1;
        }
    }
    let mut keys: Vec<(Key, u64)> = counts.into_iter().collect();
    keys.sort_by_key(|(key, count)| (std::cmp::Reverse(*count), *key));
    keys.into_iter().map(|(key, _)| key).collect()
}

/// The control path of most strays of a stage.
fn path(view: &StageView) -> Option<ControlPath> {
    let train = &view.stage.seen.train;
    let mut counts: BTreeMap<ControlPath, u64> = BTreeMap::new();
    for occurrence in train.occurrences() {
        if let Some(symbol) = train.symbols().get(occurrence.symbol as usize) {
            *counts.entry(symbol.path).or_default() += 1;
        }
    }
    counts.into_iter().max_by_key(|(path, count)| (*count, std::cmp::Reverse(*path))).map(|(path, _)| path)
}

/// The ladder of each line fitted to the readings of all stages up to the first repair.
fn fits(loaded: &Loaded, protocols: &Protocols) -> Result<Vec<Fit>> {
    let Some(chassis) = chassis(loaded, protocols)? else { return Ok(Vec::new()) };
    let mut collector =
        Collector::new(chassis.lines().map(|(_, windows)| Network::from(windows.line())).collect());
    let tree = locate::faults()?;
    let mut strays: BTreeSet<String> = BTreeSet::new();
    for stage in loaded.job.stages() {
        if let Some(step) = &stage.step {
            collector.stage(tree, step.kind, &step.text, &step.parts);
        }
        for capture in &stage.captures {
            let off = capture.hands == Hands::Off;
            collector.capture(off, &capture.prompts);
            loaded.readings(capture, &mut |line, t, counts| {
                collector.reading(line, t, counts);
                Ok(())
            })?;
            loaded.acts(capture, &mut |event| {
                collector.event(&event);
                if off && event.kind == EventKind::Press {
                    strays.extend(event.line.as_deref().map(str::to_owned));
                }
                Ok(())
            })?;
        }
    }
    // Where strays sit on one line, another line's healthy readings say nothing about them.
    Ok(collector.fits_of(|line| strays.is_empty() || strays.contains(line)))
}

type Chassis = std::sync::Arc<crate::decode::chassis::Chassis>;

/// The job's chassis, named or as its captures were recognised.
///
/// # Errors
/// `Machine` when the disk fails, `Usage` when the chassis is not known.
pub fn chassis(loaded: &Loaded, protocols: &Protocols) -> Result<Option<Chassis>> {
    if let Some(name) = &loaded.job.info().chassis {
        return protocols.library.chassis(name).map(Some);
    }
    for capture in loaded.job.captures() {
        if let Some(name) = loaded.keypad_chassis(capture)? {
            return protocols.library.chassis(&name).map(Some);
        }
    }
    Ok(None)
}
