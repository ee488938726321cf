//! `locate`: where the fault is, how large, and the next test.

use std::collections::BTreeMap;

use super::job::{StageView, views};
use super::load::{self, Loaded};
use super::table;
use crate::analysis::compare::Verdict;
use crate::analysis::ladder::{Condition, Fit, Gatherer, Network, fit};
use crate::analysis::locate::{self, Located, Outcome as Seen, StageEvidence};
use crate::base::{ControlPath, EventKind, Key, Result};
use crate::face::args;
use crate::face::out::{Out, Outcome, safe};
use crate::timeline::Protocols;
use crate::timeline::job::{CaptureRef, Hands, StepKind};

/// Seconds after a prompt in which the readings belong to the asked key.
const ANSWER_S: f64 = 4.0;

pub(super) fn run(options: &args::Locate, protocols: &Protocols, out: &mut Out) -> Result<Outcome> {
    let loaded = Loaded::open(&options.job, protocols, false)?;
    let located = located(&loaded, &views(&loaded)?, protocols)?;
    let found = !located.undecided && located.locations.first().is_some_and(|first| first.location != "none");
    if out.json {
        out.value(&located)?;
    } else {
        show(&located, out)?;
    }
    Ok(if options.check && found { Outcome::Found } else { Outcome::Done })
}

/// Weighs all that a job holds.
pub(super) fn located(loaded: &Loaded, views: &[StageView], protocols: &Protocols) -> Result<Located> {
    let fits = fits(loaded, protocols)?;
    locate::locate(&evidence(views), &fits)
}

fn evidence(views: &[StageView]) -> Vec<StageEvidence> {
    let mut list: Vec<StageEvidence> = Vec::with_capacity(views.len());
    let mut was_quiet = false;
    for view in views.iter().filter(|view| view.stage.seen.train.exposure().0 > 0) {
        let keys = keys(view);
        let strays = !view.stage.seen.train.is_empty();
        let outcome = match (strays, list.last()) {
            (false, _) => Seen::Stops,
            (true, None) => Seen::Stays,
            (true, Some(_)) if was_quiet => Seen::Returns,
            (true, Some(before)) if leading(&before.keys) != leading(&keys) => Seen::Changes,
            (true, Some(_)) => Seen::Stays,
        };
        was_quiet = !strays;
        let comparison = view.comparison.as_ref().map(|(_, comparison)| comparison);
        list.push(StageEvidence {
            kind: view.stage.step.as_ref().map(|step| kind(step.kind)),
            text: view.stage.text.clone(),
            parts: view.stage.step.as_ref().map(|step| step.parts.clone()).unwrap_or_default(),
            outcome,
            quiet_anyway: comparison.map(|comparison| comparison.quiet_anyway),
            exposure_s: view.stage.seen.train.exposure().seconds(),
            episodes: comparison.map_or(u64::from(strays), |comparison| comparison.after.episodes),
            keys,
            path: path(view),
        });
    }
    list
}

fn kind(kind: StepKind) -> locate::StepKind {
    match kind {
        StepKind::Isolate => locate::StepKind::Isolate,
        StepKind::Repair => locate::StepKind::Repair,
        StepKind::Restore => locate::StepKind::Restore,
    }
}

/// The key that makes most of a stage's strays stands first in [`keys`].
fn leading(keys: &[Key]) -> Option<Key> {
    keys.first().copied()
}

/// The stray keys of a stage, the most frequent first.
fn keys(view: &StageView) -> Vec<Key> {
    let train = &view.stage.seen.train;
    let mut counts: BTreeMap<Key, u64> = BTreeMap::new();
    for occurrence in train.occurrences().iter().filter(|occurrence| occurrence.kind == EventKind::Press) {
        if let Some(key) = train.symbols().get(occurrence.symbol as usize).and_then(|symbol| symbol.key) {
            *counts.entry(key).or_default() += 1;
        }
    }
    let mut keys: Vec<(Key, u64)> = counts.into_iter().collect();
    keys.sort_by_key(|(key, count)| (std::cmp::Reverse(*count), *key));
    keys.into_iter().map(|(key, _)| key).collect()
}

