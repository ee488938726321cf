//! All models fitted to all readings at once, ranked, tested, merged where nothing can part them.

use std::collections::BTreeMap;

use statrs::distribution::{ChiSquared, ContinuousCDF};

use crate::base::{Key, Nanoseconds};

use crate::analysis::ladder::fault::Condition;
use crate::analysis::ladder::minimise::{Minimum, interval, minimise, spread_out, variance};
use crate::analysis::ladder::model::{self, Mechanism, Model};
use crate::analysis::ladder::network::Network;
use crate::analysis::ladder::objective::{Evaluation, Objective, Point, faults};
use crate::analysis::ladder::quick::{Quick, quick};
use crate::analysis::ladder::reading::Reading;
use crate::analysis::ladder::ripple::{self, Clue, Ripple};
use crate::analysis::ladder::windows::Windows;

/// Below this chance no model is called an explanation.
pub const REJECT: f64 = 0.01;

/// Models that are worse than the best by more than this count as excluded ("strong" evidence from 6 on).
///
/// # Source
/// Kass and Raftery, Journal of the American Statistical Association 90 (1995) 773.
pub const WINDOW: f64 = 6.0;

/// What any fault costs a model against the sound ladder: so many models are tried that one of them fits chance better than
/// none. With it, of sound ladders 1 % at most are told of a fault (`examples/identifiability.md`).
///
/// # Source
/// A price for the number of models tried: Chen and Chen, Biometrika 95 (2008) 759. The figure is set by simulation.
const ANY_FAULT: f64 = 9.2;

/// How a fault that comes and goes is while it does not show: gone, smaller, or gone beside another fault that stays. Common
/// practice, no source.
const AT_REST: [f64; 3] = [0.5, 0.4, 0.1];

/// One number of a model.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Estimate {
    /// Best value in the mechanism's unit.
    pub value: f64,
    /// Lower end of the 95 % interval; `None` where the readings set none.
    pub low: Option<f64>,
    /// Upper end of the 95 % interval; `None` where the readings set none.
    pub high: Option<f64>,
}

/// One model, fitted.
#[derive(Clone, Debug, PartialEq)]
pub struct Fitted {
    /// The mechanisms; empty is the healthy ladder.
    pub model: Model,
    /// Their numbers, in the same order.
    pub estimates: Vec<Estimate>,
    /// Sum of squared residuals, and of the parts' squared standard scores.
    pub chi2: f64,
    /// Readings within the scale less numbers fitted.
    pub freedom: usize,
    /// Chance of a chi-square this large if the model is true; 1 when no reading is left to test it.
    pub p: f64,
    /// `chi2 + numbers * ln(readings)`, what any fault costs against none, and what floating predictions cost.
    pub bic: f64,
    /// Minus twice the logarithm of how likely the readings are, its numbers averaged over their ranges, up to a number that
    /// is the same for all models.
    pub cost: f64,
    /// Posterior weight among all models.
    pub weight: f64,
    /// Predicted reading and its variance (counts, counts²) in every probe condition, in the order of
    /// [`Fit::probes`]; `None` for a floating pin.
    pub foreseen: Vec<Option<(f64, f64)>>,
    /// What an idle line reads as under this model: a key, or no key.
    pub idle_key: Option<Key>,
}

/// Models that no reading of the converter can part: one verdict.
#[derive(Clone, Debug, PartialEq)]
pub struct Verdict {
    /// Indices into [`Fit::models`], the leader first.
    pub members: Vec<usize>,
    /// Sum of the members' weights.
    pub weight: f64,
}

/// The outcome of a fit.
#[derive(Clone, Debug, PartialEq)]
pub struct Fit {
    /// The network that was fitted.
    pub network: Network,
    /// The readings, as given.
    pub readings: Vec<Reading>,
    /// Models in order of rising [`Fitted::bic`].
    pub models: Vec<Fitted>,
    /// Equivalent models merged, in order of falling weight.
    pub verdicts: Vec<Verdict>,
    /// Conditions whose readings the models foresee.
    pub probes: Vec<Condition>,
    /// Whether the best model passes the absolute test.
    pub accepted: bool,
    /// Mean standard error of a reading in counts.
    pub sigma: f64,
    /// Hum found on the readings, when it was looked for.
    pub ripple: Option<Clue>,
    /// Mains and dimming frequencies that the line's scan period folds to a steady offset, hertz.
    pub hidden_hz: Vec<f64>,
}

