//! The keypad ladder of one line, as the protocol file declares it, and readings to keys.

mod tracker;
mod window;

pub use tracker::Tracker;
pub use window::{Window, Windows};

use serde::Deserialize;

use crate::base::Key;

/// How the resistors of the keys are joined.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Topology {
    /// Each key grounds the line through its own resistor.
    #[default]
    Parallel,
    /// The keys ground the taps of one chain; `to_ground_ohm` is the sum up to the key's tap.
    Series,
}

/// The board that carries the pull-up.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Board {
    /// With the converter.
    #[default]
    MainBoard,
    /// With the keys.
    KeyBoard,
}

/// How the firmware chooses a key for a reading.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize, schemars::JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum WindowRule {
    /// Borders halfway between neighbouring nominal readings.
    #[default]
    Midpoint,
    /// A key from its `low_counts` up to the next one's.
    Threshold,
    /// The key whose nominal reading is nearest, idle being one more candidate.
    Nearest,
    /// Within `tolerance_counts` of the nominal reading, else no key.
    Tolerance,
}

/// One key of a ladder.
#[derive(Clone, Debug, PartialEq, Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct LadderKey {
    /// Linux input name.
    #[schemars(with = "Key")]
    pub name: toml::Spanned<Key>,
    /// Resistance from the line to ground while the key is down.
    pub to_ground_ohm: Option<f64>,
    /// Nominal reading, where the resistor is not known.
    pub counts: Option<f64>,
    /// Lowest reading of the key under the `threshold` rule.
    pub low_counts: Option<f64>,
}

/// One `[[line]]` of a chassis file: the ladder on one converter input.
#[derive(Clone, Debug, PartialEq, Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Line {
    /// Name as the set prints it (`KEY1`).
    pub name: String,
    /// Largest reading of the converter; a voltage equal to the reference reads this.
    pub full_scale: u32,
    /// Voltage that the pull-up goes to.
    pub supply_volts: f64,
    /// Voltage of the full-scale reading; the supply when absent.
    pub reference_volts: Option<f64>,
    /// Pull-up resistor.
    pub pull_up_ohm: Option<f64>,
    /// The board that carries the pull-up.
    #[serde(default)]
    pub pull_up_on: Board,
    /// Resistance between the ladder node and the converter's pin.
    #[serde(default)]
    pub pin_ohm: f64,
    /// Input resistance of the converter, from its data sheet.
    pub input_ohm: Option<f64>,
    /// Resistance of a closed switch, from its data sheet.
    pub contact_ohm: Option<f64>,
    /// Tolerance of the resistors as a fraction (0.01 is 1 %).
    pub tolerance: Option<f64>,
    /// How the resistors are joined.
    #[serde(default)]
    pub topology: Topology,
    /// How the firmware chooses a key.
    #[serde(default)]
    pub window: WindowRule,
    /// Nominal reading with no key down, where it is not the supply (an end-of-line resistor).
    pub idle_counts: Option<f64>,
    /// Lowest reading with no key down under the `threshold` rule.
    pub idle_low_counts: Option<f64>,
    /// Half width of a window under the `tolerance` rule, in counts.
    pub tolerance_counts: Option<f64>,
    /// Equal readings in a row before a key counts as down or up.
    pub debounce: Option<u32>,
    /// Time between two readings, where the set prints at a fixed rate.
    pub period_s: Option<f64>,
    /// Silence after which no key is down, seconds, on a set that prints readings only while one is.
    pub silent_s: Option<f64>,
    /// The keys.
    pub key: Vec<LadderKey>,
}

impl Line {
    /// Volts of a reading, so that full scale reads the reference: `counts * reference / full_scale`.
    pub fn volts(&self, counts: u32) -> f64 {
        let volts = f64::from(counts) * self.reference() / f64::from(self.full_scale.max(1));
        // Counts are coarser than a tenth of a millivolt; more digits would be invented.
        (volts * 1e4).round() / 1e4
    }

    /// Voltage of the full-scale reading.
    pub fn reference(&self) -> f64 {
        self.reference_volts.unwrap_or(self.supply_volts)
    }

    /// Reading of a voltage that is this fraction of the supply, a whole number.
    ///
    /// # Formula
    /// `min(floor((full_scale + 1) * x * supply / reference), full_scale)`.
    ///
    /// # Source
    /// The usual successive-approximation transfer, `floor(2^N * V / Vref)`, clamped.
    pub fn reading_at(&self, x: f64) -> f64 {
        let full = f64::from(self.full_scale);
        ((full + 1.0) * x * self.supply_volts / self.reference()).floor().clamp(0.0, full)
    }

    /// Nominal reading with no key down.
    pub fn idle_reading(&self) -> f64 {
        self.idle_counts.unwrap_or_else(|| self.reading_at(1.0))
    }

    /// Nominal reading of a key: as declared, else by the divider rule; `None` when neither is possible.
    ///
    /// # Formula
    /// `V = supply * R / (R + R_pull_up)`, R from the line to ground with the key down.
    pub fn key_reading(&self, key: &LadderKey) -> Option<f64> {
        match (key.counts, key.to_ground_ohm, self.pull_up_ohm) {
            (Some(counts), _, _) => Some(counts),
            (None, Some(ohm), Some(pull_up)) if ohm + pull_up > 0.0 => {
                Some(self.reading_at(ohm / (ohm + pull_up)))
            }
            _ => None,
        }
    }
}
