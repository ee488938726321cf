//! `keycheck`: every key asked for, and what the line and the set made of it.

use std::collections::BTreeMap;
use std::path::Path;

use serde::Serialize;

use crate::analysis::keycheck::{self, Confusion, Prompt};
use crate::analysis::ladder::keycheck::{self as ladder, Checked};
use crate::analysis::ladder::{Fit, Network};
use crate::analysis::locate::{self, Collector, StepKind};
use crate::base::{ControlPath, Error, Event, EventKind, Key, Name, Nanoseconds, Result};
use crate::decode::chassis::Chassis;
use crate::face::cli::args;
use crate::face::cli::load::{Loaded, is_job};
use crate::face::cli::{decode, keycheck_live, learn, table};
use crate::face::out::{Out, Outcome, safe};
use crate::timeline::Protocols;
use crate::timeline::job::{CaptureRef, JobReference, Stage};

/// Most readings of one line, and most other events, that one check keeps; at 20 a second that is an hour.
const MOST: usize = 100_000;

pub(super) fn run(options: &args::Keycheck, protocols: &Protocols, out: &mut Out) -> Result<Outcome> {
    let checks = match (options.inputs.as_slice(), &options.port) {
        ([job], Some(port)) => keycheck_live::run(job, port, options, protocols, out)?,
        (_, Some(_)) => {
            return Err(Error::usage("a live key check is kept in one job")
                .remedy("give one JOB folder with --port; make it with straykey job new"));
        }
        ([job], None) if is_job(job) => of_job(job, options, protocols)?,
        (files, None) => of_files(files, options, protocols, out)?,
    };
    let wrong = checks.iter().any(Check::is_wrong);
    if out.json {
        out.value(&serde_json::json!({ "version": 1, "checks": checks }))?;
    } else {
        for check in &checks {
            show(check, out)?;
        }
    }
    Ok(if options.check && wrong { Outcome::Found } else { Outcome::Done })
}

/// An input that answers no prompt.
#[derive(Debug, Serialize)]
struct Stray {
    t: f64,
    path: ControlPath,
    kind: EventKind,
    key: Option<Key>,
}

/// One capture with prompts, judged.
#[derive(Debug, Serialize)]
pub(super) struct Check {
    capture: String,
    stage: Option<usize>,
    chassis: Option<String>,
    prompts: usize,
    right: u64,
    wrong: u64,
    missing: u64,
    table: Vec<Confusion>,
    strays: Vec<Stray>,
    lines: Vec<ladder::KeyCheck>,
    notes: Vec<String>,
}

impl Check {
    fn is_wrong(&self) -> bool {
        let outside = |row: &ladder::KeyRow| row.margin.is_some_and(|margin| margin < 0.0);
        self.wrong + self.missing > 0
            || !self.strays.is_empty()
            || self.lines.iter().flat_map(|line| &line.keys).any(outside)
    }
}

/// What a capture says, as far as a key check needs it; memory is bounded.
#[derive(Default)]
struct Gathered {
    readings: BTreeMap<Name, Vec<(Nanoseconds, u32)>>,
    events: Vec<Event>,
    cut: bool,
    chassis: Option<String>,
}

impl Gathered {
    fn take(&mut self, event: Event) {
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

/// Each file with its own list of prompts.
fn of_files(
    files: &[std::path::PathBuf],
    options: &args::Keycheck,
    protocols: &Protocols,
    out: &Out,
) -> Result<Vec<Check>> {
    if files.len() != options.prompts.len() {
        return Err(Error::usage(format!(
            "{} captures and {} lists of prompts: without what was asked, when, no answer can be judged",
            files.len(),
            options.prompts.len()
        ))
        .remedy("give one --prompts for each capture file, in the same order"));
    }
    let mut checks = Vec::new();
    for (file, prompts) in files.iter().zip(&options.prompts) {
        let prompts = learn::prompts(prompts)?;
        let mut gathered = Gathered::default();
        let summary = decode::read(file, &options.reading, protocols, &mut |event| {
            gathered.take(event);
            Ok(())
        })?;
        decode::tell(&summary, out);
        if let Some(choice) = &summary.chassis {
            gathered.chassis = Some(choice.name.clone());
        }
        let mut check = judge(&prompts, gathered, &[], protocols)?;
        check.capture = file.display().to_string();
        if !summary.timed {
            check.notes.push(
                "The capture has no times: which press answers which prompt is not to be trusted.".into(),
            );
        }
        checks.push(check);
    }
    Ok(checks)
}

fn of_job(input: &Path, options: &args::Keycheck, protocols: &Protocols) -> Result<Vec<Check>> {
    if !options.prompts.is_empty() {
        return Err(Error::usage("a job keeps its own prompts").remedy("leave --prompts out"));
    }
    checks(input, protocols)
}

/// Every capture with prompts of a job, or of one of its stages.
pub(super) fn checks(input: &Path, protocols: &Protocols) -> Result<Vec<Check>> {
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
            .remedy("make a key check: straykey keycheck JOB --port PORT"));
    }
    Ok(checks)
}

