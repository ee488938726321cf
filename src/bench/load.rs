//! Jobs to what analysis looks at: strays by stage, inputs by stage, causes of menu changes.

use std::collections::BTreeMap;
use std::path::Path;

use super::causes::{self, JobCauses};
use crate::analysis::{Observation, Train};
use crate::base::{Event, Nanoseconds, Result, Span};
use crate::decode::protocol::Meaning;
use crate::timeline::job::{CaptureRef, Hands, Job, Stage, Step};
use crate::timeline::store::{Indexed, Store, Take};
use crate::timeline::{Options, Protocols, Summary, Wire, decode_path};

/// The strays of one observation, and whether hands were off throughout.
#[derive(Debug)]
pub struct Seen {
    /// The strays, or with hands on all input.
    pub train: Train,
    /// Whether hands were off in every capture of it.
    pub hands_off: bool,
    /// A capture without time was among them: nothing about rates can be said.
    pub untimed: bool,
    /// The chassis of the last capture file.
    pub chassis: Option<String>,
}

impl Seen {
    /// Nothing seen yet.
    pub fn new(hands_off: bool) -> Self {
        Self { train: Train::new(), hands_off, untimed: false, chassis: None }
    }

    /// Nothing seen yet; menu changes within `latency` after an input are its effects.
    pub fn with_latency(hands_off: bool, latency: Nanoseconds) -> Self {
        Self { train: Train::with_latency(latency), ..Self::new(hands_off) }
    }

    /// As an observation; without times nothing is proved.
    pub fn into_observation(self) -> Observation {
        Observation { train: self.train, hands_off: self.hands_off && !self.untimed }
    }

    /// Ends a capture: the stretch in which it was watched.
    pub fn close(&mut self, span: Option<Span>) {
        match span {
            Some(span) => self.train.observe(span),
            None => self.untimed = true,
        }
    }
}

/// The stretch in which strays would have been seen: none without times, and none where a set that prints its
/// readings all the time gave not one that could be read. That is a wrong rate or chassis, not a quiet set.
///
/// # Errors
/// `Usage` when the summary names a chassis that is not known.
pub fn observed(summary: &Summary, protocols: &Protocols) -> Result<Option<Span>> {
    let Some(choice) = &summary.chassis else { return Ok(summary.span.filter(|_| summary.timed)) };
    let unread = summary.counters.decoded == 0 && prints_readings(&choice.name, protocols)?;
    Ok(summary.span.filter(|_| summary.timed && !unread))
}

/// Whether a chassis prints readings of its keypad, pressed or not.
///
/// # Errors
/// `Usage` when no chassis has that name.
pub fn prints_readings(chassis: &str, protocols: &Protocols) -> Result<bool> {
    let chassis = protocols.library.chassis(chassis)?;
    let file = chassis.file();
    Ok(file.record.iter().any(|record| *record.event.get_ref() == Meaning::Reading)
        || file.packet.iter().any(|packet| *packet.event.get_ref() == Meaning::Reading))
}

/// One stage of a job as it was seen.
#[derive(Debug)]
pub struct StageSeen {
    /// Counted from 1.
    pub number: usize,
    /// What was done before it.
    pub text: String,
    /// The step before it; `None` on the first.
    pub step: Option<Step>,
    /// The strays of its hands-off captures.
    pub seen: Seen,
    /// Its captures in order.
    pub captures: Vec<CaptureRef>,
}

impl StageSeen {
    /// The stage's strays as an observation.
    pub fn observation(&self) -> Observation {
        Observation { train: self.seen.train.clone(), hands_off: self.seen.hands_off && !self.seen.untimed }
    }

    /// Whether it was watched hands off.
    pub fn is_watched(&self) -> bool {
        self.seen.train.exposure().0 > 0
    }
}

/// A job with its index up to date.
#[derive(Debug)]
pub struct Loaded {
    /// The job.
    pub job: Job,
    store: Store,
    indexed: BTreeMap<String, Indexed>,
    causes: JobCauses,
}

impl Loaded {
    /// Opens a job to look at it, and brings its index up to date.
    ///
    /// # Errors
    /// `Input` when the folder is no job or a capture cannot be read, `Machine` when the disk fails.
    pub fn open(folder: &Path, protocols: &Protocols, rebuild: bool) -> Result<Self> {
        let job = Job::read(folder)?;
        Self::index(job, protocols, rebuild)
    }

