//! Capture files and jobs to what analysis looks at.

use std::path::{Path, PathBuf};

use super::decode;
use crate::analysis::{CompareOptions, Train};
pub(super) use crate::base::words::{chance, duration};
use crate::base::{Error, Event, EventKind, Result};
use crate::face::args::{Hands, Reading};
use crate::face::findings::{self, observed};
pub(super) use crate::face::findings::{Loaded, Seen, prints_readings};
use crate::face::out::Out;
use crate::timeline::Protocols;
use crate::timeline::job::{self, JobReference};

/// Whether a path names a job (or a stage of one) rather than a capture file.
pub(super) fn is_job(input: &Path) -> bool {
    let text = input.to_string_lossy();
    let folder = text.rsplit_once('#').map_or(input.to_path_buf(), |(folder, _)| PathBuf::from(folder));
    input.join("job.toml").is_file() || (!input.exists() && folder.join("job.toml").is_file())
}

/// The rule for episodes when both sides are stages of one job: the job's, so that a stage counts the same in
/// every view.
pub(super) fn shared_rule(
    before: &Path,
    after: &Path,
    protocols: &Protocols,
) -> Result<Option<CompareOptions>> {
    if !is_job(before) || !is_job(after) {
        return Ok(None);
    }
    let folder = |path: &Path| JobReference::parse(&path.to_string_lossy()).map(|found| found.folder);
    let (one, two) = (folder(before)?, folder(after)?);
    let same =
        one == two || one.canonicalize().ok().zip(two.canonicalize().ok()).is_some_and(|(a, b)| a == b);
    if !same {
        return Ok(None);
    }
    Ok(Some(findings::options(&Loaded::open(&one, protocols, false)?.stages()?)))
}

/// What else looks at the events of an observation.
pub(super) trait Look {
    /// One event.
    fn event(&mut self, event: &Event);
    /// The end of a capture; the next one has a clock of its own.
    fn end(&mut self);
}

/// Adds a capture file, a job, or one stage of a job to an observation.
pub(super) fn observe(
    input: &Path,
    reading: &Reading,
    hands: Hands,
    protocols: &Protocols,
    out: &Out,
    seen: &mut Seen,
    look: &mut dyn Look,
) -> Result<()> {
    if !is_job(input) {
        let mut push = |event: Event| {
            seen.train.push(&event);
            look.event(&event);
            Ok(())
        };
        let summary = decode::read(input, reading, protocols, &mut push)?;
        look.end();
        decode::tell(&summary, out);
        seen.hands_off &= hands == Hands::Off;
        seen.chassis = summary.chassis.as_ref().map(|choice| choice.name.clone());
        seen.close(observed(&summary, protocols)?);
        return Ok(());
    }
    let reference = JobReference::parse(&input.to_string_lossy())?;
    let loaded = Loaded::open(&reference.folder, protocols, false)?;
    let wanted = |number| reference.stage.is_none_or(|stage| stage == number);
    if !loaded.job.stages().iter().any(|stage| wanted(stage.number)) {
        loaded.job.stage(reference.stage.unwrap_or(1))?;
    }
    let captures = |hands| {
        let stages = loaded.job.stages().iter().filter(move |stage| wanted(stage.number));
        stages.flat_map(|stage| &stage.captures).filter(move |capture| capture.hands == hands)
    };
    // Where nothing was soaked yet, what came with hands on can only be suspected, and is shown as that.
    let hands = if captures(job::Hands::Off).next().is_some() { job::Hands::Off } else { job::Hands::On };
    seen.train = Train::with_latency(loaded.causes().latency());
    for capture in captures(hands) {
        loaded.events(capture, &mut |event| {
            // Readings are no strays; see `Loaded::add`.
            if event.kind != EventKind::Reading {
                seen.train.push(&event);
            }
            look.event(&event);
            Ok(())
        })?;
        loaded.close(capture, seen);
        look.end();
    }
    if seen.train.exposure().0 == 0 {
        return Err(Error::input("nothing was captured here yet")
            .at(input)
            .remedy("soak first: straykey soak JOB --port PORT --minutes M"));
    }
    Ok(())
}
