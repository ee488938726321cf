//! An observer who knows all that no bench knows: the law of the simulated set with its constants, how fast the stressor acts and
//! by what factor. Its likelihood ratio is the best test there is (Neyman & Pearson 1933, Phil. Trans. R. Soc. A 231:289), so
//! that no other finds more of the same plans at the same error.

use straykey::analysis::provoke::Plan;

use crate::set::{Acts, GOES_ON, LOGS, Law, NEXT_S, OFF_S, ON_S, POWER, STEP, Seen, WARMS_S, reached};

/// What it does not know.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Knows {
    /// Everything.
    All,
    /// All but how often the fault comes by itself: its rates are fitted with and without effect.
    AllButTheRate,
}

/// Factors on the true rate that are tried where it is not known.
const RATES: i32 = 8;

/// Logarithm of how much likelier what was seen is with the first stressor's effect than without; the others are idle.
pub(crate) fn evidence(plan: &Plan, seen: &Seen, act: &Acts, law: Law, per_minute: f64, knows: Knows) -> f64 {
    let mut acts = vec![Acts::IDLE; plan.stressors()];
    acts[0] = *act;
    let reached: Vec<f64> = reached(plan, &acts).into_iter().map(|all| all[0]).collect();
    let rates: Vec<f64> = match knows {
        Knows::All => vec![1.0],
        Knows::AllButTheRate => (-RATES..=RATES).map(|k| f64::from(k).mul_add(0.5, 0.0).exp2()).collect(),
    };
    let best = |factor: f64| {
        let likelihood = |own: &f64| likelihood(&seen.all, &reached, law, own * per_minute / 60.0, factor);
        rates.iter().map(likelihood).fold(f64::NEG_INFINITY, f64::max)
    };
    // What is impossible either way tells nothing.
    let (with, without) = (best(act.factor), best(1.0));
    if with == without { 0.0 } else { with - without }
}

/// Logarithm of the likelihood of these instants; `per_second` is the rate without a stressor.
fn likelihood(times: &[f64], reached: &[f64], law: Law, per_second: f64, factor: f64) -> f64 {
    let rate = |step: usize| {
        let warm = if law == Law::Warming { (step as f64 * STEP / WARMS_S).exp2() } else { 1.0 };
        per_second * warm * factor.powf(reached[step])
    };
    let rates: Vec<f64> = (0..reached.len()).map(rate).collect();
    let at = |t: f64| ((t / STEP) as usize).min(rates.len() - 1);
    match law {
        Law::Poisson | Law::Warming => {
            times.iter().map(|t| rates[at(*t)].ln()).sum::<f64>() - rates.iter().sum::<f64>() * STEP
        }
        Law::Turns => turns(times, &rates),
        Law::Bursts | Law::Episodes => bursts(times, &rates),
        Law::LogNormal | Law::Pareto => {
            let mut own = vec![0.0];
            rates.iter().for_each(|rate| own.push(own[own.len() - 1] + rate * STEP));
            let clock = |t: f64| own[at(t)] + rates[at(t)] * (t - STEP * at(t) as f64);
            let pause = if law == Law::Pareto { PARETO } else { LOG_NORMAL };
            let end = own[own.len() - 1];
            let (Some(first), Some(last)) = (times.first(), times.last()) else {
                return (pause.unrelated)(end).ln();
            };
            let known = times.windows(2).map(|pair| (pause.density)(clock(pair[1]) - clock(pair[0])).ln());
            (pause.lasts)(clock(*first)).ln()
                + known.sum::<f64>()
                + (pause.lasts)(end - clock(*last)).ln()
                + times.iter().map(|t| rates[at(*t)].ln()).sum::<f64>()
        }
    }
}

/// A law of pauses with a mean of one.
pub(crate) struct Pause {
    density: fn(f64) -> f64,
    /// Chance of a pause above this.
    lasts: fn(f64) -> f64,
    /// Chance of nothing for so long from an unrelated moment.
    pub(crate) unrelated: fn(f64) -> f64,
}

