//! What each stage of a job showed, and how likely each location makes it.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::base::{ControlPath, Key};
pub use crate::timeline::job::StepKind;

use crate::analysis::locate::faults::{FaultTree, LOCATIONS, Test, TestKind, plain};

/// What became of the stray input in a stage, against the stage before it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Outcome {
    /// The same stray input goes on (on the first stage: there is stray input).
    Stays,
    /// There is stray input, of another key, path or rhythm.
    Changes,
    /// There is none (also when there was none before).
    Stops,
    /// It is back after a stage without.
    Returns,
    /// A measurement found what it looked for.
    Found,
    /// A measurement did not find it.
    Clear,
}

/// One stage of a job as the weighing sees it.
#[derive(Clone, Debug, PartialEq)]
pub struct StageEvidence {
    /// The step before the stage; `None` on the first.
    pub kind: Option<StepKind>,
    /// The step in the technician's words.
    pub text: String,
    /// The parts that the step touched.
    pub parts: Vec<String>,
    /// What became of the stray input.
    pub outcome: Outcome,
    /// Chance that an unchanged fault would have been quiet for this long anyway, when it was quiet.
    pub quiet_anyway: Option<f64>,
    /// Hands-off time observed, seconds.
    pub exposure_s: f64,
    /// Episodes of stray input in it.
    pub episodes: u64,
    /// The stray keys.
    pub keys: Vec<Key>,
    /// The control path of most of the stray input.
    pub path: Option<ControlPath>,
    /// Whether there was stray input in the stages of like condition that it is compared with; absent where the stage before
    /// it is the one to compare with.
    pub compared_strayed: Option<bool>,
    /// Keys asked for in key checks, and how many of these were misread or not answered.
    pub misread: (u64, u64),
    /// The stray infrared codes.
    pub codes: CodeMix,
    /// Control paths that were observed while another strayed, and that did not stray.
    pub quiet_paths: Vec<ControlPath>,
}

/// Which infrared codes strayed how often. One over and over is a remote control; many are light, or a receiver that sees what is
/// not there.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct CodeMix {
    codes: BTreeMap<Code, u64>,
    /// Edges that were no whole frame.
    pub damaged: u64,
}

/// Address, command and key.
type Code = (Option<u32>, Option<u32>, Option<Key>);

/// Different codes that are counted; more say the same.
const MOST_CODES: usize = 1000;

impl CodeMix {
    /// Takes a stray code.
    pub fn push(&mut self, address: Option<u32>, command: Option<u32>, key: Option<Key>) {
        let code = (address, command, key);
        if self.codes.len() < MOST_CODES || self.codes.contains_key(&code) {
            *self.codes.entry(code).or_default() += 1;
        }
    }

    /// Together with another stage's.
    pub fn add(&mut self, other: &Self) {
        self.damaged += other.damaged;
        for (code, count) in &other.codes {
            *self.codes.entry(*code).or_default() += count;
        }
    }

    /// How many strays there were.
    pub fn strays(&self) -> u64 {
        self.codes.values().sum()
    }

    /// How much likelier this mix is of a source that makes new codes readily than of a remote control, as a logarithm.
    ///
    /// # Source
    /// Ewens, Theoretical Population Biology 3 (1972) 87: chance of a partition of `n` into `K` sorts, of which only
    /// `θ^K / (θ (θ+1) … (θ+n-1))` depends on the source. The two θ are ours: light makes a new code at every other stray or so,
    /// a remote control with a stuck key in one of fifty.
    pub(super) fn many(&self) -> f64 {
        let (sorts, strays) = (self.codes.len() as f64, self.strays().min(1000));
        let ln = |theta: f64| sorts * theta.ln() - (0..strays).map(|i| (theta + i as f64).ln()).sum::<f64>();
        ln(10.0) - ln(0.1)
    }
}

/// Chance that an unchanged fault was quiet, where the caller does not know it; common practice, no source.
pub(super) const UNKNOWN_QUIET: f64 = 0.3;

/// Share of observations that are simply wrong (wrong plug pulled, wrong stage noted); no evidence can then
/// be stronger than this. Common practice, no source.
const MISTAKE: f64 = 0.02;

/// What a measurement gave, as a technician writes it down: `found` or `clear`, with "not", "no", "none" or
/// "nothing" up to two words before it turning it round. `None` where the text says neither, or both.
pub fn finding(text: &str) -> Option<Outcome> {
    let text = plain(text);
    let words: Vec<&str> = text.split(' ').collect();
    let mut result = None;
    for (i, word) in words.iter().enumerate() {
        let turned =
            words[i.saturating_sub(2)..i].iter().any(|w| matches!(*w, "not" | "no" | "none" | "nothing"));
        let outcome = match (*word, turned) {
            ("found", false) => Outcome::Found,
            ("found", true) | ("clear", false) => Outcome::Clear,
            // "Not clear" leaves it open.
            ("clear", true) => return None,
            _ => continue,
        };
        if result.is_some_and(|before| before != outcome) {
            return None;
        }
        result = Some(outcome);
    }
    result
}

/// A stage's meaning in the weighing.
pub(super) struct Weighed<'a> {
    /// The recognised test, if any.
    pub test: Option<&'a Test>,
    /// Likelihood of the outcome for each of [`LOCATIONS`].
    pub likelihood: [f64; 12],
    /// Why, when it tells nothing.
    pub silent: Option<&'static str>,
}

