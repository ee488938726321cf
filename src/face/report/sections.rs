//! What the statistics say of a job beyond its verdicts, as sections of the report: what a soak will need, which
//! step did it, suspected strays, cause and effect, keypad readings, changes of the rate.

use std::collections::BTreeMap;

use serde::Serialize;

use crate::analysis::stray::Suspicion;
use crate::base::words::{chance, duration, number};
use crate::base::{Error, Result};
use crate::bench::provoke::ProvokedState;
use crate::bench::{JobState, shift_cells, stretches_sentence, summary, worth_telling};
use crate::face::drawing::Door;
use crate::face::report::blocks;

/// A finding with its sentences, a table, and the same for programs.
#[derive(Clone, Debug, Default, Serialize)]
pub(super) struct Section {
    /// Name of the field in JSON.
    id: &'static str,
    pub(super) title: &'static str,
    pub(super) sentences: Vec<String>,
    pub(super) columns: Vec<&'static str>,
    pub(super) rows: Vec<Vec<String>>,
    /// Drawings, as markup.
    #[serde(skip)]
    pub(super) figures: Vec<String>,
    /// The finding as it stands in the command line's JSON.
    data: serde_json::Value,
}

/// All of which there is something to say.
pub(super) fn sections(state: &JobState, door: Door) -> Result<Vec<Section>> {
    let found = [
        plan(state)?,
        credit(state)?,
        provocations(state, door)?,
        suspected(state)?,
        causes(state)?,
        levels(state)?,
        rates(state)?,
    ];
    Ok(found.into_iter().flatten().collect())
}

fn section(
    id: &'static str,
    title: &'static str,
    sentences: Vec<String>,
    data: &impl Serialize,
) -> Result<Section> {
    let data = serde_json::to_value(data)
        .map_err(|error| Error::system(format!("a finding cannot be written: {error}")))?;
    Ok(Section { id, title, sentences, data, ..Section::default() })
}

fn table<const N: usize>(section: Section, columns: [&'static str; N], rows: Vec<Vec<String>>) -> Section {
    Section { columns: columns.to_vec(), rows, ..section }
}

/// The soak that the next repair would need, while there is something to repair.
fn plan(state: &JobState) -> Result<Option<Section>> {
    let last = state.stages.iter().rev().find_map(|stage| Some((stage.stage, stage.plan.as_ref()?)));
    let Some((stage, plan)) = last.filter(|(_, plan)| plan.plan.episodes > 0) else { return Ok(None) };
    let sentence = format!("Stage {stage}: {}", plan.advice);
    section("plan", "What the soak after the next repair must be", vec![sentence], plan).map(Some)
}

fn credit(state: &JobState) -> Result<Option<Section>> {
    let Some(attribution) = &state.attribution else { return Ok(None) };
    let rows = attribution
        .steps
        .iter()
        .map(|step| {
            vec![
                step.credit.step.to_string(),
                step.stage.to_string(),
                step.changed(),
                chance(step.credit.posterior),
                chance(step.credit.chance_corrected),
            ]
        })
        .collect();
    let found = section(
        "attribution",
        "At which step the rate changed",
        attribution.rest.notes.clone(),
        attribution,
    )?;
    let columns =
        ["Step", "Before stage", "What was changed", "Probability", "Chance of such a fall, corrected"];
    Ok(Some(table(found, columns, rows)))
}

/// What was done to the set to make the fault come: what each stressor did, the blocks in the order that was drawn, and what
/// the same stressors brought after a step.
fn provocations(state: &JobState, door: Door) -> Result<Option<Section>> {
    let done = &state.provocations;
    if done.is_empty() {
        return Ok(None);
    }
    let one = |found: &ProvokedState| {
        let effects = found.stressors.iter().flat_map(summary::provoked);
        let order = format!("Order drawn by seed {}.", found.seed);
        let again = state.provoked_again.iter().filter(|again| again.capture == found.capture);
        let again = again.flat_map(|again| {
            let against = format!("Against stage {}:", again.before_stage);
            summary::again(again).into_iter().map(move |said| format!("{against} {said}"))
        });
        let said = effects
            .chain([summary::rounds(found), order, summary::cautions(found)])
            .chain(left_out(found))
            .chain(again);
        said.map(|said| format!("Stage {}: {said}", found.stage)).collect::<Vec<_>>()
    };
    let sentences = done.iter().flat_map(one).collect();
    let figures = done.iter().filter_map(|found| blocks::figure(found, door)).map(|part| part.0).collect();
    let rows = done.iter().flat_map(effects).collect();
    let found = section("provocations", "What makes the fault come", sentences, done)?;
    let columns =
        ["Stage, stressor", "What", "With it", "Leave alone", "Change (95 % interval)", "Could be luck"];
    Ok(Some(Section { figures, ..table(found, columns, rows) }))
}

/// Each round that does not count, and why.
fn left_out(found: &ProvokedState) -> Vec<String> {
    let rounds: BTreeMap<usize, &String> =
        found.blocks.iter().filter_map(|block| Some((block.round, block.struck.as_ref()?))).collect();
    rounds.into_iter().map(|(round, why)| format!("Round {round} is left out: {why}.")).collect()
}

/// The effects of one provocation as rows.
fn effects(found: &ProvokedState) -> Vec<Vec<String>> {
    let mut rows = Vec::new();
    for one in &found.stressors {
        let mut row = |what: String, with: String, alone: String, change: String, p: f64| {
            let name = format!("{}: {}", found.stage, one.stressor);
            rows.push(vec![name, what, with, alone, change, chance(p)]);
        };
        let times = |times: Option<f64>, low: f64, high: Option<f64>| match (times, high) {
            (Some(times), Some(high)) => format!("× {} ({} to {})", number(times), number(low), number(high)),
            (Some(times), None) => format!("× {} ({} or more)", number(times), number(low)),
            // Neither had any.
            _ if low <= 0.0 => "–".to_owned(),
            _ => format!("× {} or more", number(low)),
        };
        let change = times(one.times, one.times_low, one.times_high);
        row("episodes".to_owned(), one.episodes.to_string(), one.alone.to_string(), change, one.chance);
        if let Some(own) = &one.excursions {
            let change = times(own.times, own.times_low, own.times_high);
            row(
                "excursions".to_owned(),
                own.excursions.to_string(),
                own.alone.to_string(),
                change,
                own.chance,
            );
        }
        for level in &one.levels {
            let mean = |stressor: Option<&String>| {
                let blocks = found.blocks.iter().filter(|block| block.struck.is_none());
                let own = blocks.filter(|block| block.stressor.as_ref() == stressor);
                let levels = own.flat_map(|block| &block.levels).filter(|one| one.line == level.line);
                let (sum, count) =
                    levels.fold((0.0, 0.0), |(sum, count), one| (sum + one.level, count + 1.0));
                number(sum / f64::max(count, 1.0))
            };
            let within = match (level.low, level.high) {
                (Some(low), Some(high)) => format!(" ({low:+.1} to {high:+.1})"),
                _ => String::new(),
            };
            row(
                format!("{} at rest, counts", level.line),
                mean(Some(&one.stressor)),
                mean(None),
                format!("{:+.1}{within}", level.shift),
                level.chance,
            );
        }
    }
    rows
}

#[derive(Serialize)]
struct StageSuspicion<'a> {
    stage: usize,
    #[serde(flatten)]
    suspicion: &'a Suspicion,
}

