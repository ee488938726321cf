//! `job` and `step`: the record of one set on the bench.

use std::path::{Path, PathBuf};

use super::compare::headline;
use super::load::{self, Loaded, StageSeen};
use super::table;
use crate::analysis::Train;
use crate::analysis::compare::{CompareOptions, Comparison, Side, compare};
use crate::analysis::episode::{EpisodeRule, fold};
use crate::analysis::pattern::{PatternOptions, find};
use crate::base::{Error, Result};
use crate::face::args::{self, JobCommand, StepWord};
use crate::face::out::{Out, Outcome, safe};
use crate::timeline::Protocols;
use crate::timeline::job::{self, Job, JobInfo, StepKind};

pub(super) fn run(command: JobCommand, protocols: &Protocols, out: &mut Out) -> Result<Outcome> {
    match command {
        JobCommand::New { folder, set, chassis, complaint } => {
            if let Some(name) = &chassis {
                protocols.library.chassis(name)?;
            }
            let info = JobInfo { chassis, complaint, ..JobInfo::new(set) };
            let job = Job::create(&folder, &info)?;
            out.note(format!(
                "Job {} is open. Next: straykey soak {} --port PORT --minutes 20, hands off.",
                folder.display(),
                folder.display()
            ));
            drop(job);
            show(&folder, protocols, false, out)
        }
        JobCommand::Build { manifest, out: folder } => {
            let folder = folder.unwrap_or_else(|| beside(&manifest));
            drop(job::build(&manifest, &folder)?);
            show(&folder, protocols, false, out)
        }
        JobCommand::Show { folder, rebuild } => show(&folder, protocols, rebuild, out),
    }
}

/// The manifest's own name without its ending, as a folder beside it.
fn beside(manifest: &Path) -> PathBuf {
    manifest.with_extension("job")
}

pub(super) fn step(options: &args::Step, out: &mut Out) -> Result<Outcome> {
    let mut job = Job::open(&options.job)?;
    let kind = match options.kind {
        StepWord::Isolate => StepKind::Isolate,
        StepWord::Repair => StepKind::Repair,
        StepWord::Restore => StepKind::Restore,
    };
    let stage =
        job.add_step(job::Step { text: options.text.clone(), kind, parts: options.part.clone() })?.number;
    if options.part.len() > 1 {
        out.note(format!(
            "Two parts in one step ({}): if the set is cured now, nobody can tell which one did it. Undo one of \
             them (--kind restore) and soak before you go on.",
            options.part.join(", ")
        ));
    }
    if out.json {
        out.value(
            &serde_json::json!({ "version": 1, "stage": stage, "kind": kind.word(), "parts": options.part }),
        )?;
    } else {
        out.line(format!(
            "Stage {stage} begins: {}. Now soak with hands off and see what the step did.",
            safe(&options.text)
        ))?;
    }
    Ok(Outcome::Done)
}

/// One stage as it is shown: strays, patterns, and what its step did.
pub(super) struct StageView {
    pub(super) stage: StageSeen,
    pub(super) patterns: crate::analysis::pattern::Patterns,
    /// Against the last earlier stage that was watched hands off.
    pub(super) comparison: Option<(usize, Comparison)>,
    /// The stage by itself, when it was watched hands off.
    pub(super) alone: Option<Side>,
}

/// One gap between episodes for the whole job: counts of different stages must mean the same.
pub(super) fn options(stages: &[StageSeen]) -> CompareOptions {
    let presses: Vec<_> = stages.iter().map(|stage| fold(&stage.seen.train)).collect();
    let trains: Vec<(&Train, &[_])> =
        stages.iter().zip(&presses).map(|(stage, presses)| (&stage.seen.train, presses.as_slice())).collect();
    CompareOptions { episode_gap: EpisodeRule::learn(&trains).gap, ..CompareOptions::default() }
}

/// Every stage with its patterns, compared with the watched stage before it.
pub(super) fn views(loaded: &Loaded) -> Result<Vec<StageView>> {
    let mut views: Vec<StageView> = Vec::new();
    let stages = loaded.stages()?;
    let options = options(&stages);
    for stage in stages {
        let patterns = find(&stage.seen.train, &PatternOptions::default());
        let watched = stage.seen.train.exposure().0 > 0;
        let earlier =
            views.iter().rev().find(|view| view.stage.seen.train.exposure().0 > 0).filter(|_| watched);
        let comparison = earlier.map(|view| {
            let before = view.stage.observation();
            (view.stage.number, compare(&before, &stage.observation(), &options))
        });
        let alone = watched.then(|| compare(&stage.observation(), &stage.observation(), &options).before);
        views.push(StageView { stage, patterns, comparison, alone });
    }
    Ok(views)
}