/// Fits every model to the readings of one line.
///
/// Resistors within their tolerance are nuisance numbers shared by all conditions; readings at an end of the
/// scale are one-sided; readings that jump between two levels are left out.
///
/// # Source
/// Ranking: Schwarz, Annals of Statistics 6 (1978) 461. A model with an unneeded fault is left out against the
/// smaller one that explains as much: Madigan and Raftery, JASA 89 (1994) 1535 (Occam's window).
pub fn fit(network: &Network, readings: &[Reading]) -> Fit {
    let objective = Objective::new(network, readings);
    let cable_seen = readings.iter().any(|r| r.condition == Condition::CableOnly);
    let probes = probes(network, readings);
    let mut work = Evaluation::default();
    let looks = quick(network, readings);
    let mut found: Vec<(Model, Minimum)> = model::all(network, cable_seen)
        .into_iter()
        .map(|model| {
            let minimum = search(&objective, &model, &looks, &mut work);
            (model, minimum)
        })
        .collect();
    let penalty = (objective.len().max(1) as f64).ln();
    let any = |model: &Model| if model.is_empty() { 0.0 } else { ANY_FAULT };
    let bic = |model: &Model, minimum: &Minimum| minimum.total() + model.len() as f64 * penalty + any(model);
    found.sort_by(|a, b| bic(&a.0, &a.1).total_cmp(&bic(&b.0, &b.1)));
    let bics: BTreeMap<Model, f64> = found.iter().map(|(m, min)| (m.clone(), bic(m, min))).collect();
    let windows = Windows::of(network);
    let best = found.first().map_or(0.0, |(m, min)| bic(m, min));
    let mut models: Vec<Fitted> = found
        .iter()
        .map(|(model, minimum)| {
            let bic = bic(model, minimum);
            let near = bic - best < 2.0 * WINDOW;
            let freedom = objective.uncensored().saturating_sub(model.len());
            let estimates = estimates(&objective, model, minimum, near, &mut work);
            let cost = minimum.total() + any(model) + spread_out(&objective, model, minimum, &mut work);
            Fitted {
                model: model.clone(),
                estimates,
                cost,
                chi2: minimum.chi2,
                freedom,
                p: tail(minimum.chi2, freedom),
                bic,
                weight: if needless(model, bic, &bics, network) { 0.0 } else { 1.0 },
                foreseen: foreseen(&objective, model, minimum, &probes, near, &mut work),
                idle_key: idle_key(network, &windows, model, minimum),
            }
        })
        .collect();
    weigh(&mut models, network);
    let sigma = objective.typical_sigma();
    let verdicts = merge(&models, sigma);
    let accepted = models.first().is_some_and(|m| m.p >= REJECT) && objective.len() > 0;
    Fit {
        network: network.clone(),
        readings: readings.to_vec(),
        models,
        verdicts,
        probes,
        accepted,
        sigma,
        ripple: None,
        hidden_hz: Vec::new(),
    }
}

impl Fit {
    /// The fault of these readings, which came while it showed, with what the same line reads at other times: the fault may be
    /// gone then, or be there but smaller, or the line has another one of its own. Where it is there its number is that of the
    /// line at rest, which is steadier.
    #[must_use]
    pub fn beside(mut self, rest: &Self) -> Self {
        // What no circuit explains tells nothing.
        let sound = rest.models.iter().find(|m| m.model.is_empty()).map(|m| m.cost).filter(|_| rest.accepted);
        let Some(sound) = sound else { return self };
        // What any fault costs was paid already.
        let paid = |m: &Fitted| if m.model.is_empty() { m.cost } else { m.cost - ANY_FAULT };
        let best = rest.models.iter().map(paid).fold(f64::INFINITY, f64::min);
        let likely = |cost: f64| (-0.5 * (cost - best)).exp();
        let priors: f64 = rest.models.iter().map(|m| model::prior(&m.model, &rest.network)).sum();
        let whole = rest.models.iter().map(|m| model::prior(&m.model, &rest.network) * likely(paid(m)));
        let any = whole.sum::<f64>() / priors;
        for fitted in &mut self.models {
            let there = rest.models.iter().find(|m| !m.model.is_empty() && m.model == fitted.model);
            let same = there.map_or(0.0, |there| likely(paid(there)));
            let [gone, smaller, other] = AT_REST;
            fitted.cost -= 2.0 * (gone * likely(sound) + smaller * same + other * any).ln();
            if let Some(there) = there.filter(|there| there.cost < sound && there.p >= REJECT) {
                fitted.estimates.clone_from(&there.estimates);
            }
        }
        weigh(&mut self.models, &self.network);
        self.verdicts = merge(&self.models, self.sigma);
        self
    }

