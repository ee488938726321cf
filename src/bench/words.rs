//! Sentences about a job that the terminal, the page and the report share.

use crate::analysis::compare::{Comparison, PathComparison, Verdict, quiet_enough};
use crate::analysis::ledger::Observed;
use crate::analysis::level::LevelShift;
use crate::analysis::soak::BlindNow;
use crate::base::ControlPath;
use crate::base::words::{capital, chance, duration};

/// No stray was seen yet in any stage.
pub const NOTHING_YET: &str =
    "No stray was seen yet: watch the set as received until the fault shows itself, warm and cold.";
/// No test tells more.
pub const NO_TEST: &str = "No test of the list tells more: repair what is likeliest, one part, then soak.";

/// The verdict in one sentence.
pub fn headline(comparison: &Comparison) -> String {
    if let Some(said) = comparison.goes_on() {
        return format!("{}, not gone. {said}", comparison.figures.verdict.word());
    }
    match comparison.figures.verdict {
        Verdict::Gone => {
            format!(
                "gone. {}",
                quiet_enough(comparison.figures.quiet_anyway, comparison.figures.soak_more_99_s)
            )
        }
        Verdict::Reduced if differ(comparison) => {
            let one = |path: &PathComparison| format!("{} {}", path.total.id.words(), path.figures.verdict);
            let all: Vec<String> = comparison.paths.iter().map(one).collect();
            format!("reduced, not gone: {}.", all.join(", "))
        }
        Verdict::Reduced => format!(
            "reduced, not gone. The rate fell {} (95 % interval {} to {}).",
            times(comparison.figures.ratio),
            times(comparison.figures.ratio_low),
            times(comparison.figures.ratio_high)
        ),
        Verdict::Unchanged => "unchanged. About as many strays as before.".to_owned(),
        Verdict::Worse => "worse. There are more strays than before.".to_owned(),
        Verdict::Undecided if unsigned(comparison).is_some() => format!(
            "undecided. Nothing showed that a stray on {} would have been seen: soak again and press the key that is asked for.",
            unsigned(comparison).unwrap_or_default()
        ),
        Verdict::Undecided if comparison.after.strays == 0 && comparison.paths.iter().any(was_held) => {
            "undecided. A key that was held is free now. Undo the step and do it again: that tells sooner than a soak."
                .to_owned()
        }
        Verdict::Undecided => match comparison.figures.soak_more_s {
            Some(more) if more > 0.0 => {
                format!("undecided. About {} more of hands-off soak are needed.", duration(more.ceil()))
            }
            _ if comparison.paths.iter().any(|path| path.figures.too_uneven) => {
                "undecided. The pauses before were so uneven that quiet alone proves nothing.".to_owned()
            }
            _ if comparison.after.episodes > 0 => {
                "undecided. Strays go on; whether they are fewer cannot be told yet.".to_owned()
            }
            _ => "undecided. Another soak won't tell. Do the next step.".to_owned(),
        },
    }
}

/// Whether a path was held as the watching before the step ended, too seldom for its pauses to tell.
fn was_held(path: &PathComparison) -> bool {
    path.held.is_some_and(|held| held.to_the_end_s.is_some())
}

/// Whether the verdicts on the paths differ.
fn differ(comparison: &Comparison) -> bool {
    let mut verdicts = comparison.paths.iter().map(|path| path.figures.verdict);
    let first = verdicts.next();
    verdicts.any(|verdict| Some(verdict) != first)
}

/// A path that strayed before and of which nothing was seen after.
pub fn unsigned(comparison: &Comparison) -> Option<String> {
    let blind = |path: &&PathComparison| {
        path.figures.strayed_before
            && !path.figures.strayed_after
            && path.total.observed == Observed::default()
    };
    comparison.paths.iter().find(blind).map(|path| path.total.id.words())
}

fn times(ratio: f64) -> String {
    if ratio.is_finite() { format!("{ratio:.1}-fold") } else { "without limit".to_owned() }
}

/// The job is closed.
pub fn closed(at: &str) -> String {
    // The day says it: 2026-11-25 of 2026-11-25T08:00:00Z.
    let day = at.split('T').next().unwrap_or(at);
    format!("The job was closed on {day}; nothing can be added. A new complaint is a new job.")
}

/// The present stage was not watched yet.
pub fn soak_first(stages: usize, plan: Option<&str>) -> String {
    match (stages, plan) {
        (0 | 1, _) => "Soak the set as received, hands off, before anything is touched.".to_owned(),
        (_, Some(plan)) => format!("Soak now, hands off, to see what the last step did. {plan}"),
        (_, None) => "Soak now, hands off, to see what the last step did.".to_owned(),
    }
}

/// Quiet so far, but not for long enough.
pub fn soak_longer(seconds: f64) -> String {
    format!("Quiet so far; soak {} more, hands off, to be sure.", duration(seconds.ceil()))
}

/// A repair was watched while something was off.
pub fn put_back(step: &str) -> String {
    format!(
        "Still off: \"{step}\". Put it back, note that as a step of the kind restore, then soak, hands off."
    )
}

/// A path that strayed before was not observed since.
pub fn see_first(path: &str) -> String {
    let path = capital(path);
    format!(
        "{path} could not be watched since the step. Put that right, then soak again and press the key that is asked for."
    )
}

/// Gone, but not for long enough to hand the set back.
pub fn not_yet_back(quiet_anyway: f64, more_s: Option<f64>) -> String {
    format!("The fault seems gone. {}", quiet_enough(quiet_anyway, more_s))
}

/// A path that strayed once was not seen to be quiet for long enough since.
pub fn other_path(paths: impl Iterator<Item = String>) -> String {
    let paths: Vec<String> = paths.collect();
    format!(
        "Quiet, but {} strayed before and was not seen quiet for long enough since: soak again, and press the key that is \
         asked for, before the set goes back.",
        paths.join(" and ")
    )
}

/// Gone, but a line does not rest where it should.
pub fn look_first<'a>(lines: impl Iterator<Item = &'a str>) -> String {
    format!(
        "Quiet, but {}. Look there before the set goes back: what leaks or sags may stray again.",
        lines.collect::<Vec<_>>().join("; ")
    )
}

/// The fault is gone.
pub fn hand_back(toggle: Option<&str>) -> String {
    match toggle {
        None => "The fault is gone: write the report, close the job, hand the set back.".to_owned(),
        Some(toggle) => format!(
            "The fault is gone: write the report and hand the set back. Which step did it is not settled; only if \
             that matters: {toggle}"
        ),
    }
}

/// A test that tells most.
pub fn next_test(test: &str, minutes: f64) -> String {
    format!("({}) {test}", duration(60.0 * minutes.ceil().max(1.0)))
}

/// What is not seen just now, for people.
pub fn blind(blind: &BlindNow) -> String {
    let which = match blind.id.path {
        ControlPath::System => "the set".to_owned(),
        _ => blind.id.words(),
    };
    format!("BLIND since {}: {which}: {}", duration(blind.since_s.floor()), blind.why.words())
}

/// Level, spread and drift before and after, and the chances.
pub fn shift_cells(found: &LevelShift) -> [String; 5] {
    let (before, after) = (found.before, found.after);
    [
        format!("{:.0} → {:.0}", before.level, after.level),
        format!("{:.1} → {:.1}", before.spread, after.spread),
        format!("{:.2} → {:.2}", before.drift_per_min, after.drift_per_min),
        chance(found.chance_any),
        chance(found.chance_mean),
    ]
}
