//! The posterior over locations, with its reasons; the JSON of `locate`.

use serde::Serialize;

use crate::analysis::ladder::ripple::Coupling;
use crate::analysis::ladder::{Entry, Fit, Network, words};
use crate::base::{ControlPath, Result};

use crate::analysis::locate::attribution::{StepShare, shares};
use crate::analysis::locate::called::Called;
use crate::analysis::locate::evidence::{CodeMix, Outcome, StageEvidence, Weighed, weigh};
use crate::analysis::locate::faults::{FaultTree, LOCATIONS, faults};
use crate::analysis::locate::next::{Proposal, Question, choose, entropy};
use crate::analysis::locate::settle::mended;

/// One location with its chance.
#[derive(Clone, Debug, PartialEq, Serialize, schemars::JsonSchema)]
pub struct Belief {
    /// Word of design section 11.
    pub location: &'static str,
    /// Words for people.
    pub text: String,
    /// Chance, 0 to 1; all add up to 1.
    pub probability: f64,
    /// What speaks for and against it.
    pub because: String,
}

/// What a stage did to the odds.
#[derive(Clone, Debug, PartialEq, Serialize, schemars::JsonSchema)]
pub struct StageNote {
    /// Counted from 1; the job's own number where there is a job.
    pub stage: usize,
    /// The step in the technician's words.
    pub step: String,
    /// The test that it was taken for.
    pub test: Option<String>,
    /// The likeliest location after it, with its chance.
    pub leader: &'static str,
    /// Chance of the leader.
    pub probability: f64,
    /// Uncertainty left, bits.
    pub entropy_bits: f64,
    /// In a sentence.
    pub text: String,
}

/// The result of `locate`.
#[derive(Clone, Debug, PartialEq, Serialize, schemars::JsonSchema)]
pub struct Located {
    /// 1.
    pub version: u32,
    /// In order of falling chance.
    pub locations: Vec<Belief>,
    /// Electrical verdicts, the weightiest first.
    pub ladder: Vec<Entry>,
    /// Tests in the order in which they are worth doing; none once a repair has ended the stray input (see [`settle`](crate::analysis::locate::settle)).
    pub next: Vec<Proposal>,
    /// Credits of the steps in order.
    pub steps: Vec<StepShare>,
    /// How the odds moved, stage by stage.
    pub stages: Vec<StageNote>,
    /// The electrical statement of each line, in sentences.
    pub electrical: Vec<String>,
    /// Whether more must be known before a location may be named.
    pub undecided: bool,
    /// Whether nothing was seen that a fault would explain: no stray, no misread key, no level that is off.
    pub nothing_yet: bool,
    /// The method, for the report.
    pub method: &'static str,
    /// What else must be said.
    pub notes: Vec<String>,
    /// Results of measurements that are still to be written down.
    pub asks: Vec<String>,
    /// The control path whose strays alone are explained; absent where all strays came on one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub path: Option<ControlPath>,
    /// The same for each other control path that strayed: each may have a cause of its own.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub also: Vec<Located>,
}

impl Located {
    /// Every cause, this one first.
    pub fn causes(&self) -> impl Iterator<Item = &Self> {
        std::iter::once(self).chain(&self.also)
    }

    /// The test that tells most, of the first cause that has one.
    pub fn next_test(&self) -> Option<&Proposal> {
        self.causes().find_map(|cause| cause.next.first())
    }
}

const METHOD: &str = "Bayes' rule over twelve locations; likelihood of each observation from the declared fault \
    tree, a stop discounted by the chance of being quiet anyway; joined with circuit models fitted to all readings \
    (bounded least squares, Bayesian information criterion, intervals by profile likelihood). Next test by expected \
    gain in bits per minute, risk counted.";

/// Weighs all evidence of a job with the built-in fault tree.
///
/// `fits` holds one fit a line, or none where no readings were taken.
///
/// # Errors
/// `Input` when the built-in tree is broken.
pub fn locate(stages: &[StageEvidence], fits: &[Fit]) -> Result<Located> {
    Ok(locate_with(faults()?, stages, fits, &[]))
}