pub(crate) const PARETO: Pause = Pause {
    density: |x| {
        let (power, least) = POWER;
        if x < least { 0.0 } else { power / x * (least / x).powf(power) }
    },
    lasts: |x| (POWER.1 / x.max(POWER.1)).powf(POWER.0),
    unrelated: |x| {
        let (power, least) = POWER;
        if x < least { 1.0 - x } else { (least / x).powf(power - 1.0) / power }
    },
};

pub(crate) const LOG_NORMAL: Pause = Pause {
    density: |x| {
        let z = (x.max(1e-12).ln() - LOGS.0) / LOGS.1;
        (-0.5 * z * z).exp() / (LOGS.1 * x.max(1e-12) * std::f64::consts::TAU.sqrt())
    },
    lasts: |x| above((x.max(1e-12).ln() - LOGS.0) / LOGS.1),
    unrelated: |x| {
        let z = (x.max(1e-12).ln() - LOGS.0) / LOGS.1;
        above(z - LOGS.1) - x * above(z)
    },
};

/// Chance that a standard normal number is above this, to 1e-7 of itself: Press et al. 1992, Numerical Recipes in C, section 6.2.
fn above(z: f64) -> f64 {
    let x = z.abs() / std::f64::consts::SQRT_2;
    let t = 1.0 / (1.0 + 0.5 * x);
    let powers = [
        -1.265_512_23,
        1.000_023_68,
        0.374_091_96,
        0.096_784_18,
        -0.186_288_06,
        0.278_868_07,
        -1.135_203_98,
        1.488_515_87,
        -0.822_152_23,
        0.170_872_77,
    ];
    let tail = 0.5 * t * (-x * x + powers.iter().rev().fold(0.0, |sum, power| sum * t + power)).exp();
    if z < 0.0 { 1.0 - tail } else { tail }
}

/// Forward through the hidden state, on or off (Baum et al. 1970, Ann. Math. Stat. 41:164).
fn turns(times: &[f64], rates: &[f64]) -> f64 {
    let (mut on, mut off, mut log) = (0.25f64, 0.75f64, 0.0);
    let mut next = 0;
    for (step, rate) in rates.iter().enumerate() {
        let (ends, begins) = (STEP / ON_S * on, STEP / OFF_S * off);
        (on, off) = (on - ends + begins, off - begins + ends);
        on *= (-4.0 * rate * STEP).exp();
        while times.get(next).is_some_and(|t| *t < (step + 1) as f64 * STEP) {
            (on, off) = (on * 4.0 * rate, 0.0);
            next += 1;
        }
        let sum = on + off;
        log += sum.ln();
        (on, off) = (on / sum, off / sum);
    }
    log
}

/// Most clusters that go on at once.
const MOST: usize = 24;

/// Forward through how many clusters are to go on; between two events that number stays.
fn bursts(times: &[f64], rates: &[f64]) -> f64 {
    let mut chance = vec![0.0; MOST + 1];
    chance[0] = 1.0;
    let mut sums = vec![0.0];
    rates.iter().for_each(|rate| sums.push(sums[sums.len() - 1] + rate * STEP));
    let step = |t: f64| ((t / STEP) as usize).min(rates.len() - 1);
    let parents = |t: f64| 0.25 * (sums[step(t)] + rates[step(t)] * (t - STEP * step(t) as f64));
    let (mut log, mut before) = (0.0, 0.0);
    let end = rates.len() as f64 * STEP;
    for (t, event) in times.iter().map(|t| (*t, true)).chain([(end, false)]) {
        log -= parents(t) - parents(before);
        let mut after = vec![0.0; MOST + 1];
        for (going, own) in chance.iter().enumerate() {
            let own = own * (-(going as f64) * (t - before) / NEXT_S).exp();
            if !event {
                after[going] += own;
                continue;
            }
            let (new, next) = (0.25 * rates[step(t)] * own, going as f64 / NEXT_S * own);
            after[(going + 1).min(MOST)] += new * GOES_ON;
            after[going] += new * (1.0 - GOES_ON) + next * GOES_ON;
            if going > 0 {
                after[going - 1] += next * (1.0 - GOES_ON);
            }
        }
        let sum: f64 = after.iter().sum();
        log += sum.ln();
        chance = after.into_iter().map(|own| own / sum).collect();
        before = t;
    }
    log
}
