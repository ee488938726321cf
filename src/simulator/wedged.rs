//! A spare remote control that something presses on: it sends one key in trains, by a beat of its own.

use crate::base::Nanoseconds;
use crate::simulator::random::Random;

/// What the remote control sends.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct WedgedRemote {
    /// Address in its frames.
    pub address: u8,
    /// Command of the key that is held down.
    pub command: u8,
    /// From the beginning of one train to that of the next, seconds.
    pub beat_s: f64,
}

/// A press within a train: when it begins, counted from now, and for how long frames follow.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Pressed {
    /// From now to the first frame.
    pub after: Nanoseconds,
    /// How long the frame is repeated.
    pub hold: Nanoseconds,
}

/// Shortest and longest beat of [`WedgedRemote`]s, seconds. Invented, as all times here.
const BEAT_S: [f64; 2] = [26.0, 34.0];
/// Standard deviation of one beat, as a share of it: the remote control counts by a resistor and a capacitor.
const JITTER: f64 = 0.004;
/// Presses in a train: the rubber gives way under the load and comes back.
const PRESSES: [u32; 2] = [2, 4];

impl WedgedRemote {
    /// One whose beat follows from the seed.
    pub fn seeded(address: u8, command: u8, seed: u64) -> Self {
        let [shortest, longest] = BEAT_S;
        let beat_s = shortest + (longest - shortest) * Random::new(seed, 5).uniform();
        Self { address, command, beat_s }
    }
}

/// The remote control as it is now. It knows nothing of the set: its beat goes on while the set is off.
#[derive(Clone, Debug)]
pub struct RemoteState {
    /// Time to the next train.
    wait: f64,
    random: Random,
}

impl RemoteState {
    /// Somewhere within its beat.
    pub fn new(seed: u64, stream: u64) -> Self {
        let mut random = Random::new(seed, stream);
        Self { wait: BEAT_S[0] * random.uniform(), random }
    }

    /// Lets `seconds` pass and gives the presses of a train that begins in them.
    pub fn advance(&mut self, seconds: f64, remote: &WedgedRemote) -> Vec<Pressed> {
        self.wait -= seconds;
        if self.wait > 0.0 {
            return Vec::new();
        }
        self.wait += remote.beat_s * (1.0 + JITTER * self.random.normal());
        let [fewest, most] = PRESSES;
        let mut after = 0.0;
        (0..fewest + self.random.below(most - fewest + 1))
            .map(|_| {
                let hold = 0.15 + 0.3 * self.random.uniform();
                let pressed = Pressed {
                    after: Nanoseconds::from_seconds(after),
                    hold: Nanoseconds::from_seconds(hold),
                };
                after += 0.9 + 0.4 * self.random.uniform();
                pressed
            })
            .collect()
    }
}
