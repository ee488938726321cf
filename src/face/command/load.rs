//! Capture files and jobs to what analysis looks at.

use std::path::Path;

use super::decode;
use super::patterns::is_job;
use crate::analysis::Train;
pub(super) use crate::base::words::{chance, duration};
use crate::base::{Error, Event, Result};
use crate::face::args::{Hands, Reading};
use crate::face::findings::observed;
pub(super) use crate::face::findings::{Loaded, Seen, prints_readings};
use crate::face::out::Out;
use crate::timeline::Protocols;
use crate::timeline::job::{self, JobReference};

/// Adds a capture file, a job, or one stage of a job to an observation.
pub(super) fn observe(
    input: &Path,
    reading: &Reading,
    hands: Hands,
    protocols: &Protocols,
    out: &Out,
    seen: &mut Seen,
) -> Result<()> {
    if !is_job(input) {
        let mut push = |event: Event| {
            seen.train.push(&event);
            Ok(())
        };
        let summary = decode::read(input, reading, protocols, &mut push)?;
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
        loaded.add(capture, seen)?;
    }
    if seen.train.exposure().0 == 0 {
        return Err(Error::input("nothing was captured here yet")
            .at(input)
            .remedy("soak first: straykey soak JOB --port PORT --minutes M"));
    }
    Ok(())
}
