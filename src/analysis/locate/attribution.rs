//! Which step gets the credit. By the counts of all stages where there are such ([`attributed`]); else by the plain
//! rule: the one after which it was quiet, less luck, more when undoing it brought the fault back.

use serde::Serialize;

use crate::analysis::attribution::Attribution;
use crate::analysis::ladder::words;
use crate::base::words::chance;

use crate::analysis::locate::evidence::{Outcome, StageEvidence, StepKind, UNKNOWN_QUIET, undone};

/// A step with its credit.
#[derive(Clone, Debug, PartialEq, Serialize, schemars::JsonSchema)]
pub struct StepShare {
    /// The step in the technician's words.
    pub step: String,
    /// The stage that it opened, counted from 1.
    pub stage: usize,
    /// Chance that this step stopped the stray input or made it rarer, 0 to 1.
    pub credit: f64,
    /// Why.
    pub because: String,
}

/// Puts the credit that the counts of all stages give in the place of the plain rule's, so that every view of a job says
/// the same. `began` holds for each unit of the attribution the number of the stage that it began; the stages of `steps`
/// are such numbers too.
pub fn attributed(steps: &mut [StepShare], found: &Attribution, began: &[usize]) {
    let judged = found.steps.len();
    for step in steps {
        let unit = began.iter().position(|stage| *stage >= step.stage).and_then(|unit| found.steps.get(unit));
        // A unit lists what was done in it; what came before the first soak stands in none.
        let Some(unit) = unit.filter(|unit| unit.changes.iter().any(|c| c.starts_with(&step.step))) else {
            continue;
        };
        let (credit, mut because) = if found.drift {
            (0.0, "The strays fall off steadily over the whole job; no step earns the credit.".to_owned())
        } else if unit.chance_fall >= 0.5 {
            (0.0, "The strays did not become rarer at it.".to_owned())
        } else {
            let because = format!(
                "If the rate of strays changed once, it was here with a probability of {}; the chance of such a fall by \
                 luck is {}, counting that {} judged.",
                words::percent(unit.posterior),
                chance(unit.chance_corrected),
                if judged == 1 { "one step was".to_owned() } else { format!("{judged} steps were") }
            );
            (unit.posterior, because)
        };
        if unit.confounded {
            because.push_str(&format!(" These were changed together: {}.", unit.changes.join("; ")));
        }
        step.credit = credit;
        step.because = format!("{because} {}", step.because);
    }
}

/// Credits of all steps in order.
pub(super) fn shares(stages: &[StageEvidence]) -> Vec<StepShare> {
    (0..stages.len()).filter(|i| stages[*i].kind.is_some()).map(|i| share_of(stages, i)).collect()
}

fn share_of(stages: &[StageEvidence], i: usize) -> StepShare {
    let stage = &stages[i];
    let made =
        |credit: f64, because: String| StepShare { step: stage.text.clone(), stage: i + 1, credit, because };
    let neighbour = || {
        let watched = |s: &&StageEvidence| !matches!(s.outcome, Outcome::Found | Outcome::Clear);
        stages[..i].iter().rev().find(watched).is_some_and(|s| s.outcome != Outcome::Stops)
    };
    let active_before = stage.compared_strayed.unwrap_or_else(neighbour);
    match stage.outcome {
        Outcome::Found | Outcome::Clear => return made(0.0, "A measurement mends nothing.".into()),
        Outcome::Stays => return made(0.0, "The same stray input went on after it.".into()),
        Outcome::Changes => {
            return made(
                0.0,
                "Stray input went on after it, of another kind: it touched the faulty circuit and did not mend it."
                    .into(),
            );
        }
        Outcome::Returns => return made(0.0, "Stray input came back after it.".into()),
        Outcome::Stops if !active_before => {
            return made(0.0, "It was quiet before it already, so that it cannot show an effect.".into());
        }
        Outcome::Stops => {}
    }
    let quiet = stage.quiet_anyway.unwrap_or(UNKNOWN_QUIET).clamp(0.0, 1.0);
    let mut credit = 1.0 - quiet;
    let mut because = match stage.quiet_anyway {
        Some(_) => format!(
            "Quiet after it; an unchanged set would have been quiet this long with a chance of {}.",
            words::percent(quiet)
        ),
        None => "Quiet after it; how long an unchanged set would be quiet is not known.".into(),
    };
    match later(stages, i) {
        Later::CameBackByItself => {
            credit *= 0.05;
            because.push_str(" The stray input came back without this step being undone.");
        }
        Later::CameBackWhenUndone => {
            credit = 1.0 - quiet * quiet;
            because.push_str(" It came back when this step was undone, which speaks for it.");
        }
        Later::QuietWhenUndone => {
            credit *= 0.3;
            because.push_str(" It stayed quiet when this step was undone, which speaks against it.");
        }
        Later::Nothing => because.push_str(" Undo it once and repeat it to be sure."),
    }
    if stage.parts.len() > 1 {
        because.push_str(&format!(
            " {} parts were touched at once ({}); they cannot be told apart: put one of them back to learn which.",
            stage.parts.len(),
            stage.parts.join(", ")
        ));
    }
    made(credit, because)
}

enum Later {
    Nothing,
    CameBackByItself,
    CameBackWhenUndone,
    QuietWhenUndone,
}

/// What happened to a quiet that a step began.
fn later(stages: &[StageEvidence], i: usize) -> Later {
    let mut undone_quietly = false;
    for (j, stage) in stages.iter().enumerate().skip(i + 1) {
        let undoes = stage.kind == Some(StepKind::Restore)
            && undone(&stages[..j], stage).is_some_and(|s| std::ptr::eq(s, &stages[i]));
        match (stage.outcome, undoes) {
            (Outcome::Found | Outcome::Clear, _) => {}
            (Outcome::Stops, true) => undone_quietly = true,
            (Outcome::Stops, false) => {}
            (_, true) => return Later::CameBackWhenUndone,
            // Undoing another step may have brought it back.
            (_, false) if stage.kind == Some(StepKind::Restore) => return Later::Nothing,
            (_, false) => return Later::CameBackByItself,
        }
    }
    if undone_quietly { Later::QuietWhenUndone } else { Later::Nothing }
}