    /// With the hum that was found in some conditions.
    #[must_use]
    pub fn with_ripples(mut self, found: &[(Condition, Ripple)]) -> Self {
        self.ripple = ripple::clue(&self.network, found);
        self
    }

    /// With the time between two scans of the line, and the set's dimming frequencies where they are known.
    #[must_use]
    pub fn with_scan(mut self, period: Nanoseconds, dimming_hz: &[f64]) -> Self {
        self.hidden_hz = ripple::hidden(period, dimming_hz);
        self
    }
}

/// Every condition of the line, the substituted resistors that were used, and one that may be.
fn probes(network: &Network, readings: &[Reading]) -> Vec<Condition> {
    let mut probes = network.conditions();
    probes.push(Condition::Substituted(4_700.0));
    for reading in readings {
        if !probes.contains(&reading.condition) {
            probes.push(reading.condition.clone());
        }
    }
    probes
}

/// Weights from priors and costs, of the models that are not needless.
fn weigh(models: &mut [Fitted], network: &Network) {
    let best = models.iter().filter(|m| m.weight > 0.0).map(|m| m.cost).fold(f64::INFINITY, f64::min);
    for fitted in models.iter_mut().filter(|m| m.weight > 0.0) {
        fitted.weight = model::prior(&fitted.model, network) * (-0.5 * (fitted.cost - best)).exp();
    }
    let total: f64 = models.iter().map(|m| m.weight).sum();
    models.iter_mut().for_each(|m| m.weight /= total.max(f64::MIN_POSITIVE));
}

/// Whether leaving out one of its mechanisms makes a model no worse, priors counted.
fn needless(model: &[Mechanism], bic: f64, bics: &BTreeMap<Model, f64>, network: &Network) -> bool {
    let score = |model: &[Mechanism], bic: f64| bic - 2.0 * model::prior(model, network).ln();
    let own = score(model, bic);
    let smaller = |left: &[Mechanism]| bics.get(left).is_some_and(|other| score(left, *other) <= own);
    match model {
        [] => false,
        [_] => smaller(&[]),
        [a, b, ..] => smaller(&[*a]) || smaller(&[*b]) || smaller(&[]),
    }
}

/// Upper tail of chi-square.
fn tail(chi2: f64, freedom: usize) -> f64 {
    if freedom == 0 {
        return 1.0;
    }
    ChiSquared::new(freedom as f64).map_or(1.0, |law| law.sf(chi2.max(0.0)))
}

/// Least squares from the lowest dips of a coarse grid over the physical range, and from the number that the
/// quick look gives.
fn search(objective: &Objective, model: &[Mechanism], looks: &[Quick], work: &mut Evaluation) -> Minimum {
    let scores = vec![0.0; objective.parts()];
    let starts = match model {
        [] => vec![vec![]],
        [one] => {
            let mut starts = dips_of_line(objective, *one);
            let looked = looks.iter().find(|q| q.mechanism == *one && q.value.is_finite());
            starts.extend(looked.map(|q| vec![one.range().coordinate(q.value)]));
            starts
        }
        _ => dips_of_plane(objective, model),
    };
    let mut best: Option<Minimum> = None;
    for parameters in starts {
        let start = Point { parameters, scores: scores.clone() };
        let found = minimise(objective, model, start, None, work);
        if best.as_ref().is_none_or(|b| found.total() < b.total()) {
            best = Some(found);
        }
    }
    best.unwrap_or(Minimum { point: Point::default(), chi2: f64::INFINITY, floating: 0.0 })
}

fn grid(mechanism: Mechanism, count: usize) -> Vec<f64> {
    let range = mechanism.range();
    (0..count).map(|i| range.low + (range.high - range.low) * (i as f64 + 0.5) / count as f64).collect()
}

fn dips_of_line(objective: &Objective, mechanism: Mechanism) -> Vec<Vec<f64>> {
    let grid = grid(mechanism, 48);
    let heights: Vec<f64> = grid.iter().map(|u| objective.coarse(&[mechanism], &[*u])).collect();
    let is_dip = |i: usize| {
        (i == 0 || heights[i] <= heights[i - 1]) && heights.get(i + 1).is_none_or(|next| heights[i] <= *next)
    };
    let mut dips: Vec<usize> = (0..grid.len()).filter(|i| is_dip(*i)).collect();
    dips.sort_by(|a, b| heights[*a].total_cmp(&heights[*b]));
    dips.truncate(3);
    dips.into_iter().map(|i| vec![grid[i]]).collect()
}

