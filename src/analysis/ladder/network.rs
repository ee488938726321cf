//! One keypad line as a circuit: its parts, the faults that may be in it, and the voltage that results.

use crate::base::{Key, Ohms, Volts};
use crate::decode::ladder::{Board, Line, Topology, WindowRule};

use crate::analysis::ladder::circuit::Circuit;
use crate::analysis::ladder::fault::{Condition, Fault, Place};

/// Resistance of a closed switch in ohms.
///
/// # Source
/// Contact resistance of new 6 mm tactile switches, 50 mΩ at most: distributor's data sheet, 2021.
pub const CLOSED_OHM: f64 = 0.05;

/// What the input resistance of a converter may be where the file does not give it: conductances up to about this, siemens
/// (5 megohms), are no fault. Common practice, no source.
pub(super) const INPUT_SIEMENS: f64 = 2e-7;

/// The same of the contacts: up to about this is no fault, ohms; carbon pills have more than metal domes. Common practice, no
/// source.
pub(super) const CONTACT_OHM: f64 = 20.0;

/// A pin that is held by more than this is floating: its reading means nothing. Common practice, no source.
pub const FLOATING_OHM: f64 = 20e6;

/// Pull-up that is assumed where the protocol file does not give one, ohms.
///
/// # Source
/// "One-Pin Keypad Features Low Component Count", Electronic Design, 26 May 2003 (10 kΩ).
pub const ASSUMED_PULL_UP_OHM: f64 = 10_000.0;

/// Supply that a leak may come from beside the line's own, volts; a 5 V rail is what is nearby on key boards.
pub const HIGHER_SUPPLY_VOLTS: f64 = 5.0;

/// One key of a [`Network`].
#[derive(Clone, Debug, PartialEq)]
pub struct NetworkKey {
    /// The key.
    pub key: Key,
    /// The key's own resistor in ohms: its branch in a parallel ladder, the chain's piece before its tap in
    /// a series ladder.
    pub ohm: f64,
    /// Nominal reading in counts where the file gives it directly.
    pub counts: Option<f64>,
    /// Lowest reading of the key under the `threshold` rule.
    pub low_counts: Option<f64>,
}

/// One line's ladder, ready to be solved. Keys stand in order of rising resistance to ground.
#[derive(Clone, Debug, PartialEq)]
pub struct Network {
    /// Name as the set prints it.
    pub name: String,
    /// Largest reading of the converter (1023 for ten bits).
    pub full_scale: u32,
    /// Voltage that the pull-up goes to.
    pub supply_volts: f64,
    /// Voltage of the full-scale reading.
    pub reference_volts: f64,
    /// A second supply that a leak may come from, volts.
    pub higher_volts: f64,
    /// Pull-up resistor in ohms.
    pub pull_up_ohm: f64,
    /// Whether the pull-up is a guess because the protocol file gives none.
    pub pull_up_assumed: bool,
    /// The board that carries the pull-up.
    pub pull_up_on: Board,
    /// Resistance between ladder node and converter pin, ohms.
    pub pin_ohm: f64,
    /// Input resistance of the converter, ohms; infinite is an ideal one.
    pub input_ohm: f64,
    /// Whether the file gives it; else the readings have to tell it.
    pub input_known: bool,
    /// Resistance of a closed switch, ohms.
    pub closed_ohm: f64,
    /// Whether the file gives it; else the readings have to tell it.
    pub closed_known: bool,
    /// Resistor from signal to return on the key board that is there on purpose, ohms.
    pub end_of_line_ohm: Option<f64>,
    /// Resistance of the return wire and pin, ohms; zero is an ideal wire.
    pub return_ohm: f64,
    /// Resistance of the signal wire and pin, ohms; zero is an ideal wire.
    pub series_ohm: f64,
    /// Tolerance of each resistor as a fraction (0.01 is 1 %); zero when they have been measured.
    pub tolerance: f64,
    /// How the resistors are joined.
    pub topology: Topology,
    /// How the firmware chooses a key.
    pub window: WindowRule,
    /// Half width of a window under the `tolerance` rule, counts.
    pub tolerance_counts: Option<f64>,
    /// Nominal reading of the idle line in counts where the file gives it directly.
    pub idle_counts: Option<f64>,
    /// Lowest reading of the idle line under the `threshold` rule.
    pub idle_low_counts: Option<f64>,
    /// The set prints readings only while it takes a key to be down: of an idle line it says nothing.
    pub falls_silent: bool,
    /// The keys.
    pub keys: Vec<NetworkKey>,
}

