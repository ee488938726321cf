//! Bounded least squares, and the profile of one number.

use crate::analysis::ladder::model::Mechanism;
use crate::analysis::ladder::objective::{Evaluation, Objective, Point};

/// Two chi-squares that differ by this cut a 95 % interval out of a profile.
///
/// # Source
/// Wilks, Annals of Mathematical Statistics 9 (1938) 60; 0.95 quantile of chi-square with one degree of freedom.
pub(super) const CUT_95: f64 = 3.841_458_820_694_124;

/// Most parameters and part scores together; a ladder of more keys keeps its further parts at nominal.
const MOST: usize = 20;

/// A minimum.
#[derive(Clone, Debug)]
pub(super) struct Minimum {
    pub point: Point,
    /// Sum of squares.
    pub chi2: f64,
    /// What floating predictions cost.
    pub floating: f64,
}

impl Minimum {
    /// What is minimised and ranked.
    pub(super) fn total(&self) -> f64 {
        self.chi2 + self.floating
    }
}

/// Normal equations with room for every size that occurs, so that the search allocates nothing.
struct Normal {
    matrix: [[f64; MOST]; MOST],
    gradient: [f64; MOST],
    size: usize,
}

/// Minimises from a start; the parameter `held` stays where it is.
///
/// # Source
/// Marquardt, SIAM J. Appl. Math. 11 (1963) 431, with the step held to the bounds and numbers that press
/// against a bound left out of the step.
pub(super) fn minimise(
    objective: &Objective,
    model: &[Mechanism],
    start: Point,
    held: Option<usize>,
    work: &mut Evaluation,
) -> Minimum {
    let mut point = start;
    objective.evaluate(model, &point, work);
    let (mut chi2, mut floating) = (work.chi2, work.floating);
    let mut damping = 1e-3;
    for _ in 0..60 {
        let normal = Normal::of(objective, model, &point, held, work);
        let mut improved = None;
        for _ in 0..12 {
            let Some(step) = normal.step(damping) else {
                damping *= 10.0;
                continue;
            };
            let next = moved(objective, model, &point, &step);
            let (value, cost) = objective.value(model, &next);
            if value + cost < chi2 + floating {
                improved = Some((next, value, cost));
                break;
            }
            damping *= 6.0;
            if damping > 1e12 {
                break;
            }
        }
        let Some((next, value, cost)) = improved else { break };
        let gain = chi2 + floating - value - cost;
        point = next;
        chi2 = value;
        floating = cost;
        damping = (damping * 0.15).max(1e-12);
        if gain < 1e-9 * (1.0 + chi2) {
            break;
        }
        objective.evaluate(model, &point, work);
    }
    Minimum { point, chi2, floating }
}

fn moved(objective: &Objective, model: &[Mechanism], point: &Point, step: &[f64]) -> Point {
    let mut next = point.clone();
    for ((u, mechanism), s) in next.parameters.iter_mut().zip(model).zip(step) {
        let range = mechanism.range();
        *u = (*u + s).clamp(range.low, range.high);
    }
    for (part, (z, s)) in next.scores.iter_mut().zip(&step[point.parameters.len()..]).enumerate() {
        let (low, high) = objective.bounds(part);
        *z = (*z + s).clamp(low, high);
    }
    next
}

impl Normal {
    /// Curvature and gradient of the sum of squares, nothing held.
    fn curvature(point: &Point, evaluation: &Evaluation) -> Self {
        let free = point.parameters.len();
        let size = (free + point.scores.len()).min(MOST);
        let mut normal = Self { matrix: [[0.0; MOST]; MOST], gradient: [0.0; MOST], size };
        for (residual, slope) in evaluation.residual.iter().zip(&evaluation.slope) {
            for i in 0..size {
                if slope[i] == 0.0 {
                    continue;
                }
                normal.gradient[i] += slope[i] * residual;
                for j in 0..=i {
                    normal.matrix[i][j] += slope[i] * slope[j];
                }
            }
        }
        for (k, z) in point.scores.iter().enumerate().take(size.saturating_sub(free)) {
            normal.matrix[free + k][free + k] += 1.0;
            normal.gradient[free + k] += z;
        }
        normal
    }