/// Weighs all evidence of a job with a tree; `called` are the stressors that had an effect.
pub fn locate_with(tree: &FaultTree, stages: &[StageEvidence], fits: &[Fit], called: &[Called]) -> Located {
    let mut chances = [0.0; 12];
    for (slot, location) in chances.iter_mut().zip(&tree.locations) {
        *slot = location.prior;
    }
    let mut reasons: Vec<Reason> = Vec::new();
    let path = stray_path(stages);
    let misread: u64 = stages.iter().map(|stage| stage.misread.1).sum();
    let nothing_yet = path.is_none() && misread == 0 && !fits.iter().any(off);
    if let Some(path) = path {
        let quiet = stages.iter().find(|s| s.path == Some(path)).map_or(&[][..], |s| &s.quiet_paths);
        let likelihood = path_likelihood(tree, path, quiet);
        reasons.push(Reason { text: format!("stray input on the {} path", path.word()), likelihood });
        update(&mut chances, &likelihood);
    } else if nothing_yet {
        let likelihood = quiet(stages);
        reasons.push(Reason { text: "no stray input in the time observed".into(), likelihood });
        update(&mut chances, &likelihood);
    } else {
        // A key that is misread, or a level that is off, is a fault of the keypad, whatever strays are to come.
        let mut likelihood = path_likelihood(tree, ControlPath::Keypad, &[]);
        for (slot, _) in likelihood.iter_mut().zip(LOCATIONS).filter(|(_, name)| *name == "none") {
            *slot *= 0.02;
        }
        reasons.push(Reason { text: "keys misread, or levels that are off".into(), likelihood });
        update(&mut chances, &likelihood);
    }
    if path == Some(ControlPath::Infrared) {
        let likelihood = codes(stages);
        reasons.push(Reason { text: "the mix of the stray codes".into(), likelihood });
        update(&mut chances, &likelihood);
    }
    let weighed = weigh(tree, stages);
    let mut notes = Vec::with_capacity(stages.len());
    for (i, (stage, weighed)) in stages.iter().zip(&weighed).enumerate() {
        let before = chances;
        update(&mut chances, &weighed.likelihood);
        notes.push(note(i, stage, weighed, &before, &chances));
        if weighed.silent.is_none() && stage.kind.is_some() {
            let text = format!("“{}”: {}", stage.text, outcome_text(stage.outcome));
            reasons.push(Reason { text, likelihood: weighed.likelihood });
        }
    }
    let keypad = path.is_none_or(|path| path == ControlPath::Keypad);
    // Only what presses keys explains strays of the keypad, and it explains no others.
    // A line that reads as it should says little of a fault on the other.
    let any_off = fits.iter().any(off);
    for fit in fits.iter().filter(|fit| !fit.readings.is_empty() && keypad && !nothing_yet) {
        if any_off && !off(fit) {
            continue;
        }
        let likelihood = electrical(fit, path == Some(ControlPath::Keypad));
        reasons.push(Reason { text: format!("the readings of {}", fit.network.name), likelihood });
        update(&mut chances, &likelihood);
        if let Some(clue) = &fit.ripple {
            let likelihood = hum(clue.coupling);
            reasons.push(Reason { text: format!("hum on {}", fit.network.name), likelihood });
            update(&mut chances, &likelihood);
        }
    }
    for called in called.iter().filter(|_| !nothing_yet) {
        let networks: Vec<&Network> = fits.iter().map(|fit| &fit.network).collect();
        let likelihood = called.likelihood(&networks);
        reasons.push(Reason { text: format!("{} {}", called.stressor, called.says()), likelihood });
        update(&mut chances, &likelihood);
    }
    let done: Vec<&str> = weighed.iter().filter_map(|w| w.test.map(|t| t.name.as_str())).collect();
    let question =
        Question { tree, posterior: &chances, done: &done, per_minute: rate(stages), fits, keypad };
    // Once a repair has ended it, a test could only settle which change did it: see `settle`.
    let next = if mended(stages) || nothing_yet { Vec::new() } else { choose(&question) };
    let top = chances.iter().copied().fold(0.0, f64::max);
    Located {
        version: 1,
        locations: beliefs(tree, &chances, &reasons),
        ladder: entries(fits),
        next,
        steps: shares(stages),
        stages: notes,
        electrical: fits.iter().map(Fit::statement).collect(),
        undecided: top < 0.7 || nothing_yet,
        nothing_yet,
        method: METHOD,
        notes: remarks(stages, fits, path),
        asks: Vec::new(),
        path: None,
        also: Vec::new(),
    }
}

