//! The next test: what it is expected to tell per minute, and at what risk.

use serde::Serialize;

use crate::analysis::ladder::{Condition, Fit};

use crate::analysis::locate::faults::{FaultTree, LOCATIONS, Risk, Test, TestKind};

/// A proposed test.
#[derive(Clone, Debug, PartialEq, Serialize, schemars::JsonSchema)]
pub struct Proposal {
    /// Name of the test in the fault tree, or `read-…` for a reading of the converter.
    pub test: String,
    /// What to do.
    pub text: String,
    /// What it is for.
    pub kind: TestKind,
    /// Minutes in all: setting up and soak.
    pub minutes: f64,
    /// Of these, the soak.
    pub soak_minutes: f64,
    /// Expected gain in bits about the location; null for a test that is not about the location but about which
    /// step ended the fault.
    pub gain_bits: Option<f64>,
    /// How dangerous it is.
    pub risk: Risk,
    /// What must be so first.
    pub prerequisites: Vec<String>,
    /// What to beware of.
    pub cautions: Vec<String>,
}

impl Proposal {
    /// Bits about the location, none where it is about something else.
    pub fn gain(&self) -> f64 {
        self.gain_bits.unwrap_or(0.0)
    }
}

/// Chance that an unchanged fault stays quiet over a proposed soak; such a soak lasts three mean intervals.
const QUIET: f64 = 0.05;

/// Bounds of a proposed soak in minutes; common practice, no source.
const SOAK: (f64, f64) = (1.0, 120.0);

/// Gain per minute is divided by this, so that the quicker of two equally safe tests wins and a dangerous
/// one must tell more. Common practice, no source.
fn dread(risk: Risk) -> f64 {
    match risk {
        Risk::Low => 1.0,
        Risk::Medium => 1.4,
        Risk::High => 2.0,
    }
}

/// Entropy in bits.
pub(super) fn entropy(chances: &[f64]) -> f64 {
    chances.iter().filter(|p| **p > 0.0).map(|p| -p * p.log2()).sum()
}

/// Expected gain in bits from an observation whose outcomes have these likelihoods, one array an outcome.
///
/// # Source
/// Lindley, Annals of Mathematical Statistics 27 (1956) 986; for diagnosis de Kleer and Williams, Artificial
/// Intelligence 32 (1987) 97.
pub fn expected_gain(chances: &[f64], outcomes: &[Vec<f64>]) -> f64 {
    let after: f64 = outcomes
        .iter()
        .map(|likelihood| {
            let joint: Vec<f64> = chances.iter().zip(likelihood).map(|(p, l)| p * l).collect();
            let total: f64 = joint.iter().sum();
            if total <= 0.0 {
                return 0.0;
            }
            total * entropy(&joint.iter().map(|j| j / total).collect::<Vec<_>>())
        })
        .sum();
    (entropy(chances) - after).max(0.0)
}

/// All that is asked when tests are chosen.
pub(super) struct Question<'a> {
    pub tree: &'a FaultTree,
    /// Chance of each location.
    pub posterior: &'a [f64; 12],
    /// Names of tests that were done.
    pub done: &'a [&'a str],
    /// Episodes per minute in the stage with stray input, when known.
    pub per_minute: Option<f64>,
    pub fits: &'a [Fit],
    /// Whether the stray input is on the keypad.
    pub keypad: bool,
}

/// Tests in order of gain per minute and risk; repairs come first once one location is nearly certain.
pub(super) fn choose(question: &Question) -> Vec<Proposal> {
    let soak = question.per_minute.map_or(10.0, |rate| (-QUIET.ln() / rate.max(1e-9)).clamp(SOAK.0, SOAK.1));
    let top = question.posterior.iter().copied().fold(0.0, f64::max);
    let certain = top >= 0.8;
    let mut list: Vec<Proposal> = question
        .tree
        .tests
        .iter()
        .filter(|t| !question.done.contains(&t.name.as_str()))
        .filter(|t| t.kind != TestKind::Repair || (certain && mends(question, t)))
        .map(|test| proposal(question, test, soak))
        .chain(if question.keypad { readings(question) } else { Vec::new() })
        .filter(|p| p.gain() >= 0.005 || p.kind == TestKind::Repair)
        .collect();
    let worth = |p: &Proposal| p.gain() / p.minutes / dread(p.risk);
    list.sort_by(|a, b| {
        let repair = |p: &Proposal| certain && p.kind == TestKind::Repair;
        repair(b).cmp(&repair(a)).then(worth(b).total_cmp(&worth(a)))
    });
    list.truncate(8);
    list
}

