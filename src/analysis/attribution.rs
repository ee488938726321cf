//! Which step did it: what the counts of all stages say about each step, and what would settle the matter.

use std::collections::{BTreeMap, BTreeSet};

use serde::Serialize;

use crate::analysis::evidence::{Prior, log_marginal_scaled};
use crate::analysis::rate::{Count, compare_scaled};
use crate::analysis::special::log_sum_exp;
use crate::base::words::duration;

/// One stage: what was changed before it, and what was seen in it.
#[derive(Clone, Debug, PartialEq)]
pub struct StageCount {
    /// What was done before this stage, each change by itself; empty for the first.
    pub changes: Vec<String>,
    /// Episodes, and exposure in minutes.
    pub count: Count,
    /// Minutes of quiet that 95 % would need after this stage ([`crate::analysis::quiet::QuietPlan::likely_s`]); `None` when it
    /// showed no stray.
    pub likely_min: Option<f64>,
    /// What sort of change began it.
    pub kind: Change,
    /// The steps, by number, whose change is in force in this stage; `None` where each step so far is.
    pub in_force: Option<BTreeSet<usize>>,
}

/// What sort of change a step made.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Change {
    /// One that is meant to stay.
    #[default]
    Repair,
    /// A part taken out to see what happens: it is compared with nothing but the same set with the part in.
    Isolation,
    /// Back to an earlier condition: no change of its own.
    Undo,
}

/// What can be said for one step.
#[derive(Clone, Debug, PartialEq, Serialize, schemars::JsonSchema)]
pub struct StepAttribution {
    /// Number of the step, from 1: the one before stage number `step` (the first stage being 0).
    pub step: usize,
    /// What was done in it; more than one entry cannot be told apart.
    pub changes: Vec<String>,
    /// Whether more than one thing was changed in it.
    pub confounded: bool,
    /// One-sided mid-P of the fall across this step.
    pub chance_fall: f64,
    /// The same, corrected for the number of steps (Holm).
    pub chance_corrected: f64,
    /// Probability that the rate changed here if it changed once.
    pub posterior: f64,
    /// Bayes factor for a change by this step, like compared with like.
    pub bayes_factor: f64,
    /// Whether it is undone in the last stage, or undoes another: it cannot be what the set is like now.
    pub undone: bool,
}

/// A restore and repeat that would settle it.
#[derive(Clone, Debug, PartialEq, Serialize, schemars::JsonSchema)]
pub struct Toggle {
    /// Step to undo and redo.
    pub step: usize,
    /// Minutes of watching for one undo and one redo.
    pub minutes: f64,
    /// Intervals of each kind, in random order, that a claim at one in twenty needs without trusting Poisson.
    pub blocks_each: u32,
    /// In words.
    pub sentence: String,
}

/// All steps of a job.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Attribution {
    /// The steps.
    pub steps: Vec<StepAttribution>,
    /// Probability that nothing changed at any step.
    pub none: f64,
    /// Whether a steady trend over the job (warm-up, drying) explains the counts better than any step does.
    pub drift: bool,
    /// The cheapest restore and repeat, when it would settle the matter.
    pub toggle: Option<Toggle>,
    /// In sentences.
    pub notes: Vec<String>,
}

/// Adjusted p-values that keep the chance of any false claim, whatever their dependence.
///
/// # Source
/// Holm 1979, Scand. J. Stat. 6:65.
#[allow(clippy::cast_precision_loss)]
pub fn holm(p: &[f64]) -> Vec<f64> {
    let mut order: Vec<usize> = (0..p.len()).collect();
    order.sort_by(|a, b| p[*a].total_cmp(&p[*b]));
    let mut adjusted = vec![0.0; p.len()];
    let mut least = 0.0f64;
    for (rank, place) in order.into_iter().enumerate() {
        least = least.max(((p.len() - rank) as f64 * p[place]).min(1.0));
        adjusted[place] = least;
    }
    adjusted
}

/// Log marginal likelihoods: nothing changed, then a change at each step; counts divided by `dispersion`.
pub fn step_marginals(counts: &[Count], dispersion: f64, prior: Prior) -> Vec<f64> {
    let log_marginal = |count: Count| log_marginal_scaled(count, dispersion, prior);
    let joined = |part: &[Count]| {
        part.iter().fold(Count { count: 0, exposure: 0.0 }, |sum, c| Count {
            count: sum.count + c.count,
            exposure: sum.exposure + c.exposure,
        })
    };
    let mut marginals = vec![log_marginal(joined(counts))];
    for step in 1..counts.len() {
        let (before, after) = counts.split_at(step);
        marginals.push(log_marginal(joined(before)) + log_marginal(joined(after)));
    }
    marginals
}

