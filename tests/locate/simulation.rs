//! Simulated jobs with known truth: which fault was put in, what the fit makes of it. Asserts nothing; used by
//! the tests.
//!
//! Invented sets: ladders of E24 values, parts uniform within their tolerance, twenty noisy readings in each of
//! the conditions that the technician took; idle is always among them.

use std::collections::BTreeMap;

use rand_pcg::Pcg64;
use rand_pcg::rand_core::Rng;
use straykey::analysis::ladder::{
    Condition, Fit, Gatherer, Mechanism, Network, Reading, Windows, fit, model_word,
};
use straykey::analysis::locate::{Outcome, StageEvidence, StepKind, locate};
use straykey::base::ControlPath;
use straykey::decode::ladder::Topology;

#[allow(clippy::duplicate_mod)] // the example that loads this file has no `tests/support`
#[path = "../support/ladder.rs"]
mod parts;

/// The kinds of fault that are put in, in the order of the table.
pub(crate) const KINDS: [&str; 10] = [
    "leak to ground, main board",
    "leak to ground, key board",
    "leaky switch",
    "leak on both boards",
    "leak to 5 V, key board",
    "series resistance",
    "ground offset",
    "pull-up drifted",
    "supply low or high",
    "poor switch contact",
];

/// Random numbers of one run.
pub(crate) struct Dice(Pcg64);

impl Dice {
    /// Starts at a seed.
    pub(crate) fn new(seed: u64) -> Self {
        Self(Pcg64::new(u128::from(seed), 5))
    }

    fn unit(&mut self) -> f64 {
        (self.0.next_u64() >> 11) as f64 / (1u64 << 53) as f64
    }

    fn log(&mut self, low: f64, high: f64) -> f64 {
        (low.ln() + (high / low).ln() * self.unit()).exp()
    }

    fn pick(&mut self, count: usize) -> usize {
        ((self.unit() * count as f64) as usize).min(count - 1)
    }

    /// Standard normal by the Box-Muller transform.
    fn normal(&mut self) -> f64 {
        (-2.0 * (1.0 - self.unit()).ln()).sqrt() * (2.0 * std::f64::consts::PI * self.unit()).cos()
    }
}

/// One simulated job and what came out.
pub(crate) struct Trial {
    /// Index into [`KINDS`].
    pub(crate) kind: usize,
    /// Tolerance of the parts.
    pub(crate) tolerance: f64,
    /// For each number of the true model, whether its interval holds the truth.
    pub(crate) covered: Vec<bool>,
    /// Where the fault was.
    pub(crate) places: &'static [&'static str],
    /// The model that led.
    pub(crate) leader: String,
    /// The likeliest location.
    pub(crate) first: &'static str,
    /// The second likeliest.
    pub(crate) second: &'static str,
    /// Whether the true model is in the leading verdict.
    pub(crate) model_found: bool,
    /// Whether the true model was in play at all.
    pub(crate) in_play: bool,
    /// Whether the leading model passed the absolute test.
    pub(crate) accepted: bool,
}

fn ladder(tolerance: f64, dice: &mut Dice) -> Network {
    let sets: [[f64; 6]; 3] = [
        [0.0, 1_800.0, 3_900.0, 7_500.0, 13_000.0, 27_000.0],
        [0.0, 1_200.0, 2_700.0, 5_600.0, 11_000.0, 24_000.0],
        [0.0, 2_000.0, 4_700.0, 9_100.0, 18_000.0, 39_000.0],
    ];
    let ohms = sets[dice.pick(sets.len())];
    parts::ladder(&ohms, Topology::Parallel, tolerance)
}