    /// Brings the index of an open job up to date, and learns what causes its menu changes.
    ///
    /// # Errors
    /// As [`Loaded::open`].
    pub fn index(mut job: Job, protocols: &Protocols, rebuild: bool) -> Result<Self> {
        let mut store = Store::open(job.folder())?;
        if store.was_damaged() {
            job.remark("the index was damaged; it was made anew from the raw captures");
        }
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
        let indexed = store.captures()?.into_iter().map(|entry| (entry.name.clone(), entry)).collect();
        let causes = causes::learn(&job, &mut store, &indexed, &fingerprint)?;
        Ok(Self { job, store, indexed, causes })
    }

    /// The index.
    pub fn store(&self) -> &Store {
        &self.store
    }

    /// What causes the menu changes of the job, learned once from all its captures.
    pub fn causes(&self) -> &JobCauses {
        &self.causes
    }

    /// Adds one capture to an observation.
    ///
    /// # Errors
    /// `Machine` when the disk fails.
    pub fn add(&self, capture: &CaptureRef, seen: &mut Seen) -> Result<()> {
        self.store.acts(&capture.name, &mut |_, event| {
            seen.train.push(&event);
            Ok(())
        })?;
        self.close(capture, seen);
        Ok(())
    }

    /// Ends a capture whose events an observation has taken.
    pub fn close(&self, capture: &CaptureRef, seen: &mut Seen) {
        // A missing capture adds nothing, and takes nothing from the others.
        if self.indexed.contains_key(&capture.name) {
            seen.hands_off &= capture.hands == Hands::Off;
            seen.close(self.span(capture));
        }
    }

    /// Gives the events of a capture.
    ///
    /// # Errors
    /// What `take` gives; `Machine` when the disk fails.
    pub fn events(&self, capture: &CaptureRef, take: &mut dyn FnMut(Event) -> Result<()>) -> Result<()> {
        self.store.events(&capture.name, take)
    }

    /// Gives the events of a capture that are no readings.
    ///
    /// # Errors
    /// What `take` gives; `Machine` when the disk fails.
    pub fn acts(&self, capture: &CaptureRef, take: &mut dyn FnMut(Event) -> Result<()>) -> Result<()> {
        self.store.acts(&capture.name, &mut |_, event| take(event))
    }

    /// Gives the keypad readings of a capture.
    ///
    /// # Errors
    /// What `take` gives; `Machine` when the disk fails.
    pub fn readings(&self, capture: &CaptureRef, take: &mut Take<'_>) -> Result<()> {
        self.store.packed(&capture.name, take)
    }

    /// The chassis that decoded the keypad of a capture.
    ///
    /// # Errors
    /// `Machine` when the disk fails.
    pub fn keypad_chassis(&self, capture: &CaptureRef) -> Result<Option<String>> {
        let decoder = self.store.keypad_decoder(&capture.name)?;
        Ok(decoder.and_then(|decoder| decoder.split('@').next().map(str::to_owned)))
    }

    /// The observed stretch of a capture, when its time is known.
    pub fn span(&self, capture: &CaptureRef) -> Option<Span> {
        self.indexed.get(&capture.name).and_then(|entry| entry.span)
    }

    /// The strays of a stage's hands-off captures, or the input of its hands-on ones. Captures with prompts are
    /// left out of the latter: a key check judges those.
    ///
    /// # Errors
    /// `Machine` when the disk fails.
    pub fn seen(&self, stage: &Stage, hands: Hands) -> Result<Seen> {
        let mut seen = Seen::with_latency(hands == Hands::Off, self.causes.latency());
        for capture in stage.captures.iter().filter(|capture| capture.hands == hands) {
            if hands == Hands::Off || capture.prompts.is_empty() {
                self.add(capture, &mut seen)?;
            }
        }
        Ok(seen)
    }

    /// The stages, each with the strays of its hands-off captures.
    ///
    /// # Errors
    /// `Machine` when the disk fails.
    pub fn stages(&self) -> Result<Vec<StageSeen>> {
        self.job
            .stages()
            .iter()
            .map(|stage| {
                Ok(StageSeen {
                    number: stage.number,
                    text: stage.text.clone(),
                    step: stage.step.clone(),
                    seen: self.seen(stage, Hands::Off)?,
                    captures: stage.captures.clone(),
                })
            })
            .collect()
    }
}
