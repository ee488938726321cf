//! What the statistics say of a job beyond its verdicts, as topics of the report: what a soak will need, which
//! step did it, suspected strays, cause and effect, keypad readings, changes of the rate.

use serde::Serialize;

use crate::analysis::stray::Suspicion;
use crate::base::{Error, Result};
use crate::bench::{JobState, stretches_sentence, worth_telling};
use crate::face::cli::load::{chance, duration};
use crate::face::cli::readings;
use crate::face::report::Topic;

/// All topics on which there is something to say.
pub(super) fn topics(state: &JobState) -> Result<Vec<Topic>> {
    let found =
        [plan(state)?, credit(state)?, suspected(state)?, causes(state)?, levels(state)?, rates(state)?];
    Ok(found.into_iter().flatten().collect())
}

fn topic(id: &str, title: &str, sentences: Vec<String>, data: &impl Serialize) -> Result<Topic> {
    let data = serde_json::to_value(data)
        .map_err(|error| Error::machine(format!("a finding cannot be written: {error}")))?;
    Ok(Topic { id: id.to_owned(), title: title.to_owned(), sentences, data, ..Topic::default() })
}

fn table<const N: usize>(topic: Topic, columns: [&str; N], rows: Vec<Vec<String>>) -> Topic {
    Topic { columns: columns.map(str::to_owned).to_vec(), rows, ..topic }
}

/// The soak that the next repair would need, while there is something to repair.
fn plan(state: &JobState) -> Result<Option<Topic>> {
    let last = state.stages.iter().rev().find_map(|stage| Some((stage.stage, stage.plan.as_ref()?)));
    let Some((stage, plan)) = last.filter(|(_, plan)| plan.plan.episodes > 0) else { return Ok(None) };
    let sentence = format!("Stage {stage}: {}", plan.advice);
    topic("plan", "What the soak after the next repair must be", vec![sentence], plan).map(Some)
}

fn credit(state: &JobState) -> Result<Option<Topic>> {
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
    let found =
        topic("attribution", "At which step the rate changed", attribution.rest.notes.clone(), attribution)?;
    let columns =
        ["Step", "Before stage", "What was changed", "Probability", "Chance of such a fall, corrected"];
    Ok(Some(table(found, columns, rows)))
}

#[derive(Serialize)]
struct StageSuspicion<'a> {
    stage: usize,
    #[serde(flatten)]
    suspicion: &'a Suspicion,
}

fn suspected(state: &JobState) -> Result<Option<Topic>> {
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
    let topic = topic("suspicion", "Suspected strays while hands were on", sentences, &found)?;
    Ok(Some(table(topic, ["Stage", "Input", "Because", "Seen", "Odds that no hand gave it"], rows)))
}

fn causes(state: &JobState) -> Result<Option<Topic>> {
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
    let topic = topic("causes", "Menu changes and their causes", sentences, &state.causes)?;
    Ok(Some(table(topic, ["Orphan: menu change with no input behind it", "Capture", "Time"], rows)))
}

fn levels(state: &JobState) -> Result<Option<Topic>> {
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
            row.extend(readings::shift_cells(shift));
            Some(row)
        })
        .collect();
    let topic =
        topic("levels", "Keypad readings", sentences, &serde_json::json!({ "stages": state.levels }))?;
    let columns = [
        "Line",
        "Stage",
        "Median, counts",
        "Spread",
        "Drift a minute",
        "Chance if unchanged",
        "By the mean alone",
    ];
    Ok(Some(table(topic, columns, rows)))
}

fn rates(state: &JobState) -> Result<Option<Topic>> {
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
    let topic = topic("rate_stretches", "The rate changed while nothing was done", sentences, &stretches)?;
    Ok(Some(table(topic, ["Stage", "Time watched", "Episodes", "Episodes a minute"], rows)))
}
