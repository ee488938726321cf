//! The fault mechanisms that a fit tries, each with its one number, and the pairs of them.

use crate::base::Key;

use crate::analysis::ladder::fault::{Fault, Place};
use crate::analysis::ladder::network::Network;
use crate::analysis::ladder::words;

/// One mechanism with one unknown number.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Mechanism {
    /// Leak to ground on the main board.
    MainLeakGround,
    /// Leak to the pull-up's own supply on the main board.
    MainLeakOwnSupply,
    /// Leak to a higher supply on the main board.
    MainLeakHighSupply,
    /// Leak to ground in the converter's pin, behind its series resistor.
    PinLeak,
    /// Leak to ground in the cable.
    CableLeakGround,
    /// Leak to ground on the key board.
    KeyLeakGround,
    /// Leak to the pull-up's own supply on the key board.
    KeyLeakOwnSupply,
    /// Leak to a higher supply on the key board.
    KeyLeakHighSupply,
    /// Resistance in the signal or return path: connector, wire, joint.
    Series,
    /// The key board's ground stands off against the converter's.
    GroundOffset,
    /// An open switch conducts, from leaky to stuck.
    SwitchLeak(Key),
    /// A closed switch has too much resistance.
    Contact(Key),
    /// The pull-up has another value.
    PullUp,
    /// The pull-up sits on the key board.
    PullUpOnKeyBoard,
    /// Pull-up supply against reference.
    Supply,
}

/// How a number is searched.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Range {
    /// Whether the search runs in the decimal logarithm.
    pub log: bool,
    /// Lower physical bound, in the search's coordinate.
    pub low: f64,
    /// Upper physical bound, in the search's coordinate.
    pub high: f64,
}

impl Mechanism {
    /// Word for programs: lower case, hyphens.
    pub fn word(self) -> String {
        match self {
            Self::MainLeakGround => "main-board-leak-to-ground".into(),
            Self::MainLeakOwnSupply => "main-board-leak-to-supply".into(),
            Self::MainLeakHighSupply => "main-board-leak-to-higher-supply".into(),
            Self::PinLeak => "input-pin-leak".into(),
            Self::CableLeakGround => "cable-leak-to-ground".into(),
            Self::KeyLeakGround => "key-board-leak-to-ground".into(),
            Self::KeyLeakOwnSupply => "key-board-leak-to-supply".into(),
            Self::KeyLeakHighSupply => "key-board-leak-to-higher-supply".into(),
            Self::Series => "series-resistance".into(),
            Self::GroundOffset => "ground-offset".into(),
            Self::SwitchLeak(key) => format!("switch-leak-{}", short(key)),
            Self::Contact(key) => format!("contact-{}", short(key)),
            Self::PullUp => "pull-up-value".into(),
            Self::PullUpOnKeyBoard => "pull-up-on-key-board".into(),
            Self::Supply => "supply-or-reference".into(),
        }
    }

    /// Words for people, without the number.
    pub fn text(self) -> String {
        match self {
            Self::MainLeakGround => "leak to ground on the main board's side of the key connector".into(),
            Self::MainLeakOwnSupply => "leak to the pull-up's own supply on the main board".into(),
            Self::MainLeakHighSupply => "leak to a higher supply on the main board".into(),
            Self::PinLeak => "leak to ground inside the converter's pin or its capacitor or diode".into(),
            Self::CableLeakGround => "leak to ground in the key cable".into(),
            Self::KeyLeakGround => "leak to ground on the key board".into(),
            Self::KeyLeakOwnSupply => "leak to the pull-up's own supply on the key board".into(),
            Self::KeyLeakHighSupply => "leak to a higher supply on the key board".into(),
            Self::Series => "resistance in the signal or return path (connector, wire, joint)".into(),
            Self::GroundOffset => "voltage between key-board ground and converter ground".into(),
            Self::SwitchLeak(key) => format!("leaky or stuck switch {}", key.label()),
            Self::Contact(key) => format!("poor contact in switch {}", key.label()),
            Self::PullUp => "pull-up of another value (open or drifted)".into(),
            Self::PullUpOnKeyBoard => "pull-up on the key board".into(),
            Self::Supply => "pull-up supply off against the converter's reference".into(),
        }
    }

    /// What it is, without its place, which the stages tell better than the readings.
    pub fn kind(self) -> String {
        match self {
            Self::MainLeakGround | Self::PinLeak | Self::CableLeakGround | Self::KeyLeakGround => {
                "leak to ground".into()
            }
            Self::MainLeakOwnSupply
            | Self::MainLeakHighSupply
            | Self::KeyLeakOwnSupply
            | Self::KeyLeakHighSupply => "leak to a supply".into(),
            other => other.text(),
        }
    }