/// Whether a repair stops the fault at the likeliest location more often than not.
fn mends(question: &Question, test: &Test) -> bool {
    let likeliest =
        (0..LOCATIONS.len()).max_by(|a, b| question.posterior[*a].total_cmp(&question.posterior[*b]));
    likeliest.is_some_and(|i| test.outcome[i][2] >= 0.5)
}

fn proposal(question: &Question, test: &Test, soak: f64) -> Proposal {
    let soak = if test.kind == TestKind::Measure { 0.0 } else { soak };
    // A stop may be luck, which the soak makes rare but not impossible.
    let column = |c: usize| -> Vec<f64> {
        let seen = |row: &[f64; 3]| match (test.kind, c) {
            (TestKind::Measure, _) => row[c],
            (_, 2) => row[2] + (row[0] + row[1]) * QUIET,
            _ => row[c] * (1.0 - QUIET),
        };
        test.outcome.iter().map(seen).collect()
    };
    let outcomes: Vec<Vec<f64>> =
        (0..if test.kind == TestKind::Measure { 2 } else { 3 }).map(column).collect();
    Proposal {
        test: test.name.clone(),
        text: test.text.clone(),
        kind: test.kind,
        minutes: test.minutes + soak,
        soak_minutes: soak,
        gain_bits: Some(expected_gain(question.posterior, &outcomes)),
        risk: test.risk,
        prerequisites: test.prerequisites.clone(),
        cautions: test.cautions.clone(),
    }
}

/// Readings of the converter that would part the models in play.
fn readings(question: &Question) -> Vec<Proposal> {
    question.fits.iter().flat_map(|fit| fit_readings(question, fit)).collect()
}

fn fit_readings(question: &Question, fit: &Fit) -> Vec<Proposal> {
    let taken = |c: &Condition| fit.readings.iter().any(|r| r.condition == *c);
    let conditions = fit.probes.iter().enumerate().filter(|(_, c)| !taken(c));
    let unplug = question.tree.tests.iter().find(|t| t.name == "unplug-key-board");
    conditions
        .filter_map(|(probe, condition)| {
            let gain = reading_gain(question, fit, probe);
            let safe = matches!(condition, Condition::Idle | Condition::Key(_) | Condition::Keys(_));
            let (minutes, risk) = if safe { (1.0, Risk::Low) } else { (10.0, Risk::High) };
            let (prerequisites, cautions) = match unplug.filter(|_| !safe) {
                Some(test) => (test.prerequisites.clone(), test.cautions.clone()),
                // Without the declared cautions of unplugging it is not proposed.
                None if !safe => return None,
                None => (Vec::new(), Vec::new()),
            };
            Some(Proposal {
                test: format!("read-{}", word(condition)),
                text: format!("Take a reading of {} with {}.", fit.network.name, condition.text()),
                kind: TestKind::Measure,
                minutes,
                soak_minutes: 0.0,
                gain_bits: Some(gain),
                risk,
                prerequisites,
                cautions,
            })
        })
        .collect()
}

fn word(condition: &Condition) -> String {
    match condition {
        Condition::Idle => "idle".into(),
        Condition::Key(key) => key.name().trim_start_matches("KEY_").to_lowercase(),
        Condition::Keys(_) => "keys-together".into(),
        Condition::Unplugged => "unplugged".into(),
        Condition::CableOnly => "cable-only".into(),
        Condition::Substituted(_) => "known-resistor".into(),
    }
}

/// Expected gain about the location from one reading: models that foresee the same reading stay together.
fn reading_gain(question: &Question, fit: &Fit, probe: usize) -> f64 {
    let groups = fit.groups(probe);
    let count = groups.iter().max().map_or(0, |g| g + 1);
    let mut mass = vec![vec![0.0; LOCATIONS.len()]; count];
    let mut total = [0.0; 12];
    for (fitted, group) in fit.models.iter().zip(&groups).filter(|(m, _)| m.weight > 0.0) {
        for mechanism in &fitted.model {
            for (name, share) in mechanism.locations() {
                if let Some(i) = LOCATIONS.iter().position(|l| l == name) {
                    let weight = fitted.weight * share / fitted.model.len() as f64;
                    mass[*group][i] += weight;
                    total[i] += weight;
                }
            }
        }
    }
    // What each location foresees; one of which no model speaks foresees what the healthy ladder does.
    let healthy = fit.models.iter().position(|m| m.model.is_empty()).map_or(0, |i| groups[i]);
    for (i, sum) in total.iter().enumerate() {
        for (group, row) in mass.iter_mut().enumerate() {
            row[i] = match *sum > 1e-12 {
                true => row[i] / sum,
                false => f64::from(u8::from(group == healthy)),
            };
        }
    }
    expected_gain(question.posterior, &mass)
}
