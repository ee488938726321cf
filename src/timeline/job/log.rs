//! The step log: its entries, and the stages that they add up to.

use std::path::Path;

use serde::{Deserialize, Serialize};

use crate::base::{Anchor, Nanoseconds, Span, quote};
use crate::timeline::job::model::{CaptureRef, CaptureSource, Hands, Prompt, Stage, Step, Wires};
use crate::timeline::job::provocation::{BlockBegun, Provocation, Spoiled};

/// One entry of the step log, the payload of one record.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(tag = "entry", rename_all = "kebab-case")]
pub(super) enum Entry {
    /// The cautions were shown and read.
    Cautions { words: String },
    /// How the set came in, in words: names the first stage.
    Received { text: String },
    /// The technician did something: a new stage begins.
    Step(Step),
    /// A capture begins.
    Begin {
        name: String,
        file: String,
        source: CaptureSource,
        #[serde(default)]
        hands: Hands,
        #[serde(default)]
        wire: Wires,
        #[serde(default, skip_serializing_if = "Option::is_none")]
        chassis: Option<String>,
        #[serde(default, skip_serializing_if = "Option::is_none")]
        started_unix_ns: Option<i64>,
    },
    /// A key was asked for.
    Prompt { capture: String, prompt: Prompt },
    /// A provocation is planned for a capture that runs.
    Provoke { capture: String, provocation: Provocation },
    /// A block of it begins.
    Block { capture: String, block: BlockBegun },
    /// A round of it does not count.
    Strike {
        capture: String,
        round: usize,
        why: Spoiled,
        /// When its numbers were known.
        #[serde(default, skip_serializing_if = "std::ops::Not::not")]
        later: bool,
    },
    /// A capture is complete.
    End {
        name: String,
        sha256: String,
        bytes: u64,
        #[serde(default, skip_serializing_if = "Option::is_none")]
        span: Option<Span>,
        /// Bytes of a torn tail that were cut after a crash.
        #[serde(default, skip_serializing_if = "is_zero")]
        cut: u64,
        /// How a recording ended that was not ended in order.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        short: Option<Short>,
    },
    /// The job is closed: handed back.
    Closed { at: String },
}

/// A recording that was cut short.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, schemars::JsonSchema)]
pub(super) struct Short {
    /// Where it ends, on its clock.
    pub(super) after: Nanoseconds,
    /// Bytes behind that which were captured and not recorded, as far as they were counted.
    #[serde(default, skip_serializing_if = "is_zero")]
    pub(super) missing: u64,
}

#[allow(clippy::trivially_copy_pass_by_ref)]
fn is_zero(n: &u64) -> bool {
    *n == 0
}

/// A job may come from elsewhere: a capture is a file in `raw/`, whatever its log says.
fn is_inside(file: &str) -> bool {
    file.strip_prefix("raw/")
        .is_some_and(|name| !name.is_empty() && !name.contains(['/', '\\']) && name != "..")
}

/// What the entries add up to.
#[derive(Clone, Debug)]
pub(super) struct State {
    pub(super) stages: Vec<Stage>,
    pub(super) cautions: Option<String>,
    pub(super) closed: Option<String>,
    pub(super) remarks: Vec<String>,
    /// Number of the next capture.
    pub(super) next: u32,
}

/// How the first stage is called when nobody says otherwise.
pub(super) const AS_RECEIVED: &str = "as received";

impl State {
    pub(super) fn new() -> Self {
        let first = Stage { number: 1, text: AS_RECEIVED.to_owned(), step: None, captures: Vec::new() };
        Self { stages: vec![first], cautions: None, closed: None, remarks: Vec::new(), next: 1 }
    }

    pub(super) fn capture(&mut self, name: &str) -> Option<&mut CaptureRef> {
        self.stages.iter_mut().flat_map(|stage| &mut stage.captures).find(|capture| capture.name == name)
    }

    /// Takes one entry; what does not fit is a remark, since a log can be damaged in the middle.
    pub(super) fn apply(&mut self, folder: &Path, entry: Entry) {
        match entry {
            Entry::Cautions { words } => self.cautions = Some(words),
            Entry::Closed { at } => self.closed = Some(at),
            Entry::Received { text } => {
                if let Some(first) = self.stages.first_mut() {
                    first.text = text;
                }
            }
            Entry::Step(step) => self.stages.push(Stage {
                number: self.stages.len() + 1,
                text: step.text.clone(),
                step: Some(step),
                captures: Vec::new(),
            }),
            Entry::Begin { file, .. } if !is_inside(&file) => self.remarks.push(format!(
                "the step log names a capture outside the job ({}); it was passed over",
                quote(file.as_bytes())
            )),
            Entry::Begin { name, file, source, hands, wire, chassis, started_unix_ns } => {
                let started = started_unix_ns.map(|unix_ns| Anchor { unix_ns });
                let path = folder.join(&file);
                let (prompts, sha256, bytes, span) = (Vec::new(), None, None, None);
                self.begin(CaptureRef {
                    name,
                    path,
                    file,
                    source,
                    hands,
                    wire,
                    prompts,
                    provocation: None,
                    chassis,
                    started,
                    sha256,
                    bytes,
                    span,
                });
            }
            Entry::Prompt { capture, prompt } => self.within(&capture, |found| found.prompts.push(prompt)),
            Entry::Provoke { capture, provocation } => {
                self.within(&capture, |found| found.provocation = Some(provocation));
            }
            Entry::Block { capture, block } => self.provoked(&capture, |plan| plan.begun.push(block)),
            Entry::Strike { capture, round, why, later } => self.provoked(&capture, |plan| {
                // The first reason stands.
                let known = plan.struck.len();
                plan.struck.entry(round).or_insert(why);
                plan.struck_later.extend((later && plan.struck.len() > known).then_some(round));
            }),
            Entry::End { name, sha256, bytes, span, cut, short } => {
                if let Some(Short { after, missing }) = short {
                    let missing = match missing {
                        0 => String::new(),
                        missing => format!("; {missing} captured bytes behind that were not recorded"),
                    };
                    self.remarks
                        .push(format!("{name}: the recording was cut short after {after} s{missing}"));
                }
                if cut > 0 {
                    self.remarks.push(format!("{name}: a torn tail of {cut} bytes was cut after a crash"));
                }
                match self.capture(&name) {
                    Some(capture) => {
                        (capture.sha256, capture.bytes, capture.span) = (Some(sha256), Some(bytes), span);
                    }
                    None => self.remarks.push(format!("the end of an unknown capture ({name})")),
                }
            }
        }
    }

    fn within(&mut self, name: &str, act: impl FnOnce(&mut CaptureRef)) {
        match self.capture(name) {
            Some(found) => act(found),
            None => self.remarks.push(format!("an entry belongs to no known capture ({name})")),
        }
    }

    fn provoked(&mut self, name: &str, act: impl FnOnce(&mut Provocation)) {
        self.within(name, |found| {
            if let Some(plan) = &mut found.provocation {
                act(plan);
            }
        });
    }

    fn begin(&mut self, capture: CaptureRef) {
        self.next += 1;
        if let Some(stage) = self.stages.last_mut() {
            stage.captures.push(capture);
        }
    }
}
