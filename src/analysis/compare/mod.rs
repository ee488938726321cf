//! Before and after one repair step: what the strays were, what they are, and the verdict.
//!
//! Everything is tested on episodes. The verdict never says more than the interval shown beside it: a change
//! is claimed only when the interval of the ratio excludes one, and `gone` only after a hands-off soak that an
//! unrepaired set would have sat through quietly in at most one case of twenty; hand-back asks for one of a hundred.

mod alternatives;
mod near;
mod notes;
mod observation;
mod path;
mod side;
mod verdict;

use std::sync::Arc;

use serde::Serialize;

use crate::analysis::episode::{Episode, EpisodeRule, Press, episodes, fold};
use crate::analysis::event_sequence::EventSequence;
use crate::analysis::held::HeldFigures;
use crate::analysis::ledger::{Observed, PathId};
use crate::analysis::overdispersion::{Overdispersion, overdispersion};
use crate::analysis::quiet::{QuietExposure, QuietPlan, watched};
use crate::analysis::rate::{RatioTest, compare_scaled};
use crate::base::Nanoseconds;

pub use alternatives::Alternative;
use alternatives::alternatives;
pub(crate) use near::{NearEvidence, NearPlan, NearSide, time as near_time};
pub use near::{NearFigures, NearSeen};
use notes::{Whole, method, notes};
pub use notes::{quiet_enough, remaining};
pub use observation::{Observation, PathSeen};
use path::of_set;
pub use path::{Figures, PathComparison};
pub(crate) use path::{hand_back, of_verdicts, quiet_anyway_of};
pub use side::Side;
pub(crate) use side::{figures, read};
use side::{finite, side};
pub use verdict::Verdict;
pub(crate) use verdict::{Evidence, planned};

/// How to compare.
#[derive(Clone, Debug, PartialEq)]
pub struct CompareOptions {
    /// Confidence of the intervals.
    pub confidence: f64,
    /// Episode gap; learned from both observations together when absent.
    pub episode_gap: Option<Nanoseconds>,
    /// What was learned for the whole job, "no bursts" included; goes before `episode_gap`.
    pub rule: Option<EpisodeRule>,
    /// Dispersion of the episode counts, where it was learned for the whole job.
    pub dispersion: Option<f64>,
    /// Seed of the permutations.
    pub seed: u64,
}

impl Default for CompareOptions {
    fn default() -> Self {
        Self { confidence: 0.95, episode_gap: None, rule: None, dispersion: None, seed: 1 }
    }
}

impl CompareOptions {
    /// Options with the episode gap and the dispersion learned once for a job, so that every comparison, soak and lone
    /// stage of it counts the same.
    pub fn of_job(observations: &[&Observation]) -> Self {
        let presses: Vec<Vec<Press>> = observations.iter().map(|seen| fold(&seen.sequence)).collect();
        let sequences: Vec<(&EventSequence, &[Press])> = observations
            .iter()
            .zip(&presses)
            .map(|(seen, presses)| (&seen.sequence, presses.as_slice()))
            .collect();
        let rule = EpisodeRule::learn(&sequences);
        let found: Vec<Vec<Episode>> = presses.iter().map(|presses| episodes(presses, rule.gap)).collect();
        let sides: Vec<(&EventSequence, &[Episode])> =
            observations.iter().zip(&found).map(|(seen, found)| (&seen.sequence, found.as_slice())).collect();
        let dispersion = Some(overdispersion(&sides, rule.gap).dispersion);
        Self { rule: Some(rule), dispersion, ..Self::default() }
    }

    /// The rule to count by: the job's, the gap set by hand, or one learned from these sequences.
    pub(crate) fn rule(&self, sequences: &[(&EventSequence, &[Press])]) -> EpisodeRule {
        match (&self.rule, self.episode_gap) {
            (Some(rule), _) => rule.clone(),
            (None, Some(gap)) => EpisodeRule::fixed(gap),
            (None, None) => EpisodeRule::learn(sequences),
        }
    }
}

