//! What a model with its numbers says about the readings: residuals and their slopes.

use crate::base::Key;
use crate::decode::ladder::Topology;

use crate::analysis::ladder::fault::{Condition, Fault};
use crate::analysis::ladder::model::{Mechanism, Range};
use crate::analysis::ladder::network::{CONTACT_OHM, INPUT_SIEMENS, Network};
use crate::analysis::ladder::reading::{Fitted, Reading, fitted};
use crate::analysis::special::normal_upper;

struct Observation {
    condition: Condition,
    fitted: Fitted,
    /// Whether an end of the scale cuts many of its readings.
    is_cut: bool,
}

/// The readings and the circuit, ready to be fitted. Parameters are searched in their [`Range`]'s
/// coordinate; the resistors' deviations follow as standard scores.
pub(super) struct Objective {
    network: Network,
    observations: Vec<Observation>,
    /// One resistor's standard deviation as a fraction: uniform within the tolerance, taken as normal.
    part_sigma: f64,
}

/// Residuals, their slopes by every free number, and the sum of squares.
#[derive(Clone, Debug, Default)]
pub(super) struct Evaluation {
    /// Weighted residuals, one an observation.
    pub residual: Vec<f64>,
    /// `slope[i][j]`: residual `i` by number `j` (parameters first, then part scores).
    pub slope: Vec<Vec<f64>>,
    /// Sum of squared residuals and squared part scores.
    pub chi2: f64,
    /// What floating predictions cost: a floating pin may read anything, so that its likelihood is that of
    /// an even spread over the scale.
    pub floating: f64,
}

/// Numbers of a model: parameters in search coordinates, and scores of the parts.
#[derive(Clone, Debug, Default, PartialEq)]
pub(super) struct Point {
    pub parameters: Vec<f64>,
    pub scores: Vec<f64>,
}

/// The faults of a model with numbers in search coordinates.
pub(super) fn faults(network: &Network, model: &[Mechanism], parameters: &[f64]) -> [Fault; 2] {
    let none = Fault::GroundOffset { volts: 0.0 };
    let mut list = [none; 2];
    for (slot, (mechanism, u)) in list.iter_mut().zip(model.iter().zip(parameters)) {
        *slot = mechanism.fault(network, mechanism.range().value(*u));
    }
    list
}

impl Range {
    /// Search coordinate to number.
    pub(super) fn value(self, u: f64) -> f64 {
        if self.log { 10f64.powf(u) } else { u }
    }

    /// Number to search coordinate, held to the range.
    pub(super) fn coordinate(self, value: f64) -> f64 {
        let u = if self.log { value.max(1e-30).log10() } else { value };
        u.clamp(self.low, self.high)
    }
}

impl Objective {
    /// Readings that jump between two levels are left out: their mean means nothing.
    pub(super) fn new(network: &Network, readings: &[Reading]) -> Self {
        let observations = readings
            .iter()
            .zip(fitted(readings, network.full_scale))
            .filter(|(reading, _)| reading.n > 0 && reading.levels.is_none() && reading.counts.is_finite())
            .map(|(reading, fitted)| Observation {
                condition: reading.condition.clone(),
                is_cut: reading.is_cut() && fitted.cut.is_some(),
                fitted,
            })
            .collect();
        Self { network: network.clone(), observations, part_sigma: network.tolerance / 3f64.sqrt() }
    }

    /// Number of observations.
    pub(super) fn len(&self) -> usize {
        self.observations.len()
    }

    /// Number of observations that are not at an end of the scale.
    pub(super) fn uncensored(&self) -> usize {
        self.observations.iter().filter(|o| !o.is_cut).count()
    }

    /// How many parts have a score: pull-up, keys, the converter's input, the contacts. None where all was measured.
    pub(super) fn parts(&self) -> usize {
        if self.part_sigma > 0.0 { self.network.keys.len() + 3 } else { 0 }
    }

    /// The least score of a part: what the converter's input and the contacts have cannot be less than nothing, and is not
    /// free where the file gives it.
    pub(super) fn bounds(&self, part: usize) -> (f64, f64) {
        let most = |known: bool| (0.0, if known { 0.0 } else { FARTHEST });
        match part.checked_sub(self.network.keys.len() + 1) {
            None => (-FARTHEST, FARTHEST),
            Some(0) => most(self.network.input_known),
            Some(_) => most(self.network.closed_known),
        }
    }

    /// Mean standard error of the observations in counts, at least that of rounding.
    pub(super) fn typical_sigma(&self) -> f64 {
        let sum: f64 = self.observations.iter().map(|o| o.fitted.sigma * o.fitted.sigma).sum();
        (sum / self.observations.len().max(1) as f64).max(1.0 / 12.0).sqrt()
    }

