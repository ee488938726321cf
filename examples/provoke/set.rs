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
    /// The same clusters, but what is less than 10 s apart within a block counts once: episodes.
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

/// Mean lengths of the turns.
pub(crate) const ON_S: f64 = 120.0;
pub(crate) const OFF_S: f64 = 360.0;
/// Comes twice as often after this time.
pub(crate) const WARMS_S: f64 = 300.0;
/// An event of a cluster is followed by another with this chance, after this time on average.
pub(crate) const GOES_ON: f64 = 0.75;
pub(crate) const NEXT_S: f64 = 2.0;
/// Logarithms of the log-normal pauses; and the power of Pareto's, with their least pause.
pub(crate) const LOGS: (f64, f64) = (-1.125, 1.5);
pub(crate) const POWER: (f64, f64) = (1.5, 1.0 / 3.0);

/// What a stressor's effect follows: (rises, fades), time constants in seconds.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Pace(pub(crate) f64, pub(crate) f64);

pub(crate) const LIGHT: Pace = Pace(0.05, 0.05);
pub(crate) const TAP: Pace = Pace(0.3, 1.0);
pub(crate) const MOISTURE: Pace = Pace(4.0, 45.0);

/// A stressor of a set.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Acts {
    pub(crate) pace: Pace,
    /// On the rate, in the end; 1 is none.
    pub(crate) factor: f64,
    /// On the level, counts, in the end.
    pub(crate) shift: f64,
}

impl Acts {
    pub(crate) const IDLE: Self = Self { pace: TAP, factor: 1.0, shift: 0.0 };
}

pub(crate) const STEP: f64 = 0.5;

/// One plan carried out on one set: numbers by round and place.
pub(crate) struct Seen {
    /// When anything came, from the beginning of the plan, seconds; nothing joined.
    pub(crate) all: Vec<f64>,
    pub(crate) counts: Vec<Vec<f64>>,
    /// Of them those that come 5 s or more after the one before, in this block or not.
    pub(crate) begun: Vec<Vec<f64>>,
    pub(crate) levels: Vec<Vec<f64>>,
    /// When within the part that counts, seconds.
    pub(crate) times: Vec<Vec<Vec<f64>>>,
}

/// `per_minute` is the mean rate of what counts, without stressors.
pub(crate) fn carry_out(plan: &Plan, acts: &[Acts], law: Law, per_minute: f64, stream: &mut Stream) -> Seen {
    let blocks = plan.blocks();
    let slots = acts.len() + 1;
    let mut on = stream.unit() < 0.25;
    // Own time of the set: runs faster while something calls the fault.
    let (mut own, mut clock) = (Vec::new(), 0.0);
    let (mut drift, slope) = (stream.normal(), 2.0 * (stream.unit() - 0.5) / 600.0);
    let mut level = Vec::new();
    for (step, reached) in reached(plan, acts).into_iter().enumerate() {
        let t = step as f64 * STEP;
        let (mut rate, mut moved) = (per_minute / 60.0, 0.0);
        for (act, reached) in acts.iter().zip(reached) {
            rate *= act.factor.powf(reached);
            moved += act.shift * reached;
        }
        match law {
            Law::Turns => {
                let mean = if on { ON_S } else { OFF_S };
                on ^= stream.unit() < STEP / mean;
                rate *= if on { 4.0 } else { 0.0 };
            }
            Law::Warming => rate *= (t / WARMS_S).exp2(),
            _ => {}
        }
        own.push(clock);
        clock += rate * STEP;
        // A level that wanders (ten minutes), creeps, and is read with noise.
        drift += -drift * STEP / 600.0 + (2.0 * STEP / 600.0).sqrt() * stream.normal();
        level.push(1000.0 + drift + slope * t + moved + 0.7 * stream.normal());
    }
    let end = own.len() as f64 * STEP;
    own.push(clock);
    let times = events(law, clock, stream).into_iter().map(|at| {
        let step = own.partition_point(|own| *own <= at) - 1;
        STEP * (step as f64 + (at - own[step]) / (own[step + 1] - own[step]))
    });
    let mut times: Vec<f64> = times.collect();
    if matches!(law, Law::Bursts | Law::Episodes) {
        for parent in times.clone() {
            let mut t = parent;
            while stream.unit() < GOES_ON {
                t += NEXT_S * stream.exponential();
                times.push(t);
            }
        }
        times.retain(|t| *t < end);
    }
    times.sort_by(f64::total_cmp);
    let within = |b: &Block| -> Vec<f64> {
        let (from, to) = (b.counted.start.seconds(), b.counted.end.seconds());
        let within = times.iter().filter(|t| **t >= from && **t < to);
        let mut last = f64::NEG_INFINITY;
        let counts = |t: &&f64| law != Law::Episodes || **t - std::mem::replace(&mut last, **t) >= 10.0;
        within.filter(counts).map(|t| t - from).collect()
    };
    let count = |b: &Block| within(b).len() as f64;
    let mut last = f64::NEG_INFINITY;
    let first = |t: &&f64| **t - std::mem::replace(&mut last, **t) > 5.0;
    let first: Vec<f64> = times.iter().filter(first).copied().collect();
    let begun = |b: &Block| {
        let (from, to) = (b.counted.start.seconds(), b.counted.end.seconds());
        first.iter().filter(|t| **t >= from && **t < to).count() as f64
    };
    let mean = |b: &Block| {
        let index = |t: f64| ((t / STEP).round() as usize).min(level.len());
        let readings = &level[index(b.counted.start.seconds())..index(b.counted.end.seconds())];
        readings.iter().sum::<f64>() / readings.len().max(1) as f64
    };
    Seen {
        all: times.clone(),
        counts: blocks.chunks(slots).map(|round| round.iter().map(count).collect()).collect(),
        begun: blocks.chunks(slots).map(|round| round.iter().map(begun).collect()).collect(),
        levels: blocks.chunks(slots).map(|round| round.iter().map(mean).collect()).collect(),
        times: blocks.chunks(slots).map(|round| round.iter().map(within).collect()).collect(),
    }
}

/// How far the effect of each stressor has come in each step of the plan, 0 to 1.
pub(crate) fn reached(plan: &Plan, acts: &[Acts]) -> Vec<Vec<f64>> {
    let blocks = plan.blocks();
    let end = blocks.last().map_or(0.0, |block| block.span.end.seconds());
    let mut block = blocks.iter().peekable();
    let mut reached = vec![0.0f64; acts.len()];
    let step = |step: usize| {
        while block.peek().is_some_and(|b| b.span.end.seconds() <= step as f64 * STEP) {
            block.next();
        }
        let acting = block.peek().map(|b| b.label.column());
        for (number, (reached, act)) in reached.iter_mut().zip(acts).enumerate() {
            let to = if acting == Some(number + 1) { 1.0 } else { 0.0 };
            let constant = if to > *reached { act.pace.0 } else { act.pace.1 };
            *reached = to + (*reached - to) * (-STEP / constant).exp();
        }
        reached.clone()
    };
    (0..(end / STEP).ceil() as usize).map(step).collect()
}

/// Instants of a law with one event in each unit of its own time on average.
fn events(law: Law, end: f64, stream: &mut Stream) -> Vec<f64> {
    let mut pause: Box<dyn FnMut(&mut Stream) -> f64> = match law {
        Law::Bursts => Box::new(|stream| 4.0 * stream.exponential()),
        Law::LogNormal => Box::new(|stream| (LOGS.1 * stream.normal() + LOGS.0).exp()),
        Law::Pareto => Box::new(|stream| stream.unit().powf(-1.0 / POWER.0) * POWER.1),
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