/// The control path of most strays of a stage.
fn path(view: &StageView) -> Option<ControlPath> {
    let train = &view.stage.seen.train;
    let mut counts: BTreeMap<ControlPath, u64> = BTreeMap::new();
    for occurrence in train.occurrences() {
        if let Some(symbol) = train.symbols().get(occurrence.symbol as usize) {
            *counts.entry(symbol.path).or_default() += 1;
        }
    }
    counts.into_iter().max_by_key(|(path, count)| (*count, std::cmp::Reverse(*path))).map(|(path, _)| path)
}

/// Readings by line and condition. Idle readings are kept apart by whether a stray key was down.
#[derive(Default)]
struct Gathered {
    lines: BTreeMap<String, Vec<(Condition, Gatherer, Gatherer)>>,
}

impl Gathered {
    fn take(&mut self, line: &str, condition: &Condition, counts: u32, down: bool) {
        let conditions = self.lines.entry(line.to_owned()).or_default();
        let index = match conditions.iter().position(|(known, _, _)| known == condition) {
            Some(index) => index,
            None => {
                conditions.push((condition.clone(), Gatherer::default(), Gatherer::default()));
                conditions.len() - 1
            }
        };
        if let Some((_, at_rest, pressed)) = conditions.get_mut(index) {
            if down { pressed.push(counts) } else { at_rest.push(counts) }
        }
    }
}

/// The ladder of each line fitted to the readings of all stages up to the first repair: a repair changes what
/// there is to measure.
fn fits(loaded: &Loaded, protocols: &Protocols) -> Result<Vec<Fit>> {
    let Some(chassis) = chassis(loaded, protocols)? else { return Ok(Vec::new()) };
    let mut gathered = Gathered::default();
    let mut at_rest = Condition::Idle;
    for stage in loaded.job.stages() {
        if let Some(step) = &stage.step {
            let key_board = step.parts.iter().any(|part| part == "key-board");
            match step.kind {
                StepKind::Repair => break,
                StepKind::Isolate if key_board && step.text.to_lowercase().contains("unplug") => {
                    at_rest = Condition::Unplugged;
                }
                StepKind::Restore if key_board => at_rest = Condition::Idle,
                StepKind::Isolate | StepKind::Restore => {}
            }
        }
        for capture in &stage.captures {
            gather(loaded, &chassis, capture, &at_rest, &mut gathered)?;
        }
    }
    let mut fits = Vec::new();
    // Where strays sit on one line, another line's healthy readings say nothing about them.
    let strays =
        |conditions: &[(Condition, Gatherer, Gatherer)]| conditions.iter().any(|(_, _, down)| down.n() > 0);
    let any = gathered.lines.values().any(|conditions| strays(conditions));
    for (name, conditions) in gathered.lines.iter().filter(|(_, conditions)| !any || strays(conditions)) {
        let Some(windows) = chassis.line(name) else { continue };
        let network = Network::from(windows.line());
        // Where a stray key was down, those readings are the fault; the rest is the fault asleep.
        let readings: Vec<_> = conditions
            .iter()
            .filter_map(|(condition, at_rest, pressed)| {
                let fault = if pressed.n() > 0 { pressed } else { at_rest };
                fault.reading(condition.clone(), network.full_scale)
            })
            .collect();
        if !readings.is_empty() {
            fits.push(fit(&network, &readings));
        }
    }
    Ok(fits)
}

