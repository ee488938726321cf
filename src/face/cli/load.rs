//! Capture files and jobs to what analysis looks at.

use std::path::{Path, PathBuf};

use crate::analysis::EventSequence;
use crate::analysis::ledger::Builder;
pub(super) use crate::base::words::{chance, duration};
use crate::base::{Error, Event, EventKind, Name, Nanoseconds, Result};
use crate::bench::timed;
pub(super) use crate::bench::{Loaded, Seen};
use crate::face::cli::args::{Hands, Reading};
use crate::face::cli::decode;
use crate::face::out::{Out, safe};
use crate::timeline::Protocols;
use crate::timeline::job::{self, JobReference};

/// Whether a path names a job (or a stage of one) rather than a capture file.
pub(super) fn is_job(input: &Path) -> bool {
    let text = input.to_string_lossy();
    let folder = text.rsplit_once('#').map_or(input.to_path_buf(), |(folder, _)| PathBuf::from(folder));
    input.join("job.toml").is_file() || (!input.exists() && folder.join("job.toml").is_file())
}

/// Opens a job to look at it, and says what is wrong with it.
pub(super) fn open(folder: &Path, protocols: &Protocols, rebuild: bool, out: &Out) -> Result<Loaded> {
    let loaded = Loaded::open(folder, protocols, rebuild)?;
    loaded.job.remarks().iter().for_each(|remark| out.note(safe(remark)));
    Ok(loaded)
}

/// The job of which both sides are stages, opened once; `None` when they are something else.
pub(super) fn shared_job(
    before: &Path,
    after: &Path,
    protocols: &Protocols,
    out: &Out,
) -> Result<Option<Loaded>> {
    if !is_job(before) || !is_job(after) {
        return Ok(None);
    }
    let folder = |path: &Path| JobReference::parse(&path.to_string_lossy()).map(|found| found.folder);
    let (one, two) = (folder(before)?, folder(after)?);
    let same =
        one == two || one.canonicalize().ok().zip(two.canonicalize().ok()).is_some_and(|(a, b)| a == b);
    if same { open(&one, protocols, false, out).map(Some) } else { Ok(None) }
}

/// What else looks at an observation: at its readings or at its other events, each in order, one capture after
/// the other.
pub(super) trait Look {
    /// One keypad reading.
    fn reading(&mut self, _line: &Name, _t: Nanoseconds, _counts: u32) {}
    /// One event that is no reading.
    fn act(&mut self, _event: &Event) {}
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
        // What the cadences of the captures before this one have taught.
        let mut builder = Builder::new(crate::bench::taught(seen.taught.iter().chain(&seen.ledgers)));
        let sequence = &mut seen.sequence;
        let mut push = |event: Event| {
            sequence.push(&event);
            if let (EventKind::Reading, Some(line), Some(counts)) = (event.kind, &event.line, event.counts) {
                look.reading(line, event.t, counts);
            } else {
                look.act(&event);
            }
            Ok(())
        };
        let summary = decode::watched(input, reading, protocols, &mut builder, &mut push)?;
        look.end();
        decode::tell(&summary, out);
        seen.hands_off &= hands == Hands::Off;
        seen.chassis = summary.chassis.as_ref().map(|choice| choice.name.clone());
        seen.started.clone_from(&summary.started);
        seen.close(builder.ledger(timed(&summary)), summary.anchor);
        return Ok(());
    }
    let reference = JobReference::parse(&input.to_string_lossy())?;
    observe_job(&open(&reference.folder, protocols, false, out)?, input, seen, look)
}

/// Adds a job that is open, or one stage of it, to an observation; `input` names it.
pub(super) fn observe_job(loaded: &Loaded, input: &Path, seen: &mut Seen, look: &mut dyn Look) -> Result<()> {
    let reference = JobReference::parse(&input.to_string_lossy())?;
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
    seen.sequence = EventSequence::with_latency(loaded.causes().latency());
    for capture in captures(hands) {
        loaded.readings(capture, &mut |line, t, counts| {
            look.reading(line, t, counts);
            Ok(())
        })?;
        // Readings are no strays.
        let ledger = loaded.ledger(capture);
        loaded.acts(capture, &mut |event| {
            seen.push(&event, ledger);
            look.act(&event);
            Ok(())
        })?;
        loaded.close(capture, seen);
        seen.chassis = loaded.keypad_chassis(capture)?.or(seen.chassis.take());
        let began = capture.started.and_then(|anchor| anchor.wall(Nanoseconds::ZERO));
        seen.started = seen.started.take().or(began);
        look.end();
    }
    if seen.sequence.exposure().0 == 0 {
        return Err(Error::input("nothing was captured here yet")
            .at(input)
            .help("soak first: straykey soak JOB --port PORT --minutes M"));
    }
    Ok(())
}