    fn of(
        objective: &Objective,
        model: &[Mechanism],
        point: &Point,
        held: Option<usize>,
        evaluation: &Evaluation,
    ) -> Self {
        let mut normal = Self::curvature(point, evaluation);
        let (free, size) = (point.parameters.len(), normal.size);
        for (i, mechanism) in model.iter().enumerate().take(free) {
            let range = mechanism.range();
            let u = point.parameters[i];
            let presses =
                (u <= range.low && normal.gradient[i] > 0.0) || (u >= range.high && normal.gradient[i] < 0.0);
            if held == Some(i) || presses {
                normal.leave_out(i);
            }
        }
        for (k, z) in point.scores.iter().enumerate().take(size.saturating_sub(free)) {
            let slope = normal.gradient[free + k];
            let (low, high) = objective.bounds(k);
            if (*z <= low && slope > 0.0) || (*z >= high && slope < 0.0) {
                normal.leave_out(free + k);
            }
        }
        normal
    }

    fn leave_out(&mut self, i: usize) {
        for j in 0..self.size {
            self.matrix[i.max(j)][i.min(j)] = 0.0;
        }
        self.matrix[i][i] = 1.0;
        self.gradient[i] = 0.0;
    }

    /// The step that solves the damped equations; `None` when they are not positive definite.
    fn step(&self, damping: f64) -> Option<[f64; MOST]> {
        let lower = self.cholesky(damping)?;
        let mut x = [0.0; MOST];
        for i in 0..self.size {
            let sum: f64 = (0..i).map(|j| lower[i][j] * x[j]).sum();
            x[i] = (-self.gradient[i] - sum) / lower[i][i];
        }
        back_substitute(&lower, &mut x, self.size);
        Some(x)
    }

    fn cholesky(&self, damping: f64) -> Option<[[f64; MOST]; MOST]> {
        let mut lower = [[0.0; MOST]; MOST];
        for i in 0..self.size {
            for j in 0..=i {
                let sum: f64 = (0..j).map(|k| lower[i][k] * lower[j][k]).sum();
                if i == j {
                    let diagonal = self.matrix[i][i] * (1.0 + damping) + 1e-12 - sum;
                    if diagonal <= 0.0 || !diagonal.is_finite() {
                        return None;
                    }
                    lower[i][i] = diagonal.sqrt();
                } else {
                    lower[i][j] = (self.matrix[i][j] - sum) / lower[j][j];
                }
            }
        }
        Some(lower)
    }
}

fn back_substitute(lower: &[[f64; MOST]; MOST], x: &mut [f64; MOST], size: usize) {
    for i in (0..size).rev() {
        let sum: f64 = (i + 1..size).map(|j| lower[j][i] * x[j]).sum();
        x[i] = (x[i] - sum) / lower[i][i];
    }
}

/// Variance of a prediction in counts², from the curvature at the minimum.
pub(super) fn variance(
    objective: &Objective,
    model: &[Mechanism],
    point: &Point,
    slope: &[f64],
    work: &mut Evaluation,
) -> f64 {
    objective.evaluate(model, point, work);
    let normal = Normal::of(objective, model, point, None, work);
    let Some(lower) = normal.cholesky(1e-9) else { return f64::INFINITY };
    let mut x = [0.0; MOST];
    for i in 0..normal.size {
        let sum: f64 = (0..i).map(|j| lower[i][j] * x[j]).sum();
        x[i] = (slope[i] - sum) / lower[i][i];
    }
    x[..normal.size].iter().map(|v| v * v).sum()
}