/// One capture of a job.
pub(super) fn of_capture(
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
fn judge(
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
    let strays: Vec<Stray> = answers
        .strays
        .iter()
        .filter_map(|place| gathered.events.get(*place))
        .map(|event| Stray { t: event.t.seconds(), path: event.path, kind: event.kind, key: event.key })
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

fn show(check: &Check, out: &mut Out) -> Result<()> {
    let stage = check.stage.map(|stage| format!(", stage {stage}")).unwrap_or_default();
    out.line(format!(
        "{}{stage}: {} keys asked for, {} right, {} seen as another key, {} without an answer, {} stray inputs",
        safe(&check.capture),
        check.prompts,
        check.right,
        check.wrong,
        check.missing,
        check.strays.len()
    ))?;
    let mut confusion = table::new(&["  asked", "seen", "times"], &[2]);
    for entry in &check.table {
        confusion.add_row([
            format!("  {}", entry.asked.label()),
            entry.seen.map_or("nothing", Key::label).to_owned(),
            entry.count.to_string(),
        ]);
    }
    out.line(table::text(&confusion))?;
    for line in &check.lines {
        show_line(line, out)?;
    }
    show_strays(&check.strays, out)?;
    for note in &check.notes {
        out.line(table::wrap(&format!("- {note}"), 2))?;
    }
    Ok(())
}

fn show_line(line: &ladder::KeyCheck, out: &mut Out) -> Result<()> {
    let headings = [
        "  key",
        "nominal",
        "reads",
        "deviation",
        "margin",
        "contact",
        "bounces",
        "settles",
        "fault foresees",
    ];
    let mut list = table::new(&headings, &[1, 2, 3, 4, 5, 6, 7, 8]);
    let number = |value: Option<f64>| value.map_or("–".to_owned(), |value| format!("{value:.0}"));
    for row in &line.keys {
        list.add_row([
            format!("  {}", row.key.label()),
            format!("{:.0}", row.nominal),
            number(row.counts),
            row.counts.map_or("–".to_owned(), |counts| format!("{:+.0}", counts - row.nominal)),
            number(row.margin),
            row.contact_ohm.map_or("–".to_owned(), |ohm| format!("{ohm:+.0} Ω")),
            row.bounces.to_string(),
            row.settle_s.map_or("–".to_owned(), |settle| format!("{:.0} ms", 1000.0 * settle)),
            number(row.explained),
        ]);
    }
    out.line(format!("Line {} (readings in counts):", safe(&line.line)))?;
    out.line(table::text(&list))?;
    for sentence in &line.text {
        out.line(table::wrap(&format!("- {}", safe(sentence)), 2))?;
    }
    Ok(())
}

/// Strays by key.
fn show_strays(strays: &[Stray], out: &mut Out) -> Result<()> {
    let mut counts: BTreeMap<(ControlPath, Option<Key>), (u64, f64)> = BTreeMap::new();
    for stray in strays {
        counts.entry((stray.path, stray.key)).or_insert((0, stray.t)).0 += 1;
    }
    for ((path, key), (count, first)) in counts {
        let key = key.map_or("input", Key::label);
        out.line(format!("Stray: {key} ({}) {count} time(s), first at {first:.3} s", path.word()))?;
    }
    Ok(())
}
