//! The ladder as a drawing in text: the scale from zero to full, windows, nominal and measured levels.

use super::fault::Condition;
use super::network::Network;
use super::reading::Reading;
use super::windows::Windows;
use super::words;

/// Columns of the scale.
const WIDTH: usize = 60;

/// One level of the drawing, for drawings of other kinds.
#[derive(Clone, Debug, PartialEq)]
pub struct Level {
    /// The key's words, or "no key".
    pub label: String,
    /// Lower border in counts.
    pub low: f64,
    /// Upper border in counts.
    pub high: f64,
    /// Nominal reading in counts.
    pub nominal: Option<f64>,
    /// Measured reading and its spread in counts.
    pub measured: Option<(f64, f64)>,
}

/// Windows with nominal and measured levels, the highest first.
pub fn levels(network: &Network, readings: &[Reading]) -> Vec<Level> {
    let windows = Windows::of(network);
    let measured = |key| {
        let wanted = match key {
            Some(key) => Condition::Key(key),
            None => Condition::Idle,
        };
        readings.iter().find(|r| r.condition == wanted).map(|r| (r.counts, r.spread))
    };
    let level = |w: &super::Window| Level {
        label: w.key.map_or("no key", |key| key.label()).to_owned(),
        low: w.low,
        high: w.high,
        nominal: w.nominal,
        measured: w.nominal.and_then(|_| measured(w.key)),
    };
    windows.list().iter().rev().map(level).collect()
}

/// The drawing: one row a window; `─` the window, `│` nominal, `●` measured inside, `✗` measured outside.
pub fn draw(network: &Network, readings: &[Reading]) -> String {
    let full = network.levels();
    // The quotient lies between 0 and 1.
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    let column = |counts: f64| ((counts / full).clamp(0.0, 1.0) * (WIDTH - 1) as f64).round() as usize;
    let mut text = format!(
        "{}: {} to {}, {} V, codes 0 to {}\n",
        network.name,
        words::ohms(network.pull_up_ohm),
        words::volts(network.supply_volts),
        words::three_digits(network.reference_volts),
        network.full_scale
    );
    for level in levels(network, readings) {
        let mut row = vec![' '; WIDTH];
        row[column(level.low)..=column(level.high)].iter_mut().for_each(|c| *c = '─');
        if let Some(nominal) = level.nominal {
            row[column(nominal)] = '│';
        }
        let mut note = format!("{:>4.0} to {:>4.0}", level.low.ceil(), (level.high - 0.01).floor());
        if let Some((counts, _)) = level.measured {
            let inside = counts >= level.low && counts < level.high;
            row[column(counts)] = if inside { '●' } else { '✗' };
            note.push_str(&format!(", reads {counts:.0}"));
        }
        let line = format!("{:>14} {} {note}", level.label, row.iter().collect::<String>());
        text.push_str(line.trim_end());
        text.push('\n');
    }
    text
}
