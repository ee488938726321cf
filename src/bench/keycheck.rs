//! A key check as it is judged: what was asked for, what the set made of it, and what nobody asked for.

use std::collections::BTreeMap;
use std::path::Path;

use serde::Serialize;

use crate::analysis::keycheck::{self, Confusion, Prompt};
use crate::analysis::ladder::keycheck::{self as ladder, Checked};
use crate::analysis::ladder::{Fit, Network};
use crate::analysis::locate::{self, Collector, StepKind};
use crate::base::{ControlPath, Error, Event, EventKind, Key, Name, Nanoseconds, Result};
use crate::bench::load::Loaded;
use crate::decode::chassis::Chassis;
use crate::timeline::Protocols;
use crate::timeline::job::{CaptureRef, JobReference, Stage};

/// Most readings of one line, and most other events, that one check keeps; at 20 a second that is an hour.
const MOST: usize = 100_000;

/// An input that answers no prompt.
#[derive(Debug, Serialize, schemars::JsonSchema)]
pub struct Unasked {
    /// When, seconds of the capture.
    pub t: f64,
    /// On which path.
    pub path: ControlPath,
    /// What.
    pub kind: EventKind,
    /// Which key, where it means one.
    pub key: Option<Key>,
}

/// One capture with prompts, judged.
#[derive(Debug, Serialize, schemars::JsonSchema)]
pub struct Check {
    /// Name of the capture.
    pub capture: String,
    /// Stage of the job; null for a file.
    pub stage: Option<usize>,
    /// The chassis that decoded it.
    pub chassis: Option<String>,
    /// Keys that were asked for.
    pub prompts: usize,
    /// Answered by the key that was asked for.
    pub right: u64,
    /// Answered by another key.
    pub wrong: u64,
    /// Not answered.
    pub missing: u64,
    /// Asked against seen.
    pub table: Vec<Confusion>,
    /// Input that nobody asked for.
    pub strays: Vec<Unasked>,
    /// The ladder of each line.
    pub lines: Vec<ladder::KeyCheck>,
    /// What a technician should know, in sentences.
    pub notes: Vec<String>,
}

impl Check {
    /// Whether anything in it is not as it should be.
    pub fn is_wrong(&self) -> bool {
        let outside = |row: &ladder::KeyRow| row.margin.is_some_and(|margin| margin < 0.0);
        self.wrong + self.missing > 0
            || !self.strays.is_empty()
            || self.lines.iter().flat_map(|line| &line.keys).any(outside)
    }
}

/// What a capture says, as far as a key check needs it; memory is bounded.
#[derive(Debug, Default)]
pub struct Gathered {
    readings: BTreeMap<Name, Vec<(Nanoseconds, u32)>>,
    events: Vec<Event>,
    cut: bool,
    /// The chassis by name; that of the first keypad event unless it is set.
    pub chassis: Option<String>,
}

impl Gathered {
    /// Takes the next event.
    pub fn take(&mut self, event: Event) {
        if self.chassis.is_none() && event.path == ControlPath::Keypad {
            let decoder = event.decoder.as_deref().and_then(|decoder| decoder.split('@').next());
            self.chassis = decoder.map(str::to_owned);
        }
        match (event.kind, &event.line, event.counts) {
            (EventKind::Reading, Some(line), Some(counts)) => {
                let list = self.readings.entry(line.clone()).or_default();
                if list.len() < MOST {
                    list.push((event.t, counts));
                } else {
                    self.cut = true;
                }
            }
            _ if event.is_input() || event.kind == EventKind::Release => {
                if self.events.len() < MOST {
                    self.events.push(event);
                } else {
                    self.cut = true;
                }
            }
            _ => {}
        }
    }
}

/// Every capture with prompts of a job, or of one of its stages.
///
/// # Errors
/// `Input` where nothing has prompts, and as [`Loaded::open`].
pub fn checks(input: &Path, protocols: &Protocols) -> Result<Vec<Check>> {
    let reference = JobReference::parse(&input.to_string_lossy())?;
    let loaded = Loaded::open(&reference.folder, protocols, false)?;
    if let Some(stage) = reference.stage {
        loaded.job.stage(stage)?;
    }
    let wanted = |stage: &&Stage| reference.stage.is_none_or(|number| number == stage.number);
    let mut checks = Vec::new();
    for stage in loaded.job.stages().iter().filter(wanted) {
        for capture in stage.captures.iter().filter(|capture| !capture.prompts.is_empty()) {
            checks.push(of_capture(&loaded, stage.number, capture, protocols)?);
        }
    }
    if checks.is_empty() {
        return Err(Error::input("no capture here has prompts")
            .at(input)
            .help("make a key check: straykey keycheck JOB --port PORT"));
    }
    Ok(checks)
}