    /// The network with the parts' scores entered.
    pub(super) fn network_with(&self, scores: &[f64]) -> Network {
        let mut network = self.network.clone();
        for (part, score) in scores.iter().enumerate() {
            self.set_part(&mut network, part, *score);
        }
        network
    }

    /// Sum of squares only, with nominal parts: for the coarse search.
    pub(super) fn coarse(&self, model: &[Mechanism], parameters: &[f64]) -> f64 {
        let faults = faults(&self.network, model, parameters);
        self.observations
            .iter()
            .map(|o| match self.network.solve(&o.condition, &faults[..model.len()]) {
                Some(volts) => o.residual(&self.network, self.network.counts(volts)).0.powi(2),
                None => o.floating_cost(&self.network),
            })
            .sum()
    }

    /// Sum of squares and what floating predictions cost, no slopes.
    pub(super) fn value(&self, model: &[Mechanism], point: &Point) -> (f64, f64) {
        let network = self.network_with(&point.scores);
        let faults = faults(&network, model, &point.parameters);
        let mut chi2: f64 = point.scores.iter().map(|z| z * z).sum();
        let mut floating = 0.0;
        for o in &self.observations {
            match network.solve(&o.condition, &faults[..model.len()]) {
                Some(volts) => chi2 += o.residual(&network, network.counts(volts)).0.powi(2),
                None => floating += o.floating_cost(&network),
            }
        }
        (chi2, floating)
    }

    /// Residuals with slopes.
    pub(super) fn evaluate(&self, model: &[Mechanism], point: &Point, out: &mut Evaluation) {
        let mut network = self.network_with(&point.scores);
        let count = point.parameters.len() + point.scores.len();
        out.residual.clear();
        out.slope.resize_with(self.observations.len(), Vec::new);
        out.chi2 = point.scores.iter().map(|z| z * z).sum();
        out.floating = 0.0;
        for (o, slope) in self.observations.iter().zip(&mut out.slope) {
            slope.clear();
            slope.resize(count, 0.0);
            let Some(counts) = predict(&network, model, &point.parameters, &o.condition) else {
                out.residual.push(0.0);
                out.floating += o.floating_cost(&network);
                continue;
            };
            let (residual, by_counts) = o.residual(&network, counts);
            out.residual.push(residual);
            out.chi2 += residual * residual;
            if by_counts != 0.0 {
                self.slopes(model, point, &mut network, &o.condition, counts, slope);
                slope.iter_mut().for_each(|s| *s *= by_counts);
            }
        }
    }

    /// Slopes of a predicted reading, in counts, by every number; `network` comes back as it was.
    fn slopes(
        &self,
        model: &[Mechanism],
        point: &Point,
        network: &mut Network,
        condition: &Condition,
        counts: f64,
        slope: &mut [f64],
    ) {
        let mut parameters = [0.0; 2];
        let free = point.parameters.len();
        parameters[..free].copy_from_slice(&point.parameters);
        for (j, mechanism) in model.iter().enumerate() {
            // Towards the middle of the range, so that a bound is never overstepped.
            let range = mechanism.range();
            let h = if parameters[j] > f64::midpoint(range.low, range.high) { -1e-6 } else { 1e-6 };
            parameters[j] += h;
            if let Some(moved) = predict(network, model, &parameters[..free], condition) {
                slope[j] = (moved - counts) / h;
            }
            parameters[j] -= h;
        }
        for (part, score) in point.scores.iter().enumerate() {
            if !self.matters(model, part, condition) {
                continue;
            }
            const H: f64 = 1e-4;
            self.set_part(network, part, score + H);
            if let Some(moved) = predict(network, model, &point.parameters, condition) {
                slope[free + part] = (moved - counts) / H;
            }
            self.set_part(network, part, *score);
        }
    }

    /// Predicted reading in counts and its slopes by every number, for a condition that need not have been
    /// observed; `None` for a floating pin.
    pub(super) fn foresee(
        &self,
        model: &[Mechanism],
        point: &Point,
        condition: &Condition,
    ) -> Option<(f64, Vec<f64>)> {
        let mut network = self.network_with(&point.scores);
        let counts = predict(&network, model, &point.parameters, condition)?;
        let mut slope = vec![0.0; point.parameters.len() + point.scores.len()];
        self.slopes(model, point, &mut network, condition, counts, &mut slope);
        Some((counts, slope))
    }

