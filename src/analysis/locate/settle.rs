//! After the fault is gone: the one test that is still worth doing, when it would settle which change ended it.

use crate::analysis::attribution::Toggle;

use crate::analysis::locate::evidence::{Outcome, StageEvidence, StepKind};
use crate::analysis::locate::faults::{FaultTree, Risk, TestKind};
use crate::analysis::locate::next::Proposal;

/// Chance of quiet by luck below which a quiet after a repair counts as its end, as in the comparison.
const LUCK: f64 = 0.05;

/// Whether a repair ended the stray input, and it stayed away for long enough.
pub fn mended(stages: &[StageEvidence]) -> bool {
    let active = |s: &StageEvidence| !matches!(s.outcome, Outcome::Stops | Outcome::Found | Outcome::Clear);
    let Some(last) = stages.iter().rposition(active) else { return false };
    let quiet: Vec<&StageEvidence> =
        stages.iter().skip(last + 1).filter(|s| s.outcome == Outcome::Stops).collect();
    let proved = |s: &StageEvidence| s.quiet_anyway.is_some_and(|chance| chance <= LUCK);
    let ends = |s: &StageEvidence| s.kind == Some(StepKind::Repair) && s.compared_strayed == Some(true);
    // The repair ended it if it was quiet from then on, or against the stage of like condition.
    quiet.first().is_some_and(|s| s.kind == Some(StepKind::Repair)) && quiet.iter().any(|s| proved(s))
        || quiet.iter().any(|s| proved(s) && ends(s))
}

/// Undo and redo of a step, as a test; `text` and `parts` say what the step was.
pub fn settle(tree: &FaultTree, toggle: Toggle, text: &str, parts: &[String]) -> Proposal {
    let test = tree.recognise(text, parts);
    // What the tree does not know is treated as work inside the set.
    Proposal {
        test: "restore-and-repeat".to_owned(),
        text: toggle.sentence,
        kind: TestKind::Isolate,
        minutes: toggle.minutes + 2.0 * test.map_or(5.0, |t| t.minutes),
        soak_minutes: toggle.minutes,
        gain_bits: None,
        risk: test.map_or(Risk::High, |t| t.risk),
        prerequisites: test.map_or_else(unplugged, |t| t.prerequisites.clone()),
        cautions: test.map(|t| t.cautions.clone()).unwrap_or_default(),
    }
}

fn unplugged() -> Vec<String> {
    vec!["Unplug the set from the mains and wait until its supply has run down.".to_owned()]
}