/// Whether a sound ladder is not the likelier explanation of the readings.
fn off(fit: &Fit) -> bool {
    fit.models.iter().any(|m| m.model.is_empty() && m.weight < 0.5)
}

/// One piece of evidence.
struct Reason {
    text: String,
    likelihood: [f64; 12],
}

fn update(chances: &mut [f64; 12], likelihood: &[f64; 12]) {
    let total: f64 = chances.iter().zip(likelihood).map(|(p, l)| p * l).sum();
    if total > 0.0 {
        chances.iter_mut().zip(likelihood).for_each(|(p, l)| *p *= l / total);
    }
}

/// The path of the first stray input.
fn stray_path(stages: &[StageEvidence]) -> Option<ControlPath> {
    stages.iter().find(|s| s.outcome != Outcome::Stops && s.path.is_some()).and_then(|s| s.path)
}

/// How a fault of each location explains strays on this path, while the `quiet` ones were observed and did not stray: what
/// acts on the menu by pressing keys shows on the keypad too, where that is seen.
fn path_likelihood(tree: &FaultTree, path: ControlPath, quiet: &[ControlPath]) -> [f64; 12] {
    let mut likelihood = [1.0; 12];
    for (slot, location) in likelihood.iter_mut().zip(&tree.locations) {
        let chance = location.paths.get(path.word()).copied().unwrap_or(0.0).max(0.002);
        let usual = location.paths.iter().max_by(|a, b| a.1.total_cmp(b.1)).map_or("", |(word, _)| word);
        let missed = usual != path.word() && quiet.iter().any(|quiet| quiet.word() == usual);
        *slot = if missed { STAYS_QUIET * chance } else { chance };
    }
    likelihood
}

/// Chance that a path on which a fault shows as a rule stays quiet though it is observed. Common practice, no source.
const STAYS_QUIET: f64 = 0.1;

/// How a stretch without strays speaks for there being no fault: a set that is brought in has one as likely as not, and
/// faults come from once in a minute to once in a day, evenly in the logarithm. Common practice, no source.
fn quiet(stages: &[StageEvidence]) -> [f64; 12] {
    let watched: f64 = stages.iter().map(|stage| stage.exposure_s).sum();
    let rates = (0..24).map(|i| 60.0 * 1440f64.powf((f64::from(i) + 0.5) / 24.0));
    let faulty = rates.map(|mean_s| (-watched / mean_s).exp()).sum::<f64>() / 24.0;
    // The tree's prior of no fault is that of a set that strays.
    let even = 99.0;
    LOCATIONS.map(|name| if name == "none" { even } else { faulty })
}

/// How the mix of stray infrared codes moves the odds between a remote control and what sees codes that nobody sends.
fn codes(stages: &[StageEvidence]) -> [f64; 12] {
    let mut mix = CodeMix::default();
    stages.iter().for_each(|stage| mix.add(&stage.codes));
    // Strays of one burst are not independent: at most a thousand to one.
    let odds = mix.many().clamp(-6.9, 6.9).exp();
    let damaged = mix.damaged > 0 && 20 * mix.damaged >= mix.strays();
    let light = if damaged { 3.0 } else { 1.0 };
    LOCATIONS.map(|name| match name {
        "infrared-ambient" | "infrared-receiver" => odds * light,
        _ => 1.0,
    })
}

/// Least likelihood that readings may give a location against the best: the circuit models are models.
const FLOOR: f64 = 1e-4;

