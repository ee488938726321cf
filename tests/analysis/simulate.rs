//! Trains with known truth. Invented data: for simulation only. The generator is seeded; the truth is returned
//! with the sequence, so that a test compares with what was planted and not with what was found.

#![allow(dead_code, reason = "the long self-test in examples/ uses other parts than the tests do")]

use straykey::analysis::EventSequence;
use straykey::analysis::random::Random;
use straykey::base::{ControlPath, Event, EventKind, Key, Nanoseconds, Span};

pub(crate) const KEYS: [&str; 8] = [
    "KEY_VOLUMEDOWN",
    "KEY_MENU",
    "KEY_VOLUMEUP",
    "KEY_ENTER",
    "KEY_CHANNELUP",
    "KEY_CHANNELDOWN",
    "KEY_POWER",
    "KEY_LEFT",
];

pub(crate) fn key(index: usize) -> Key {
    Key::from_name(KEYS[index]).unwrap()
}

pub(crate) fn press(seconds: f64, index: usize) -> Event {
    let mut event = Event::new(Nanoseconds::from_seconds(seconds), ControlPath::Keypad, EventKind::Press);
    event.key = Some(key(index));
    event
}

pub(crate) fn span(seconds: f64) -> Span {
    Span { start: Nanoseconds::ZERO, end: Nanoseconds::from_seconds(seconds) }
}

/// A sequence from (seconds, key number) pairs, watched for `seconds`. Millisecond stamps, each press released
/// after 60 ms or before the next.
pub(crate) fn sequence(mut points: Vec<(f64, usize)>, seconds: f64) -> EventSequence {
    points.retain(|(t, _)| (0.0..=seconds).contains(t));
    points.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut sequence = EventSequence::new();
    for (i, (t, index)) in points.iter().enumerate() {
        let t = (t * 1000.0).round() / 1000.0;
        sequence.push(&press(t, *index));
        let next = points.get(i + 1).map_or(f64::INFINITY, |next| next.0);
        let mut up = press((t + 0.06).min((t + next) / 2.0), *index);
        up.kind = EventKind::Release;
        sequence.push(&up);
    }
    sequence.observe(span(seconds));
    sequence
}

/// Poisson events of the given rate a second, keys at random among `keys`.
pub(crate) fn poisson(random: &mut Random, rate: f64, seconds: f64, keys: &[usize]) -> Vec<(f64, usize)> {
    let mut points = Vec::new();
    let mut t = random.exponential() / rate;
    while t < seconds {
        points.push((t, keys[random.below(keys.len())]));
        t += random.exponential() / rate;
    }
    points
}

/// What is planted.
#[derive(Clone, Debug)]
pub(crate) struct Plant {
    /// (place in the period, key number).
    pub(crate) motif: Vec<(f64, usize)>,
    pub(crate) period: f64,
    /// Share of the period by which each event strays from its clock.
    pub(crate) locked: f64,
    /// Share of the period by which each beat strays from the one before.
    pub(crate) walk: f64,
    pub(crate) missed: f64,
    /// Foreign events as a share of all events.
    pub(crate) foreign: f64,
    pub(crate) beats: usize,
}

/// The planted sequence with its foreign events, keys of the foreign ones among all of the eight.
pub(crate) fn planted(random: &mut Random, plant: &Plant) -> (Vec<(f64, usize)>, f64) {
    let mut points = Vec::new();
    let mut beat = plant.period * (0.5 + random.unit());
    for _ in 0..plant.beats {
        for (place, index) in &plant.motif {
            let t = beat + place * plant.period + plant.locked * plant.period * random.normal();
            if random.unit() >= plant.missed {
                points.push((t, *index));
            }
        }
        beat += plant.period * (1.0 + plant.walk * random.normal());
    }
    let seconds = beat + plant.period;
    let foreign = points.len() as f64 * plant.foreign / (1.0 - plant.foreign);
    if foreign > 0.0 {
        points.extend(poisson(random, foreign / seconds, seconds, &[0, 1, 2, 3, 4, 5, 6, 7]));
    }
    (points, seconds)
}

/// How strays come when they come; the truths of the self-test.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Truth {
    /// Independent, at a steady rate.
    Poisson,
    /// Weibull gaps of shape 1/2: long off-times, coefficient of variation 2.2.
    HeavyTailed,
    /// Nothing until the set is warm (12 min after it is switched on), then independent.
    Thermal,
    /// Bursts of ten on average, 0.9 s apart with a fifth of scatter.
    Bursty,
    /// The same bursts, five on average to a spell, an eighth of the mean apart; between spells three means.
    Clumped,
}