/// Posterior of "nothing changed" and of a change at each step, all equally likely beforehand; counts divided by
/// `dispersion`, 1 for independent episodes.
///
/// # Source
/// Gamma-Poisson marginals; Raftery & Akman 1986, Biometrika 73:85.
pub fn step_posterior(counts: &[Count], dispersion: f64, prior: Prior) -> Vec<f64> {
    let marginals = step_marginals(counts, dispersion, prior);
    let whole = log_sum_exp(&marginals);
    marginals.iter().map(|m| (m - whole).exp()).collect()
}

/// ln of the Bayes factor for two rates against one; counts divided by `dispersion`.
pub fn log_bayes_factor(before: Count, after: Count, dispersion: f64, prior: Prior) -> f64 {
    let both = Count { count: before.count + after.count, exposure: before.exposure + after.exposure };
    let log = |count| log_marginal_scaled(count, dispersion, prior);
    log(before) + log(after) - log(both)
}

/// Judges every step of a job. Counts are episodes, exposures minutes, stages in order of time.
///
/// Episodes that still cluster tell as much as so many fewer: all counts are divided by `dispersion`, that of all stages
/// together ([`crate::analysis::overdispersion::overdispersion`]), as a comparison of two stages does; 1 for independent episodes.
///
/// # Source
/// Quasi-likelihood as in [`compare_scaled`].
pub fn attribute(stages: &[StageCount], dispersion: f64) -> Attribution {
    let counts: Vec<Count> = stages.iter().map(|stage| stage.count).collect();
    if stages.len() < 2 {
        return Attribution {
            steps: Vec::new(),
            none: 1.0,
            drift: false,
            toggle: None,
            notes: vec!["There is no step to judge yet.".to_owned()],
        };
    }
    let numbers = 1..stages.len();
    let factors: Vec<f64> = numbers.clone().map(|step| log_factor(stages, step, dispersion)).collect();
    let undone = |step: usize| stages[step].kind == Change::Undo || !in_force(stages, stages.len() - 1, step);
    // One change may explain the set as it is now; what was undone since is judged by itself.
    let lasting: Vec<f64> =
        numbers.clone().filter(|step| !undone(*step)).map(|step| factors[step - 1]).chain([0.0]).collect();
    let whole = log_sum_exp(&lasting);
    let falls: Vec<f64> = numbers.clone().map(|step| chance_of_fall(stages, step, dispersion)).collect();
    let corrected = holm(&falls);
    let steps: Vec<StepAttribution> = numbers
        .map(|step| StepAttribution {
            step,
            changes: stages[step].changes.clone(),
            confounded: stages[step].changes.len() > 1,
            chance_fall: falls[step - 1],
            chance_corrected: corrected[step - 1],
            posterior: match stages[step].kind {
                Change::Undo => 0.0,
                _ if undone(step) => 1.0 / (1.0 + (-factors[step - 1]).exp()),
                _ => (factors[step - 1] - whole).exp(),
            },
            bayes_factor: factors[step - 1].exp(),
            undone: undone(step),
        })
        .collect();
    let none = (-whole).exp();
    let drift = drift_wins(&counts, dispersion);
    let toggle = toggle(&steps, stages, drift);
    let notes = notes(&steps, none, drift, toggle.as_ref());
    Attribution { steps, none, drift, toggle, notes }
}

/// Whether the change of a step is in force in a stage.
fn in_force(stages: &[StageCount], stage: usize, step: usize) -> bool {
    stages[stage].in_force.as_ref().map_or(step <= stage, |steps| steps.contains(&step))
}

/// The steps other than this one that are in force in a stage and are kept apart when it is judged: a repair is judged
/// whatever other repairs were done, an isolation by the same set with the part in.
fn others(stages: &[StageCount], stage: usize, step: usize) -> Vec<usize> {
    let apart = |other: &usize| {
        *other != step
            && in_force(stages, stage, *other)
            && (stages[step].kind == Change::Isolation || stages[*other].kind == Change::Isolation)
    };
    (1..stages.len()).filter(apart).collect()
}

