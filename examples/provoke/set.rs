//! Simulated sets: what they do by themselves, and what a stressor does to them. Neither laws nor random numbers are those
//! of the product.

use straykey::analysis::provoke::{Block, Plan};

/// Splitmix64: Steele, Lea & Flood 2014, OOPSLA 49:453.
pub(crate) struct Stream(u64);

impl Stream {
    pub(crate) fn new(seed: u64) -> Self {
        Self(seed.wrapping_mul(0xd134_2543_de82_ef95).rotate_left(29))
    }

    pub(crate) fn bits(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    pub(crate) fn unit(&mut self) -> f64 {
        ((self.bits() >> 11) as f64 + 0.5) / (1u64 << 53) as f64
    }

    pub(crate) fn exponential(&mut self) -> f64 {
        -self.unit().ln()
    }

    pub(crate) fn normal(&mut self) -> f64 {
        (2.0 * self.exponential()).sqrt() * (std::f64::consts::TAU * self.unit()).sin()
    }
}

/// How events come without any stressor.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Law {
    Poisson,
    /// Neyman-Scott: clusters of one to many events, within seconds; each event counts.
    Bursts,
    /// The same clusters, but those less than 10 s apart count once: episodes.
    Episodes,
    /// On for two minutes and off for six on average.
    Turns,
    /// Twice as often every five minutes.
    Warming,
    /// Renewal, log-normal pauses, sigma 1.5.
    LogNormal,
    /// Renewal, Pareto pauses, exponent 1.5: no variance.
    Pareto,
}

/// What a stressor's effect follows: (rises, fades), time constants in seconds.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Kind(pub(crate) f64, pub(crate) f64);

pub(crate) const LIGHT: Kind = Kind(0.05, 0.05);
pub(crate) const TAP: Kind = Kind(0.3, 1.0);
pub(crate) const MOISTURE: Kind = Kind(4.0, 45.0);

/// A stressor of a set.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Acts {
    pub(crate) kind: Kind,
    /// On the rate, in the end; 1 is none.
    pub(crate) factor: f64,
    /// On the level, counts, in the end.
    pub(crate) shift: f64,
}

impl Acts {
    pub(crate) const IDLE: Self = Self { kind: TAP, factor: 1.0, shift: 0.0 };
}

const STEP: f64 = 0.5;

/// One plan carried out on one set: numbers by round and place.
pub(crate) struct Seen {
    pub(crate) counts: Vec<Vec<f64>>,
    pub(crate) levels: Vec<Vec<f64>>,
    /// When within the part that counts, seconds.
    pub(crate) times: Vec<Vec<Vec<f64>>>,
}

/// `per_minute` is the mean rate of what counts, without stressors.
pub(crate) fn carry_out(plan: &Plan, acts: &[Acts], law: Law, per_minute: f64, stream: &mut Stream) -> Seen {
    let blocks = plan.blocks();
    let slots = acts.len() + 1;
    let end = blocks.last().map_or(0.0, |block| block.span.end.seconds());
    let mut reached = vec![0.0f64; acts.len()];
    let mut block = blocks.iter().peekable();
    let mut on = stream.unit() < 0.25;
    // Own time of the set: runs faster while something calls the fault.
    let (mut own, mut clock) = (Vec::new(), 0.0);
    let (mut drift, slope) = (stream.normal(), 2.0 * (stream.unit() - 0.5) / 600.0);
    let mut level = Vec::new();
    let steps = (end / STEP).ceil() as usize;
    for step in 0..steps {
        let t = step as f64 * STEP;
        while block.peek().is_some_and(|b| b.span.end.seconds() <= t) {
            block.next();
        }
        let acting = block.peek().map(|b| b.label.column());
        let (mut rate, mut moved) = (per_minute / 60.0, 0.0);
        for (number, act) in acts.iter().enumerate() {
            let to = if acting == Some(number + 1) { 1.0 } else { 0.0 };
            let constant = if to > reached[number] { act.kind.0 } else { act.kind.1 };
            reached[number] = to + (reached[number] - to) * (-STEP / constant).exp();
            rate *= act.factor.powf(reached[number]);
            moved += act.shift * reached[number];
        }
        match law {
            Law::Turns => {
                let mean = if on { 120.0 } else { 360.0 };
                on ^= stream.unit() < STEP / mean;
                rate *= if on { 4.0 } else { 0.0 };
            }
            Law::Warming => rate *= (t / 300.0).exp2(),
            _ => {}
        }
        own.push(clock);
        clock += rate * STEP;
        // A level that wanders (ten minutes), creeps, and is read with noise.
        drift += -drift * STEP / 600.0 + (2.0 * STEP / 600.0).sqrt() * stream.normal();
        level.push(1000.0 + drift + slope * t + moved + 0.7 * stream.normal());
    }
    let times = events(law, clock, stream).into_iter().filter_map(|at| {
        let step = own.partition_point(|own| *own <= at);
        (at >= 0.0 && at < clock && step > 0).then(|| step as f64 * STEP - STEP * within(at))
    });
    let mut times: Vec<f64> = times.collect();
    if matches!(law, Law::Bursts | Law::Episodes) {
        for parent in times.clone() {
            let mut t = parent;
            while stream.unit() < 0.75 {
                t += 2.0 * stream.exponential();
                times.push(t);
            }
        }
    }
    if law == Law::Episodes {
        times.sort_by(f64::total_cmp);
        let mut last = f64::NEG_INFINITY;
        times.retain(|t| t - std::mem::replace(&mut last, *t) >= 10.0);
    }
    times.sort_by(f64::total_cmp);
    let within = |b: &Block| -> Vec<f64> {
        let (from, to) = (b.counted.start.seconds(), b.counted.end.seconds());
        times.iter().filter(|t| **t >= from && **t < to).map(|t| t - from).collect()
    };
    let count = |b: &Block| within(b).len() as f64;
    let mean = |b: &Block| {
        let index = |t: f64| ((t / STEP).round() as usize).min(level.len());
        let readings = &level[index(b.counted.start.seconds())..index(b.counted.end.seconds())];
        readings.iter().sum::<f64>() / readings.len().max(1) as f64
    };
    Seen {
        counts: blocks.chunks(slots).map(|round| round.iter().map(count).collect()).collect(),
        levels: blocks.chunks(slots).map(|round| round.iter().map(mean).collect()).collect(),
        times: blocks.chunks(slots).map(|round| round.iter().map(within).collect()).collect(),
    }
}

/// Where within its step an event lies.
fn within(at: f64) -> f64 {
    (at * 7919.0).fract()
}

/// Instants of a law with one event in each unit of its own time on average.
fn events(law: Law, end: f64, stream: &mut Stream) -> Vec<f64> {
    let mut pause: Box<dyn FnMut(&mut Stream) -> f64> = match law {
        Law::Bursts => Box::new(|stream| 4.0 * stream.exponential()),
        Law::LogNormal => Box::new(|stream| (1.5 * stream.normal() - 1.125).exp()),
        Law::Pareto => Box::new(|stream| stream.unit().powf(-1.0 / 1.5) / 3.0),
        _ => Box::new(Stream::exponential),
    };
    // It has gone on for long when the plan begins.
    let mut t = match law {
        Law::LogNormal | Law::Pareto => -300.0 * stream.unit() - 100.0,
        _ => 0.0,
    };
    let mut found = Vec::new();
    loop {
        t += pause(stream);
        if t >= end {
            return found;
        }
        if t >= 0.0 {
            found.push(t);
        }
    }
}
