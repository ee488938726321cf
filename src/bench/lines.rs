//! The readings of keypad lines in bounded memory: a sample of all, one unbroken run, and what is seen in them.

use std::collections::BTreeMap;

use serde::Serialize;

use crate::analysis::change::{Cost, change_points};
use crate::analysis::level::{LevelShift, Readings, Ripple, compare_levels};
use crate::analysis::special;
use crate::base::words::{chance, number};
use crate::base::{Name, Nanoseconds};

/// Lines that are followed; a set has two.
const MOST_LINES: usize = 8;
/// Readings kept of a line over all of a stage; past that, every second is dropped and only every second taken.
const KEPT: usize = 4096;
/// Readings in a row kept for the ripple: dropping some would bring aliases of its own.
const IN_A_ROW: usize = 600;

/// The readings of one line.
#[derive(Clone, Debug)]
pub struct Track {
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
pub struct Lines {
    tracks: BTreeMap<Name, Track>,
    shift: f64,
    latest: f64,
}

impl Lines {
    /// Takes one reading.
    pub fn push(&mut self, line: &Name, t: Nanoseconds, counts: u32) {
        if self.tracks.len() >= MOST_LINES && !self.tracks.contains_key(line) {
            return;
        }
        let t = t.seconds() + self.shift;
        self.latest = self.latest.max(t);
        self.tracks.entry(Name::clone(line)).or_default().push(t, f64::from(counts));
    }

    /// Ends a capture; the next one is laid after it.
    pub fn close(&mut self) {
        self.shift = self.latest;
        self.tracks.values_mut().for_each(|track| track.whole = true);
    }

    /// What was read on each line.
    pub fn all(&self) -> impl Iterator<Item = (&Name, &Track)> {
        self.tracks.iter()
    }

    /// How each line that both sides have differs.
    pub fn shifts(&self, after: &Self, seed: u64) -> BTreeMap<Name, LevelShift> {
        let shift = |(line, track): (&Name, &Track)| {
            let found = compare_levels(&track.all, &after.tracks.get(line)?.all, seed)?;
            Some((Name::clone(line), found))
        };
        self.tracks.iter().filter_map(shift).collect()
    }
}

impl Track {
    /// How many readings were taken.
    pub fn readings(&self) -> u64 {
        self.seen
    }

    /// A sample of all.
    pub fn sample(&self) -> &Readings {
        &self.all
    }

    /// Readings in a row, none left out, from the first capture with any.
    pub fn row(&self) -> &Readings {
        &self.row
    }

    /// Where the level changed for good.
    pub fn level_changes(&self) -> Vec<LevelChange> {
        level_changes(&self.all)
    }
}

/// A level that changed within a stage.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, schemars::JsonSchema)]
pub struct LevelChange {
    /// Seconds on the stage's axis, its captures laid end to end.
    pub t: f64,
    /// Median before, counts.
    pub from: f64,
    /// Median after.
    pub to: f64,
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
    special::median(values.iter().copied()).unwrap_or(f64::NAN)
}

impl LevelChange {
    /// In a sentence without its subject.
    pub fn sentence(&self) -> String {
        format!(
            "the level changed from {} to {} counts at {} s.",
            number(self.from.round()),
            number(self.to.round()),
            number(self.t.round())
        )
    }
}

/// A ripple in a sentence, with the frequencies that would look the same at this rate of reading.
pub fn ripple_sentence(ripple: &Ripple) -> String {
    let seen = format!(
        "Ripple at {} Hz explains {} % of the scatter (read {} times a second; chance in noise {})",
        number(ripple.frequency),
        number(100.0 * ripple.power),
        number(ripple.rate),
        chance(ripple.chance)
    );
    let names: Vec<String> =
        ripple.candidates.iter().take(6).map(|alias| format!("{} Hz", number(alias.frequency))).collect();
    match &names[..] {
        [] => format!("{seen}."),
        [one] => format!("{seen}: {one} would look so."),
        many => {
            format!("{seen}: {} would all look so; this sampling cannot tell them apart.", many.join(", "))
        }
    }
}