    /// The unit of the number: `ohm`, `volt` or `ratio`.
    pub fn unit(self) -> &'static str {
        match self {
            Self::GroundOffset => "volt",
            Self::Supply => "ratio",
            _ => "ohm",
        }
    }

    /// The number with its unit, for people.
    pub fn value_text(self, value: f64) -> String {
        match self {
            Self::GroundOffset => words::volts(value),
            Self::Supply => format!("{} of nominal", words::three_digits(value)),
            _ => words::ohms(value),
        }
    }

    /// The mechanism with its number (or interval) in a phrase.
    pub fn phrase(self, value: &str) -> String {
        match self {
            Self::MainLeakGround => {
                format!("a leak of {value} to ground on the main board's side of the key connector")
            }
            Self::MainLeakOwnSupply => {
                format!("a leak of {value} to the pull-up's own supply on the main board")
            }
            Self::MainLeakHighSupply => format!("a leak of {value} to a higher supply on the main board"),
            Self::PinLeak => {
                format!("a leak of {value} to ground inside the converter's pin, or its capacitor or diode")
            }
            Self::CableLeakGround => format!("a leak of {value} to ground in the key cable"),
            Self::KeyLeakGround => format!("a leak of {value} to ground on the key board"),
            Self::KeyLeakOwnSupply => {
                format!("a leak of {value} to the pull-up's own supply on the key board")
            }
            Self::KeyLeakHighSupply => format!("a leak of {value} to a higher supply on the key board"),
            Self::Series => {
                format!("a resistance of {value} in the signal or return path (connector, wire, joint)")
            }
            Self::GroundOffset => {
                format!(
                    "{value} between key-board ground and converter ground, or a return resistance with a current in it"
                )
            }
            Self::SwitchLeak(key) => format!("the switch {} conducting with {value} while open", key.label()),
            Self::Contact(key) => format!("a contact resistance of {value} in the switch {}", key.label()),
            Self::PullUp => format!("a pull-up of {value} (drifted or open)"),
            Self::PullUpOnKeyBoard => format!("a pull-up of {value} on the key board"),
            Self::Supply => {
                format!(
                    "the pull-up's supply at {value} against the converter's reference (low supply or high reference)"
                )
            }
        }
    }

    /// Locations (words of design section 11) that such a fault sits in, with shares that add up to one.
    /// Where a mechanism has more than one seat the shares are common practice, no source.
    pub fn locations(self) -> &'static [(&'static str, f64)] {
        match self {
            Self::MainLeakGround | Self::MainLeakHighSupply | Self::PinLeak => &[("main-board-input", 1.0)],
            Self::MainLeakOwnSupply | Self::PullUp => {
                &[("main-board-input", 0.95), ("supply-reference", 0.05)]
            }
            Self::CableLeakGround => &[("key-cable", 1.0)],
            Self::KeyLeakGround => &[("key-board", 0.75), ("key-switch", 0.15), ("key-cable", 0.1)],
            Self::KeyLeakOwnSupply | Self::KeyLeakHighSupply => &[("key-board", 0.85), ("key-cable", 0.15)],
            Self::Series => &[("key-cable", 0.85), ("ground-bond", 0.15)],
            Self::GroundOffset => &[("ground-bond", 0.9), ("key-cable", 0.1)],
            Self::SwitchLeak(_) => &[("key-switch", 0.85), ("key-board", 0.15)],
            Self::Contact(_) => &[("key-switch", 0.95), ("key-board", 0.05)],
            Self::PullUpOnKeyBoard => &[("key-board", 1.0)],
            Self::Supply => &[("supply-reference", 1.0)],
        }
    }

    /// Physical range of the number; without it a pull-up of a teraohm against open branches of a teraohm
    /// reproduces almost any idle reading.
    pub(super) fn range(self) -> Range {
        match self {
            // Up to an open one behind which leakage or a weak pull-up of the converter's own is left.
            Self::PullUp | Self::PullUpOnKeyBoard => Range { log: true, low: 3.0, high: 7.0 },
            Self::Series => Range { log: true, low: -2.0, high: 4.0 },
            Self::Contact(_) => Range { log: true, low: -2.0, high: 6.0 },
            Self::GroundOffset => Range { log: false, low: -1.2, high: 1.2 },
            Self::Supply => Range { log: false, low: 0.5, high: 1.5 },
            Self::SwitchLeak(_) => Range { log: true, low: 0.0, high: 8.0 },
            // What conducts better than dirt can is a switch.
            _ => Range { log: true, low: 2.0, high: 8.0 },
        }
    }

    /// The fault of this mechanism with this number.
    pub fn fault(self, network: &Network, value: f64) -> Fault {
        let ohm = value;
        match self {
            Self::MainLeakGround => Fault::LeakToGround { at: Place::MainBoard, ohm },
            Self::MainLeakOwnSupply => Fault::LeakToSupply { at: Place::MainBoard, ohm, volts: None },
            Self::MainLeakHighSupply => {
                Fault::LeakToSupply { at: Place::MainBoard, ohm, volts: Some(network.higher_volts) }
            }
            Self::PinLeak => Fault::PinLeak { ohm },
            Self::CableLeakGround => Fault::LeakToGround { at: Place::Cable, ohm },
            Self::KeyLeakGround => Fault::LeakToGround { at: Place::KeyBoard, ohm },
            Self::KeyLeakOwnSupply => Fault::LeakToSupply { at: Place::KeyBoard, ohm, volts: None },
            Self::KeyLeakHighSupply => {
                Fault::LeakToSupply { at: Place::KeyBoard, ohm, volts: Some(network.higher_volts) }
            }
            Self::Series => Fault::Series { ohm },
            Self::GroundOffset => Fault::GroundOffset { volts: value },
            Self::SwitchLeak(key) => Fault::SwitchLeak { key, ohm },
            Self::Contact(key) => Fault::Contact { key, ohm },
            Self::PullUp => Fault::PullUp { ohm },
            Self::PullUpOnKeyBoard => Fault::PullUpOnKeyBoard { ohm },
            Self::Supply => Fault::Supply { factor: value },
        }
    }

    /// How common the mechanism is against a leak to ground, before anything is read. The members of a family
    /// (one switch among many) share the family's part, so that a ladder of many keys does not make the switches
    /// likelier than a ladder of few. Common practice, no source.
    pub(super) fn prior(self, network: &Network) -> f64 {
        let keys = network.keys.len().max(1) as f64;
        match self {
            Self::MainLeakGround | Self::KeyLeakGround => 1.0,
            Self::SwitchLeak(_) | Self::Contact(_) => 1.0 / keys,
            Self::Series => 0.6,
            Self::GroundOffset | Self::PinLeak | Self::CableLeakGround => 0.5,
            Self::PullUp | Self::Supply => 0.4,
            Self::MainLeakOwnSupply | Self::MainLeakHighSupply => 0.3,
            Self::KeyLeakOwnSupply | Self::KeyLeakHighSupply => 0.15,
            Self::PullUpOnKeyBoard => 0.1,
        }
    }
}

