//! The keypad of the simulated set as a circuit: pull-up and leak on the main board, a cable, the key board.

use super::film::Film;
use crate::base::Key;

/// One ladder: the resistor network of the keys on one converter input.
#[derive(Clone, Debug, PartialEq)]
pub struct Ladder {
    /// Name of the line as the set prints it.
    pub name: &'static str,
    /// Supply of the pull-up and reference of the converter, volts.
    pub supply_volts: f64,
    /// Pull-up on the main board, ohms.
    pub pull_up_ohm: f64,
    /// Largest reading of the converter.
    pub full_scale: u32,
    /// Keys with the resistance from the line to their switch in ohms, smallest first.
    pub keys: Vec<(Key, f64)>,
    /// Whether the resistors form one chain whose taps the keys ground, instead of one branch for each key.
    pub chain: bool,
}

/// The resistance of a closed switch, ohms.
///
/// # Source
/// Data sheets of 6 mm tact switches give 50 to 100 milliohms at most when new.
const CONTACT_OHM: f64 = 0.05;

/// Whether the key board hangs on the main board.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Connection {
    /// As in the shop.
    #[default]
    Plugged,
    /// The cable is off at the main board.
    Unplugged,
}

/// What is wrong with the set. The default is a sound set.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Faults {
    /// A film of moisture and flux between line and ground at the key connector of the main board.
    pub main_board: Option<Film>,
    /// The same on the key board; it goes away with the key board.
    pub key_board: Option<Film>,
    /// A switch that leaks inside: its key and the leak in ohms, in series with the key's own resistor.
    pub leaky_switch: Option<(Key, f64)>,
    /// Resistance of a poor contact in the cable, ohms.
    pub cable_ohm: f64,
    /// Potential of the key board's ground against the converter's, volts.
    pub ground_offset_volts: f64,
    /// Whether the key board is connected.
    pub connection: Connection,
}

/// The state of one line at one instant, all leaks as conductances in siemens.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Instant<'a> {
    /// Leak to ground on the main board.
    pub main_leak_siemens: f64,
    /// Leak to the key board's ground on the key board.
    pub board_leak_siemens: f64,
    /// Keys that are down.
    pub pressed: &'a [Key],
}

impl Ladder {
    /// Voltage at the converter.
    ///
    /// # Formula
    /// Kirchhoff's current law at the line. The key board is a conductance `Gk` (closed or leaky switches, leak)
    /// to its own ground at `E`; through the cable resistance `Rc` it looks like a source `E` behind
    /// `Rc + 1/Gk`. With `g = 1/(Rc + 1/Gk)` (0 when unplugged), pull-up `Rp` and main-board leak `Gm`:
    ///
    /// `V = (Vs/Rp + E g) / (1/Rp + Gm + g)`
    ///
    /// # Source
    /// Kirchhoff's current law and Thevenin's theorem. The test compares with worked values that a circuit
    /// simulator gave.
    pub fn volts(&self, faults: &Faults, now: &Instant<'_>) -> f64 {
        let board = now.board_leak_siemens + self.keys_siemens(faults, now);
        let through = match faults.connection {
            Connection::Plugged if board > 0.0 => 1.0 / (faults.cable_ohm + 1.0 / board),
            _ => 0.0,
        };
        let into = self.supply_volts / self.pull_up_ohm + faults.ground_offset_volts * through;
        into / (1.0 / self.pull_up_ohm + now.main_leak_siemens + through)
    }

    /// Conductance of all keys from the line to the key board's ground.
    ///
    /// In a chain, what lies beyond a tap is in series with the resistor before it: worked from the far end.
    fn keys_siemens(&self, faults: &Faults, now: &Instant<'_>) -> f64 {
        let switch = |key| match faults.leaky_switch {
            _ if now.pressed.contains(&key) => CONTACT_OHM,
            Some((leaky, leak)) if leaky == key => leak,
            _ => f64::INFINITY,
        };
        if !self.chain {
            return self.keys.iter().map(|(key, ohm)| 1.0 / (ohm + switch(*key))).sum();
        }
        let before = [0.0].into_iter().chain(self.keys.iter().map(|(_, ohm)| *ohm));
        let taps: Vec<(f64, f64)> =
            self.keys.iter().zip(before).map(|((key, ohm), before)| (ohm - before, switch(*key))).collect();
        taps.iter().rev().fold(0.0, |beyond, (ohm, switch)| 1.0 / (ohm + 1.0 / (beyond + 1.0 / switch)))
    }

    /// Reading of a voltage: `floor((full scale + 1) * V / Vs)`, cut to the converter's range.
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    pub fn counts(&self, volts: f64) -> u32 {
        let steps = f64::from(self.full_scale) + 1.0;
        (steps * volts / self.supply_volts).floor().clamp(0.0, f64::from(self.full_scale)) as u32
    }

    /// The key that the firmware takes a reading for: borders halfway between neighbouring nominal readings,
    /// the idle reading being the last one.
    pub fn key_at(&self, counts: u32) -> Option<Key> {
        let nominal = |ohm: f64| self.counts(self.supply_volts * ohm / (ohm + self.pull_up_ohm));
        let mut next = self.keys.iter().skip(1).map(|(_, ohm)| nominal(*ohm)).chain([self.full_scale]);
        self.keys
            .iter()
            .find(|(_, ohm)| next.next().is_some_and(|above| 2 * counts < nominal(*ohm) + above))
            .map(|(key, _)| *key)
    }
}
