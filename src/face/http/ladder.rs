//! The ladder of a job's chassis as a drawing: windows, nominal levels, and what was read.

use schemars::JsonSchema;
use serde::Serialize;

use crate::base::{Key, Result};
use crate::bench::{Loaded, chassis, key_windows};
use crate::decode::ladder::Window;
use crate::face::drawing::{Door, Theme, Width, ladder_svg};
use crate::timeline::Protocols;

/// A line of the keypad with what its readings mean.
#[derive(Debug, Serialize, JsonSchema)]
pub struct LineWindows {
    line: String,
    /// Largest reading, counts.
    full_scale: u32,
    supply_volts: f64,
    /// From the lowest reading to the highest, without gaps.
    windows: Vec<KeyWindow>,
}

/// A run of readings that mean the same key, or none.
#[derive(Debug, Serialize, JsonSchema)]
struct KeyWindow {
    key: Option<Key>,
    /// Lowest and highest reading, counts.
    low: u32,
    high: u32,
    /// The reading that the ladder is made for, counts and volts; none for a gap between keys.
    nominal: Option<f64>,
    nominal_volts: Option<f64>,
}

/// The key windows of a job's chassis; empty where the chassis is not known or has no ladder.
///
/// # Errors
/// `Usage` when the job's chassis is not known to the program.
pub fn windows(loaded: &Loaded, protocols: &Protocols) -> Result<Vec<LineWindows>> {
    let Some(chassis) = chassis(loaded, protocols)? else { return Ok(Vec::new()) };
    let lines = chassis.lines().map(|(name, windows)| {
        let line = windows.line();
        let per_count = line.volts(line.full_scale) / f64::from(line.full_scale.max(1));
        let window = |window: &Window| KeyWindow {
            key: window.key,
            low: window.low,
            high: window.high,
            nominal: window.nominal,
            nominal_volts: window.nominal.map(|counts| counts * per_count),
        };
        LineWindows {
            line: name.to_string(),
            full_scale: line.full_scale,
            supply_volts: line.supply_volts,
            windows: windows.all().iter().map(window).collect(),
        }
    });
    Ok(lines.collect())
}

/// The drawing, `None` where there is no ladder.
///
/// # Errors
/// `System` when the disk fails; `Usage` when the job's chassis is not known.
pub fn draw(loaded: &Loaded, protocols: &Protocols, theme: Theme, width: Width) -> Result<Option<String>> {
    Ok(ladder_svg(&key_windows(loaded, protocols)?, theme, width, Door::Open))
}