impl From<&Line> for Network {
    /// Resistors that the file does not give are computed from the nominal counts by the divider rule.
    fn from(line: &Line) -> Self {
        let reference_volts = line.reference_volts.unwrap_or(line.supply_volts);
        let pull_up_ohm = line.pull_up_ohm.unwrap_or(ASSUMED_PULL_UP_OHM);
        let levels = f64::from(line.full_scale) + 1.0;
        let to_ground = |counts: f64| {
            let x = (counts + 0.5) / levels * reference_volts / line.supply_volts;
            if counts < 0.5 { 0.0 } else { pull_up_ohm * x / (1.0 - x).max(1e-6) }
        };
        // An idle line below the supply is held there by a resistor on the key board.
        let end_of_line_ohm = line
            .idle_counts
            .filter(|idle| *idle < f64::from(line.full_scale) - 1.0 && *idle > 0.5)
            .map(to_ground);
        // What the file gives is the whole resistance to ground with the key down; that resistor is part of it.
        let without_end = |ohm: f64| match end_of_line_ohm {
            Some(end) if ohm > 0.0 && ohm < end => 1.0 / (1.0 / ohm - 1.0 / end),
            _ => ohm,
        };
        let mut keys: Vec<NetworkKey> = line
            .key
            .iter()
            .map(|key| {
                let from_counts = key.counts.map_or(0.0, to_ground);
                NetworkKey {
                    key: *key.name.get_ref(),
                    ohm: without_end(key.to_ground_ohm.unwrap_or(from_counts).max(0.0)),
                    counts: key.counts,
                    low_counts: key.low_counts,
                }
            })
            .collect();
        keys.sort_by(|a, b| a.ohm.total_cmp(&b.ohm));
        if line.topology == Topology::Series {
            let mut before = 0.0;
            for key in &mut keys {
                let tap = key.ohm;
                key.ohm = tap - before;
                before = tap;
            }
        }
        Self {
            name: line.name.clone(),
            full_scale: line.full_scale,
            supply_volts: line.supply_volts,
            reference_volts,
            higher_volts: HIGHER_SUPPLY_VOLTS.max(line.supply_volts * 1.2),
            pull_up_ohm,
            pull_up_assumed: line.pull_up_ohm.is_none(),
            pull_up_on: line.pull_up_on,
            pin_ohm: line.pin_ohm.max(0.0),
            input_ohm: line.input_ohm.filter(|ohm| *ohm > 0.0).unwrap_or(f64::INFINITY),
            input_known: line.input_ohm.is_some(),
            closed_ohm: line.contact_ohm.map_or(CLOSED_OHM, |ohm| ohm.max(0.0)),
            closed_known: line.contact_ohm.is_some(),
            end_of_line_ohm,
            return_ohm: 0.0,
            series_ohm: 0.0,
            tolerance: line.tolerance.unwrap_or(0.05),
            topology: line.topology,
            window: line.window,
            tolerance_counts: line.tolerance_counts,
            idle_counts: line.idle_counts,
            idle_low_counts: line.idle_low_counts,
            falls_silent: line.silent_s.is_some(),
            keys,
        }
    }
}

/// The parameters of the closed circuit after the faults were entered.
struct State {
    supply_volts: f64,
    pull_up_ohm: f64,
    pull_up_on: Board,
    main: f64,
    cable: f64,
    board: f64,
    pin_siemens: f64,
    series_ohm: f64,
    return_ohm: f64,
    return_ampere: f64,
    offset_volts: f64,
    pin_ratio: f64,
}

impl Network {
    /// Number of codes of the converter.
    pub fn levels(&self) -> f64 {
        f64::from(self.full_scale) + 1.0
    }

