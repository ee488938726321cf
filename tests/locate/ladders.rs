//! The reference ladder, and its worked faults. Asserts nothing.

use straykey::analysis::ladder::{Condition, Fault, Network, NetworkKey, Place, Reading};
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
        closed_ohm: 0.05,
        end_of_line_ohm: None,
        return_ohm: 0.0,
        series_ohm: 0.0,
        tolerance,
        topology,
        window: WindowRule::Midpoint,
        tolerance_counts: None,
        idle_counts: None,
        idle_low_counts: None,
        keys: keys.collect(),
    }
}

/// Idle, the six keys, unplugged, 4.7 kΩ substituted.
pub(crate) fn conditions() -> Vec<Condition> {
    let mut all = vec![Condition::Idle];
    all.extend(KEYS.iter().map(|name| Condition::Key(key(name))));
    all.push(Condition::Unplugged);
    all.push(Condition::Substituted(4_700.0));
    all
}

/// The faults of a worked case by its number.
pub(crate) fn faults(case: &str) -> Vec<Fault> {
    use Fault::{
        GroundOffset, LeakToGround, LeakToSupply, PullUp, PullUpOnKeyBoard, Return, Series, Supply,
        SwitchLeak,
    };
    use Place::{KeyBoard, MainBoard};
    let voldown = key("KEY_VOLUMEDOWN");
    match case {
        "F00" => vec![],
        "F01" => vec![LeakToGround { at: MainBoard, ohm: 33e3 }],
        "F02" => vec![LeakToGround { at: KeyBoard, ohm: 33e3 }],
        "F03" => {
            vec![LeakToGround { at: MainBoard, ohm: 47e3 }, LeakToGround { at: KeyBoard, ohm: 24e3 }]
        }
        "F04" => vec![LeakToSupply { at: MainBoard, ohm: 15e3, volts: None }],
        "F05" => vec![LeakToSupply { at: KeyBoard, ohm: 47e3, volts: Some(5.0) }],
        "F06" => vec![GroundOffset { volts: 0.08 }],
        "F07" => vec![GroundOffset { volts: -0.06 }],
        "F08" => vec![Series { ohm: 240.0 }],
        "F09" => vec![Return { ohm: 10.0, ampere: 0.008 }],
        "F10" => vec![SwitchLeak { key: voldown, ohm: 12e3 }],
        "F11" => vec![PullUp { ohm: 47e3 }],
        "F12" => vec![Supply { factor: 0.95 }],
        "F13" => vec![
            LeakToSupply { at: KeyBoard, ohm: 47e3, volts: Some(5.0) },
            LeakToGround { at: MainBoard, ohm: 15e3 },
        ],
        "F14" => vec![PullUpOnKeyBoard { ohm: 10e3 }, LeakToGround { at: MainBoard, ohm: 47e3 }],
        "F15" => vec![SwitchLeak { key: voldown, ohm: 5.0 }],
        other => panic!("no case {other}"),
    }
}

/// A worked case's readings: noise 0.3 counts, one reading each.
pub(crate) fn readings(network: &Network, codes: &[u32], conditions: &[Condition]) -> Vec<Reading> {
    codes
        .iter()
        .zip(conditions)
        .map(|(code, condition)| Reading::steady(condition.clone(), *code, network.full_scale, 0.3))
        .collect()
}