fn suspected(state: &JobState) -> Result<Option<Section>> {
    let found: Vec<StageSuspicion<'_>> = state
        .stages
        .iter()
        .filter_map(|stage| Some(StageSuspicion { stage: stage.stage, suspicion: stage.suspicion.as_ref()? }))
        .collect();
    if found.is_empty() {
        return Ok(None);
    }
    let sentences =
        found.iter().map(|one| format!("Stage {}: {}", one.stage, one.suspicion.advice)).collect();
    let rows = found
        .iter()
        .flat_map(|one| worth_telling(one.suspicion).map(|suspect| (one.stage, suspect)))
        .map(|(stage, suspect)| {
            vec![
                stage.to_string(),
                suspect.symbol.label(),
                suspect.because.join("; "),
                suspect.count.to_string(),
                chance(suspect.probability),
            ]
        })
        .collect();
    let found = section("suspicion", "Suspected strays while hands were on", sentences, &found)?;
    Ok(Some(table(found, ["Stage", "Input", "Because", "Seen", "Odds that no hand gave it"], rows)))
}

fn causes(state: &JobState) -> Result<Option<Section>> {
    let sentences = state.causes.sentences();
    if sentences.is_empty() {
        return Ok(None);
    }
    let rows = state
        .causes
        .first_orphans
        .iter()
        .map(|orphan| {
            let item = orphan.item.clone().unwrap_or_else(|| "–".to_owned());
            vec![item, orphan.capture.clone(), format!("{:.2} s", orphan.t)]
        })
        .collect();
    let found = section("causes", "Menu changes and their causes", sentences, &state.causes)?;
    Ok(Some(table(found, ["Orphan: menu change with no input behind it", "Capture", "Time"], rows)))
}

fn levels(state: &JobState) -> Result<Option<Section>> {
    if state.levels.is_empty() {
        return Ok(None);
    }
    let mut sentences: Vec<String> = state
        .levels
        .iter()
        .filter(|line| !line.notes.is_empty())
        .map(|line| {
            let against = line.against.map_or_else(String::new, |stage| format!(" against {stage}"));
            format!("{}, stage {}{against}: {}", line.line, line.stage, line.notes.join(" "))
        })
        .collect();
    for line in &state.levels {
        let changes = line.level_changes.iter().take(5);
        sentences.extend(changes.map(|c| format!("{}, stage {}: {}", line.line, line.stage, c.sentence())));
    }
    let rows = state
        .levels
        .iter()
        .filter_map(|line| {
            let shift = line.shift.as_ref()?;
            let mut row = vec![line.line.clone(), format!("{} against {}", line.stage, line.against?)];
            row.extend(shift_cells(shift));
            Some(row)
        })
        .collect();
    let found =
        section("levels", "Keypad readings", sentences, &serde_json::json!({ "stages": state.levels }))?;
    let columns = [
        "Line",
        "Stage",
        "Median, counts",
        "Spread",
        "Drift a minute",
        "Chance if unchanged",
        "By the mean alone",
    ];
    Ok(Some(table(found, columns, rows)))
}

fn rates(state: &JobState) -> Result<Option<Section>> {
    let changed: Vec<_> = state.stages.iter().filter(|stage| !stage.rate_stretches.is_empty()).collect();
    let sentences: Vec<String> =
        changed.iter().filter_map(|stage| stretches_sentence(&stage.rate_stretches)).collect();
    if sentences.is_empty() {
        return Ok(None);
    }
    let stretches: Vec<_> = changed.iter().flat_map(|stage| &stage.rate_stretches).collect();
    let rows = stretches
        .iter()
        .map(|stretch| {
            vec![
                stretch.stage.to_string(),
                format!("{} to {}", duration(stretch.from_s), duration(stretch.to_s)),
                stretch.episodes.to_string(),
                format!("{:.2}", stretch.per_min),
            ]
        })
        .collect();
    let found = section("rate_stretches", "The rate changed while nothing was done", sentences, &stretches)?;
    Ok(Some(table(found, ["Stage", "Time watched", "Episodes", "Episodes a minute"], rows)))
}
