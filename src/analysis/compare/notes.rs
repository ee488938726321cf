//! A comparison in sentences: the method, and what a technician should know.

use crate::analysis::compare::path::PathComparison;
use crate::analysis::compare::verdict::{Evidence, Verdict, any_time, drift_of};
use crate::analysis::episode::EpisodeRule;
use crate::analysis::ledger::Observed;
use crate::analysis::overdispersion::Overdispersion;
use crate::analysis::rate::rate_still_possible;
use crate::base::words::{chance as percent, duration, plural};

/// Below so many episodes before, no ordinary soak proves anything.
const FEW: u64 = 3;

/// The evidence on a whole set, and how its strays were counted.
pub(crate) struct Whole {
    pub(crate) evidence: Evidence,
    pub(crate) rule: EpisodeRule,
    pub(crate) overdispersion: Overdispersion,
    pub(crate) paths: Vec<PathComparison>,
    /// Something in one of the observations tells no time.
    pub(crate) untimed: bool,
    /// Hands were on in one of the observations.
    pub(crate) hands_on: bool,
}

/// What a set that is gone says: how likely that is luck, and what hand-back still needs.
pub fn quiet_enough(quiet_anyway: f64, hand_back_s: Option<f64>) -> String {
    let still = match hand_back_s {
        Some(more) if more > 0.0 => format!(" For hand-back (1 %): {} more.", duration(more.ceil())),
        Some(_) => String::new(),
        None => " Hand-back (1 %) needs more than quiet: the pauses before were too uneven.".to_owned(),
    };
    format!("Quiet long enough: could be luck {}.{still}", percent(quiet_anyway))
}

/// What quiet for so long, seconds, leaves possible: the rate above its one-sided 95 % limit is excluded.
pub fn remaining(quiet_s: f64) -> String {
    format!(
        "A fault that shows less than once in {} could remain.",
        duration((1.0 / rate_still_possible(quiet_s, 0.05)).round())
    )
}

pub(crate) fn method(whole: &Whole) -> String {
    let unit = if whole.rule.gap.is_some() { "episodes" } else { "presses" };
    let base = format!(
        "conditional test of two Poisson rates on {unit}, mid-P (doubled tail), with the mid-P ratio interval that agrees \
         with it; exact (Garwood) rate intervals"
    );
    let counted = whole.rule.gap.map_or_else(String::new, |gap| {
        format!("; strays less than {:.1} s apart are one episode, since they have one cause", gap.seconds())
    });
    let itself = if whole.evidence.after.count > 0 && drift_of(&whole.evidence).is_some() {
        "; the strays became rarer or more frequent by themselves within the time before, and only what goes beyond that \
         counts"
    } else {
        ""
    };
    let base = format!("{base}{counted}{itself}");
    let dispersion = whole.evidence.dispersion;
    let test = whole.overdispersion.test;
    let tested = test.map_or_else(String::new, |test| {
        format!(
            "; counts in bins of time: index of dispersion {:.1}, as large among independent ones with a chance of {}",
            test.index(),
            percent(test.p)
        )
    });
    if dispersion <= 1.0 {
        format!("{base}; chosen since the pauses and the counts are those of independent {unit}{tested}")
    } else if test.is_some_and(|test| test.is_bursty() && test.index() >= dispersion) {
        format!(
            "{base}; counts divided by {dispersion:.1}, since they scatter more than independent {unit} do{tested}"
        )
    } else {
        format!(
            "{base}; counts divided by {dispersion:.1}, since the pauses are more uneven than between independent \
             {unit}{tested}"
        )
    }
}

pub(crate) fn notes(whole: &Whole, verdict: Verdict) -> Vec<String> {
    let evidence = &whole.evidence;
    let mut notes = Vec::new();
    if whole.untimed {
        notes.push(
            "One of the two captures shows nothing: nothing in it tells the time, or its lines could not be read. Quiet \
             in it is no quiet set; look at the remarks above and capture it again."
                .to_owned(),
        );
    }
    notes.extend(whole.paths.iter().filter_map(|path| path.total.unobserved()));
    if whole.hands_on {
        notes.push(
            "Hands were on in at least one of the two observations, so input may be a person's: repeat both \
             with hands off before trusting a verdict."
                .to_owned(),
        );
    }
    notes.extend(few_before(evidence));
    notes.extend(whole.paths.iter().filter_map(|path| Some(path.held?.sentence(&path.total.id))));
    let observed = evidence.observed > Observed::default();
    if evidence.after.count == 0 && evidence.before.count > 0 && observed {
        notes.extend(quiet_notes(evidence, verdict));
        notes.extend(whole.paths.iter().filter_map(PathComparison::by_excursions));
    } else if evidence.after.count > 0 {
        notes.push(seen_after(evidence, verdict));
    }
    notes
}

