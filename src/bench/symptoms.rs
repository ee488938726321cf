//! What a job shows beside its strays that tells where the fault is: the levels of its lines, keys that were misread, the mix of
//! stray infrared codes.

use std::collections::{BTreeMap, BTreeSet};

use crate::analysis::event_sequence::Occurrence;
use crate::analysis::keycheck;
use crate::analysis::ladder::{Fit, Network};
use crate::analysis::locate::{self, CodeMix, Collector};
use crate::base::{ControlPath, Event, EventKind, Key, Result};
use crate::bench::load::{Loaded, chassis};
use crate::bench::views::StageView;
use crate::timeline::Protocols;
use crate::timeline::job::{CaptureRef, Hands};

/// The symptoms of a job; numbers of stages are the job's.
#[derive(Debug, Default)]
pub(super) struct Symptoms {
    /// The ladder of each line that strayed, of every line where none did.
    pub(super) fits: Vec<Fit>,
    /// The keys that a known resistor imitates in a stage, by line: no strays.
    imitated: BTreeMap<usize, Vec<(String, Key)>>,
    /// Keys asked for in a stage, and how many of these were misread or not answered.
    pub(super) misread: BTreeMap<usize, (u64, u64)>,
    /// Stray infrared codes of a stage.
    pub(super) codes: BTreeMap<usize, CodeMix>,
}

/// Events of a key check that are judged; more tell no more.
const MOST: usize = 20_000;

impl Symptoms {
    /// Of all captures of a job.
    pub(super) fn of(loaded: &Loaded, protocols: &Protocols) -> Result<Self> {
        let mut found = Self::default();
        let networks: Vec<Network> = match chassis(loaded, protocols)? {
            Some(chassis) => chassis.lines().map(|(_, windows)| Network::from(windows.line())).collect(),
            None => Vec::new(),
        };
        let names: Vec<String> = networks.iter().map(|network| network.name.clone()).collect();
        let mut collector = Collector::new(networks);
        let tree = locate::faults()?;
        let mut strays: BTreeSet<String> = BTreeSet::new();
        for stage in loaded.job.stages() {
            if let Some(step) = &stage.step {
                collector.stage(tree, step.kind, &step.text, &step.parts);
            }
            let imitated: Vec<(String, Key)> =
                names.iter().filter_map(|line| Some((line.clone(), collector.imitated(line)?))).collect();
            // What a provocation did to the readings is no reading of the set as it is.
            for capture in stage.captures.iter().filter(|capture| capture.provocation.is_none()) {
                let off = capture.hands == Hands::Off;
                collector.capture(off, &capture.prompts);
                collector.ledger(loaded.ledger(capture));
                loaded.readings(capture, &mut |line, t, counts| {
                    collector.reading(line, t, counts);
                    Ok(())
                })?;
                let mut events: Vec<Event> = Vec::new();
                let mix = found.codes.entry(stage.number).or_default();
                loaded.acts(capture, &mut |event| {
                    collector.event(&event);
                    if off {
                        stray_of(loaded, capture, &event, &imitated, &mut strays, mix);
                    } else if events.len() < MOST {
                        events.push(event);
                    }
                    Ok(())
                })?;
                if !off && !capture.prompts.is_empty() {
                    let check = keycheck::check(&capture.prompts, &events);
                    let sum = found.misread.entry(stage.number).or_default();
                    sum.0 += check.right + check.wrong + check.missing;
                    sum.1 += check.wrong + check.missing;
                }
            }
            found.imitated.insert(stage.number, imitated);
        }
        // Where strays sit on one line, another line's healthy readings say nothing about them.
        found.fits = collector.fits_of(|line| strays.is_empty() || strays.contains(line));
        Ok(found)
    }

    /// The strays of a stage without what a known resistor imitates.
    pub(super) fn strays(&self, view: &StageView) -> Vec<Occurrence> {
        let sequence = &view.stage.seen.sequence;
        let none = Vec::new();
        let imitated = self.imitated.get(&view.stage.number).unwrap_or(&none);
        let is_stray = |occurrence: &&Occurrence| {
            let symbol = sequence.symbols().get(occurrence.symbol as usize);
            !symbol.is_some_and(|symbol| {
                imitated.iter().any(|(line, key)| {
                    symbol.key == Some(*key) && symbol.line.as_deref().is_some_and(|own| own == line)
                })
            })
        };
        sequence.occurrences().iter().filter(is_stray).copied().collect()
    }
}

/// Notes on which line an event strays, and its infrared code.
fn stray_of(
    loaded: &Loaded,
    capture: &CaptureRef,
    event: &Event,
    imitated: &[(String, Key)],
    lines: &mut BTreeSet<String>,
    mix: &mut CodeMix,
) {
    if loaded.ledger(capture).is_answer(event) {
        return;
    }
    match (event.path, event.kind, event.line.as_deref()) {
        (ControlPath::Keypad, EventKind::Press, Some(line))
            if !imitated.iter().any(|(own, key)| own == line && event.key == Some(*key)) =>
        {
            lines.insert(line.to_owned());
        }
        (ControlPath::Infrared, EventKind::Press, _) => mix.push(event.address, event.command, event.key),
        (ControlPath::Infrared, EventKind::Noise | EventKind::Fault, _) => mix.damaged += 1,
        _ => {}
    }
}