/// How likely the readings are under each location.
///
/// A keypad fault may be away while the readings are taken (it is intermittent), with a chance of three in
/// ten; a set whose fault is elsewhere may have a ladder that is off as well, in one of twenty. Common practice,
/// no source.
fn electrical(fit: &Fit, stray_on_line: bool) -> [f64; 12] {
    let by_location = fit.by_location(stray_on_line);
    let healthy = fit.healthy_likelihood();
    let mean: f64 = by_location.values().sum::<f64>() / by_location.len().max(1) as f64;
    let mut likelihood = [1.0; 12];
    for (slot, name) in likelihood.iter_mut().zip(LOCATIONS) {
        let value = match by_location.get(name) {
            Some(faulty) => 0.3 * healthy + 0.7 * faulty,
            None => 0.95 * healthy + 0.05 * mean,
        };
        // Readings that no circuit explains must not decide.
        *slot = if fit.accepted { value } else { value.max(1e-300).powf(0.1) };
    }
    let best = likelihood.iter().copied().fold(0.0, f64::max).max(f64::MIN_POSITIVE);
    let floor = if fit.accepted { FLOOR } else { 0.1 };
    likelihood.iter_mut().for_each(|l| *l = (*l / best).max(floor));
    likelihood
}

/// How hum on the readings moves the odds. Common practice, no source.
fn hum(coupling: Coupling) -> [f64; 12] {
    let factors: &[(&str, f64)] = match coupling {
        Coupling::Return => &[("ground-bond", 6.0), ("supply-reference", 1.5)],
        Coupling::PickUp => &[("key-cable", 2.0)],
        Coupling::Unknown => &[("ground-bond", 3.0), ("supply-reference", 2.0), ("key-cable", 1.5)],
    };
    LOCATIONS.map(|name| factors.iter().find(|(n, _)| *n == name).map_or(1.0, |(_, f)| *f))
}

fn rate(stages: &[StageEvidence]) -> Option<f64> {
    let active = stages.iter().filter(|s| s.episodes > 0 && s.exposure_s > 0.0);
    active.map(|s| s.episodes as f64 / (s.exposure_s / 60.0)).next()
}

fn entries(fits: &[Fit]) -> Vec<Entry> {
    // A line that is off comes before one that reads as it should, however sure that is.
    let mut fits: Vec<&Fit> = fits.iter().filter(|fit| !fit.readings.is_empty()).collect();
    fits.sort_by_key(|fit| !off(fit));
    fits.into_iter().flat_map(Fit::entries).collect()
}

fn beliefs(tree: &FaultTree, chances: &[f64; 12], reasons: &[Reason]) -> Vec<Belief> {
    let mut list: Vec<Belief> = tree
        .locations
        .iter()
        .enumerate()
        .map(|(i, location)| Belief {
            location: location.name,
            text: location.text.clone(),
            probability: chances[i],
            because: because(i, chances, reasons),
        })
        .collect();
    list.sort_by(|a, b| b.probability.total_cmp(&a.probability));
    list
}

/// What speaks for a location, against it, judged against the mean of the others.
fn because(i: usize, chances: &[f64; 12], reasons: &[Reason]) -> String {
    let strength = |reason: &Reason| {
        let others: f64 =
            (0..12).filter(|j| *j != i).map(|j| reason.likelihood[j] * chances[j].max(1e-3)).sum();
        let weight: f64 = (0..12).filter(|j| *j != i).map(|j| chances[j].max(1e-3)).sum();
        (reason.likelihood[i].max(1e-12) / (others / weight).max(1e-12)).ln()
    };
    let list = |for_it: bool| {
        let mut found: Vec<(f64, &str)> = reasons
            .iter()
            .map(|r| (strength(r), r.text.as_str()))
            .filter(|(s, _)| if for_it { *s > 0.25 } else { *s < -0.25 })
            .collect();
        found.sort_by(|a, b| b.0.abs().total_cmp(&a.0.abs()));
        found.into_iter().take(3).map(|(_, text)| text).collect::<Vec<_>>().join("; ")
    };
    match (list(true), list(false)) {
        (plus, minus) if plus.is_empty() && minus.is_empty() => {
            "Nothing seen so far speaks for or against it.".into()
        }
        (plus, minus) if minus.is_empty() => format!("For it: {plus}."),
        (plus, minus) if plus.is_empty() => format!("Against it: {minus}."),
        (plus, minus) => format!("For it: {plus}. Against it: {minus}."),
    }
}

fn outcome_text(outcome: Outcome) -> &'static str {
    match outcome {
        Outcome::Stays => "the stray input went on unchanged",
        Outcome::Changes => "the stray input changed",
        Outcome::Stops => "the stray input stopped",
        Outcome::Returns => "the stray input came back",
        Outcome::Found => "found",
        Outcome::Clear => "not found",
    }
}