fn gather(
    loaded: &Loaded,
    chassis: &Chassis,
    capture: &CaptureRef,
    at_rest: &Condition,
    gathered: &mut Gathered,
) -> Result<()> {
    let mut down: BTreeMap<String, Key> = BTreeMap::new();
    let mut prompt = 0;
    loaded.events(capture, &mut |event| {
        let (Some(line), Some(counts)) = (event.line.as_deref(), event.counts) else { return Ok(()) };
        let Some(windows) = chassis.line(line) else { return Ok(()) };
        match (event.kind, event.key) {
            (EventKind::Press, Some(key)) => {
                down.insert(line.to_owned(), key);
            }
            (EventKind::Release, _) => {
                down.remove(line);
                return Ok(());
            }
            (EventKind::Reading, _) => {}
            _ => return Ok(()),
        }
        // A reading on its way from one level to another belongs to neither.
        let pressed = down.get(line).copied();
        if windows.key(counts) != pressed {
            return Ok(());
        }
        while capture.prompts.get(prompt + 1).is_some_and(|next| next.t <= event.t) {
            prompt += 1;
        }
        let asked = capture
            .prompts
            .get(prompt)
            .filter(|prompt| (0.0..ANSWER_S).contains(&(event.t - prompt.t).seconds()));
        match asked {
            Some(prompt) if pressed.is_some() => {
                gathered.take(line, &Condition::Key(prompt.key), counts, true);
            }
            Some(_) => {}
            None if capture.hands == Hands::Off => gathered.take(line, at_rest, counts, pressed.is_some()),
            None => {}
        }
        Ok(())
    })
}

type Chassis = std::sync::Arc<crate::decode::chassis::Chassis>;

/// The job's chassis, named or as its captures were recognised.
pub(super) fn chassis(loaded: &Loaded, protocols: &Protocols) -> Result<Option<Chassis>> {
    if let Some(name) = &loaded.job.info().chassis {
        return protocols.library.chassis(name).map(Some);
    }
    let mut name = None;
    for capture in loaded.job.captures() {
        loaded.events(capture, &mut |event| {
            if name.is_none() && event.path == ControlPath::Keypad {
                name =
                    event.decoder.as_deref().and_then(|decoder| decoder.split('@').next()).map(str::to_owned);
            }
            Ok(())
        })?;
        if name.is_some() {
            break;
        }
    }
    name.map(|name| protocols.library.chassis(&name)).transpose()
}

fn show(located: &Located, out: &mut Out) -> Result<()> {
    out.line(if located.undecided { "Not yet decided. Odds so far:" } else { "Where the fault is:" })?;
    let mut list = table::new(&["  location", "odds", "because"], &[1]);
    for location in located.locations.iter().filter(|location| location.probability >= 0.01) {
        list.add_row([
            format!("  {}", location.location),
            load::chance(location.probability),
            safe(&location.because.to_string()),
        ]);
    }
    out.line(table::text(&list))?;
    for sentence in &located.electrical {
        out.line(table::wrap(&format!("Electrically: {}", safe(sentence)), 2))?;
    }
    for step in &located.steps {
        let credit = load::chance(step.credit);
        out.line(table::wrap(
            &format!("Step \"{}\": {credit} ({})", safe(&step.step), safe(&step.because)),
            2,
        ))?;
    }
    if let Some(next) = located.next.first() {
        out.line(table::wrap(
            &format!(
                "Next test: {} ({:.0} minutes, gains {:.2} bits, risk {})",
                safe(&next.test),
                next.minutes,
                next.gain_bits,
                format!("{:?}", next.risk).to_lowercase()
            ),
            2,
        ))?;
        for caution in &next.cautions {
            out.line(table::wrap(&format!("  Caution: {}", safe(caution)), 4))?;
        }
    }
    for note in &located.notes {
        out.line(table::wrap(&format!("- {}", safe(note)), 2))?;
    }
    Ok(())
}

/// Whether any stage ended with the fault gone.
pub(super) fn concluding(views: &[StageView]) -> Option<u32> {
    let last = views.iter().rev().find(|view| view.comparison.is_some())?;
    let (_, comparison) = last.comparison.as_ref()?;
    (comparison.verdict != Verdict::Undecided).then(|| u32::try_from(last.stage.number).unwrap_or(u32::MAX))
}
