//! Keypad readings of a stage in bounded memory: level shifts between stages, ripple, change points.

use std::collections::BTreeMap;

use serde::Serialize;

use super::load::Look;
use crate::analysis::change::{Cost, change_points};
use crate::analysis::level::{LevelShift, Readings, Ripple, compare_levels, ripple};
use crate::analysis::special::quantile;
use crate::base::{Event, EventKind, Name};

/// Lines that are followed; a set has two.
const MOST_LINES: usize = 8;
/// Readings kept of a line over all of a stage; past that, every second is dropped and only every second taken.
const KEPT: usize = 4096;
/// Readings in a row kept for the ripple: dropping some would bring aliases of its own.
const IN_A_ROW: usize = 600;

#[derive(Clone, Debug)]
struct Track {
    all: Readings,
    every: u64,
    seen: u64,
    row: Readings,
    whole: bool,
}

impl Default for Track {
    fn default() -> Self {
        Self { all: Readings::default(), every: 1, seen: 0, row: Readings::default(), whole: false }
    }
}

impl Track {
    fn push(&mut self, t: f64, value: f64) {
        if self.seen.is_multiple_of(self.every) {
            self.all.t.push(t);
            self.all.value.push(value);
        }
        self.seen += 1;
        if self.all.t.len() >= KEPT {
            halve(&mut self.all.t);
            halve(&mut self.all.value);
            self.every *= 2;
        }
        if !self.whole && self.row.t.len() < IN_A_ROW {
            self.row.t.push(t);
            self.row.value.push(value);
        }
    }
}

fn halve(values: &mut Vec<f64>) {
    let mut place = 0usize;
    values.retain(|_| {
        place += 1;
        place % 2 == 1
    });
}

/// The readings of all lines of a stage.
#[derive(Clone, Debug, Default)]
pub(super) struct Lines {
    tracks: BTreeMap<Name, Track>,
    shift: f64,
    latest: f64,
}

impl Lines {
    /// Takes one event; all but readings are passed over.
    fn push(&mut self, event: &Event) {
        let (EventKind::Reading, Some(line), Some(counts)) = (event.kind, &event.line, event.counts) else {
            return;
        };
        if self.tracks.len() >= MOST_LINES && !self.tracks.contains_key(line) {
            return;
        }
        let t = event.t.seconds() + self.shift;
        self.latest = self.latest.max(t);
        self.tracks.entry(Name::clone(line)).or_default().push(t, f64::from(counts));
    }

    /// Ends a capture; the next one is laid after it.
    fn close(&mut self) {
        self.shift = self.latest;
        self.tracks.values_mut().for_each(|track| track.whole = true);
    }

    /// Ripple and change points of each line.
    pub(super) fn states(&self) -> Vec<LineState> {
        self.tracks
            .iter()
            .map(|(line, track)| LineState {
                line: line.to_string(),
                stage: None,
                readings: track.seen,
                ripple: ripple(&track.row, &[]).filter(|ripple| ripple.power > 0.0),
                level_changes: level_changes(&track.all),
            })
            .collect()
    }
}

impl Look for Lines {
    fn event(&mut self, event: &Event) {
        self.push(event);
    }

    fn end(&mut self) {
        self.close();
    }
}

impl Lines {
    /// Lines whose level changed within a stage; sampled readings are enough, so no ripple is looked for.
    pub(super) fn level_changes(&self, stage: usize) -> Vec<LineState> {
        self.tracks
            .iter()
            .map(|(line, track)| LineState {
                line: line.to_string(),
                stage: Some(stage),
                readings: track.seen,
                ripple: None,
                level_changes: level_changes(&track.all),
            })
            .collect()
    }
}

/// How a line's readings changed between two stages.
#[derive(Clone, Debug, Serialize)]
pub(super) struct LineShift {
    pub(super) line: String,
    #[serde(flatten)]
    pub(super) found: LevelShift,
}

/// A level that changed within a stage.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
pub(super) struct LevelChange {
    /// Seconds on the stage's axis, its captures laid end to end.
    pub(super) t: f64,
    /// Median before and after, counts.
    pub(super) from: f64,
    pub(super) to: f64,
}

/// What one line did within a stage.
#[derive(Clone, Debug, Serialize)]
pub(super) struct LineState {
    pub(super) line: String,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub(super) stage: Option<usize>,
    pub(super) readings: u64,
    /// The strongest ripple, however weak; `chance` tells.
    pub(super) ripple: Option<Ripple>,
    pub(super) level_changes: Vec<LevelChange>,
}

