//! `compare`: before and after a step.

use std::path::{Path, PathBuf};

use schemars::JsonSchema;
use serde::Serialize;

use crate::analysis::compare::{CompareOptions, Comparison, Side, Verdict, compare};
use crate::analysis::keycheck::Confusion;
use crate::analysis::ledger::Ledger;
use crate::base::words::{capital, number};
use crate::base::{Cause, Error, Key, Result};
use crate::bench::summary::{DidIt, before_after};
use crate::bench::{self, AttributionState, JobState, KeyChecks, Lines, StageState, words::headline};
use crate::face::cli::args;
use crate::face::cli::load::{self, Seen, is_job};
use crate::face::cli::readings::{self, LineShift, LineState, SHIFT_COLUMNS, shift_rows};
use crate::face::cli::{sections, table};
use crate::face::out::{Out, Outcome, safe};
use crate::timeline::Protocols;
use crate::timeline::job::JobReference;

pub(super) fn run(options: &args::Compare, protocols: &Protocols, out: &mut Out) -> Result<Outcome> {
    let Some(after) = &options.after else { return whole_job(options, protocols, out) };
    let names = [&options.before, after];
    if !is_job(after) && after.as_os_str() != "-" && !after.exists() {
        // Before hours of the other side are read.
        return Err(Error::input("there is no such file").at(after));
    }
    let mut sides = [Seen::new(true), Seen::new(true)];
    let mut lines = [Lines::default(), Lines::default()];
    let mut known: Option<String> = None;
    let shared = load::shared_job(&options.before, after, protocols, out)?;
    let mut taught: Vec<Ledger> = Vec::new();
    for ((path, seen), lines) in [&options.before, after].into_iter().zip(&mut sides).zip(&mut lines) {
        seen.taught = std::mem::take(&mut taught);
        let observed = match &shared {
            Some(loaded) => load::observe_job(loaded, path, seen, lines),
            None => load::observe(path, &options.reading, options.hands, protocols, out, seen, lines),
        };
        match (observed, &known) {
            (Ok(()), _) => known = seen.chassis.clone().or(known),
            // A quiet log may be too short to be recognised; it is of the same set as the other one.
            (Err(error), Some(chassis))
                if options.reading.chassis.is_none() && error.cause() == Some(Cause::ChassisUnknown) =>
            {
                out.note(format!(
                    "{}: too little to recognise a chassis by; taken as {chassis}, like the other capture",
                    path.display()
                ));
                let reading = args::Reading { chassis: Some(chassis.clone()), ..options.reading.clone() };
                *seen = Seen { taught: std::mem::take(&mut seen.taught), ..Seen::new(true) };
                *lines = Lines::default();
                load::observe(path, &reading, options.hands, protocols, out, seen, lines)?;
            }
            (Err(error), _) => return Err(error),
        }
        taught.clone_from(&seen.ledgers);
    }
    for doubt in doubts(&options.before, after, &sides) {
        out.note(format!("Attention: {doubt}"));
    }
    // The job's own rule for episodes, so that a stage counts the same in every view.
    let counting = match &shared {
        Some(loaded) => bench::options(&loaded.stages()?),
        None => CompareOptions::default(),
    };
    let key_checks = match &shared {
        Some(loaded) => checks_between(loaded, names)?,
        None => None,
    };
    let judged = sides.iter().flat_map(Seen::strayed).collect();
    let [before, after] = sides.map(|seen| seen.observation(&judged));
    let mut comparison = compare(&before, &after, &CompareOptions { seed: options.seed, ..counting });
    if options.hands == args::Hands::Off && !is_job(&options.before) {
        comparison
            .notes
            .push("Both captures were taken as hands off; if keys were pressed, say --hands on.".to_owned());
    }
    let readings = LineFindings::of(&lines[0], &lines[1], options.seed);
    let gone = comparison.figures.verdict == Verdict::Gone;
    if out.json {
        out.value(&Answer::Pair {
            comparison: &comparison,
            readings: &readings,
            key_checks: key_checks.as_ref(),
        })?;
    } else {
        show(&comparison, options.explain, out)?;
        if let Some(checks) = &key_checks {
            show_checks(checks, out)?;
        }
        readings.show(options.explain, out)?;
    }
    Ok(if options.check && !gone { Outcome::Found } else { Outcome::Done })
}

/// The key checks of two stages of one job.
fn checks_between(loaded: &bench::Loaded, names: [&PathBuf; 2]) -> Result<Option<KeyChecks>> {
    let [before, after] = names.map(|name| JobReference::parse(&name.to_string_lossy()));
    match (before?.stage, after?.stage) {
        (Some(before), Some(after)) => bench::key_checks_of(loaded, before, after),
        _ => Ok(None),
    }
}