/// What it costs a model that its numbers might have been anything in their ranges, and the parts anything within their
/// tolerance: one that foresaw the readings whatever its number was, as a stuck switch does, is believed before one that had to
/// be set to a hair. As minus twice a logarithm.
///
/// # Formula
/// `ln det A + Σ (2 ln range - ln 2π)`: A the curvature at the minimum with the parts' unit precision, and for each number that of
/// its even range.
///
/// # Source
/// Laplace's approximation of the evidence; MacKay, Neural Computation 4 (1992) 415 (the Occam factor).
pub(super) fn spread_out(
    objective: &Objective,
    model: &[Mechanism],
    minimum: &Minimum,
    work: &mut Evaluation,
) -> f64 {
    objective.evaluate(model, &minimum.point, work);
    let mut normal = Normal::curvature(&minimum.point, work);
    let mut cost = 0.0;
    for (i, mechanism) in model.iter().enumerate() {
        let range = mechanism.range();
        let width = range.high - range.low;
        normal.matrix[i][i] += 12.0 / (width * width);
        cost += 2.0 * width.ln() - (2.0 * std::f64::consts::PI).ln();
    }
    let Some(lower) = normal.cholesky(0.0) else { return f64::INFINITY };
    cost + (0..normal.size).map(|i| 2.0 * lower[i][i].ln()).sum::<f64>()
}

/// The 95 % interval of one parameter by profile likelihood, in the parameter's own unit; an end is `None`
/// where the profile does not rise before the physical bound.
///
/// # Source
/// Venzon and Moolgavkar, Applied Statistics 37 (1988) 87: all other numbers refitted at every value.
pub(super) fn interval(
    objective: &Objective,
    model: &[Mechanism],
    minimum: &Minimum,
    parameter: usize,
    work: &mut Evaluation,
) -> (Option<f64>, Option<f64>) {
    let range = model[parameter].range();
    let mut ends = [None, None];
    for (end, bound) in ends.iter_mut().zip([range.low, range.high]) {
        *end = crossing(objective, model, minimum, parameter, bound, work).map(|u| range.value(u));
    }
    (ends[0], ends[1])
}

/// Where the profile crosses the cut between the minimum and a bound.
fn crossing(
    objective: &Objective,
    model: &[Mechanism],
    minimum: &Minimum,
    parameter: usize,
    bound: f64,
    work: &mut Evaluation,
) -> Option<f64> {
    let limit = minimum.total() + CUT_95;
    let mut warm = minimum.point.clone();
    let mut height = |u: f64, warm: &mut Point| {
        let mut start = warm.clone();
        start.parameters[parameter] = u;
        let found = minimise(objective, model, start, Some(parameter), work);
        let height = found.total() - limit;
        *warm = found.point;
        height
    };
    let centre = minimum.point.parameters[parameter];
    let direction = (bound - centre).signum();
    let (mut inside, mut inside_height) = (centre, -CUT_95);
    let mut stride = 1e-3;
    let (mut outside, outside_height) = loop {
        let u = if direction > 0.0 { (inside + stride).min(bound) } else { (inside - stride).max(bound) };
        if (u - inside).abs() < 1e-12 {
            return None;
        }
        let h = height(u, &mut warm);
        if h >= 0.0 {
            break (u, h);
        }
        inside = u;
        inside_height = h;
        stride *= 3.0;
    };
    // Regula falsi (Illinois form) on the square root of the rise, which is nearly straight.
    let root = |h: f64| (h + CUT_95).max(0.0).sqrt() - CUT_95.sqrt();
    let (mut low, mut high) = (root(inside_height), root(outside_height));
    let mut last_inside = None;
    for _ in 0..40 {
        let u = (inside * high - outside * low) / (high - low);
        let r = root(height(u, &mut warm));
        if r.abs() < 1e-6 || (outside - inside).abs() < 1e-9 {
            return Some(u);
        }
        let is_inside = r < 0.0;
        let again = last_inside == Some(is_inside);
        if is_inside {
            inside = u;
            low = r;
            high *= if again { 0.5 } else { 1.0 };
        } else {
            outside = u;
            high = r;
            low *= if again { 0.5 } else { 1.0 };
        }
        last_inside = Some(is_inside);
    }
    Some(f64::midpoint(inside, outside))
}