    /// A voltage as the average count of many readings near it, not limited to the scale: `levels * V / Vref - 1/2`,
    /// since the converter rounds down.
    pub fn counts(&self, volts: Volts) -> f64 {
        self.levels() * volts.0 / self.reference_volts - 0.5
    }

    /// The code that an ideal converter gives: `floor(levels * V / Vref)`, held to the scale.
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    pub fn code(&self, volts: Volts) -> u32 {
        // The product is within the range of a u32 after the clamp.
        (self.levels() * volts.0 / self.reference_volts).floor().clamp(0.0, f64::from(self.full_scale)) as u32
    }

    /// Resistance from the line to ground while a key is down, without the switch itself; `None` for a
    /// key that the line does not have.
    pub fn to_ground(&self, key: Key) -> Option<Ohms> {
        let index = self.keys.iter().position(|k| k.key == key)?;
        Some(Ohms(match self.topology {
            Topology::Parallel => self.keys[index].ohm,
            Topology::Series => self.keys[..=index].iter().map(|k| k.ohm).sum(),
        }))
    }

    /// Every condition that can be set up without parts: idle, each key, unplugged.
    pub fn conditions(&self) -> Vec<Condition> {
        let mut all = vec![Condition::Idle];
        all.extend(self.keys.iter().map(|k| Condition::Key(k.key)));
        all.push(Condition::Unplugged);
        all
    }

    /// Voltage at the converter's pin; `None` when nothing holds the pin (a floating input).
    ///
    /// The equations are Kirchhoff's current law at the main board's node, the key board's node and the key
    /// board's return; see [`super`] for the drawing.
    pub fn solve(&self, condition: &Condition, faults: &[Fault]) -> Option<Volts> {
        let (siemens, amperes, pin_ratio) = self.node(condition, faults);
        (siemens > 1.0 / FLOATING_OHM).then(|| Volts(amperes / siemens * pin_ratio))
    }

    /// The node's conductance and current, and the pin's share of the node's voltage.
    fn node(&self, condition: &Condition, faults: &[Fault]) -> (f64, f64, f64) {
        let state = self.state(faults);
        let mut circuit = Circuit::new();
        let main = circuit.node();
        if state.pull_up_on == Board::MainBoard {
            circuit.tie(main, 1.0 / state.pull_up_ohm, state.supply_volts);
        }
        circuit.tie(main, state.main + state.pin_siemens, 0.0);
        circuit.tie_fixed(main, faults, Place::MainBoard, state.supply_volts);
        match condition {
            Condition::Unplugged => {}
            Condition::Substituted(ohm) => circuit.tie(main, 1.0 / ohm.max(1e-9), 0.0),
            Condition::CableOnly => {
                circuit.tie(main, state.cable, 0.0);
                circuit.tie_fixed(main, faults, Place::Cable, state.supply_volts);
            }
            _ => self.join_key_board(&mut circuit, main, condition, &state, faults),
        }
        let (siemens, amperes) = circuit.norton(main);
        (siemens, amperes, state.pin_ratio)
    }

    /// Adds cable and key board to the main board's node.
    fn join_key_board(
        &self,
        circuit: &mut Circuit,
        main: crate::analysis::ladder::circuit::Node,
        condition: &Condition,
        state: &State,
        faults: &[Fault],
    ) {
        // An ideal wire would be an infinite conductance; its two ends are one node instead.
        let board = if state.series_ohm > 0.0 {
            let node = circuit.node();
            circuit.join(main, node, 1.0 / state.series_ohm);
            node
        } else {
            main
        };
        circuit.tie(main, state.cable, 0.0);
        circuit.tie_fixed(main, faults, Place::Cable, state.supply_volts);
        if state.pull_up_on == Board::KeyBoard {
            circuit.tie(board, 1.0 / state.pull_up_ohm, state.supply_volts);
        }
        circuit.tie_fixed(board, faults, Place::KeyBoard, state.supply_volts);
        let siemens =
            state.board + self.branches(condition, faults) + self.end_of_line_ohm.map_or(0.0, |r| 1.0 / r);
        if state.return_ohm > 0.0 {
            let ground = circuit.node();
            circuit.join(board, ground, siemens);
            circuit.tie(ground, 1.0 / state.return_ohm, state.offset_volts);
            circuit.inject(ground, state.return_ampere);
        } else {
            circuit.tie(board, siemens, state.offset_volts);
        }
    }