fn dips_of_plane(objective: &Objective, model: &[Mechanism]) -> Vec<Vec<f64>> {
    const SIDE: usize = 16;
    let (x, y) = (grid(model[0], SIDE), grid(model[1], SIDE));
    let height = |i: usize, j: usize| objective.coarse(model, &[x[i], y[j]]);
    let heights: Vec<f64> = (0..SIDE * SIDE).map(|k| height(k / SIDE, k % SIDE)).collect();
    let is_dip = |k: usize| {
        let (i, j) = (k / SIDE, k % SIDE);
        let around = (i.saturating_sub(1)..=(i + 1).min(SIDE - 1))
            .flat_map(|a| (j.saturating_sub(1)..=(j + 1).min(SIDE - 1)).map(move |b| a * SIDE + b));
        around.into_iter().all(|other| heights[k] <= heights[other])
    };
    let mut dips: Vec<usize> = (0..heights.len()).filter(|k| is_dip(*k)).collect();
    dips.sort_by(|a, b| heights[*a].total_cmp(&heights[*b]));
    dips.truncate(4);
    dips.into_iter().map(|k| vec![x[k / SIDE], y[k % SIDE]]).collect()
}

fn estimates(
    objective: &Objective,
    model: &[Mechanism],
    minimum: &Minimum,
    near: bool,
    work: &mut Evaluation,
) -> Vec<Estimate> {
    let best = |i: usize| model[i].range().value(minimum.point.parameters[i]);
    (0..minimum.point.parameters.len())
        .map(|i| {
            let (low, high) = if near { interval(objective, model, minimum, i, work) } else { (None, None) };
            Estimate { value: best(i), low, high }
        })
        .collect()
}

fn foreseen(
    objective: &Objective,
    model: &[Mechanism],
    minimum: &Minimum,
    probes: &[Condition],
    near: bool,
    work: &mut Evaluation,
) -> Vec<Option<(f64, f64)>> {
    probes
        .iter()
        .map(|condition| {
            let (counts, slope) = objective.foresee(model, &minimum.point, condition)?;
            let spread = if near { variance(objective, model, &minimum.point, &slope, work) } else { 0.0 };
            Some((counts, spread))
        })
        .collect()
}

fn idle_key(network: &Network, windows: &Windows, model: &[Mechanism], minimum: &Minimum) -> Option<Key> {
    let faults = faults(network, model, &minimum.point.parameters);
    let volts = network.solve(&Condition::Idle, &faults[..model.len()])?;
    windows.key(network.counts(volts) + 0.5)
}

/// Joins models that foresee the same readings in every condition that can be set up.
fn merge(models: &[Fitted], sigma: f64) -> Vec<Verdict> {
    let Some(best) = models.iter().filter(|m| m.weight > 0.0).map(|m| m.bic).reduce(f64::min) else {
        return Vec::new();
    };
    let mut verdicts: Vec<Verdict> = Vec::new();
    for (index, fitted) in models.iter().enumerate() {
        if fitted.weight <= 0.0 {
            continue;
        }
        let near = fitted.bic - best < WINDOW;
        let same = |verdict: &&mut Verdict| {
            let leader = &models[verdict.members[0]];
            near && leader.model.len() == fitted.model.len() && split(leader, fitted, sigma) < 2.0
        };
        match verdicts.iter_mut().find(same) {
            Some(verdict) => {
                verdict.members.push(index);
                verdict.weight += fitted.weight;
            }
            None => verdicts.push(Verdict { members: vec![index], weight: fitted.weight }),
        }
    }
    for verdict in &mut verdicts {
        verdict.members.sort_by(|a, b| models[*b].weight.total_cmp(&models[*a].weight));
    }
    verdicts.sort_by(|a, b| b.weight.total_cmp(&a.weight));
    verdicts
}

/// Largest difference between two models' foreseen readings over all probes, in standard errors.
pub(super) fn split(a: &Fitted, b: &Fitted, sigma: f64) -> f64 {
    a.foreseen.iter().zip(&b.foreseen).map(|(x, y)| split_at(*x, *y, sigma)).fold(0.0, f64::max)
}

/// Difference of two foreseen readings in standard errors; a floating pin against a held one is worth a
/// look but promises nothing.
pub(super) fn split_at(x: Option<(f64, f64)>, y: Option<(f64, f64)>, sigma: f64) -> f64 {
    match (x, y) {
        (Some((m, v)), Some((n, w))) => (m - n).abs() / (sigma * sigma + v + w).sqrt(),
        (None, None) => 0.0,
        _ => 1.0,
    }
}
