//! A job on the terminal: the facts of the page as lines, as wide as the terminal.

use crate::analysis::stray::Suspicion;
use crate::base::Result;
use crate::base::words::plural;
use crate::bench::provoke::{AgainState, ProvokedState};
use crate::bench::{AttributionState, JobState, StageState, stretches_sentence, summary, worth_telling};
use crate::face::cli::load::{chance, duration};
use crate::face::cli::table;
use crate::face::out::{Out, safe};

/// Prints the state for people: how it stands, what the fault is, what to do; then the stages, and what stands behind them on
/// request.
pub(super) fn show(state: &JobState, explain: bool, out: &mut Out) -> Result<()> {
    say(&format!("{}: {}", safe(&state.set), safe(&summary::standing(state))), out)?;
    for cause in state.locate.causes().filter(|cause| !cause.nothing_yet) {
        say(&safe(&summary::cause(cause)), out)?;
    }
    say(&format!("Next: {}", safe(&state.advice.text)), out)?;
    for first in &state.advice.prerequisites {
        say(&format!("  First: {}", safe(first)), out)?;
    }
    for caution in &state.advice.cautions {
        say(&format!("  Caution: {}", safe(caution)), out)?;
    }
    if let Some(instead) = &state.advice.instead {
        let risk = state
            .advice
            .provoke
            .as_ref()
            .map_or_else(String::new, |provoke| format!(" Risk {}.", provoke.risk.text()));
        say(&format!("Or: {}{risk}", safe(instead)), out)?;
    }
    stages(&state.stages, out)?;
    for stage in &state.stages {
        for sentence in &stage.unobserved {
            say(&format!("Stage {}: {sentence}", stage.stage), out)?;
        }
        if let Some(suspicion) = &stage.suspicion {
            suspects(&format!("Stage {}, hands on", stage.stage), suspicion, out)?;
        }
    }
    for done in &state.provocations {
        say(&format!("Provoked in stage {}:", done.stage), out)?;
        provocation(done, out)?;
        again(state.provoked_again.iter().find(|again| again.capture == done.capture), out)?;
    }
    for line in &state.resting {
        say(&format!("Look at this: {}", safe(&line.sentence)), out)?;
    }
    if let Some(complaint) = &state.complaint {
        say(&format!("Complaint: {}", safe(complaint)), out)?;
    }
    let chassis = state.chassis.as_deref().unwrap_or("to be recognised");
    let closed = state.closed.as_ref().map_or_else(String::new, |at| format!(", closed {at}"));
    say(&format!("Job {}, chassis {}{closed}", state.job, safe(chassis)), out)?;
    if explain { behind(state, out) } else { Ok(()) }
}

/// What the verdicts rest on.
fn behind(state: &JobState, out: &mut Out) -> Result<()> {
    for stage in &state.stages {
        if let (Some(before), Some(comparison)) = (stage.compared_with_stage, &stage.comparison) {
            let headline = stage.headline.as_deref().unwrap_or_default();
            say(&format!("Stage {} against {before}: {headline}", stage.stage), out)?;
            say(&format!("  {} Method: {}", summary::before_after(comparison), comparison.method), out)?;
        }
        if let Some(sentence) = stretches_sentence(&stage.rate_stretches) {
            say(&sentence, out)?;
        }
    }
    if !state.causes.sentences().is_empty() {
        say(&format!("Menu: {}", state.causes.sentences().join(" ")), out)?;
    }
    for line in state.levels.iter().filter(|line| line.has_changed() || line.ripple.is_some()) {
        let against = line.against.map_or(String::new(), |stage| format!(" against {stage}"));
        say(
            &format!("Line {}, stage {}{against}: {}", safe(&line.line), line.stage, line.notes.join(" ")),
            out,
        )?;
    }
    match &state.attribution {
        Some(attribution) => credit(attribution, out),
        None => Ok(()),
    }
}

fn say(text: &str, out: &mut Out) -> Result<()> {
    out.line(table::wrap(text, 2))
}

/// Below this width a table would break words: lines say the same.
const NARROW: u16 = 80;