fn leader(chances: &[f64; 12]) -> usize {
    (0..12).fold(0, |best, i| if chances[i] > chances[best] { i } else { best })
}

fn note(
    i: usize,
    stage: &StageEvidence,
    weighed: &Weighed,
    before: &[f64; 12],
    after: &[f64; 12],
) -> StageNote {
    let lead = leader(after);
    let text = match (weighed.silent, stage.kind) {
        (Some(why), _) => format!("“{}” leaves the odds as they are: {why}.", stage.text),
        (None, None) => format!("“{}”: {}.", stage.text, first_text(stage)),
        (None, Some(_)) => {
            let change = |i: usize| (after[i].max(1e-9) / before[i].max(1e-9)).ln() * after[i].max(before[i]);
            let up = (0..12).fold(0, |best, i| if change(i) > change(best) { i } else { best });
            let down = (0..12).fold(0, |best, i| if change(i) < change(best) { i } else { best });
            let odds = |i: usize| {
                format!("{} from {} to {}", LOCATIONS[i], words::percent(before[i]), words::percent(after[i]))
            };
            let luck = match (stage.outcome, stage.quiet_anyway) {
                (Outcome::Stops, Some(quiet)) => format!(
                    " (an unchanged fault would have been quiet this long with a chance of {})",
                    words::percent(quiet)
                ),
                _ => String::new(),
            };
            format!("“{}”: {}{luck}; {}, {}.", stage.text, outcome_text(stage.outcome), odds(up), odds(down))
        }
    };
    StageNote {
        stage: i + 1,
        step: stage.text.clone(),
        test: weighed.test.map(|t| t.name.clone()),
        leader: LOCATIONS[lead],
        probability: after[lead],
        entropy_bits: entropy(after),
        text,
    }
}

fn first_text(stage: &StageEvidence) -> String {
    match (stage.outcome, stage.path) {
        (Outcome::Stops, _) => "no stray input was seen".into(),
        (_, Some(path)) => format!("stray input on the {} path", path.word()),
        (_, None) => "stray input".into(),
    }
}

/// Hum that the scan rate folds to a steady level, where the readings cannot show it.
fn hidden(fit: &Fit) -> Option<String> {
    let list: Vec<String> = fit.hidden_hz.iter().map(|f| format!("{f:.0}")).collect();
    (!list.is_empty()).then(|| {
        format!(
            "{}: its scan rate folds hum of {} Hz to a steady level, so that the readings cannot show it; an \
             oscilloscope, or a second scan rate, would.",
            fit.network.name,
            list.join(", ")
        )
    })
}

/// What must be said beside the numbers.
fn remarks(stages: &[StageEvidence], fits: &[Fit], path: Option<ControlPath>) -> Vec<String> {
    let mut notes = Vec::new();
    if stages.iter().all(|s| s.outcome == Outcome::Stops) {
        notes.push("No stray input was seen in any stage.".to_owned());
    }
    let other_path = path.filter(|p| *p != ControlPath::Keypad);
    for fit in fits.iter().filter(|fit| !fit.readings.is_empty()) {
        let name = &fit.network.name;
        notes.extend(fit.ripple.iter().map(|clue| clue.text.clone()));
        notes.extend(hidden(fit));
        if fit.readings.iter().all(|r| r.condition == crate::analysis::ladder::Condition::Idle) {
            notes.push(format!(
                "{name} was read only with no key pressed: a leak on either board fits that equally. Read it with the \
                 key board unplugged (power off first) before a board is named."
            ));
        }
        if let Some(verdict) = fit.verdicts.first().filter(|_| fit.accepted)
            && fit.leader(verdict).model.len() > 1
        {
            notes.push(format!(
                "{name} has two faults at once; mending one of them changes the stray key and does not end it."
            ));
        }
        if fit.readings.iter().any(|r| r.levels.is_some()) {
            notes.push(format!(
                "A reading of {name} jumps between two levels; it was left out of the fit, because its mean is no \
                 level at all. Look for something that switches: backlight dimming, a loose contact."
            ));
        }
        if let Some(path) = other_path {
            notes.push(format!(
                "The stray input came over the {} path, so that a fault of {name} does not explain it.",
                path.word()
            ));
        }
    }
    notes
}
