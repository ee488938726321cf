//! Conditions, worked faults and readings of the reference ladder. Asserts nothing.

use straykey::analysis::ladder::{Condition, Fault, Network, Place, Reading};

pub(crate) use crate::support::ladder::{KEYS, OHMS, key, reference, series};

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