/// What a repair step did.
#[derive(Clone, Debug, PartialEq, Serialize, schemars::JsonSchema)]
pub struct Comparison {
    /// Version of this shape: 1.
    pub version: u32,
    /// Before the step.
    pub before: Side,
    /// After the step.
    pub after: Side,
    /// What follows for the set.
    #[serde(flatten)]
    pub figures: Figures,
    /// Chance of a difference like this if nothing had changed, two-sided mid-P, by the method named; below what the
    /// confidence leaves when, and only when, the interval of the ratio excludes one.
    #[serde(serialize_with = "finite")]
    #[schemars(with = "Option<f64>")]
    pub chance_same: f64,
    /// Chance, one-sided mid-P, of a fall like this if nothing had changed.
    #[serde(serialize_with = "finite")]
    #[schemars(with = "Option<f64>")]
    pub chance_fall: f64,
    /// The gap that separates episodes, seconds; null when each press is one.
    pub episode_gap_s: Option<f64>,
    /// Variance to mean of the episode counts; above one they still cluster, and tell as much as so many fewer.
    pub dispersion: f64,
    /// Chance of so much scatter of the counts in bins of time among independent episodes (index of dispersion); null
    /// where they are too few to tell.
    pub dispersion_chance: Option<f64>,
    /// Other tests of the same question.
    pub alternatives: Vec<Alternative>,
    /// The control paths that strayed before or after.
    pub paths: Vec<PathComparison>,
    /// The test behind `chance_same`.
    pub method: String,
    /// What a technician should know, in sentences.
    pub notes: Vec<String>,
}

impl Comparison {
    /// Of a set that is quiet while a line still does what made strays: what that line does.
    pub fn goes_on(&self) -> Option<String> {
        let quiet =
            |path: &&PathComparison| path.figures.verdict == Verdict::Reduced && !path.figures.strayed_after;
        self.paths.iter().find(quiet).and_then(PathComparison::by_excursions)
    }
}

/// Dispersion of the episode counts of all these observations together; 1 when they do not cluster.
pub fn dispersion_of(observations: &[Observation], options: &CompareOptions) -> f64 {
    let sequences: Vec<&EventSequence> = observations.iter().map(|seen| &seen.sequence).collect();
    counting(&sequences, options).1
}

/// The rule and the dispersion to count by: the job's, else learned from these sequences.
fn counting(sequences: &[&EventSequence], options: &CompareOptions) -> (EpisodeRule, f64, Overdispersion) {
    let presses: Vec<Vec<Press>> = sequences.iter().map(|sequence| fold(sequence)).collect();
    let pairs: Vec<(&EventSequence, &[Press])> =
        sequences.iter().copied().zip(presses.iter().map(Vec::as_slice)).collect();
    let rule = options.rule(&pairs);
    let found: Vec<Vec<Episode>> = presses.iter().map(|presses| episodes(presses, rule.gap)).collect();
    let sides: Vec<(&EventSequence, &[Episode])> =
        sequences.iter().copied().zip(found.iter().map(Vec::as_slice)).collect();
    let overdispersion = overdispersion(&sides, rule.gap);
    let dispersion = options.dispersion.unwrap_or(overdispersion.dispersion);
    (rule, dispersion, overdispersion)
}

/// One stage by itself: its own episodes, rate and interval, compared with nothing.
pub fn alone(observation: &Observation, options: &CompareOptions) -> Side {
    let (rule, dispersion, _) = counting(&[&observation.sequence], options);
    let reading = read(&observation.sequence, &fold(&observation.sequence), rule.gap);
    side(&observation.sequence, observation.span_s, &reading, dispersion, options.confidence)
}

/// What the observation before a step demands of the soak after it; to be shown before the repair begins.
pub fn plan(observation: &Observation, options: &CompareOptions) -> QuietPlan {
    let presses = fold(&observation.sequence);
    let rule = options.rule(&[(&observation.sequence, &presses)]);
    QuietPlan::new(&observation.sequence, &episodes(&presses, rule.gap), rule.gap)
}

