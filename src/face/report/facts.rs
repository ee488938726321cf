//! What a report is written from, and what follows from it at once.

use std::collections::BTreeMap;

use crate::analysis::compare::{Comparison, Verdict};
use crate::bench::{JobState, StageState, Windows};
use crate::face::drawing::Door;
use crate::face::report::folded::Folded;
use crate::face::report::lanes::StageTimeline;
use crate::face::report::words;

/// All that a report is written from.
#[derive(Clone, Debug)]
pub struct Report<'a> {
    /// The job.
    pub state: &'a JobState,
    /// Protocol file and version of the chassis (`alder@1`); `None` where it was not recognised.
    pub decoder: Option<String>,
    /// When the report was written, RFC 3339.
    pub written: Option<String>,
    /// Whether the set is simulated.
    pub simulated: bool,
    /// Readings against key windows.
    pub windows: Vec<Windows>,
    /// What happened when, one for each stage that was captured.
    pub timeline: Vec<StageTimeline>,
    /// The strays of a stage's pattern (number of the stage, of the pattern), laid over one another at its period.
    pub folded: BTreeMap<(usize, u32), Folded>,
    /// Whether what is likely private is masked.
    pub door: Door,
}

impl Report<'_> {
    pub(super) fn chassis(&self) -> &str {
        self.decoder.as_deref().unwrap_or("not recognised")
    }

    /// Things that a reader must know first, in whole sentences.
    pub(super) fn notices(&self) -> Vec<&str> {
        let remarks = self.state.remarks.iter().map(String::as_str);
        remarks.chain(self.simulated.then_some(words::SIMULATED)).collect()
    }

    /// Stages that were compared with an earlier one, with its number.
    pub(super) fn compared(&self) -> impl DoubleEndedIterator<Item = (usize, &StageState, &Comparison)> {
        let stages = self.state.stages.iter();
        stages.filter_map(|stage| Some((stage.compared_with_stage?, stage, stage.comparison.as_ref()?)))
    }

    /// The comparison that decides the job; `None` while it is open.
    pub(super) fn conclusion(&self) -> Option<(usize, &StageState, &Comparison)> {
        self.compared().next_back().filter(|(.., found)| found.figures.verdict != Verdict::Undecided)
    }

    /// How it was worked out, each method once.
    pub(super) fn methods(&self) -> Vec<&str> {
        let mut said = vec![self.state.locate.method];
        for (.., comparison) in self.compared() {
            if !said.contains(&comparison.method.as_str()) {
                said.push(&comparison.method);
            }
        }
        said
    }

    /// Where a capture came from. Folders of imported files name people and customers.
    pub(super) fn source<'a>(&self, source: &'a str) -> &'a str {
        match self.door {
            Door::Masking if !source.starts_with("/dev/") => {
                source.rsplit(['/', '\\']).next().unwrap_or_default()
            }
            _ => source,
        }
    }
}
