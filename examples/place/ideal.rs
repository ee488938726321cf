//! What somebody makes of a job who knows how the simulator draws: its posterior over the kinds of fault.
//!
//! Nearly exact: values by nested grids, parts linearised, and the parts' deviations not shared between the level at rest and
//! that of a fault that shows.

use std::collections::BTreeMap;

use crate::job::{Codes, Job};
use crate::set::{AT_REST, KINDS, Kind, Ladder, Mechanism, State, Wrong};

/// The posterior: by location, and by the mechanism's class.
pub(crate) struct Ideal {
    pub(crate) places: BTreeMap<&'static str, f64>,
    pub(crate) classes: BTreeMap<&'static str, f64>,
}

/// ln of what counts as impossible.
const NEVER: f64 = -1e6;

pub(crate) fn ideal(job: &Job) -> Ideal {
    let mut parts: Vec<(Kind, &'static str, f64)> = Vec::new();
    for kind in KINDS {
        if kind.is_electrical() {
            for (mechanism, share) in Mechanism::of(kind, &job.ladder) {
                parts.push((kind, mechanism.class(), share.ln() + electrical(job, mechanism)));
            }
        } else {
            let lamps = [(true, 0.8f64), (false, 0.2)].map(|(lamp, p)| p.ln() + counts(job, kind, lamp));
            let levels = levels(job, &|_| true, &Wrong::default());
            parts.push((kind, "none", sum(&lamps) + features(job, kind) + levels));
        }
    }
    let most = parts.iter().map(|part| part.2).fold(f64::NEG_INFINITY, f64::max);
    let total: f64 = parts.iter().map(|part| (part.2 - most).exp()).sum();
    let mut found = Ideal { places: BTreeMap::new(), classes: BTreeMap::new() };
    for (kind, class, ln) in parts {
        let p = (ln - most).exp() / total;
        *found.places.entry(kind.location()).or_default() += p;
        *found.classes.entry(class).or_default() += p;
    }
    found
}

fn sum(list: &[f64]) -> f64 {
    let most = list.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    most + list.iter().map(|ln| (ln - most).exp()).sum::<f64>().ln()
}

/// ln chance of so many showings where the fault can show, the rate being even in its logarithm from 1 to 6 a minute.
fn process(stages: &[(u32, f64)]) -> f64 {
    let grid: Vec<f64> = (0..24)
        .map(|i| 6f64.powf((f64::from(i) + 0.5) / 24.0))
        .map(|rate| {
            let ln = |(n, seconds): &(u32, f64)| {
                // A showing takes about two seconds of its own.
                let mean = rate * seconds / 60.0 / (1.0 + rate * 2.0 / 60.0);
                f64::from(*n) * mean.ln() - mean - (1..=*n).map(|k| f64::from(k).ln()).sum::<f64>()
            };
            stages.iter().map(ln).sum::<f64>() - 24f64.ln()
        })
        .collect();
    sum(&grid)
}

fn counts(job: &Job, kind: Kind, lamp: bool) -> f64 {
    let (can, cannot): (Vec<_>, Vec<_>) =
        job.stages.iter().partition(|stage| Job::can_show(kind, lamp, &stage.about));
    if cannot.iter().any(|stage| stage.shown > 0) {
        return NEVER;
    }
    process(&can.iter().map(|stage| (stage.shown, stage.seconds)).collect::<Vec<_>>())
}

/// What came, not when: the path, and of infrared strays the mix of their codes.
fn features(job: &Job, kind: Kind) -> f64 {
    let shown = job.stages.iter().any(|stage| stage.shown > 0);
    let infrared = |kind| matches!(kind, Kind::Light | Kind::Receiver | Kind::Remote);
    let same_path = kind == job.kind || infrared(kind) && infrared(job.kind);
    if shown && !same_path {
        return NEVER;
    }
    let one = job.remote.windows(2).all(|pair| pair[0] == pair[1]);
    match kind {
        Kind::Remote if !one => NEVER,
        Kind::Remote => -(5f64.ln()),
        Kind::Light | Kind::Receiver => {
            let known =
                |code: &(u32, u32)| if code.0 == 4 { (0.4f64 / 5.0).ln() } else { (0.4f64 / 65536.0).ln() };
            job.remote.iter().map(known).sum()
        }
        _ => 0.0,
    }
}

fn electrical(job: &Job, mechanism: Mechanism) -> f64 {
    let shown = job.stages.iter().any(|stage| stage.shown > 0);
    if shown && !job.kind.is_electrical() {
        return NEVER;
    }
    let may_go = mechanism.is_leak() || mechanism == Mechanism::Supply;
    let ranges = mechanism.ranges(job.ladder.pull_up / 10_000.0);
    let over = |f: &dyn Fn(f64) -> f64| {
        let each: Vec<f64> = ranges.iter().map(|range| integral(*range, f)).collect();
        sum(&each) - (ranges.len() as f64).ln()
    };
    let mut ways = Vec::new();
    // The line is as it rests in every reading of a fault that is there all the time.
    let steady = if may_go { 0.2f64.ln() } else { 0.0 };
    if !shown {
        ways.push(steady + over(&|value| levels(job, &|_| true, &mechanism.wrong(value))));
    }
    if may_go {
        let resting = |codes: &Codes| !codes.shows;
        let dry = levels(job, &resting, &Wrong::default());
        let small = mechanism.is_leak().then(|| {
            let (low, high, log) = ranges[ranges.len() - 1];
            integral((low * AT_REST.0, high * AT_REST.1, log), &|value| {
                levels(job, &resting, &mechanism.wrong(value))
            })
        });
        let rests = small.map_or(dry, |small| sum(&[0.6f64.ln() + dry, 0.4f64.ln() + small]));
        let shows = over(&|value| {
            let wrong = mechanism.wrong(value);
            levels(job, &|codes| codes.shows, &wrong) + seen(job, &wrong)
        });
        ways.push(0.8f64.ln() + rests + shows);
    }
    sum(&ways)
}

/// ln chance of the showings: where the level would not move, none is to be seen.
fn seen(job: &Job, wrong: &Wrong) -> f64 {
    let full = job.ladder.full;
    let moves = |state: State| {
        let of = |wrong| job.ladder.level(state, wrong).min(full);
        (of(&Wrong::default()) - of(wrong)).abs() > 3.0
    };
    let (can, cannot): (Vec<_>, Vec<_>) = job.stages.iter().partition(|stage| moves(stage.about.line));
    if cannot.iter().any(|stage| stage.shown > 0) {
        return NEVER;
    }
    process(&can.iter().map(|stage| (stage.shown, stage.seconds)).collect::<Vec<_>>())
}

/// ln of the mean of `exp f` over a range, by three nested grids.
fn integral((low, high, log): (f64, f64, bool), f: &dyn Fn(f64) -> f64) -> f64 {
    const N: usize = 48;
    let value = |u: f64| if log { (low.ln() + (high / low).ln() * u).exp() } else { low + (high - low) * u };
    let mut list: Vec<(f64, f64)> = Vec::new();
    let (mut from, mut to) = (0.0, 1.0);
    for _ in 0..3 {
        let width = (to - from) / N as f64;
        let cells: Vec<(f64, f64)> = (0..N)
            .map(|i| from + width * (i as f64 + 0.5))
            .map(|u| (u, f(value(u)) + f64::ln(width)))
            .collect();
        let best = cells.iter().max_by(|a, b| a.1.total_cmp(&b.1)).map_or(0.5, |cell| cell.0);
        // The finer grid takes the place of what it covers.
        list.retain(|(u, _)| *u < from || *u > to);
        list.extend(cells);
        (from, to) = ((best - 1.5 * width).max(0.0), (best + 1.5 * width).min(1.0));
    }
    sum(&list.iter().map(|cell| cell.1).collect::<Vec<_>>())
}

/// Mean code of a level with this noise, cut at the ends of the scale.
fn cut(level: f64, noise: f64, full: f64) -> f64 {
    let spread = noise.max(0.3);
    // Mean of min(X, 0) for a normal X, mirrored for the lower end.
    let under = |x: f64| {
        let z = x / spread;
        let density = (-0.5 * z * z).exp() / std::f64::consts::TAU.sqrt();
        let tail = 0.5 * statrs::function::erf::erfc(z / std::f64::consts::SQRT_2);
        x * tail - spread * density
    };
    let top = full + under(level - 0.5 - full);
    if level < 10.0 { top - under(level - 0.5) } else { top }
}

/// ln likelihood of the mean codes of the chosen states with this wrong.
fn levels(job: &Job, chosen: &dyn Fn(&Codes) -> bool, wrong: &Wrong) -> f64 {
    let ladder = &job.ladder;
    let (mut residual, mut own, mut shared) = (Vec::new(), Vec::new(), Vec::new());
    for codes in job.codes.iter().filter(|codes| codes.n >= 3.0 && chosen(codes)) {
        let mean = codes.sum / codes.n;
        let variance = (codes.squares / codes.n - mean * mean).max(0.0);
        let noise = variance.sqrt();
        let level = |ladder: &Ladder| cut(ladder.level(codes.state, wrong), noise, ladder.full);
        let at = level(ladder);
        let part = ladder.tolerance / 3f64.sqrt();
        let mut moved = ladder.clone();
        moved.pull_up *= 1.0 + 1e-3;
        shared.push((level(&moved) - at) / 1e-3 * part);
        let mut error = variance / codes.n + if noise < 0.4 { 1.0 / 12.0 } else { 0.01 };
        if let State::Key(key) = codes.state {
            let mut moved = ladder.clone();
            moved.keys[key].1 *= 1.0 + 1e-3;
            error += ((level(&moved) - at) / 1e-3 * part).powi(2);
        }
        residual.push(mean - at);
        own.push(error);
    }
    // One shared deviation beside independent errors: the inverse by Sherman and Morrison.
    let bend: f64 = shared.iter().zip(&own).map(|(s, v)| s * s / v).sum();
    let along: f64 = shared.iter().zip(&own).zip(&residual).map(|((s, v), r)| s * r / v).sum();
    let plain: f64 = residual.iter().zip(&own).map(|(r, v)| r * r / v).sum();
    let size: f64 = own.iter().map(|v| (std::f64::consts::TAU * v).ln()).sum::<f64>() + (1.0 + bend).ln();
    -0.5 * (plain - along * along / (1.0 + bend) + size)
}