fn show(folder: &Path, protocols: &Protocols, rebuild: bool, out: &mut Out) -> Result<Outcome> {
    let loaded = Loaded::open(folder, protocols, rebuild)?;
    let views = views(&loaded)?;
    let info = loaded.job.info();
    for remark in loaded.job.remarks() {
        out.note(safe(remark));
    }
    if out.json {
        let stages: Vec<_> = views.iter().map(json).collect();
        out.value(&serde_json::json!({
            "version": 1, "job": folder.display().to_string(), "set": info.set, "chassis": info.chassis,
            "complaint": info.complaint, "stages": stages,
        }))?;
        return Ok(Outcome::Done);
    }
    let chassis = info.chassis.as_deref().unwrap_or("to be recognised");
    out.line(format!("{}: {} (chassis {})", folder.display(), safe(&info.set), safe(chassis)))?;
    if let Some(complaint) = &info.complaint {
        out.line(format!("Complaint: {}", safe(complaint)))?;
    }
    let mut list = table::new(
        &["stage", "what was done", "kind", "watched", "strays", "episodes", "verdict"],
        &[0, 3, 4, 5],
    );
    for view in &views {
        let stage = &view.stage;
        let watched = stage.seen.train.exposure().seconds();
        let kind = stage.step.as_ref().map_or("", |step| step.kind.word());
        let episodes = view.alone.as_ref().map_or_else(|| "–".to_owned(), |alone| alone.episodes.to_string());
        let verdict = view.comparison.as_ref().map_or("", |(_, comparison)| comparison.verdict.word());
        list.add_row([
            stage.number.to_string(),
            safe(&stage.text),
            kind.to_owned(),
            if watched > 0.0 { load::duration(watched) } else { "–".to_owned() },
            if watched > 0.0 { stage.seen.train.len().to_string() } else { "–".to_owned() },
            episodes,
            verdict.to_owned(),
        ]);
    }
    out.line(table::text(&list))?;
    for view in &views {
        if let Some((before, comparison)) = &view.comparison {
            out.line(format!("Stage {} against {before}: {}", view.stage.number, headline(comparison)))?;
        }
    }
    Ok(Outcome::Done)
}

fn json(view: &StageView) -> serde_json::Value {
    let stage = &view.stage;
    let captures: Vec<_> = stage
        .captures
        .iter()
        .map(|capture| {
            serde_json::json!({
                "name": capture.name, "file": capture.file, "hands": capture.hands,
                "sha256": capture.sha256, "bytes": capture.bytes,
            })
        })
        .collect();
    serde_json::json!({
        "stage": stage.number, "step": stage.text,
        "kind": stage.step.as_ref().map(|step| step.kind.word()),
        "parts": stage.step.as_ref().map(|step| step.parts.clone()).unwrap_or_default(),
        "span_s": stage.seen.train.exposure().seconds(), "strays": stage.seen.train.len(),
        "captures": captures, "patterns": view.patterns.patterns,
        "compared_with_stage": view.comparison.as_ref().map(|(number, _)| number),
        "comparison": view.comparison.as_ref().map(|(_, comparison)| comparison),
    })
}

/// Refuses a live capture until the cautions were read.
pub(super) fn cautions(job: &mut Job, read: bool, out: &Out) -> Result<()> {
    if job.cautions_read().is_some() {
        return Ok(());
    }
    ask(read, out)?;
    job.acknowledge_cautions("shown in the terminal and confirmed")
}

/// Shows the cautions and waits for a yes, where there is somebody to give it.
pub(super) fn ask(read: bool, out: &Out) -> Result<()> {
    use std::io::IsTerminal;
    out.note(crate::face::cautions::text(usize::from(table::width())));
    if read {
        return Ok(());
    }
    if !std::io::stdin().is_terminal() {
        return Err(Error::usage("the cautions above have not been confirmed")
            .remedy("read them and add --cautions-read, or run this in a terminal"));
    }
    out.note("Press Enter when you have read this and every point is met; Ctrl-C to stop.");
    let mut line = String::new();
    std::io::stdin()
        .read_line(&mut line)
        .map_err(|error| Error::machine("cannot read the confirmation").because(error))?;
    Ok(())
}