/// What came for what in two key checks: the keys that were not always read right.
fn show_checks(checks: &KeyChecks, out: &mut Out) -> Result<()> {
    out.line(table::wrap(&checks.sentence, 2))?;
    let mut pairs: Vec<(Key, Option<Key>)> =
        checks.before.iter().chain(&checks.after).map(|row| (row.asked, row.seen)).collect();
    pairs.sort_unstable();
    pairs.dedup();
    let wrong: Vec<Key> =
        pairs.iter().filter(|(asked, seen)| *seen != Some(*asked)).map(|(asked, _)| *asked).collect();
    let mut list = table::new(&["asked for", "came", "before", "after"], &[2, 3]);
    let count = |side: &[Confusion], pair: (Key, Option<Key>)| {
        let own = side.iter().filter(|row| (row.asked, row.seen) == pair);
        own.map(|row| row.count).sum::<u64>().to_string()
    };
    for pair in pairs.into_iter().filter(|(asked, _)| wrong.contains(asked)) {
        list.add_row([
            pair.0.label().to_owned(),
            pair.1.map_or("nothing", Key::label).to_owned(),
            count(&checks.before, pair),
            count(&checks.after, pair),
        ]);
    }
    if wrong.is_empty() { Ok(()) } else { out.line(table::text(&list)) }
}

/// What speaks against these two being one set, before and after.
fn doubts(before: &Path, after: &Path, sides: &[Seen; 2]) -> Vec<String> {
    let mut doubts = Vec::new();
    if before == after
        || before.canonicalize().ok().zip(after.canonicalize().ok()).is_some_and(|(one, two)| one == two)
    {
        doubts.push("both are the same file or stage.".to_owned());
    }
    let [one, two] = sides;
    if let (Some(one), Some(two)) = (&one.chassis, &two.chassis)
        && one != two
    {
        doubts.push(format!("the first is of the chassis {one}, the second of {two}: are they of one set?"));
    }
    if let (Some(one), Some(two)) = (&one.started, &two.started)
        && one > two
    {
        doubts.push(format!(
            "the first began at {one}, after the second ({two}): are they in the right order?"
        ));
    }
    doubts
}

/// Two sides, or all stages of a job.
#[derive(Serialize, JsonSchema)]
#[serde(untagged)]
pub(super) enum Answer<'a> {
    Pair {
        #[serde(flatten)]
        comparison: &'a Comparison,
        readings: &'a LineFindings,
        key_checks: Option<&'a KeyChecks>,
    },
    Job {
        version: u32,
        verdict: Option<Verdict>,
        hand_back: bool,
        comparisons: Vec<Compared<'a>>,
        key_checks: Vec<Checked<'a>>,
        attribution: Option<&'a AttributionState>,
    },
}

#[derive(Serialize, JsonSchema)]
pub(super) struct Compared<'a> {
    before_stage: Option<usize>,
    after_stage: usize,
    comparison: &'a Comparison,
}

#[derive(Serialize, JsonSchema)]
pub(super) struct Checked<'a> {
    after_stage: usize,
    checks: &'a KeyChecks,
}

/// What the keypad readings of the two sides say.
#[derive(Serialize, JsonSchema)]
pub(super) struct LineFindings {
    shifts: Vec<LineShift>,
    before: Vec<LineState>,
    after: Vec<LineState>,
}

impl LineFindings {
    fn of(before: &Lines, after: &Lines, seed: u64) -> Self {
        Self {
            shifts: readings::shifts(before, after, seed),
            before: readings::states(before),
            after: readings::states(after),
        }
    }

    fn show(&self, explain: bool, out: &mut Out) -> Result<()> {
        let sides = [("before", &self.before), ("after", &self.after)];
        let mut said = readings::sentences(&self.shifts, &[]);
        for (side, states) in sides {
            let words = readings::sentences(&[], states);
            said.extend(words.into_iter().map(|words| format!("{words} ({side})")));
        }
        if said.is_empty() {
            return Ok(());
        }
        out.line("Keypad readings")?;
        if explain && !self.shifts.is_empty() {
            let mut list = table::new(&SHIFT_COLUMNS, &[]);
            for row in shift_rows(&self.shifts) {
                list.add_row(row.iter().map(|cell| safe(cell)));
            }
            out.line(table::text(&list))?;
        }
        for sentence in said {
            out.line(table::wrap(&format!("- {}", safe(&sentence)), 2))?;
        }
        Ok(())
    }
}