pub(crate) const TRUTHS: [Truth; 5] =
    [Truth::Poisson, Truth::HeavyTailed, Truth::Thermal, Truth::Bursty, Truth::Clumped];

/// Onset times in `seconds` with `mean` seconds between episodes, from a moment unrelated to the fault.
pub(crate) fn strays(random: &mut Random, truth: Truth, mean: f64, seconds: f64) -> Vec<(f64, usize)> {
    let mut points: Vec<(f64, usize)> = Vec::new();
    // A renewal process is started long before, so that the watch begins at an unrelated moment.
    let mut t = match truth {
        Truth::Thermal => 720.0,
        Truth::HeavyTailed | Truth::Clumped => -400.0 * mean,
        _ => 0.0,
    };
    loop {
        t += match truth {
            // Weibull of shape 1/2 and mean m: scale m/2, gap = scale * E^2.
            Truth::HeavyTailed => 0.5 * mean * random.exponential().powi(2),
            Truth::Clumped if random.unit() > 0.2 => 0.125 * mean * random.exponential(),
            Truth::Clumped => 3.0 * mean * random.exponential(),
            _ => mean * random.exponential(),
        };
        if t >= seconds {
            points.retain(|point| point.0 >= 0.0);
            return points;
        }
        let key = random.below(2);
        points.push((t, key));
        if matches!(truth, Truth::Bursty | Truth::Clumped) {
            let mut at = t;
            while random.unit() > 0.1 {
                at += 0.9 * (1.0 + 0.2 * random.normal()).max(0.2);
                points.push((at, key));
            }
        }
    }
}

/// How keys follow each other where there is no sequence; the null of the search for sequences.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Order {
    /// Each press any of five keys.
    Free,
    /// Spells of thirty presses on average from three keys of eight that stay for three presses on average; long
    /// pauses between spells.
    Spells,
    /// A step up or down among six neighbouring keys, as a reading does that drifts through the windows.
    Walk,
    /// Each key has its own shares of what comes next.
    Chain,
}

pub(crate) const ORDERS: [Order; 4] = [Order::Free, Order::Spells, Order::Walk, Order::Chain];

/// So many presses in one of these orders, at irregular times.
pub(crate) fn unordered(random: &mut Random, order: Order, presses: usize) -> (Vec<(f64, usize)>, f64) {
    let mut t = 1.0;
    let mut key = random.below(5);
    let mut three = [0, 1, 2];
    let weights: Vec<f64> = (0..36).map(|_| random.exponential()).collect();
    let mut points: Vec<(f64, usize)> = Vec::new();
    for _ in 0..presses {
        t += 3.0 * random.exponential();
        match order {
            Order::Free => key = random.below(5),
            Order::Spells => {
                if random.unit() < 1.0 / 30.0 {
                    t += 300.0 * random.exponential();
                    three = [0, 1, 2].map(|_| random.below(8));
                }
                if random.unit() < 1.0 / 3.0 {
                    key = three[random.below(3)];
                }
            }
            Order::Walk if key == 0 => key = 1,
            Order::Walk if key >= 5 => key = 4,
            Order::Walk => key = if random.unit() < 0.5 { key - 1 } else { key + 1 },
            Order::Chain => {
                let own = &weights[6 * key..6 * key + 6];
                let mut left = random.unit() * own.iter().sum::<f64>();
                key = own
                    .iter()
                    .take_while(|w| {
                        left -= **w;
                        left > 0.0
                    })
                    .count()
                    .min(5);
            }
        }
        points.push((t, key));
    }
    (points, t + 1.0)
}

/// A sequence of keys so often, all times irregular, with a share of foreign presses between.
pub(crate) fn repeated(
    random: &mut Random,
    motif: &[usize],
    repeats: usize,
    foreign: f64,
) -> (Vec<(f64, usize)>, f64) {
    let mut t = 1.0;
    let mut points: Vec<(f64, usize)> = Vec::new();
    for _ in 0..repeats {
        t += 40.0 * random.exponential();
        for key in motif {
            while random.unit() < foreign {
                t += 3.0 * random.exponential();
                points.push((t, random.below(8)));
            }
            t += 3.0 * random.exponential();
            points.push((t, *key));
        }
    }
    (points, t + 1.0)
}