/// Compares two observations of one set, before and after a step: each control path by itself, then the set.
pub fn compare(before: &Observation, after: &Observation, options: &CompareOptions) -> Comparison {
    let (rule, dispersion, overdispersion) = counting(&[&before.sequence, &after.sequence], options);
    let sides = [before, after];
    let untimed = sides.iter().any(|side| side.untimed);
    let hands_on = !sides.iter().all(|side| side.hands_off);
    let hands_off = !hands_on && !untimed;
    let after_planned_s = after.planned_s;
    let away_s = before.away_s(after.wall.map(|wall| wall.start));
    let near = |before: Option<&PathSeen>, after: Option<&PathSeen>| {
        let (before, after) = (before?.near.as_ref()?, after?.near.as_ref()?);
        let plan = NearPlan::new(before)?.after(away_s);
        let exposure = plan.exposure_from(QuietExposure::default(), &after.sequence);
        Some(NearEvidence { plan: Arc::new(plan), after: after.side.clone(), exposure })
    };
    let judge =
        |before: &EventSequence, after: &EventSequence, observed: Observed, near: Option<NearEvidence>| {
            let one = read(before, &fold(before), rule.gap);
            let two = read(after, &fold(after), rule.gap);
            let plan = Arc::new(QuietPlan::new(before, &one.episodes, rule.gap).after(away_s));
            let exposure = plan.exposure_of(after);
            let evidence = Evidence {
                before: one.count,
                after: two.count,
                strays: (before.len() as u64, after.len() as u64),
                hands_off,
                observed,
                exposure,
                test: compare_scaled(one.count, two.count, dispersion, options.confidence),
                dispersion,
                planned_s: planned(after_planned_s, watched(before)),
                plan,
                near,
            };
            (evidence, one, two)
        };
    let mut ids: Vec<&PathId> = before.strayed().chain(after.strayed()).collect();
    ids.sort();
    ids.dedup();
    let nothing = EventSequence::new();
    let paths: Vec<PathComparison> = ids
        .into_iter()
        .map(|id| {
            let (one, two) = (before.path(id), after.path(id));
            let sequences = [one, two].map(|path| path.map_or(&nothing, |path| &path.sequence));
            let observed = two.map(|path| path.total.observed).unwrap_or_default();
            let (evidence, first, second) = judge(sequences[0], sequences[1], observed, near(one, two));
            let span = |path: Option<&PathSeen>| path.map_or(0.0, |path| path.total.span_s);
            let down = |path: Option<&PathSeen>| path.map_or(0.0, |path| path.total.held_share);
            PathComparison {
                total: two.map_or_else(|| after.unseen(id), |path| path.total.clone()),
                before: side(sequences[0], span(one), &first, dispersion, options.confidence),
                after: side(sequences[1], span(two), &second, dispersion, options.confidence),
                held: HeldFigures::of(
                    (sequences[0], &first.episodes, down(one)),
                    (sequences[1], &second.episodes, down(two)),
                ),
                figures: Figures::of(&evidence),
            }
        })
        .collect();
    let observed = after.paths.iter().map(|path| path.total.observed).max().unwrap_or_default();
    let (evidence, one, two) = judge(&before.sequence, &after.sequence, observed, None);
    let others = alternatives([one.count, two.count], &overdispersion.bins, &evidence.test, options.seed);
    let sides = [(before, &one), (after, &two)]
        .map(|(seen, read)| side(&seen.sequence, seen.span_s, read, dispersion, options.confidence));
    conclude(Whole { evidence, rule, overdispersion, paths, untimed, hands_on }, sides, others)
}

fn conclude(whole: Whole, [before, after]: [Side; 2], alternatives: Vec<Alternative>) -> Comparison {
    let evidence = &whole.evidence;
    let RatioTest { two_sided_mid, fall_mid, .. } = evidence.test;
    let verdict = of_set(&whole.paths);
    // The set needs what its slowest path needs.
    let most = |of: fn(&Figures) -> Option<f64>| {
        let needed: Option<Vec<f64>> = whole.paths.iter().map(|path| of(&path.figures)).collect();
        needed.filter(|all| !all.is_empty()).map(|all| all.into_iter().fold(0.0, f64::max))
    };
    Comparison {
        version: 1,
        before,
        after,
        figures: Figures {
            verdict,
            quiet_anyway: quiet_anyway_of(&whole.paths),
            soak_more_s: if verdict == Verdict::Undecided { most(|f| f.soak_more_s) } else { Some(0.0) },
            soak_more_95_s: most(|f| f.soak_more_95_s),
            soak_more_99_s: most(|f| f.soak_more_99_s),
            hand_back: hand_back(whole.paths.iter().map(|path| path.figures)),
            ..Figures::of(evidence)
        },
        chance_same: two_sided_mid,
        chance_fall: fall_mid,
        episode_gap_s: whole.rule.gap.map(Nanoseconds::seconds),
        dispersion: evidence.dispersion,
        dispersion_chance: whole.overdispersion.test.map(|test| test.p),
        alternatives,
        method: method(&whole),
        notes: notes(&whole, verdict),
        paths: whole.paths,
    }
}
