//! A leak that comes and goes: a conductor whose insulation is worn touches grounded metal, the more readily the
//! warmer the set.

use crate::simulator::random::Random;

/// Where the leak sits between converter and keys.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Place {
    /// On the main board.
    MainBoard,
    /// In the cable between the boards.
    Cable,
    /// On the key board.
    KeyBoard,
}

/// A leak to ground.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Leak {
    /// Where it sits.
    pub place: Place,
    /// Which keypad line it loads, counted from 0.
    pub line: usize,
    /// Resistance while it touches, ohms (the median).
    pub closed_ohm: f64,
    /// Spread of that resistance: standard deviation of its natural logarithm.
    pub spread: f64,
    /// How readily it touches in a cold set: 0 is some four times a minute, each unit makes it much rarer or commoner.
    pub ease: f64,
    /// How much more readily (in the same unit) once the set is warm through.
    pub warm_extra: f64,
}

impl Leak {
    /// A leak that comes and goes some times a minute, cold or warm.
    pub const fn intermittent(place: Place, line: usize, closed_ohm: f64) -> Self {
        Self { place, line, closed_ohm, spread: 0.04, ease: 0.0, warm_extra: 0.0 }
    }
}

/// How warm a set is that was switched on cold so many seconds ago: 0 as the room, 1 warm through.
///
/// # Formula
/// One heat capacity behind one thermal resistance: `1 - exp(-t / tau)`. The time constant is invented.
pub fn warmth(uptime_seconds: f64) -> f64 {
    1.0 - (-uptime_seconds.max(0.0) / WARM_UP_SECONDS).exp()
}

/// The leak as it is at one instant.
///
/// Two independent fluctuations add up: a slow one (draught, somebody walking past) and a fast one (the fan, the
/// sound). Where their sum passes a threshold the bare place touches; it lets go a little lower, because surfaces
/// cling. That makes bursts of contacts with quiet stretches between them.
///
/// # Formula
/// Each fluctuation is an Ornstein-Uhlenbeck process with unit variance, stepped exactly:
/// `x(t + d) = a x(t) + sqrt(1 - a^2) z`, `a = exp(-d / tau)`, `z` normal.
///
/// # Source
/// The process: Uhlenbeck and Ornstein (1930), Physical Review 36, 823 (from memory). Threshold, clinging and time
/// constants are invented.
#[derive(Clone, Debug)]
pub struct LeakState {
    slow: f64,
    fast: f64,
    wander: f64,
    closed: bool,
    random: Random,
}

const SLOW_SECONDS: f64 = 20.0;
const FAST_SECONDS: f64 = 0.6;
const WANDER_SECONDS: f64 = 60.0;
const WARM_UP_SECONDS: f64 = 400.0;
const TOUCHES_AT: f64 = 2.4;
const LETS_GO_AT: f64 = 1.2;

impl LeakState {
    /// A place in its long-run state.
    pub fn new(seed: u64, stream: u64) -> Self {
        let mut random = Random::new(seed, stream);
        let (slow, fast, wander) = (random.normal(), random.normal(), random.normal());
        Self { slow, fast, wander, closed: false, random }
    }

    /// Lets `seconds` pass and gives the conductance in siemens, 0 while nothing touches.
    ///
    /// `uptime_seconds` is how long the set has been on. The random stream is used alike with and without a leak, so
    /// that a repair leaves everything else as it was.
    pub fn advance(&mut self, seconds: f64, uptime_seconds: f64, leak: Option<&Leak>) -> f64 {
        step(&mut self.slow, seconds / SLOW_SECONDS, &mut self.random);
        step(&mut self.fast, seconds / FAST_SECONDS, &mut self.random);
        step(&mut self.wander, seconds / WANDER_SECONDS, &mut self.random);
        let Some(leak) = leak else {
            self.closed = false;
            return 0.0;
        };
        let level =
            0.15 * self.slow + 0.9887 * self.fast + leak.ease + leak.warm_extra * warmth(uptime_seconds);
        self.closed = level > if self.closed { LETS_GO_AT } else { TOUCHES_AT };
        if self.closed { 1.0 / (leak.closed_ohm * (leak.spread * self.wander).exp()) } else { 0.0 }
    }
}

fn step(x: &mut f64, steps: f64, random: &mut Random) {
    let a = (-steps).exp();
    *x = a * *x + (1.0 - a * a).sqrt() * random.normal();
}
