//! `job` and `step`: the record of one set on the bench.

pub(crate) use crate::face::cli::cautioned::{ask, cautions};
use std::path::{Path, PathBuf};

use crate::base::words::plural;
use crate::base::{Error, Result};
use crate::bench;
use crate::face::cli::args::{self, JobCommand, StepWord};
use crate::face::cli::load::{self, Loaded};
use crate::face::cli::{answers, daemon, sections, table};
use crate::face::http::client::Client;
use crate::face::out::{Out, Outcome, safe};
use crate::timeline::Protocols;
use crate::timeline::job::{self, Job, JobInfo, PackOptions, StepKind};
use crate::timeline::mask::Masked;

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
            show(&folder, protocols, false, false, out)
        }
        JobCommand::Build { manifest, out: folder } => {
            let folder = folder.unwrap_or_else(|| beside(&manifest));
            drop(job::build(&manifest, &folder)?);
            show(&folder, protocols, false, false, out)
        }
        JobCommand::Close { folder } => close(&folder, out),
        JobCommand::Pack { folder, out: to, keep_private } => pack(&folder, to, keep_private, out),
        JobCommand::Open { pack, out: to } => {
            let folder = to.unwrap_or_else(|| unpacked_name(&pack));
            drop(job::unpack(&pack, &folder)?);
            out.note(format!(
                "Unpacked to {}; every file matches the checksum in the manifest.",
                folder.display()
            ));
            show(&folder, protocols, false, false, out)
        }
        JobCommand::Strike { folder, round, why } => strike(&folder, round as usize, &why, out),
        JobCommand::Show { folder, rebuild, explain } => show(&folder, protocols, rebuild, explain, out),
    }
}

/// Leaves a round of the last provocation out.
fn strike(folder: &Path, round: usize, why: &str, out: &mut Out) -> Result<Outcome> {
    let mut job = Job::open(folder)?;
    let last = job.captures().filter(|capture| capture.provocation.is_some()).last();
    let Some(capture) = last.map(|capture| capture.name.clone()) else {
        return Err(
            Error::usage("nothing was provoked in this job, so there is no round to leave out").at(folder)
        );
    };
    let why = why.trim();
    if why.is_empty() {
        return Err(Error::usage("a round is left out for a reason")
            .help("for example --why \"the cable was touched\""));
    }
    job.strike_round(&capture, round - 1, why)?;
    if out.json {
        out.answer(answers::Struck { capture: &capture, round, why })?;
    } else {
        out.line(table::wrap(
            &format!("Round {round} of {capture} is left out: {}. It stays in the record.", safe(why)),
            0,
        ))?;
    }
    Ok(Outcome::Done)
}

fn close(folder: &Path, out: &mut Out) -> Result<Outcome> {
    let mut job = Job::open(folder)?;
    job.close()?;
    let sums = folder.join("SHA256SUMS");
    let captures: Vec<_> = job
        .captures()
        .map(|capture| answers::Sum { file: capture.file.clone(), sha256: capture.sha256.clone() })
        .collect();
    if out.json {
        let (closed, sums) = (job.closed().map(str::to_owned), sums.display().to_string());
        out.answer(answers::Closed { closed, sums, captures })?;
        return Ok(Outcome::Done);
    }
    out.line(table::wrap(
        &format!(
            "Closed {}. Nothing can be added. {} and the step log are sealed with checksums in {} (sha256sum --check \
             reads it).",
            job.closed().unwrap_or_default(),
            plural(captures.len() as u64, "capture"),
            sums.display()
        ),
        0,
    ))?;
    Ok(Outcome::Done)
}

/// Packs, and says what was masked.
fn pack(folder: &Path, to: Option<PathBuf>, keep_private: bool, out: &mut Out) -> Result<Outcome> {
    let to = to.unwrap_or_else(|| {
        let mut name = folder.file_name().unwrap_or_default().to_owned();
        name.push(PACK_ENDING);
        folder.with_file_name(name)
    });
    let job = Job::read(folder)?;
    let packed = job.pack(&to, &PackOptions { keep_private })?;
    if out.json {
        out.answer(answers::Pack { packed })?;
        return Ok(Outcome::Done);
    }
    out.line(format!(
        "Packed {} into {} ({} bytes).",
        plural(packed.captures as u64, "capture"),
        to.display(),
        packed.bytes
    ))?;
    masked(&packed.masked, keep_private, out)
}