fn few_before(evidence: &Evidence) -> Option<String> {
    let before = evidence.before;
    if before.count == 0 {
        return Some(
            "No stray was seen before the step, so quiet after it proves nothing: watch the set as received \
             until the fault shows itself."
                .to_owned(),
        );
    }
    let (likely, certain) = (evidence.plan.likely_s?, evidence.plan.certain_s?);
    (before.count < FEW).then(|| {
        format!(
            "Only {} in {} before the step: no ordinary soak proves a repair; 95 % would need {} of quiet, \
             99 % {}. Watch the baseline for longer first.",
            plural(before.count, "episode"),
            duration(evidence.plan.exposure_s),
            duration(likely),
            duration(certain),
        )
    })
}

fn quiet_notes(evidence: &Evidence, verdict: Verdict) -> Vec<String> {
    let quiet = evidence.observed.seconds();
    let mut notes: Vec<String> = evidence.plan.warmth(evidence.exposure).into_iter().collect();
    let still = |needed| evidence.plan.missing(needed, evidence.exposure);
    let luck = evidence.plan.quiet_anyway(evidence.exposure.quiet_s);
    if verdict == Verdict::Gone {
        notes.push(remaining(quiet));
    } else if evidence.plan.too_uneven {
        notes.push(format!("No stray in {}, but {}", duration(quiet), evidence.plan.too_uneven()));
    } else {
        notes.push(format!(
            "No stray in {}. The chance that the unrepaired set would have been this quiet: {}.",
            duration(quiet),
            percent(luck),
        ));
        let more = |needed: Option<f64>| match still(needed) {
            Some(missing) if missing > 0.0 => format!("{} more", duration(missing)),
            Some(_) => "reached".to_owned(),
            None => "quiet alone will not do".to_owned(),
        };
        let (likely, certain) = (evidence.plan.likely_s, evidence.plan.certain_s);
        notes.push(format!("Quiet soak still needed: 95 %: {}; 99 %: {}.", more(likely), more(certain)));
        if evidence.exposure.longest_s < evidence.plan.onset_s {
            notes.push(format!(
                "Before the step the first stray took {} to appear; at least one soak must last that long without \
                 interruption, from the same state (cold or warm).",
                duration(evidence.plan.onset_s),
            ));
        } else if quiet < evidence.plan.longest_gap_s {
            notes.push(format!(
                "Before the step the set was once quiet for {} by itself; a shorter soak proves nothing.",
                duration(evidence.plan.longest_gap_s),
            ));
        }
    }
    notes
}

fn seen_after(evidence: &Evidence, verdict: Verdict) -> String {
    let any = any_time(evidence);
    let range = format!(
        "now {} as often as before ({} to {} at any look)",
        times(1.0 / evidence.test.ratio),
        times(1.0 / any.high),
        times(1.0 / any.low)
    );
    let fold = any.high.max(1.0 / any.low).max(1.0);
    let excluded = if fold.is_finite() {
        format!("A change of more than {fold:.1}-fold is excluded.")
    } else {
        "No change is excluded yet.".to_owned()
    };
    match verdict {
        Verdict::Reduced => format!("Strays go on, but fewer: {range}. The fault is not gone. {excluded}"),
        Verdict::Worse => format!("Strays come more often: {range}. {excluded}"),
        Verdict::Unchanged => format!("Strays go on as before: {range}. This step did not stop them. {excluded}"),
        _ if evidence.plan.no_variance => {
            "Strays go on, so the fault is not gone. The pauses between them are so uneven that counts cannot tell \
             whether they are fewer."
                .to_owned()
        }
        _ => format!(
            "Strays go on, so the fault is not gone; whether they are fewer cannot be told yet: {range}. {excluded}"
        ),
    }
}

fn times(factor: f64) -> String {
    if !factor.is_finite() {
        "any number of times".to_owned()
    } else if factor >= 9.95 {
        format!("{factor:.0} times")
    } else if factor >= 0.1 || factor == 0.0 {
        format!("{factor:.1} times")
    } else {
        format!("{factor:.2} times")
    }
}
