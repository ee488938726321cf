//! Keypad readings of the two sides of a comparison, in words and rows.

use serde::Serialize;

use crate::analysis::level::{LevelShift, Ripple, ripple};
use crate::base::{Name, Nanoseconds};
use crate::bench::{LevelChange, Lines, ripple_sentence, shift_cells};
use crate::face::cli::load::Look;

impl Look for Lines {
    fn reading(&mut self, line: &Name, t: Nanoseconds, counts: u32) {
        self.push(line, t, counts);
    }

    fn end(&mut self) {
        self.close();
    }
}

/// How a line's readings changed between two sides.
#[derive(Clone, Debug, Serialize, schemars::JsonSchema)]
pub(super) struct LineShift {
    pub(super) line: String,
    #[serde(flatten)]
    pub(super) found: LevelShift,
}

/// What one line did on one side.
#[derive(Clone, Debug, Serialize, schemars::JsonSchema)]
pub(super) struct LineState {
    pub(super) line: String,
    pub(super) readings: u64,
    /// The strongest ripple, however weak; `chance` tells.
    pub(super) ripple: Option<Ripple>,
    pub(super) level_changes: Vec<LevelChange>,
}

/// Ripple and change points of each line.
pub(super) fn states(lines: &Lines) -> Vec<LineState> {
    lines
        .all()
        .map(|(line, track)| LineState {
            line: line.to_string(),
            readings: track.readings(),
            ripple: ripple(track.row(), &[]).filter(|ripple| ripple.power > 0.0),
            level_changes: track.level_changes(),
        })
        .collect()
}

/// Compares the lines that both sides have.
pub(super) fn shifts(before: &Lines, after: &Lines, seed: u64) -> Vec<LineShift> {
    let found = before.shifts(after, seed).into_iter();
    found.map(|(line, found)| LineShift { line: line.to_string(), found }).collect()
}

/// A ripple that noise makes less often than this is reported.
const REPORTED: f64 = 0.01;

/// What the readings did, in sentences.
pub(super) fn sentences(shifts: &[LineShift], states: &[LineState]) -> Vec<String> {
    let mut said = Vec::new();
    for shift in shifts {
        said.push(format!("{}: {}", shift.line, shift.found.notes.join(" ")));
    }
    for state in states {
        if let Some(ripple) = state.ripple.as_ref().filter(|ripple| ripple.chance < REPORTED) {
            said.push(format!("{}: {}", state.line, ripple_sentence(ripple)));
        }
        for change in state.level_changes.iter().take(5) {
            said.push(format!("{}: {}", state.line, change.sentence()));
        }
    }
    said
}

/// Headings of [`shift_rows`].
pub(super) const SHIFT_COLUMNS: [&str; 6] =
    ["line", "median, counts", "spread", "drift a minute", "chance if unchanged", "by the mean alone"];

pub(super) fn shift_rows(shifts: &[LineShift]) -> Vec<Vec<String>> {
    shifts
        .iter()
        .map(|shift| {
            let mut row = vec![shift.line.clone()];
            row.extend(shift_cells(&shift.found));
            row
        })
        .collect()
}