/// Says what was masked, where and how often.
pub(super) fn masked(masked: &[Masked], keep_private: bool, out: &mut Out) -> Result<Outcome> {
    if keep_private {
        out.note("Private strings were left as they are: look the logs through before you hand them on.");
    } else if masked.is_empty() {
        out.note(
            "Nothing private was recognised; look the logs through all the same before you hand them on.",
        );
    } else {
        out.note("Masked as private (the job itself is untouched); look through what else there is:");
        for one in masked {
            out.note(format!("  {}", safe(&one.sentence())));
        }
    }
    Ok(Outcome::Done)
}

const PACK_ENDING: &str = ".pack.tar.gz";

/// The pack's name without its ending, beside it.
fn unpacked_name(pack: &Path) -> PathBuf {
    let name = pack.file_name().unwrap_or_default().to_string_lossy();
    let stem = name.strip_suffix(PACK_ENDING).or_else(|| name.strip_suffix(".tar.gz")).unwrap_or(&name);
    pack.with_file_name(if stem == name { format!("{stem}.job") } else { stem.to_owned() })
}

/// The manifest's own name without its ending, as a folder beside it.
fn beside(manifest: &Path) -> PathBuf {
    manifest.with_extension("job")
}

pub(super) fn step(options: &args::Step, protocols: &Protocols, out: &mut Out) -> Result<Outcome> {
    let kind = match options.kind {
        StepWord::Isolate => StepKind::Isolate,
        StepWord::Repair => StepKind::Repair,
        StepWord::Restore => StepKind::Restore,
    };
    if let Some(daemon) = Client::for_job(&options.job) {
        let (stage, warnings) = daemon::step(&daemon, options, kind.word())?;
        warnings.iter().for_each(|warning| out.note(safe(warning)));
        return stepped(options, stage, kind, out);
    }
    let mut job = Job::open(&options.job)?;
    if options.kind == StepWord::Repair {
        // Before the repair is the last moment at which a longer baseline can be had.
        let loaded = Loaded::index(job, protocols, false)?;
        if let Some((stage, plan)) = bench::last_plan(&loaded.stages()?) {
            out.note(format!("Stage {stage}: {}", plan.advice()));
        }
        job = loaded.job;
    }
    let stage =
        job.add_step(job::Step { text: options.text.clone(), kind, parts: options.part.clone() })?.number;
    if options.part.len() > 1 {
        out.note(format!(
            "Two parts in one step ({}): if the set is cured now, nobody can tell which one did it. Undo one of \
             them (--kind restore) and soak before you go on.",
            options.part.join(", ")
        ));
    }
    stepped(options, stage, kind, out)
}

/// Says that a step was noted.
fn stepped(options: &args::Step, stage: usize, kind: StepKind, out: &mut Out) -> Result<Outcome> {
    if out.json {
        out.answer(answers::Stepped { stage, kind: kind.word(), parts: &options.part })?;
    } else {
        out.line(format!(
            "Stage {stage} begins: {}. Now soak with hands off and see what the step did.",
            safe(&options.text)
        ))?;
    }
    Ok(Outcome::Done)
}

fn show(
    folder: &Path,
    protocols: &Protocols,
    rebuild: bool,
    explain: bool,
    out: &mut Out,
) -> Result<Outcome> {
    if out.json
        && !rebuild
        && let Some(daemon) = Client::for_job(folder)
    {
        // It knows what runs, beside what is written.
        out.value(&daemon::show(&daemon)?)?;
        return Ok(Outcome::Done);
    }
    let loaded = load::open(folder, protocols, rebuild, out)?;
    let state = bench::state(&loaded, protocols)?;
    if out.json {
        out.value(&state)?;
    } else {
        sections::show(&state, explain, out)?;
    }
    Ok(Outcome::Done)
}
