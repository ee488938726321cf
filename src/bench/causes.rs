//! What causes the menu changes of a job: latency learned once from all captures, orphans marked as events.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::analysis::EventSequence;
use crate::analysis::cause::CauseFinder;
use crate::analysis::event_sequence::DEFAULT_LATENCY;
use crate::base::words::{duration, plural};
use crate::base::{ControlPath, Event, EventKind, Nanoseconds, Result};
use crate::timeline::job::Job;
use crate::timeline::store::{Indexed, Store};

/// How one control path acts on the menu.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
pub struct CausePath {
    /// The path.
    pub path: ControlPath,
    /// Inputs on it.
    pub inputs: u64,
    /// Menu changes that it caused.
    pub changes: u64,
    /// Median time from input to change, seconds; null when it changes nothing.
    pub latency_s: Option<f64>,
    /// Longest time that still counts as its effect, seconds; null when it changes nothing.
    pub reach_s: Option<f64>,
}

/// A menu change with no input behind it.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
pub struct Orphan {
    /// The capture.
    pub capture: String,
    /// Seconds in the capture.
    pub t: f64,
    /// Menu item.
    pub item: Option<String>,
}

/// Menu changes of a job and the inputs behind them.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
pub struct JobCauses {
    /// Each input path that was seen.
    pub paths: Vec<CausePath>,
    /// Menu changes in all.
    pub changes: u64,
    /// Menu changes with no input behind them: software, or a path that was not captured.
    pub orphans: u64,
    /// The first of them, fifty at most.
    pub first_orphans: Vec<Orphan>,
    /// The reach that linked them, seconds.
    pub reach_s: f64,
    /// Whether the reach was learned from the data; the program's usual one otherwise.
    pub learned: bool,
}

/// Orphans that are listed one by one.
const SHOWN: usize = 50;

impl JobCauses {
    /// How long after an input a menu change counts as its effect.
    pub fn latency(&self) -> Nanoseconds {
        if self.reach_s > 0.0 { Nanoseconds::from_seconds(self.reach_s) } else { DEFAULT_LATENCY }
    }

    /// What it says, in sentences; none without menu changes.
    pub fn sentences(&self) -> Vec<String> {
        if self.changes == 0 {
            return Vec::new();
        }
        let mut list: Vec<String> = self
            .paths
            .iter()
            .filter_map(|path| {
                let latency = path.latency_s?;
                Some(format!(
                    "{} of {} follow input on the {} path, as a rule {} after it.",
                    path.changes,
                    plural(self.changes, "menu change"),
                    path.path.word(),
                    duration(latency)
                ))
            })
            .collect();
        list.push(match self.orphans {
            0 => "Every menu change has an input behind it.".to_owned(),
            n => format!(
                "{} with no input behind: the software did it, or a path that was not captured.",
                plural(n, "menu change")
            ),
        });
        list
    }
}

const KIND: &str = "causes";
/// Captures lie so far apart on the finder's axis that nothing links across.
const APART: Nanoseconds = Nanoseconds(3_600_000_000_000);

#[derive(Serialize, Deserialize)]
struct Kept {
    of: String,
    causes: JobCauses,
}

/// Learns the causes and marks orphans in the index; what was learned from the same captures is taken from there.
pub(super) fn learn(
    job: &Job,
    store: &mut Store,
    indexed: &BTreeMap<String, Indexed>,
    decoders: &str,
) -> Result<JobCauses> {
    let of = job.captures().try_fold(decoders.to_owned(), |sum, capture| {
        Some(format!("{sum}\n{} {}", capture.name, capture.sha256.as_deref()?))
    });
    if let (Some(of), Some(kept)) = (&of, store.finding("job", KIND)?)
        && let Ok(kept) = serde_json::from_str::<Kept>(&kept)
        && kept.of == *of
    {
        return Ok(kept.causes);
    }
    let mut causes = latencies(job, store, indexed)?;
    mark(job, store, &mut causes)?;
    if let Some(of) = of {
        let kept = Kept { of, causes };
        // The value has no maps with odd keys; without it the causes are learned again each time.
        if let Ok(text) = serde_json::to_string(&kept) {
            store.put_finding("job", KIND, &text)?;
        }
        return Ok(kept.causes);
    }
    Ok(causes)
}

fn latencies(job: &Job, store: &Store, indexed: &BTreeMap<String, Indexed>) -> Result<JobCauses> {
    let mut finder = CauseFinder::default();
    let mut shift = Nanoseconds::ZERO;
    for capture in job.captures() {
        let span = indexed.get(&capture.name).and_then(|entry| entry.span).unwrap_or_default();
        let zero = shift - span.start;
        store.acts(&capture.name, &mut |_, mut event| {
            event.t = event.t + zero;
            finder.push(&event);
            Ok(())
        })?;
        shift = shift + span.length() + APART;
    }
    let found = finder.finish();
    let learned = found.paths.iter().any(|path| path.learned);
    let reaches = found.paths.iter().filter(|path| path.learned).filter_map(|path| path.reach_s);
    let reach = reaches.fold(0.0, f64::max);
    Ok(JobCauses {
        paths: found
            .paths
            .into_iter()
            .map(|path| CausePath {
                path: path.path,
                inputs: path.inputs,
                changes: path.changes,
                latency_s: path.latency_s,
                reach_s: path.reach_s,
            })
            .collect(),
        changes: found.changes,
        orphans: 0,
        first_orphans: Vec::new(),
        reach_s: if reach > 0.0 { reach } else { DEFAULT_LATENCY.seconds() },
        learned,
    })
}

/// Counts the orphans by the rule of the sequence, which is the one that makes them strays, and marks them.
fn mark(job: &Job, store: &mut Store, causes: &mut JobCauses) -> Result<()> {
    let note = format!(
        "no input within {} before it: software, or a path that was not captured",
        duration(causes.latency().seconds())
    );
    for capture in job.captures() {
        let mut sequence = EventSequence::with_latency(causes.latency());
        let mut numbers = Vec::new();
        let mut changes = false;
        store.acts(&capture.name, &mut |number, event: Event| {
            changes |= event.path == ControlPath::Menu && event.kind == EventKind::Change;
            let before = sequence.orphans();
            sequence.push(&event);
            if sequence.orphans() > before {
                numbers.push(number);
                if causes.first_orphans.len() < SHOWN {
                    causes.first_orphans.push(Orphan {
                        capture: capture.name.clone(),
                        t: event.t.seconds(),
                        item: event.item.as_deref().map(str::to_owned),
                    });
                }
            }
            Ok(())
        })?;
        causes.orphans += numbers.len() as u64;
        if changes {
            store.note_changes(&capture.name, &numbers, &note)?;
        }
    }
    Ok(())
}
