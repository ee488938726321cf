//! Captures and jobs to what analysis looks at.

use std::path::Path;

use super::decode;
use super::patterns::is_job;
use crate::analysis::{Observation, Train};
use crate::base::{Error, Event, Result, Span};
use crate::decode::protocol::Meaning;
use crate::face::args::{Hands, Reading};
use crate::face::out::Out;
use crate::timeline::job::{self, CaptureRef, Job, JobReference, Step};
use crate::timeline::store::Store;
use crate::timeline::{Options, Protocols, Summary, Wire, decode_path};

/// The strays of one observation, and whether hands were off throughout.
pub(super) struct Seen {
    pub(super) train: Train,
    pub(super) hands_off: bool,
    /// A capture without time was among them: nothing about rates can be said.
    pub(super) untimed: bool,
    /// The chassis of the last capture file.
    pub(super) chassis: Option<String>,
}

impl Seen {
    pub(super) fn new(hands_off: bool) -> Self {
        Self { train: Train::new(), hands_off, untimed: false, chassis: None }
    }

    pub(super) fn into_observation(self) -> Observation {
        Observation { train: self.train, hands_off: self.hands_off && !self.untimed }
    }

    fn close(&mut self, span: Option<Span>) {
        match span {
            Some(span) => self.train.observe(span),
            None => self.untimed = true,
        }
    }
}

/// The stretch in which strays would have been seen: none without times, and none where a set that prints its
/// readings all the time gave not one that could be read. That is a wrong rate or chassis, not a quiet set.
fn observed(summary: &Summary, protocols: &Protocols) -> Result<Option<Span>> {
    let Some(choice) = &summary.chassis else { return Ok(summary.span.filter(|_| summary.timed)) };
    let unread = summary.counters.decoded == 0 && prints_readings(&choice.name, protocols)?;
    Ok(summary.span.filter(|_| summary.timed && !unread))
}

/// Whether a chassis prints readings of its keypad, pressed or not.
pub(super) fn prints_readings(chassis: &str, protocols: &Protocols) -> Result<bool> {
    let chassis = protocols.library.chassis(chassis)?;
    let file = chassis.file();
    Ok(file.record.iter().any(|record| *record.event.get_ref() == Meaning::Reading)
        || file.packet.iter().any(|packet| *packet.event.get_ref() == Meaning::Reading))
}

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
    let mut any = false;
    for stage in loaded.job.stages().iter().filter(|stage| wanted(stage.number)) {
        any = true;
        for capture in stage.captures.iter().filter(|capture| capture.hands == job::Hands::Off) {
            loaded.add(capture, seen)?;
        }
    }
    if !any {
        loaded.job.stage(reference.stage.unwrap_or(1))?;
    }
    if seen.train.exposure().0 == 0 {
        return Err(Error::input("there is no hands-off capture here")
            .at(input)
            .remedy("soak first: straykey soak JOB --port PORT --minutes M"));
    }
    Ok(())
}

/// One stage of a job as it was seen.
pub(super) struct StageSeen {
    pub(super) number: usize,
    pub(super) text: String,
    pub(super) step: Option<Step>,
    pub(super) seen: Seen,
    pub(super) captures: Vec<CaptureRef>,
}

/// A job with its index up to date.
pub(super) struct Loaded {
    pub(super) job: Job,
    store: Store,
}

impl Loaded {
    /// Opens a job to look at it, and brings its index up to date.
    pub(super) fn open(folder: &Path, protocols: &Protocols, rebuild: bool) -> Result<Self> {
        let job = Job::read(folder)?;
        Self::index(job, protocols, rebuild)
    }

    /// Brings the index of an open job up to date.
    pub(super) fn index(job: Job, protocols: &Protocols, rebuild: bool) -> Result<Self> {
        let mut store = Store::open(job.folder())?;
        let chassis = job.info().chassis.clone();
        let mut decode = |capture: &CaptureRef, sink: &mut dyn FnMut(Event) -> Result<()>| {
            let options = Options {
                chassis: capture.chassis.clone().or_else(|| chassis.clone()),
                wires: Wire::from_map(&capture.wire)?,
                ..Options::default()
            };
            let summary = decode_path(&capture.path, protocols, &options, sink)?;
            observed(&summary, protocols)
        };
        let fingerprint = protocols.fingerprint();
        if rebuild {
            store.rebuild(&job, &fingerprint, &mut decode)?;
        } else {
            store.refresh(&job, &fingerprint, &mut decode)?;
        }
        Ok(Self { job, store })
    }

    /// Adds one capture to an observation.
    pub(super) fn add(&self, capture: &CaptureRef, seen: &mut Seen) -> Result<()> {
        self.events(capture, &mut |event| {
            seen.train.push(&event);
            Ok(())
        })?;
        seen.hands_off &= capture.hands == job::Hands::Off;
        seen.close(self.span(capture)?);
        Ok(())
    }

    /// Gives the events of a capture.
    pub(super) fn events(
        &self,
        capture: &CaptureRef,
        take: &mut dyn FnMut(Event) -> Result<()>,
    ) -> Result<()> {
        self.store.events(&capture.name, take)
    }

    /// The observed stretch of a capture, when its time is known.
    pub(super) fn span(&self, capture: &CaptureRef) -> Result<Option<Span>> {
        let indexed = self.store.captures()?;
        Ok(indexed.into_iter().find(|entry| entry.name == capture.name).and_then(|entry| entry.span))
    }

    /// The stages, each with the strays of its hands-off captures.
    pub(super) fn stages(&self) -> Result<Vec<StageSeen>> {
        self.job
            .stages()
            .iter()
            .map(|stage| {
                let mut seen = Seen::new(true);
                for capture in stage.captures.iter().filter(|capture| capture.hands == job::Hands::Off) {
                    self.add(capture, &mut seen)?;
                }
                Ok(StageSeen {
                    number: stage.number,
                    text: stage.text.clone(),
                    step: stage.step.clone(),
                    seen,
                    captures: stage.captures.clone(),
                })
            })
            .collect()
    }
}

/// Seconds as a technician would say them: `45 s`, `12 min`, `3.5 h`.
pub(super) fn duration(seconds: f64) -> String {
    if seconds < 99.5 {
        format!("{seconds:.0} s")
    } else if seconds < 99.5 * 60.0 {
        format!("{:.0} min", seconds / 60.0)
    } else {
        format!("{:.1} h", seconds / 3600.0)
    }
}

/// A chance in per cent, small ones as a bound.
pub(super) fn chance(chance: f64) -> String {
    if !chance.is_finite() {
        "–".to_owned()
    } else if chance >= 0.0995 {
        format!("{:.0} %", 100.0 * chance)
    } else if chance >= 0.000_995 {
        format!("{:.1} %", 100.0 * chance)
    } else {
        "< 0.1 %".to_owned()
    }
}

impl StageSeen {
    /// The stage's strays as an observation.
    pub(super) fn observation(&self) -> Observation {
        Observation { train: self.seen.train.clone(), hands_off: self.seen.hands_off && !self.seen.untimed }
    }
}