    /// Conductance of all key branches between the key board's signal and return, siemens.
    fn branches(&self, condition: &Condition, faults: &[Fault]) -> f64 {
        let switch = |key: Key| {
            let mut siemens = 0.0;
            let mut contact = self.closed_ohm;
            for fault in faults {
                match *fault {
                    Fault::SwitchLeak { key: leaky, ohm } if leaky == key => siemens += 1.0 / ohm.max(1e-9),
                    Fault::Contact { key: poor, ohm } if poor == key => contact += ohm,
                    _ => {}
                }
            }
            if condition.is_down(key) {
                siemens += 1.0 / contact.max(1e-9);
            }
            siemens
        };
        let in_series =
            |siemens: f64, ohm: f64| if siemens > 0.0 { 1.0 / (ohm + 1.0 / siemens) } else { 0.0 };
        match self.topology {
            Topology::Parallel => self.keys.iter().map(|k| in_series(switch(k.key), k.ohm)).sum(),
            // From the far end of the chain: what lies beyond, the tap's switch beside it, the piece before.
            Topology::Series => {
                self.keys.iter().rev().fold(0.0, |beyond, k| in_series(beyond + switch(k.key), k.ohm))
            }
        }
    }

    /// Enters the faults into the nominal values.
    fn state(&self, faults: &[Fault]) -> State {
        let mut state = State {
            supply_volts: self.supply_volts,
            pull_up_ohm: self.pull_up_ohm,
            pull_up_on: self.pull_up_on,
            main: 0.0,
            cable: 0.0,
            board: 0.0,
            pin_siemens: 1.0 / self.input_ohm,
            series_ohm: self.series_ohm,
            return_ohm: self.return_ohm,
            return_ampere: 0.0,
            offset_volts: 0.0,
            pin_ratio: 1.0,
        };
        for fault in faults {
            match *fault {
                Fault::LeakToGround { at, ohm } => {
                    let siemens = 1.0 / ohm.max(1e-9);
                    match at {
                        Place::MainBoard => state.main += siemens,
                        Place::Cable => state.cable += siemens,
                        Place::KeyBoard => state.board += siemens,
                    }
                }
                Fault::PinLeak { ohm } => state.pin_siemens += 1.0 / ohm.max(1e-9),
                Fault::Series { ohm } => state.series_ohm += ohm,
                Fault::Return { ohm, ampere } => {
                    state.return_ohm += ohm;
                    state.return_ampere += ampere;
                }
                Fault::GroundOffset { volts } => state.offset_volts += volts,
                Fault::PullUp { ohm } => state.pull_up_ohm = ohm,
                Fault::PullUpOnKeyBoard { ohm } => {
                    state.pull_up_ohm = ohm;
                    state.pull_up_on = Board::KeyBoard;
                }
                Fault::Supply { factor } => state.supply_volts *= factor,
                Fault::LeakToSupply { .. } | Fault::SwitchLeak { .. } | Fault::Contact { .. } => {}
            }
        }
        // The pin's resistor divides, and stands in series with all that leaks behind it.
        state.pin_ratio = 1.0 / (1.0 + self.pin_ohm * state.pin_siemens);
        state.pin_siemens *= state.pin_ratio;
        state
    }
}

impl Circuit {
    /// Ties a node to the supplies that leak into it at this place.
    fn tie_fixed(
        &mut self,
        node: crate::analysis::ladder::circuit::Node,
        faults: &[Fault],
        place: Place,
        own: f64,
    ) {
        for fault in faults {
            if let Fault::LeakToSupply { at, ohm, volts } = *fault
                && at == place
            {
                self.tie(node, 1.0 / ohm.max(1e-9), volts.unwrap_or(own));
            }
        }
    }
}