/// The mechanisms of a kind with random numbers, and where they sit.
fn truth(
    kind: usize,
    network: &Network,
    dice: &mut Dice,
) -> (Vec<(Mechanism, f64)>, &'static [&'static str]) {
    use Mechanism as M;
    let key = network.keys[1 + dice.pick(network.keys.len() - 1)].key;
    match kind {
        0 => (vec![(M::MainLeakGround, dice.log(5e3, 200e3))], &["main-board-input"]),
        1 => (vec![(M::KeyLeakGround, dice.log(5e3, 200e3))], &["key-board"]),
        2 => (vec![(M::SwitchLeak(key), dice.log(1e3, 100e3))], &["key-switch"]),
        3 => {
            let both =
                vec![(M::MainLeakGround, dice.log(20e3, 100e3)), (M::KeyLeakGround, dice.log(10e3, 80e3))];
            (both, &["main-board-input", "key-board"])
        }
        4 => (vec![(M::KeyLeakHighSupply, dice.log(15e3, 150e3))], &["key-board"]),
        5 => (vec![(M::Series, dice.log(60.0, 3e3))], &["key-cable"]),
        6 => {
            let sign = if dice.pick(2) == 0 { 1.0 } else { -1.0 };
            (vec![(M::GroundOffset, sign * dice.log(0.02, 0.2))], &["ground-bond"])
        }
        7 => (
            vec![(M::PullUp, 10_000.0 * [dice.log(0.4, 0.8), dice.log(1.25, 8.0)][dice.pick(2)])],
            &["main-board-input"],
        ),
        8 => (
            vec![(M::Supply, [dice.log(0.8, 0.97), dice.log(1.03, 1.2)][dice.pick(2)])],
            &["supply-reference"],
        ),
        _ => (vec![(M::Contact(key), dice.log(300.0, 20e3))], &["key-switch"]),
    }
}

/// The network as it really is: every resistor uniform within its tolerance.
fn built(network: &Network, dice: &mut Dice) -> Network {
    let mut real = network.clone();
    let t = network.tolerance;
    real.pull_up_ohm *= 1.0 + t * (2.0 * dice.unit() - 1.0);
    for key in &mut real.keys {
        key.ohm *= 1.0 + t * (2.0 * dice.unit() - 1.0);
    }
    real
}

/// Conditions that were taken: idle, most keys, often unplugged, sometimes a known resistor.
fn taken(network: &Network, dice: &mut Dice) -> Vec<Condition> {
    let mut list = vec![Condition::Idle];
    let missing = dice.pick(4);
    let skipped: Vec<usize> = (0..missing).map(|_| dice.pick(network.keys.len())).collect();
    for (i, key) in network.keys.iter().enumerate() {
        if !skipped.contains(&i) {
            list.push(Condition::Key(key.key));
        }
    }
    if dice.pick(4) > 0 {
        list.push(Condition::Unplugged);
    }
    if dice.pick(3) == 0 {
        list.push(Condition::Substituted(4_700.0));
    }
    list
}

/// Runs one job.
pub(crate) fn trial(kind: usize, tolerance: f64, dice: &mut Dice) -> Trial {
    let network = ladder(tolerance, dice);
    let (faults, places) = truth(kind, &network, dice);
    let fit = fitted(&network, &faults, 20, 1.0, dice);
    judge(kind, tolerance, &faults, places, &network, fit)
}

/// What the fit says of so many readings in each condition, with noise of 0.2 counts to this more.
fn fitted(network: &Network, faults: &[(Mechanism, f64)], count: usize, noise: f64, dice: &mut Dice) -> Fit {
    let real = built(network, dice);
    let noise = 0.2 + (noise - 0.2) * dice.unit();
    let entered: Vec<_> = faults.iter().map(|(m, value)| m.fault(&real, *value)).collect();
    let readings: Vec<Reading> = taken(network, dice)
        .into_iter()
        .filter_map(|condition| {
            let volts = real.solve(&condition, &entered)?;
            let level = real.counts(volts) + 0.5;
            let mut gatherer = Gatherer::default();
            for _ in 0..count {
                gatherer.push((level + noise * dice.normal()).floor().clamp(0.0, 1023.0) as u32);
            }
            gatherer.reading(condition, 1023)
        })
        .collect();
    fit(network, &readings)
}

/// Sound ladders: the models that lead, with how often. `count` readings a condition, noise up to `noise` counts.
pub(crate) fn sound(
    jobs: usize,
    seed: u64,
    tolerance: f64,
    count: usize,
    noise: f64,
) -> BTreeMap<String, usize> {
    let mut dice = Dice::new(seed);
    let mut leaders = BTreeMap::new();
    for _ in 0..jobs {
        let network = ladder(tolerance, &mut dice);
        let fit = fitted(&network, &[], count, noise, &mut dice);
        let leader = fit.verdicts.first().map(|verdict| model_word(&fit.leader(verdict).model));
        *leaders.entry(leader.unwrap_or_default()).or_default() += 1;
    }
    leaders
}