/// The likelihoods of every stage, in order.
pub(super) fn weigh<'a>(tree: &'a FaultTree, stages: &[StageEvidence]) -> Vec<Weighed<'a>> {
    let mut seen: Vec<&str> = Vec::new();
    let mut active = false;
    let mut list = Vec::with_capacity(stages.len());
    for (i, stage) in stages.iter().enumerate() {
        // Undoing is judged by the stage before it, a repair or an isolation by that of like condition.
        let own = stage.compared_strayed.filter(|_| stage.kind != Some(StepKind::Restore)).unwrap_or(active);
        let mut weighed = weigh_one(tree, &stages[..i], stage, own);
        if let Some(test) = weighed.test {
            // The same test again shares its mistakes with the first time, and so tells less.
            if seen.contains(&test.name.as_str()) {
                weighed.likelihood.iter_mut().for_each(|l| *l = l.powf(0.3));
            }
            seen.push(&test.name);
        }
        active = match stage.outcome {
            Outcome::Stays | Outcome::Changes | Outcome::Returns => true,
            Outcome::Stops => false,
            Outcome::Found | Outcome::Clear => active,
        };
        list.push(weighed);
    }
    list
}

fn weigh_one<'a>(
    tree: &'a FaultTree,
    before: &[StageEvidence],
    stage: &StageEvidence,
    active: bool,
) -> Weighed<'a> {
    let nothing = |test, why| Weighed { test, likelihood: [1.0; 12], silent: Some(why) };
    let Some(kind) = stage.kind else {
        return first_stage(stage);
    };
    let test = match kind {
        StepKind::Restore => undone(before, stage).and_then(|s| tree.recognise(&s.text, &s.parts)),
        _ => tree.recognise(&stage.text, &stage.parts),
    };
    let Some(test) = test else {
        return nothing(None, "the fault tree knows no such test");
    };
    if let Outcome::Found | Outcome::Clear = stage.outcome {
        if test.kind != TestKind::Measure {
            return nothing(Some(test), "only a measurement can be found or clear");
        }
        let column = usize::from(stage.outcome == Outcome::Clear);
        return Weighed { test: Some(test), likelihood: rows(test, |row| row[column]), silent: None };
    }
    if test.kind == TestKind::Measure {
        return nothing(Some(test), "a measurement does not stop stray input");
    }
    let quiet = stage.quiet_anyway.unwrap_or(UNKNOWN_QUIET).clamp(0.0, 1.0);
    let likelihood = match (kind, stage.outcome) {
        (StepKind::Restore, Outcome::Stops) if !active => {
            // Quiet before and after undoing: whoever was cut off by the step should have come back.
            rows(test, |[_, _, stops]| stops * (0.05 + 0.95 * quiet) + (1.0 - stops) * quiet.max(0.02))
        }
        (StepKind::Restore, Outcome::Returns) => rows(test, |[_, _, stops]| stops + (1.0 - stops) * 0.5),
        (StepKind::Restore, _) => {
            return nothing(Some(test), "undoing an earlier step tells by itself little");
        }
        (_, Outcome::Stops) if !active => {
            return nothing(Some(test), "there was no stray input before it that it could have stopped");
        }
        (_, Outcome::Stops) => rows(test, |[stays, changes, stops]| stops + (stays + changes) * quiet),
        (_, Outcome::Changes) => rows(test, |[_, changes, _]| changes),
        (_, _) => rows(test, |[stays, ..]| stays),
    };
    Weighed { test: Some(test), likelihood, silent: None }
}

fn rows(test: &Test, value: impl Fn([f64; 3]) -> f64) -> [f64; 12] {
    let mut likelihood = [0.0; 12];
    for (slot, row) in likelihood.iter_mut().zip(test.outcome) {
        *slot = (1.0 - MISTAKE) * value(row) + MISTAKE / 3.0;
    }
    likelihood
}

/// The set as it came in: stray input or none.
fn first_stage(stage: &StageEvidence) -> Weighed<'static> {
    let mut likelihood = [1.0; 12];
    let is_none = |i: usize| LOCATIONS[i] == "none";
    for (i, slot) in likelihood.iter_mut().enumerate() {
        *slot = match stage.outcome {
            Outcome::Stops if is_none(i) => 0.98,
            Outcome::Stops => stage.quiet_anyway.unwrap_or(UNKNOWN_QUIET),
            _ if is_none(i) => 0.05,
            _ => 1.0,
        };
    }
    Weighed { test: None, likelihood, silent: None }
}

/// The step that a restore undoes: the last one that touched the same part or says the same words.
pub(super) fn undone<'a>(before: &'a [StageEvidence], stage: &StageEvidence) -> Option<&'a StageEvidence> {
    let steps =
        || before.iter().rev().filter(|s| matches!(s.kind, Some(StepKind::Isolate | StepKind::Repair)));
    let shares = |s: &&StageEvidence| s.parts.iter().any(|part| stage.parts.contains(part));
    steps().find(shares).or_else(|| steps().next())
}

#[cfg(test)]
mod tests {
    use super::CodeMix;

    fn mix(codes: &[u32]) -> f64 {
        let mut mix = CodeMix::default();
        codes.iter().for_each(|code| mix.push(Some(4), Some(*code), None));
        mix.many()
    }

    #[test]
    fn one_code_over_and_over_is_a_remote_and_many_are_light() {
        assert!(mix(&[26; 6]) < -6.0, "{}", mix(&[26; 6]));
        assert!(mix(&[26, 30, 1, 99, 26, 3]) > 6.0);
        // Ewens' formula by hand for two equal codes: 10 / (10 · 11) against 0.1 / (0.1 · 1.1).
        assert!((mix(&[26, 26]) - (1.1f64 / 11.0).ln()).abs() < 1e-12);
        assert_eq!(mix(&[]), 0.0);
    }
}