/// Prior of a whole model: a second fault at once is taken to be a third as likely as it would be alone. Common practice, no source.
pub(super) fn prior(model: &[Mechanism], network: &Network) -> f64 {
    let product: f64 = model.iter().map(|m| m.prior(network)).product();
    if model.len() > 1 { 0.3 * product } else { product }
}

fn short(key: Key) -> String {
    key.name().trim_start_matches("KEY_").to_ascii_lowercase()
}

/// A hypothesis: no fault, one mechanism, or two at once.
pub type Model = Vec<Mechanism>;

/// Words for people for a whole model.
pub fn text(model: &[Mechanism]) -> String {
    match model {
        [] => "healthy ladder".into(),
        parts => parts.iter().map(|m| m.text()).collect::<Vec<_>>().join(", and "),
    }
}

/// Word for programs for a whole model.
pub fn word(model: &[Mechanism]) -> String {
    match model {
        [] => "healthy".into(),
        parts => parts.iter().map(|m| m.word()).collect::<Vec<_>>().join("+"),
    }
}

/// Every hypothesis that is tried on a network, healthy first, then singles, then pairs.
///
/// Pairs join what one-fault models cannot explain: a fault on each board, a leak whose far end moves, an
/// offset with a resistance.
pub(super) fn all(network: &Network, cable_seen: bool) -> Vec<Model> {
    use Mechanism as M;
    let keys: Vec<Key> = network.keys.iter().map(|k| k.key).collect();
    let mut main = vec![M::MainLeakGround, M::MainLeakOwnSupply, M::MainLeakHighSupply];
    if network.pin_ohm > 0.0 {
        main.push(M::PinLeak);
    }
    let mut board = vec![M::KeyLeakGround, M::KeyLeakOwnSupply, M::KeyLeakHighSupply];
    if cable_seen {
        board.push(M::CableLeakGround);
    }
    let switches: Vec<M> = keys.iter().map(|key| M::SwitchLeak(*key)).collect();
    let mut models: Vec<Model> = vec![vec![]];
    let others = [M::Series, M::GroundOffset, M::PullUp, M::Supply];
    let contacts = keys.iter().map(|key| M::Contact(*key));
    models.extend(
        main.iter().chain(&board).chain(&switches).copied().chain(others).chain(contacts).map(|m| vec![m]),
    );
    for b in board.iter().chain(&switches) {
        models.push(vec![M::MainLeakGround, *b]);
    }
    models.push(vec![M::MainLeakOwnSupply, M::KeyLeakGround]);
    models.push(vec![M::MainLeakHighSupply, M::KeyLeakGround]);
    models.push(vec![M::Supply, M::KeyLeakGround]);
    for leak in [M::MainLeakGround, M::KeyLeakGround] {
        models.push(vec![leak, M::Series]);
        models.push(vec![leak, M::GroundOffset]);
    }
    models.push(vec![M::Series, M::GroundOffset]);
    if network.pull_up_on == crate::decode::ladder::Board::MainBoard {
        models.push(vec![M::PullUpOnKeyBoard, M::MainLeakGround]);
    }
    models
}
