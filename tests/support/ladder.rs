//! The reference ladder: ten bits, 3.3 V, 10 kΩ pull-up, six keys of 0 to 27 kΩ. Asserts nothing.

#![allow(clippy::unwrap_used, dead_code, unreachable_pub)] // each of its users needs a part

use straykey::analysis::ladder::{Network, NetworkKey};
use straykey::base::Key;
use straykey::decode::ladder::{Board, Topology, WindowRule};

pub(crate) const KEYS: [&str; 6] =
    ["KEY_POWER", "KEY_VOLUMEDOWN", "KEY_VOLUMEUP", "KEY_CHANNELDOWN", "KEY_CHANNELUP", "KEY_MENU"];
pub(crate) const OHMS: [f64; 6] = [0.0, 1_800.0, 3_900.0, 7_500.0, 13_000.0, 27_000.0];

pub(crate) fn key(name: &str) -> Key {
    Key::from_name(name).unwrap()
}

/// Ten bits, 3.3 V, 10 kΩ pull-up, six keys.
pub(crate) fn reference(tolerance: f64) -> Network {
    ladder(&OHMS, Topology::Parallel, tolerance)
}

/// The series string: taps at 0, 1.8k, 4.0k, 7.6k, 13.2k, 26.2k.
pub(crate) fn series() -> Network {
    ladder(&[0.0, 1_800.0, 2_200.0, 3_600.0, 5_600.0, 13_000.0], Topology::Series, 0.01)
}

pub(crate) fn ladder(ohms: &[f64], topology: Topology, tolerance: f64) -> Network {
    let keys = KEYS.iter().zip(ohms).map(|(name, ohm)| NetworkKey {
        key: key(name),
        ohm: *ohm,
        counts: None,
        low_counts: None,
    });
    Network {
        name: "KEY1".into(),
        full_scale: 1023,
        supply_volts: 3.3,
        reference_volts: 3.3,
        higher_volts: 5.0,
        pull_up_ohm: 10_000.0,
        pull_up_assumed: false,
        pull_up_on: Board::MainBoard,
        pin_ohm: 0.0,
        input_ohm: f64::INFINITY,
        input_known: true,
        closed_ohm: 0.05,
        closed_known: true,
        end_of_line_ohm: None,
        return_ohm: 0.0,
        series_ohm: 0.0,
        tolerance,
        topology,
        window: WindowRule::Midpoint,
        tolerance_counts: None,
        idle_counts: None,
        idle_low_counts: None,
        falls_silent: false,
        keys: keys.collect(),
    }
}
