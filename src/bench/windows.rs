//! The windows of the keys of each line, and what was read in them.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::analysis::ladder::keycheck::{self, Checked};
use crate::analysis::ladder::{Condition, Network, Reading};
use crate::base::{Name, Nanoseconds, Result};
use crate::bench::load::{Loaded, chassis};
use crate::decode::chassis::Chassis;
use crate::timeline::Protocols;
use crate::timeline::job::CaptureRef;

/// The key windows of one line and what was read on it, in counts.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct Windows {
    /// Keypad line.
    pub line: String,
    /// Largest reading; JSON has null for what is no number.
    #[serde(deserialize_with = "number")]
    pub full_scale: f64,
    /// Windows from low to high without gaps.
    pub levels: Vec<Level>,
    /// What was read.
    pub marks: Vec<WindowMark>,
}

/// One stretch of readings that means a key, or none.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
pub struct Level {
    /// Words for the key.
    pub label: String,
    /// Reading that the resistors promise; `None` for a stretch between keys.
    pub nominal: Option<f64>,
    /// Lower border, inside.
    #[serde(deserialize_with = "number")]
    pub low: f64,
    /// Upper border, outside.
    #[serde(deserialize_with = "number")]
    pub high: f64,
}

/// Readings of one kind.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default)]
pub struct WindowMark {
    /// What was read when (`Stage 2: Menu`).
    pub label: String,
    /// The key that was asked for, in words; `None` outside a key check.
    pub asked: Option<String>,
    /// Middle.
    #[serde(deserialize_with = "number")]
    pub counts: f64,
    /// Lower end of the spread.
    #[serde(deserialize_with = "number")]
    pub low: f64,
    /// Upper end of the spread.
    #[serde(deserialize_with = "number")]
    pub high: f64,
}

/// A number; JSON has no word for one that is infinite or none, and writes null.
fn number<'de, D: serde::Deserializer<'de>>(deserializer: D) -> std::result::Result<f64, D::Error> {
    Ok(Option::<f64>::deserialize(deserializer)?.unwrap_or(f64::NAN))
}

/// Words for a stretch that means no key.
const NO_KEY: &str = "no key";

impl Windows {
    /// The lines of a chassis, nothing read yet.
    pub fn of(chassis: &Chassis) -> Vec<Self> {
        let line = |(name, windows): (&Name, &std::sync::Arc<crate::decode::ladder::Windows>)| Self {
            line: name.to_string(),
            full_scale: f64::from(windows.line().full_scale),
            levels: windows
                .all()
                .iter()
                .map(|window| Level {
                    label: window.key.map_or(NO_KEY, |key| key.label()).to_owned(),
                    nominal: window.nominal,
                    low: f64::from(window.low),
                    // The window holds its highest count.
                    high: f64::from(window.high) + 1.0,
                })
                .collect(),
            marks: Vec::new(),
        };
        chassis.lines().map(line).collect()
    }

    /// The window that holds a reading.
    pub fn level_at(&self, counts: f64) -> Option<&Level> {
        self.levels.iter().find(|level| counts >= level.low && counts < level.high)
    }
}

/// The windows of every line of a job's chassis with what each stage read in them, and what a key check read for each
/// key that it asked for; empty while the chassis is not known.
///
/// # Errors
/// `System` when the disk fails, `Usage` when the job's chassis is not known to the program.
pub fn key_windows(loaded: &Loaded, protocols: &Protocols) -> Result<Vec<Windows>> {
    let Some(chassis) = chassis(loaded, protocols)? else { return Ok(Vec::new()) };
    let mut windows = Windows::of(&chassis);
    let networks: Vec<Network> = chassis.lines().map(|(_, line)| Network::from(line.line())).collect();
    for stage in loaded.job.stages() {
        let number = u32::try_from(stage.number).unwrap_or(u32::MAX);
        let mut readings = Readings::new(number);
        for capture in &stage.captures {
            if capture.prompts.is_empty() {
                loaded.readings(capture, &mut |line, _, counts| {
                    readings.push(line, counts);
                    Ok(())
                })?;
            } else {
                let asked = asked(loaded, capture, &networks)?;
                for (line, found) in windows.iter_mut().zip(asked) {
                    line.marks.extend(found.iter().filter_map(|reading| asked_mark(number, reading)));
                }
            }
        }
        readings.mark(&mut windows);
    }
    Ok(windows)
}