/// Compares the lines that both sides have.
pub(super) fn shifts(before: &Lines, after: &Lines, seed: u64) -> Vec<LineShift> {
    before
        .tracks
        .iter()
        .filter_map(|(line, track)| {
            let found = compare_levels(&track.all, &after.tracks.get(line)?.all, seed)?;
            Some(LineShift { line: line.to_string(), found })
        })
        .collect()
}

/// Values that enter the search for change points.
const SEARCHED: usize = 1000;

/// Where the level of a line changed for good, not only for a press: readings far off the middle are cut to its
/// neighbourhood, a level must last for a twentieth of the stage, and must differ by a count.
#[allow(clippy::cast_precision_loss)]
fn level_changes(all: &Readings) -> Vec<LevelChange> {
    let step = all.t.len().div_ceil(SEARCHED).max(1);
    let times: Vec<f64> = all.t.iter().copied().step_by(step).collect();
    let values: Vec<f64> = all.value.iter().copied().step_by(step).collect();
    if values.len() < 40 {
        return Vec::new();
    }
    let middle = median(&values);
    let spread = 1.4826 * median(&values.iter().map(|v| (v - middle).abs()).collect::<Vec<_>>());
    let reach = (6.0 * spread).max(3.0);
    let cut: Vec<f64> = values.iter().map(|v| v.clamp(middle - reach, middle + reach)).collect();
    let jumps: Vec<f64> = cut.windows(2).map(|pair| (pair[1] - pair[0]).abs()).collect();
    // A converter that shows whole counts scatters by a twelfth even when its line does not.
    let noise = (1.4826 * median(&jumps)).powi(2) / 2.0;
    let mean_square = jumps.iter().map(|jump| jump * jump).sum::<f64>() / jumps.len() as f64 / 2.0;
    let cost = Cost::Level { variance: noise.max(mean_square).max(1.0 / 12.0) };
    let n = cut.len();
    let ends = change_points(&cut, cost, 3.0 * (n as f64).ln(), n / 20);
    let starts: Vec<usize> = std::iter::once(0).chain(ends.iter().copied()).collect();
    let levels: Vec<f64> = starts.windows(2).map(|pair| median(&values[pair[0]..pair[1]])).collect();
    levels
        .windows(2)
        .zip(&ends)
        .map(|(pair, end)| LevelChange { t: times[*end], from: pair[0], to: pair[1] })
        .filter(|change| (change.to - change.from).abs() >= 1.0)
        .collect()
}

fn median(values: &[f64]) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    quantile(&sorted, 0.5)
}

/// A ripple that noise makes less often than this is told.
const TOLD: f64 = 0.01;

/// What the readings did, in sentences.
pub(super) fn sentences(shifts: &[LineShift], states: &[LineState]) -> Vec<String> {
    let mut said = Vec::new();
    for shift in shifts {
        said.push(format!("{}: {}", shift.line, shift.found.notes.join(" ")));
    }
    for state in states {
        let place = state.stage.map_or_else(String::new, |stage| format!(", stage {stage}"));
        if let Some(ripple) = state.ripple.as_ref().filter(|ripple| ripple.chance < TOLD) {
            said.push(format!("{}{place}: {}", state.line, ripple_words(ripple)));
        }
        for change in state.level_changes.iter().take(5) {
            said.push(format!(
                "{}{place}: the level changed from {:.0} to {:.0} counts at {:.0} s.",
                state.line, change.from, change.to, change.t
            ));
        }
    }
    said
}

fn ripple_words(ripple: &Ripple) -> String {
    let mut text = format!(
        "ripple at {:.3} Hz is {:.0} % of the scatter (chance in noise {}).",
        ripple.frequency,
        100.0 * ripple.power,
        super::load::chance(ripple.chance)
    );
    let names: Vec<String> =
        ripple.candidates.iter().take(6).map(|c| format!("{:.0} Hz", c.frequency)).collect();
    match names.len() {
        0 => {}
        1 => text
            .push_str(&format!(" {} seen at {:.2} readings a second would look so.", names[0], ripple.rate)),
        _ => text.push_str(&format!(
            " Seen at {:.2} readings a second, {} would all look so; this sampling cannot tell them apart.",
            ripple.rate,
            names.join(", ")
        )),
    }
    text
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

/// Level, spread and drift before and after, and the chances.
pub(super) fn shift_cells(found: &LevelShift) -> [String; 5] {
    let (before, after) = (found.before, found.after);
    [
        format!("{:.0} → {:.0}", before.level, after.level),
        format!("{:.1} → {:.1}", before.spread, after.spread),
        format!("{:.2} → {:.2}", before.drift_per_min, after.drift_per_min),
        super::load::chance(found.chance_any),
        super::load::chance(found.chance_mean),
    ]
}