    /// Whether a part can move the reading at all; spares most solutions.
    fn matters(&self, model: &[Mechanism], part: usize, condition: &Condition) -> bool {
        let Some(i) = part.checked_sub(1) else { return true };
        let Some(key) = self.network.keys.get(i).map(|k| k.key) else {
            let pressed = matches!(condition, Condition::Key(_) | Condition::Keys(_));
            return self.bounds(part).1 > 0.0 && (pressed || part == self.network.keys.len() + 1);
        };
        if matches!(condition, Condition::Unplugged | Condition::Substituted(_) | Condition::CableOnly) {
            return false;
        }
        let on = |key: Key| {
            matches!(condition, Condition::Key(down) if *down == key)
                || matches!(condition, Condition::Keys(down) if down.contains(&key))
                || model.contains(&Mechanism::SwitchLeak(key))
        };
        match self.network.topology {
            Topology::Parallel => on(key),
            Topology::Series => self.network.keys[part - 1..].iter().any(|k| on(k.key)),
        }
    }
}

fn predict(network: &Network, model: &[Mechanism], u: &[f64], condition: &Condition) -> Option<f64> {
    let faults = faults(network, model, u);
    network.solve(condition, &faults[..model.len()]).map(|volts| network.counts(volts))
}

/// Bound of a part's standard score: beyond it a resistor would turn negative at a tolerance of 20 %.
const FARTHEST: f64 = 8.0;

impl Objective {
    /// Sets one part by its score: the pull-up, the keys' resistors, the converter's input, the contacts.
    fn set_part(&self, network: &mut Network, part: usize, score: f64) {
        let factor = 1.0 + self.part_sigma * score;
        let keys = self.network.keys.len();
        match part.checked_sub(1) {
            None => network.pull_up_ohm = self.network.pull_up_ohm * factor,
            Some(i) if i < keys => network.keys[i].ohm = self.network.keys[i].ohm * factor,
            Some(i) if i == keys => {
                network.input_ohm = 1.0 / (1.0 / self.network.input_ohm + INPUT_SIEMENS * score);
            }
            Some(_) => network.closed_ohm = self.network.closed_ohm + CONTACT_OHM * score,
        }
    }
}

impl Observation {
    /// Weighted residual and its slope by the predicted counts.
    ///
    /// An end of the scale cuts the readings beyond it, so that their mean is drawn inwards: what is foreseen is the mean of
    /// the readings as the end leaves them.
    ///
    /// # Formula
    /// Of a normal `X` with mean `m` below zero by `u` deviations `E[min(X, 0)] = m Φ(-m/s) - s φ(m/s)`.
    ///
    /// # Source
    /// Censored normal mean: Tobin, Econometrica 26 (1958) 24.
    fn residual(&self, network: &Network, predicted: f64) -> (f64, f64) {
        let full = f64::from(network.full_scale);
        let Fitted { counts, sigma, cut } = self.fitted;
        let Some(spread) = cut else { return ((predicted - counts) / sigma, 1.0 / sigma) };
        let (over, over_slope) = below(predicted - full, spread);
        let (under, under_slope) = below(-predicted, spread);
        let expected = full + over - predicted - under;
        let slope = over_slope + under_slope - 1.0;
        ((expected - counts) / sigma, slope / sigma)
    }

    /// Minus twice the log-likelihood ratio of an even spread over the scale to the reading's own peak.
    fn floating_cost(&self, network: &Network) -> f64 {
        let peak = self.fitted.sigma * (2.0 * std::f64::consts::PI).sqrt();
        2.0 * (network.levels() / peak).max(1.0).ln()
    }
}

/// Mean of what is below zero of a normal variable, and its slope by the variable's mean.
fn below(mean: f64, spread: f64) -> (f64, f64) {
    let z = mean / spread;
    if z < -8.0 {
        return (mean, 1.0);
    }
    let density = (-0.5 * z * z).exp() / (2.0 * std::f64::consts::PI).sqrt();
    let share = normal_upper(z);
    (mean * share - spread * density, share)
}

#[cfg(test)]
mod tests {
    use super::below;

    #[test]
    fn the_mean_of_what_an_end_cuts_is_smooth_and_its_slope_is_its_derivative() {
        for mean in [-40.0, -7.9, -3.0, -1.0, -0.01, 0.01, 1.0, 3.0, 6.0f64] {
            let h = 1e-5;
            let numeric = (below(mean + h, 0.7).0 - below(mean - h, 0.7).0) / (2.0 * h);
            assert!((below(mean, 0.7).1 - numeric).abs() < 1e-6, "{mean}: {numeric}");
        }
        // Half of a standard normal lies below zero with mean -sqrt(2/π): E[min(X, 0)] = -1/sqrt(2π).
        assert!((below(0.0, 1.0).0 + 0.398_942_280_401_432_7).abs() < 1e-12);
    }
}
