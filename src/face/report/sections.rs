//! What the statistics say of a job beyond its verdicts, as sections of the report: what a soak will need, which
//! step did it, suspected strays, cause and effect, keypad readings, changes of the rate.

use serde::Serialize;

use crate::analysis::stray::Suspicion;
use crate::base::words::{chance, duration};
use crate::base::{Error, Result};
use crate::bench::provoke::ProvokedState;
use crate::bench::{JobState, shift_cells, stretches_sentence, summary, worth_telling};

/// A finding with its sentences, a table, and the same for programs.
#[derive(Clone, Debug, Default, Serialize)]
pub(super) struct Section {
    /// Name of the field in JSON.
    id: &'static str,
    pub(super) title: &'static str,
    pub(super) sentences: Vec<String>,
    pub(super) columns: Vec<&'static str>,
    pub(super) rows: Vec<Vec<String>>,
    /// The finding as it stands in the command line's JSON.
    data: serde_json::Value,
}

/// All of which there is something to say.
pub(super) fn sections(state: &JobState) -> Result<Vec<Section>> {
    let found = [
        plan(state)?,
        credit(state)?,
        provocations(state)?,
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
        .map_err(|error| Error::machine(format!("a finding cannot be written: {error}")))?;
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

/// What was done to the set to make the fault come: what each stressor did, and each block in the order that was drawn.
fn provocations(state: &JobState) -> Result<Option<Section>> {
    let done = &state.provocations;
    if done.is_empty() {
        return Ok(None);
    }
    let one = |found: &ProvokedState| {
        let effects = found.stressors.iter().flat_map(summary::provoked);
        let order = format!("Order drawn by seed {}.", found.seed);
        let rest = [summary::rounds(found), order];
        effects.chain(rest).map(|said| format!("Stage {}: {said}", found.stage)).collect::<Vec<_>>()
    };
    let rows = done.iter().flat_map(|found| &found.blocks).map(|block| {
        vec![
            duration(block.from_s.round()),
            block.stressor.clone().unwrap_or_else(|| "leave alone".to_owned()),
            block.episodes.to_string(),
            block.struck.clone().unwrap_or_default(),
        ]
    });
    let rows = rows.collect();
    let sentences = done.iter().flat_map(one).collect();
    let found = section("provocations", "What makes the fault come", sentences, done)?;
    Ok(Some(table(found, ["From", "What was done", "Episodes", "Left out, because"], rows)))
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