/// One capture of a job.
///
/// # Errors
/// `System` when the disk fails, `Usage` when its chassis is not known.
pub fn of_capture(
    loaded: &Loaded,
    stage: usize,
    capture: &CaptureRef,
    protocols: &Protocols,
) -> Result<Check> {
    let mut gathered = Gathered::default();
    loaded.events(capture, &mut |event| {
        gathered.take(event);
        Ok(())
    })?;
    if let Some(name) = capture.chassis.as_ref().or(loaded.job.info().chassis.as_ref()) {
        gathered.chassis = Some(name.clone());
    }
    let before = &loaded.job.stages()[..stage.min(loaded.job.stages().len())];
    let mut check = judge(&capture.prompts, gathered, before, protocols)?;
    check.capture = capture.name.clone();
    check.stage = Some(stage);
    Ok(check)
}

/// Judges what was gathered; `stages` are those up to the present one, for what was plugged.
///
/// # Errors
/// `Usage` when its chassis is not known.
pub fn judge(
    prompts: &[Prompt],
    mut gathered: Gathered,
    stages: &[Stage],
    protocols: &Protocols,
) -> Result<Check> {
    let mut prompts = prompts.to_vec();
    prompts.sort_by_key(|prompt| prompt.t);
    gathered.events.sort_by_key(|event| event.t);
    let answers = keycheck::check(&prompts, &gathered.events);
    let chassis = gathered.chassis.as_deref().map(|name| protocols.library.chassis(name)).transpose()?;
    let lines = match &chassis {
        Some(chassis) => lines(chassis, &prompts, &gathered, &answers.strays, stages)?,
        None => Vec::new(),
    };
    let strays: Vec<Unasked> = answers
        .strays
        .iter()
        .filter_map(|place| gathered.events.get(*place))
        .map(|event| Unasked { t: event.t.seconds(), path: event.path, kind: event.kind, key: event.key })
        .collect();
    let mut check = Check {
        capture: String::new(),
        stage: None,
        chassis: gathered.chassis.clone(),
        prompts: prompts.len(),
        right: answers.right,
        wrong: answers.wrong,
        missing: answers.missing,
        table: answers.table,
        strays,
        lines,
        notes: Vec::new(),
    };
    check.notes = notes(&check, gathered.cut);
    Ok(check)
}

/// The ladder of each line that has readings and a key that was asked for.
fn lines(
    chassis: &Chassis,
    prompts: &[Prompt],
    gathered: &Gathered,
    strays: &[usize],
    stages: &[Stage],
) -> Result<Vec<ladder::KeyCheck>> {
    // What answers no prompt is stray, and no verdict on the key that was asked for.
    let seen: Vec<(Nanoseconds, Key)> = gathered
        .events
        .iter()
        .enumerate()
        .filter(|(place, event)| event.kind == EventKind::Press && strays.binary_search(place).is_err())
        .filter_map(|(_, event)| Some((event.t, event.key?)))
        .collect();
    let mut list = Vec::new();
    for (name, windows) in chassis.lines() {
        let network = Network::from(windows.line());
        let own = network.keys.iter().any(|key| prompts.iter().any(|asked| asked.key == key.key));
        if let (Some(readings), true) = (gathered.readings.get(name), own) {
            let checked = Checked { asked: prompts, readings, seen: &seen };
            let fit = fitted(&network, name, &checked, stages)?;
            list.push(ladder::check(&network, &checked, fit.as_ref()));
        }
    }
    Ok(list)
}

/// The fault that explains the readings of one line, with the key board in the state in which the steps left it.
fn fitted(network: &Network, name: &Name, checked: &Checked, stages: &[Stage]) -> Result<Option<Fit>> {
    let mut collector = Collector::new(vec![network.clone()]);
    let tree = locate::faults()?;
    for step in stages.iter().filter_map(|stage| stage.step.as_ref()) {
        // A repair changes the circuit; this check is about the circuit as it is now.
        if step.kind != StepKind::Repair {
            collector.stage(tree, step.kind, &step.text, &step.parts);
        }
    }
    collector.capture(false, checked.asked);
    for (t, counts) in checked.readings {
        let mut event = Event::new(*t, ControlPath::Keypad, EventKind::Reading);
        event.line = Some(name.clone());
        event.counts = Some(*counts);
        collector.event(&event);
    }
    Ok(collector.fits().pop())
}

fn notes(check: &Check, cut: bool) -> Vec<String> {
    let mut notes = Vec::new();
    if !check.strays.is_empty() {
        notes.push(
            "Input that answers no prompt is stray. The stray key is not taken to be the bad key: a leak anywhere on \
             a line reads as whichever key has that voltage. straykey locate says where."
                .to_owned(),
        );
    }
    if check.lines.is_empty() {
        notes.push(
            "The set printed no readings of a line with these keys, so contacts and margins cannot be judged."
                .to_owned(),
        );
    }
    if cut {
        notes
            .push(format!("Only the first {MOST} readings of a line and the first {MOST} events were used."));
    }
    notes
}