/// Most readings of a key check that are looked at for one line; at 20 a second that is an hour.
const MOST_CHECKED: usize = 100_000;

/// What a key check read, for each line.
fn asked(loaded: &Loaded, capture: &CaptureRef, networks: &[Network]) -> Result<Vec<Vec<Reading>>> {
    let mut taken: Vec<Vec<(Nanoseconds, u32)>> = vec![Vec::new(); networks.len()];
    loaded.readings(capture, &mut |line, t, counts| {
        let place = networks.iter().position(|network| network.name == **line);
        if let Some(into) = place.and_then(|place| taken.get_mut(place)).filter(|v| v.len() < MOST_CHECKED) {
            into.push((t, counts));
        }
        Ok(())
    })?;
    let read = |(network, readings): (&Network, &Vec<(Nanoseconds, u32)>)| {
        keycheck::readings(network, &Checked { asked: &capture.prompts, readings, seen: &[] })
    };
    Ok(networks.iter().zip(&taken).map(read).collect())
}

fn asked_mark(stage: u32, reading: &Reading) -> Option<WindowMark> {
    let Condition::Key(key) = reading.condition else { return None };
    Some(WindowMark {
        label: format!("Stage {stage}: {} asked for", key.label()),
        asked: Some(key.label().to_owned()),
        counts: reading.counts,
        low: reading.counts - reading.spread,
        high: reading.counts + reading.spread,
    })
}

/// Lines and distinct readings that are kept; a set has two lines of some thousand counts.
const MOST_LINES: usize = 8;
const MOST_READINGS: usize = 1 << 16;

/// Gathers the readings of one stage while its events stream by; memory is bounded by the converter's range.
#[derive(Clone, Debug)]
pub struct Readings {
    stage: u32,
    lines: BTreeMap<Name, BTreeMap<u32, u64>>,
}

impl Readings {
    /// For a stage, counted from 1.
    pub fn new(stage: u32) -> Self {
        Self { stage, lines: BTreeMap::new() }
    }

    /// Takes one reading.
    pub fn push(&mut self, line: &Name, counts: u32) {
        if self.lines.len() >= MOST_LINES && !self.lines.contains_key(line) {
            return;
        }
        let seen = self.lines.entry(Name::clone(line)).or_default();
        if seen.len() < MOST_READINGS || seen.contains_key(&counts) {
            *seen.entry(counts).or_default() += 1;
        }
    }

    /// Adds to each line's windows a mark for every window in which the stage's readings fell: their median, and
    /// the stretch that holds all but the lowest and the highest twentieth. A window with less than one reading
    /// in two hundred is left out: the line passed through it on its way.
    pub fn mark(&self, windows: &mut [Windows]) {
        for line in windows {
            let Some(seen) = self.lines.iter().find(|(name, _)| ***name == *line.line).map(|(_, seen)| seen)
            else {
                continue;
            };
            let all: u64 = seen.values().sum();
            let mut borders: Vec<(String, f64, f64)> =
                line.levels.iter().map(|level| (level.label.clone(), level.low, level.high)).collect();
            if let Some(last) = line.levels.last().filter(|last| last.high <= line.full_scale) {
                borders.push((NO_KEY.to_owned(), last.high, f64::INFINITY));
            }
            for (label, low, high) in borders {
                let inside = || {
                    seen.iter()
                        .filter(|(counts, _)| (low..high).contains(&f64::from(**counts)))
                        .map(|(c, n)| (*c, *n))
                };
                let count: u64 = inside().map(|(_, n)| n).sum();
                if count > 0 && count.saturating_mul(200) >= all {
                    line.marks.push(WindowMark {
                        label: format!("Stage {}: {label}", self.stage),
                        asked: None,
                        counts: quantile(inside(), count, 50),
                        low: quantile(inside(), count, 5),
                        high: quantile(inside(), count, 95),
                    });
                }
            }
        }
    }
}

/// The reading below or at which this many hundredths of `count` readings lie; readings in rising order.
fn quantile(readings: impl Iterator<Item = (u32, u64)>, count: u64, hundredths: u64) -> f64 {
    let rank = (count.saturating_mul(hundredths)).div_ceil(100).max(1);
    let mut passed = 0u64;
    let mut last = 0;
    for (counts, n) in readings {
        last = counts;
        passed = passed.saturating_add(n);
        if passed >= rank {
            break;
        }
    }
    f64::from(last)
}
