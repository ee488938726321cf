//! A conducting film that comes and goes: moisture on flux residue, the leak of the simulated set.

use super::random::Random;

/// How a contaminated spot conducts.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Film {
    /// Resistance while the film is closed, ohms (the median).
    pub closed_ohm: f64,
    /// Spread of that resistance: standard deviation of its natural logarithm.
    pub spread: f64,
    /// How wet the place is: 0 closes the film some four times a minute, each unit makes it much rarer or commoner.
    pub wetness: f64,
    /// How much wetter (in the same unit) the place is when cold than when warm: a set that has been off
    /// overnight draws moisture, its own warmth drives it out within some minutes.
    pub cold_extra: f64,
}

impl Film {
    /// A film that closes and breaks some times a minute.
    pub const fn intermittent(closed_ohm: f64) -> Self {
        Self { closed_ohm, spread: 0.04, wetness: 0.0, cold_extra: 0.0 }
    }
}

/// The film as it is at one instant.
///
/// Two independent fluctuations add up: a slow one (the room's humidity, the draught) and a fast one (warmth of
/// the neighbouring parts). Where their sum passes a threshold the patches of moisture touch and the spot
/// conducts; it breaks a little lower, because water clings. That makes bursts of closures with quiet stretches
/// between them.
///
/// # Formula
/// Each fluctuation is an Ornstein-Uhlenbeck process with unit variance, stepped exactly:
/// `x(t + d) = a x(t) + sqrt(1 - a^2) z`, `a = exp(-d / tau)`, `z` normal.
///
/// # Source
/// The process: Uhlenbeck and Ornstein (1930), Physical Review 36, 823 (from memory). That a film conducts
/// suddenly when its patches join: ours, after what percolation theory says of mixtures. The time constants
/// are invented.
#[derive(Clone, Debug)]
pub struct FilmState {
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
const CLOSES_AT: f64 = 2.4;
const BREAKS_AT: f64 = 1.2;

impl FilmState {
    /// A film in its long-run state.
    pub fn new(seed: u64, stream: u64) -> Self {
        let mut random = Random::new(seed, stream);
        let (slow, fast, wander) = (random.normal(), random.normal(), random.normal());
        Self { slow, fast, wander, closed: false, random }
    }

    /// Lets `seconds` pass and gives the conductance in siemens, 0 while the film is broken.
    ///
    /// `uptime_seconds` is how long the set has been warm. The random stream is used alike with and without a
    /// film, so that cleaning one spot leaves the weather of the others as it was.
    pub fn advance(&mut self, seconds: f64, uptime_seconds: f64, film: Option<&Film>) -> f64 {
        step(&mut self.slow, seconds / SLOW_SECONDS, &mut self.random);
        step(&mut self.fast, seconds / FAST_SECONDS, &mut self.random);
        step(&mut self.wander, seconds / WANDER_SECONDS, &mut self.random);
        let Some(film) = film else {
            self.closed = false;
            return 0.0;
        };
        let level = 0.25 * self.slow
            + 0.968 * self.fast
            + film.wetness
            + film.cold_extra * (-uptime_seconds / WARM_UP_SECONDS).exp();
        self.closed = level > if self.closed { BREAKS_AT } else { CLOSES_AT };
        if self.closed { 1.0 / (film.closed_ohm * (film.spread * self.wander).exp()) } else { 0.0 }
    }
}

fn step(x: &mut f64, steps: f64, random: &mut Random) {
    let a = (-steps).exp();
    *x = a * *x + (1.0 - a * a).sqrt() * random.normal();
}