/// ln of the Bayes factor for a change by this step, within each set of other steps by itself.
fn log_factor(stages: &[StageCount], step: usize, dispersion: f64) -> f64 {
    if stages[step].kind == Change::Undo {
        return 0.0;
    }
    let mut strata: BTreeMap<Vec<usize>, [Count; 2]> = BTreeMap::new();
    for (number, stage) in stages.iter().enumerate() {
        let none = Count { count: 0, exposure: 0.0 };
        let sides = strata.entry(others(stages, number, step)).or_insert([none; 2]);
        let side = &mut sides[usize::from(in_force(stages, number, step))];
        side.count += stage.count.count;
        side.exposure += stage.count.exposure;
    }
    let both = strata.values().filter(|[without, with]| without.exposure > 0.0 && with.exposure > 0.0);
    both.map(|[without, with]| log_bayes_factor(*without, *with, dispersion, Prior::MINUTE)).sum()
}

/// One-sided chance of the fall at this step: the stages of its condition against those of the same condition but for it,
/// or the stage before where there is none.
fn chance_of_fall(stages: &[StageCount], step: usize, dispersion: f64) -> f64 {
    if stages[step].kind == Change::Undo {
        return 1.0;
    }
    let of = |stage: usize| (1..stages.len()).filter(move |other| in_force(stages, stage, *other));
    let own: Vec<usize> = of(step).collect();
    let without: Vec<usize> = of(step).filter(|other| *other != step).collect();
    let pool = |wanted: &[usize]| {
        let like = (0..stages.len()).filter(|stage| of(*stage).eq(wanted.iter().copied()));
        like.map(|stage| stages[stage].count)
            .reduce(|one, two| Count { count: one.count + two.count, exposure: one.exposure + two.exposure })
    };
    let before = pool(&without).unwrap_or(stages[step - 1].count);
    let after = pool(&own).unwrap_or(stages[step].count);
    compare_scaled(before, after, dispersion, 0.95).fall_mid
}

/// Certain enough to name a step.
const NAMED: f64 = 0.95;
const CLAIM: f64 = 0.05;

/// Difference of the criterion that counts as strong (Kass & Raftery 1995, JASA 90:773).
const STRONG: f64 = 6.0;

/// Whether a rate falling or rising exponentially with time beats one rate, and every single step strongly, by BIC.
///
/// # Source
/// Log-linear Poisson regression (Cox & Lewis 1966, ch. 3); Schwarz 1978; likelihoods of clustered counts divided by
/// their dispersion (quasi-likelihood, Wedderburn 1974).
#[allow(clippy::cast_precision_loss)]
fn drift_wins(counts: &[Count], dispersion: f64) -> bool {
    if counts.len() < 4 {
        // With three stages a trend fits almost any step, and nothing could tell them apart.
        return false;
    }
    let n = counts.iter().map(|c| c.count).sum::<u64>().max(1) as f64;
    let poisson = |mean: f64, count: Count| {
        if mean > 0.0 { count.count as f64 * mean.ln() - mean } else { 0.0 }
    };
    let group = |part: &[Count]| -> f64 {
        let (k, t) = part.iter().fold((0.0, 0.0), |(k, t), c| (k + c.count as f64, t + c.exposure));
        part.iter().map(|c| poisson(k / t * c.exposure, *c)).sum()
    };
    let fit = |likelihood: f64| -2.0 * likelihood / dispersion;
    let price = (n / dispersion).max(1.0).ln();
    let one = fit(group(counts)) + price;
    let step = (1..counts.len())
        .map(|at| fit(group(&counts[..at]) + group(&counts[at..])) + 3.0 * price)
        .fold(f64::INFINITY, f64::min);
    let trend = fit(trend_likelihood(counts)) + 2.0 * price;
    trend < one && trend + STRONG < step
}

/// Log-likelihood of rate = exp(a + b t), b by golden section, a in closed form; t is the middle of a stage.
#[allow(clippy::cast_precision_loss)]
fn trend_likelihood(counts: &[Count]) -> f64 {
    let mut from = 0.0;
    let places: Vec<(f64, f64, f64)> = counts
        .iter()
        .map(|c| {
            let middle = from + c.exposure / 2.0;
            from += c.exposure;
            (middle, c.exposure, c.count as f64)
        })
        .collect();
    let whole: f64 = places.iter().map(|p| p.2).sum();
    let likelihood = |b: f64| {
        let weight: f64 = places.iter().map(|(t, exposure, _)| exposure * (b * t).exp()).sum();
        let a = (whole.max(1e-9) / weight).ln();
        places
            .iter()
            .map(|(t, exposure, k)| {
                let mean = exposure * (a + b * t).exp();
                k * mean.max(1e-300).ln() - mean
            })
            .sum::<f64>()
    };
    let golden = 0.5 * (5f64.sqrt() - 1.0);
    let (mut low, mut high) = (-10.0 / from, 10.0 / from);
    for _ in 0..100 {
        let (x, y) = (high - golden * (high - low), low + golden * (high - low));
        if likelihood(x) > likelihood(y) { high = y } else { low = x }
    }
    likelihood(low)
}