/// Every watched stage of a job against the one before it, and which step did it.
fn whole_job(options: &args::Compare, protocols: &Protocols, out: &mut Out) -> Result<Outcome> {
    if !is_job(&options.before) {
        return Err(Error::usage("a capture file is compared with another one")
            .at(&options.before)
            .help("name the capture from after the step too, or a job folder alone"));
    }
    let reference = JobReference::parse(&options.before.to_string_lossy())?;
    if reference.stage.is_some() {
        return Err(Error::usage("a stage is compared with another one")
            .at(&options.before)
            .help("name the stage after it too, or the job folder alone"));
    }
    let loaded = load::open(&reference.folder, protocols, false, out)?;
    let state = bench::state(&loaded, protocols)?;
    let gone = state.verdict == Some(Verdict::Gone);
    if out.json {
        fn compared(stage: &StageState) -> Option<Compared<'_>> {
            let (before_stage, after_stage) = (stage.compared_with_stage, stage.stage);
            Some(Compared { before_stage, after_stage, comparison: stage.comparison.as_ref()? })
        }
        fn checked(stage: &StageState) -> Option<Checked<'_>> {
            Some(Checked { after_stage: stage.stage, checks: stage.key_checks.as_ref()? })
        }
        out.value(&Answer::Job {
            version: 1,
            verdict: state.verdict,
            hand_back: state.hand_back,
            comparisons: state.stages.iter().filter_map(compared).collect(),
            key_checks: state.stages.iter().filter_map(checked).collect(),
            attribution: state.attribution.as_ref(),
        })?;
    } else {
        stages(&state, options.explain, out)?;
    }
    Ok(if options.check && !gone { Outcome::Found } else { Outcome::Done })
}

/// All stages of a job: the last verdict and the step that did it, a line for each stage, and what stands behind each on
/// request.
fn stages(state: &JobState, explain: bool, out: &mut Out) -> Result<()> {
    let Some(last) = state.stages.iter().rev().find(|stage| stage.comparison.is_some()) else {
        return out.line("Fewer than two stages were watched hands off: there is nothing to compare yet.");
    };
    if let (Some(before), Some(headline)) = (last.compared_with_stage, &last.headline) {
        let said = format!("Verdict of stage {} against {before}: {}", last.stage, safe(headline));
        out.line(table::wrap(&said, 2))?;
    }
    for cause in state.locate.causes() {
        let path = cause.path.map_or_else(String::new, |path| format!("{}: ", capital(path.word())));
        for step in cause.steps.iter().filter(|step| DidIt::of(step.credit) == DidIt::Yes) {
            out.line(table::wrap(&format!("{path}this stopped it: \"{}\"", safe(&step.step)), 2))?;
        }
    }
    let headings = ["stage", "against", "what was done", "episodes before", "after", "verdict", "did it?"];
    let mut list = table::new(&headings, &[0, 1]);
    for stage in &state.stages {
        let (Some(before), Some(comparison)) = (stage.compared_with_stage, &stage.comparison) else {
            continue;
        };
        let side = |side: &Side| format!("{} in {}", side.episodes, load::duration(side.observed_s));
        let credits = state.locate.causes().flat_map(|cause| &cause.steps);
        let credit =
            credits.filter(|step| step.stage == stage.stage).map(|step| step.credit).reduce(f64::max);
        list.add_row([
            stage.stage.to_string(),
            before.to_string(),
            safe(&stage.step),
            side(&comparison.before),
            side(&comparison.after),
            comparison.figures.verdict.word().to_owned(),
            credit.map_or("", |credit| DidIt::of(credit).word()).to_owned(),
        ]);
    }
    out.line(table::text(&list))?;
    for stage in &state.stages {
        for sentence in &stage.unobserved {
            out.line(table::wrap(&format!("Stage {}: {}", stage.stage, safe(sentence)), 2))?;
        }
        if let Some(checks) = &stage.key_checks {
            let said = format!("Stage {} against {}: {}", stage.stage, checks.before_stage, checks.sentence);
            out.line(table::wrap(&said, 2))?;
        }
        if let (true, Some(before), Some(comparison)) =
            (explain, stage.compared_with_stage, &stage.comparison)
        {
            out.line(format!("\nStage {} against {before}, after \"{}\":", stage.stage, safe(&stage.step)))?;
            show(comparison, true, out)?;
        }
    }
    match &state.attribution {
        Some(attribution) if explain => sections::credit(attribution, out),
        _ => Ok(()),
    }
}

/// Prints a comparison for people: the verdict first, what it rests on, what else to know, the figures.
pub(super) fn show(comparison: &Comparison, explain: bool, out: &mut Out) -> Result<()> {
    out.line(table::wrap(&format!("Verdict: {}", headline(comparison)), 2))?;
    out.line(before_after(comparison))?;
    for note in &comparison.notes {
        out.line(table::wrap(note, 2))?;
    }
    let mut list = table::new(
        &["", "observed", "strays", "episodes", "episodes per minute (95 % interval)"],
        &[1, 2, 3],
    );
    list.add_row(row("before", &comparison.before));
    list.add_row(row("after", &comparison.after));
    out.line(table::text(&list))?;
    if explain {
        out.line(table::wrap(&format!("Method: {}", comparison.method), 2))?;
    }
    Ok(())
}

fn row(name: &str, side: &Side) -> [String; 5] {
    [
        name.to_owned(),
        load::duration(side.observed_s),
        side.strays.to_string(),
        side.episodes.to_string(),
        format!("{} ({} to {})", number(side.per_min), number(side.per_min_low), number(side.per_min_high)),
    ]
}