fn stage_line(stage: &StageState) -> String {
    let kind = stage.kind.map_or(String::new(), |kind| format!(", {kind}"));
    let seen = match &stage.figures {
        None => "not watched".to_owned(),
        Some(figures) => format!(
            "observed {}, {} in {}",
            duration(stage.observed_s),
            plural(stage.strays as u64, "stray"),
            plural(figures.episodes, "episode")
        ),
    };
    let verdict =
        stage.comparison.as_ref().map_or(String::new(), |c| format!(", {}", c.figures.verdict.word()));
    format!("Stage {}{kind}: {}: {seen}{verdict}", stage.stage, safe(&stage.step))
}

fn stages(stages: &[StageState], out: &mut Out) -> Result<()> {
    if table::width() < NARROW {
        return stages.iter().try_for_each(|stage| say(&stage_line(stage), out));
    }
    let mut list = table::new(
        &["stage", "what was done", "kind", "observed", "strays", "episodes", "verdict"],
        &[0, 3, 4, 5],
    );
    for stage in stages {
        let unseen = || "–".to_owned();
        let watched = stage.span_s > 0.0;
        list.add_row([
            stage.stage.to_string(),
            safe(&stage.step),
            stage.kind.unwrap_or("").to_owned(),
            if watched { duration(stage.observed_s) } else { unseen() },
            if watched { stage.strays.to_string() } else { unseen() },
            stage.figures.as_ref().map_or_else(unseen, |figures| figures.episodes.to_string()),
            stage.comparison.as_ref().map_or("", |comparison| comparison.figures.verdict.word()).to_owned(),
        ]);
    }
    out.line(table::text(&list))
}

/// Hands-on input that looks like a machine's, with the odds, and what to do about it.
pub(super) fn suspects(where_: &str, suspicion: &Suspicion, out: &mut Out) -> Result<()> {
    let worth: Vec<_> = worth_telling(suspicion).collect();
    for suspect in &worth {
        say(
            &format!(
                "{where_}: {} {}x, suspected stray, odds {}{}{}",
                safe(&suspect.symbol.label()),
                suspect.count,
                chance(suspect.probability),
                if suspect.because.is_empty() { "" } else { ": " },
                suspect.because.join("; ")
            ),
            out,
        )?;
    }
    if suspicion.suspects.is_empty() {
        return Ok(());
    }
    say(&format!("{where_}: {}", suspicion.advice), out)
}

/// Which step did it.
pub(super) fn credit(attribution: &AttributionState, out: &mut Out) -> Result<()> {
    out.line("Which step changed it:")?;
    if table::width() < NARROW {
        for step in &attribution.steps {
            say(
                &format!(
                    "Step {} (before stage {}): {}: credit {}",
                    step.credit.step,
                    step.stage,
                    safe(&step.changed()),
                    chance(step.credit.posterior)
                ),
                out,
            )?;
        }
        return notes(&attribution.rest.notes, out);
    }
    let mut list = table::new(
        &["step", "before stage", "what was changed", "credit", "chance of such a fall"],
        &[0, 1, 3, 4],
    );
    for step in &attribution.steps {
        list.add_row([
            step.credit.step.to_string(),
            step.stage.to_string(),
            safe(&step.changed()),
            chance(step.credit.posterior),
            chance(step.credit.chance_corrected),
        ]);
    }
    out.line(table::text(&list))?;
    notes(&attribution.rest.notes, out)
}

fn notes(list: &[String], out: &mut Out) -> Result<()> {
    list.iter().try_for_each(|note| say(&format!("- {}", safe(note)), out))
}

/// Prints what a provocation showed.
pub(super) fn provocation(state: &ProvokedState, out: &mut Out) -> Result<()> {
    for sentence in state.stressors.iter().flat_map(summary::provoked) {
        say(&safe(&sentence), out)?;
    }
    say(&summary::rounds(state), out)?;
    say(&safe(&summary::cautions(state)), out)
}

/// Prints what it showed against the one before.
pub(super) fn again(state: Option<&AgainState>, out: &mut Out) -> Result<()> {
    let Some(state) = state else { return Ok(()) };
    say(&format!("Against stage {}:", state.before_stage), out)?;
    summary::again(state).iter().try_for_each(|sentence| say(&safe(sentence), out))
}