/// The cheapest undo and redo, when more than one explanation is left.
fn toggle(steps: &[StepAttribution], stages: &[StageCount], drift: bool) -> Option<Toggle> {
    let lasting = || steps.iter().filter(|step| !step.undone);
    let best = lasting().max_by(|a, b| a.posterior.total_cmp(&b.posterior))?;
    let open = best.posterior < NAMED || best.confounded || drift;
    let worth = best.posterior > 0.2 || drift;
    if !open || !worth {
        return None;
    }
    // The same quiet that the soak after the step would ask for; where the stage before it cannot tell, as an earlier one.
    let minutes =
        |step: &StepAttribution| stages[..step.step].iter().rev().find_map(|stage| stage.likely_min);
    let cheapest = lasting()
        .filter(|step| step.posterior > 0.1 || step.step == best.step)
        .filter_map(|step| Some((minutes(step)?, step)))
        .min_by(|a, b| a.0.total_cmp(&b.0))?;
    let (minutes, step) = cheapest;
    let what = if step.confounded {
        format!("one of the {} changes of step {}", step.changes.len(), step.step)
    } else {
        format!("step {}", step.step)
    };
    Some(Toggle {
        step: step.step,
        minutes: 2.0 * minutes,
        blocks_each: blocks_each(CLAIM),
        sentence: format!(
            "Undo {what} and watch for {}, then redo it and watch as long: if the strays return and go again, it \
             was this. {} intervals of each kind in random order prove it at one in twenty even if they come in \
             bursts.",
            duration(60.0 * minutes),
            blocks_each(CLAIM)
        ),
    })
}

/// Fewest intervals of each of two kinds whose random order alone gives a p of `chance`: 1/C(2m, m).
///
/// # Source
/// Edgington & Onghena 2007, Randomization Tests, ch. 4.
pub fn blocks_each(chance: f64) -> u32 {
    let mut ways = 1.0;
    for m in 1..=30u32 {
        ways *= f64::from(2 * m) * f64::from(2 * m - 1) / (f64::from(m) * f64::from(m));
        if 1.0 / ways <= chance * (1.0 + 1e-12) {
            return m;
        }
    }
    30
}

fn notes(steps: &[StepAttribution], none: f64, drift: bool, toggle: Option<&Toggle>) -> Vec<String> {
    let mut notes = Vec::new();
    if drift {
        notes.push(
            "The strays fall off steadily over the whole job, as with warming up or drying; no step earns the credit."
                .to_owned(),
        );
    } else {
        let mut ranked: Vec<&StepAttribution> =
            steps.iter().filter(|step| step.posterior >= 0.05 && !step.undone).collect();
        ranked.sort_by(|a, b| b.posterior.total_cmp(&a.posterior));
        let mut shares: Vec<String> =
            ranked.iter().map(|step| format!("step {} {:.0} %", step.step, 100.0 * step.posterior)).collect();
        if none >= 0.05 {
            shares.push(format!("no change at all {:.0} %", 100.0 * none));
        }
        notes.push(format!("If the rate changed once: {}.", shares.join(", ")));
        for step in steps.iter().filter(|step| step.undone && step.posterior >= NAMED) {
            notes.push(format!("Step {}, undone since, changed the rate while it lasted.", step.step));
        }
        let claimed: Vec<String> = steps
            .iter()
            .filter(|step| step.chance_corrected < CLAIM && !step.undone)
            .map(|step| step.step.to_string())
            .collect();
        if claimed.len() > 1 {
            notes.push(format!(
                "Steps {} each brought a fall beyond chance; there may be two causes.",
                claimed.join(" and ")
            ));
        }
    }
    for step in steps.iter().filter(|step| step.confounded && step.posterior > 0.05) {
        notes.push(format!(
            "In step {} these were changed together and cannot be told apart: {}.",
            step.step,
            step.changes.join("; ")
        ));
    }
    notes.extend(toggle.map(|toggle| toggle.sentence.clone()));
    notes
}
