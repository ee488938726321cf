//! The keypad of the simulated set as a circuit: the pull-up on the main board, a cable, the key board, a leak at any of them.

use crate::base::Key;
use crate::simulator::leak::Leak;
use crate::simulator::wedged::WedgedRemote;

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

/// What of the key board and its cable hangs on the main board.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Connection {
    /// As in the shop.
    #[default]
    Plugged,
    /// The cable is off at the key board and hangs on the main board.
    CableOnly,
    /// The cable is off at the main board.
    Unplugged,
}

/// What is wrong with the set and what was done to it. The default is a sound set.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Faults {
    /// A leak on a keypad line.
    pub leak: Option<Leak>,
    /// Resistance of a poor contact in the cable, ohms.
    pub cable_ohm: f64,
    /// Potential of the key board's ground against the converter's, volts.
    pub ground_offset_volts: f64,
    /// What is connected.
    pub connection: Connection,
    /// A remote control in the room that sends by itself.
    pub remote: Option<WedgedRemote>,
    /// Whether the infrared receiver is covered or off.
    pub receiver_covered: bool,
}

/// The state of one line at one instant.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Instant<'a> {
    /// Leak to the chassis on the main board, siemens.
    pub main_board: f64,
    /// The same in the cable, on the side of the main board.
    pub cable: f64,
    /// Leak to the key board's ground on the key board, siemens.
    pub key_board: f64,
    /// Keys that are down.
    pub pressed: &'a [Key],
}

impl Ladder {
    /// Voltage at the converter.
    ///
    /// # Formula
    /// Kirchhoff's current law at the line. The key board is a conductance `Gk` (closed switches, a leak there) to its
    /// own ground at `E`; through the cable resistance `Rc` it looks like a source `E` behind `Rc + 1/Gk`. With
    /// `g = 1/(Rc + 1/Gk)` (0 when the cable is off at either end), pull-up `Rp`, and `Gm` a leak to the chassis on the
    /// main board or in that part of the cable that hangs on it:
    ///
    /// `V = (Vs/Rp + E g) / (1/Rp + Gm + g)`
    ///
    /// # Source
    /// Kirchhoff's current law and Thevenin's theorem. The test compares with worked values that a circuit
    /// simulator gave.
    pub fn volts(&self, faults: &Faults, now: &Instant<'_>) -> f64 {
        let cable = if faults.connection == Connection::Unplugged { 0.0 } else { now.cable };
        let leak = now.main_board + cable;
        let board = now.key_board + self.keys_siemens(now.pressed);
        let through = match faults.connection {
            Connection::Plugged if board > 0.0 => 1.0 / (faults.cable_ohm + 1.0 / board),
            _ => 0.0,
        };
        let into = self.supply_volts / self.pull_up_ohm + faults.ground_offset_volts * through;
        into / (1.0 / self.pull_up_ohm + leak + through)
    }

    /// Conductance of all keys from the line to the key board's ground.
    ///
    /// In a chain, what lies beyond a tap is in series with the resistor before it: worked from the far end.
    fn keys_siemens(&self, pressed: &[Key]) -> f64 {
        let switch = |key| if pressed.contains(&key) { CONTACT_OHM } else { f64::INFINITY };
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
