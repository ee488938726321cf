//! What may be wrong with a line, and the states in which it is read.

use crate::base::Key;

/// Where on the way from the switches to the converter something sits.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Place {
    /// On the converter's side of the connector.
    MainBoard,
    /// On the wires between the boards.
    Cable,
    /// With the switches.
    KeyBoard,
}

/// What may be wrong with the circuit. Several may be present at once.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Fault {
    /// Leakage from the line to ground (on the key board: to the key board's return).
    LeakToGround {
        /// Where.
        at: Place,
        /// Its resistance in ohms.
        ohm: f64,
    },
    /// Leakage from the line to a supply.
    LeakToSupply {
        /// Where.
        at: Place,
        /// Its resistance in ohms.
        ohm: f64,
        /// The supply's voltage; the pull-up's own supply when absent.
        volts: Option<f64>,
    },
    /// Leakage to ground inside the converter's pin, behind the pin's series resistor.
    PinLeak {
        /// Its resistance in ohms.
        ohm: f64,
    },
    /// Resistance in the signal wire or its contacts.
    Series {
        /// Ohms.
        ohm: f64,
    },
    /// Resistance in the return wire, with another load's current through it.
    Return {
        /// Ohms.
        ohm: f64,
        /// Current of the other load, amperes.
        ampere: f64,
    },
    /// The key board's ground stands this far above the converter's ground.
    GroundOffset {
        /// Volts.
        volts: f64,
    },
    /// A switch that conducts while it is open.
    SwitchLeak {
        /// Which.
        key: Key,
        /// Its resistance while open, ohms.
        ohm: f64,
    },
    /// A switch that does not close fully.
    Contact {
        /// Which.
        key: Key,
        /// Resistance added while closed, ohms.
        ohm: f64,
    },
    /// The pull-up has another value.
    PullUp {
        /// Ohms.
        ohm: f64,
    },
    /// The pull-up is on the key board and not on the main board.
    PullUpOnKeyBoard {
        /// Ohms.
        ohm: f64,
    },
    /// The pull-up's supply is off against the converter's reference.
    Supply {
        /// True over nominal.
        factor: f64,
    },
}

/// The state in which a reading was taken.
#[derive(Clone, Debug, PartialEq)]
pub enum Condition {
    /// Nobody presses anything.
    Idle,
    /// One key down.
    Key(Key),
    /// Several keys down at once.
    Keys(Vec<Key>),
    /// Key board's cable pulled at the main board.
    Unplugged,
    /// Cable pulled at the key board, its wires still on the main board.
    CableOnly,
    /// A known resistor at the main board's connector in place of the key board.
    Substituted(f64),
}

impl Condition {
    /// Words for people.
    pub fn text(&self) -> String {
        match self {
            Self::Idle => "no key pressed".into(),
            Self::Key(key) => format!("{} pressed", key.label()),
            Self::Keys(keys) => {
                let labels: Vec<_> = keys.iter().map(|key| key.label()).collect();
                format!("{} pressed together", labels.join(" + "))
            }
            Self::Unplugged => "key board unplugged at the main board".into(),
            Self::CableOnly => "cable unplugged at the key board".into(),
            Self::Substituted(ohm) => {
                format!("{} in place of the key board", crate::analysis::ladder::words::ohms(*ohm))
            }
        }
    }

    pub(super) fn is_down(&self, key: Key) -> bool {
        match self {
            Self::Key(one) => *one == key,
            Self::Keys(keys) => keys.contains(&key),
            _ => false,
        }
    }
}