fn judge(
    kind: usize,
    tolerance: f64,
    faults: &[(Mechanism, f64)],
    places: &'static [&'static str],
    network: &Network,
    fit: Fit,
) -> Trial {
    let wanted = model_word(&faults.iter().map(|(m, _)| *m).collect::<Vec<_>>());
    let index = fit.models.iter().position(|m| model_word(&m.model) == wanted);
    let best = fit.models.first().map_or(0.0, |m| m.bic);
    let in_play = index.is_some_and(|i| fit.models[i].bic - best < 12.0);
    let covered = index.filter(|_| in_play).map_or_else(Vec::new, |i| {
        let holds = |(e, (_, value)): (&straykey::analysis::ladder::Estimate, &(Mechanism, f64))| {
            e.low.is_none_or(|low| low <= *value) && e.high.is_none_or(|high| *value <= high)
        };
        fit.models[i].estimates.iter().zip(faults).map(holds).collect()
    });
    let model_found = fit.verdicts.first().is_some_and(|v| index.is_some_and(|i| v.members.contains(&i)));
    let accepted = fit.accepted;
    let leader = fit.verdicts.first().map_or_else(String::new, |v| model_word(&fit.leader(v).model));
    let stages = stages(network, &fit);
    let located = locate(&stages, std::slice::from_ref(&fit)).ok();
    let place_at =
        |n: usize| located.as_ref().and_then(|l| l.locations.get(n)).map_or("none", |belief| belief.location);
    Trial {
        kind,
        tolerance,
        covered,
        places,
        leader,
        first: place_at(0),
        second: place_at(1),
        model_found,
        in_play,
        accepted,
    }
}

/// What a technician would have noted: a stray key on the keypad, and what unplugging did to it.
fn stages(network: &Network, fit: &Fit) -> Vec<StageEvidence> {
    let windows = Windows::of(network);
    let key_in = |wanted: &Condition| {
        fit.readings.iter().find(|r| r.condition == *wanted).map(|r| windows.key(r.counts))
    };
    let stage = |kind, text: &str, outcome, path| StageEvidence {
        kind,
        text: text.into(),
        parts: Vec::new(),
        outcome,
        quiet_anyway: Some(0.05),
        exposure_s: 600.0,
        episodes: 10,
        keys: Vec::new(),
        path,
        compared_strayed: None,
        misread: (0, 0),
        codes: Default::default(),
        quiet_paths: Vec::new(),
    };
    let keypad = Some(ControlPath::Keypad);
    let mut list = vec![stage(None, "as received", Outcome::Stays, keypad)];
    let idle = key_in(&Condition::Idle).flatten();
    if let (Some(key), Some(unplugged)) = (idle, key_in(&Condition::Unplugged)) {
        let outcome = match unplugged {
            None => Outcome::Stops,
            Some(other) if other == key => Outcome::Stays,
            Some(_) => Outcome::Changes,
        };
        list.push(stage(Some(StepKind::Isolate), "key board unplugged", outcome, keypad));
    }
    list
}

/// Runs `jobs` jobs, kinds and tolerances in turn.
pub(crate) fn run(jobs: usize, seed: u64) -> Vec<Trial> {
    let mut dice = Dice::new(seed);
    (0..jobs)
        .map(|i| {
            trial(i % KINDS.len(), if (i / KINDS.len()).is_multiple_of(2) { 0.01 } else { 0.05 }, &mut dice)
        })
        .collect()
}

/// Share of intervals that hold the truth; an interval that was not formed because the true model was out of
/// play counts as missing the truth.
pub(crate) fn coverage<'a>(trials: impl Iterator<Item = &'a Trial>) -> (f64, usize) {
    let (mut held, mut all) = (0usize, 0usize);
    for trial in trials {
        if trial.covered.is_empty() {
            all += 1;
        }
        all += trial.covered.len();
        held += trial.covered.iter().filter(|c| **c).count();
    }
    (held as f64 / all.max(1) as f64, all)
}

impl Trial {
    /// Whether a location is where the fault was.
    pub(crate) fn is_place(&self, location: &str) -> bool {
        self.places.contains(&location)
    }
}
