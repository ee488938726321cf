//! Before and after one repair step: what the strays were, what they are, and the verdict.
//!
//! Everything is tested on episodes. The verdict never says more than the interval shown beside it: a change
//! is claimed only when the interval of the ratio excludes one, and `gone` only after a hands-off soak that an
//! unrepaired set would have sat through quietly in at most one case of twenty; hand-back asks for one of a hundred.

mod alternatives;
mod path;
mod verdict;

use serde::{Serialize, Serializer};

use super::episode::{Episode, EpisodeRule, Press, episodes, fold};
use super::ledger::{Intervals, Ledger, Observed, PathId, PathTotal};
use super::quiet::{QuietPlan, exposure, watched};
use super::rate::{Count, RatioTest, compare_scaled, garwood_scaled};
use super::scatter::{Scatter, scatter};
use super::train::{Symbol, Train};
use crate::base::{ControlPath, Nanoseconds};

pub(crate) use crate::base::words::{duration, plural};
pub use alternatives::Alternative;
use alternatives::alternatives;
pub use path::{PathComparison, PathFigures};
pub use verdict::Verdict;
pub use verdict::quiet_enough;
pub(crate) use verdict::{Evidence, hand_back, of_verdicts};
use verdict::{Whole, any_time, method, notes, of_set};

/// What was seen in one stage.
#[derive(Clone, Debug, Default)]
pub struct Observation {
    /// The strays of all paths, over the time in which any judged path was observed.
    pub train: Train,
    /// Whether hands were off throughout. With hands on, input may be a person's, and nothing is proved.
    pub hands_off: bool,
    /// Each control path by itself.
    pub paths: Vec<PathSeen>,
    /// How long its captures are by the clock, seconds.
    pub span_s: f64,
    /// How long its first soak was planned to last, seconds; null where none was planned. What was looked at once is no
    /// shorter plan afterwards.
    pub planned_s: Option<f64>,
}

/// One control path of one stage.
#[derive(Clone, Debug)]
pub struct PathSeen {
    /// When it was observed, and what its levels were.
    pub total: PathTotal,
    /// Its strays on observed time.
    pub train: Train,
}

impl Observation {
    /// A simulated observation with hands off in which the whole of the train was observed: for known truths.
    pub fn soak(train: Train) -> Self {
        let whole: Vec<Intervals> =
            train.segments().iter().map(|segment| Intervals::one(segment.in_capture())).collect();
        let inputs = ControlPath::ALL.into_iter().filter(|path| path.is_input()).map(PathId::whole);
        let mut ids: Vec<PathId> = train.symbols().iter().map(Symbol::id).chain(inputs).collect();
        ids.sort();
        ids.dedup();
        let paths = ids
            .into_iter()
            .map(|id| {
                let train = train.restricted(&|symbol| symbol.id() == id, &whole);
                PathSeen { total: PathTotal::simulated(id, &train), train }
            })
            .collect();
        Self { span_s: train.exposure().seconds(), train, hands_off: true, paths, planned_s: None }
    }

    /// One path of it.
    pub fn path(&self, id: &PathId) -> Option<&PathSeen> {
        self.paths.iter().find(|path| path.total.id == *id)
    }

    /// A path of which nothing was met.
    fn unseen(&self, id: &PathId) -> PathTotal {
        PathTotal::of(id, &[Ledger { span: None, ..Ledger::default() }]).by_the_clock(self.span_s)
    }

    /// The paths that strayed.
    pub fn strayed(&self) -> impl Iterator<Item = &PathId> {
        self.paths.iter().filter(|path| !path.train.is_empty()).map(|path| &path.total.id)
    }
}

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
        let presses: Vec<Vec<Press>> = observations.iter().map(|seen| fold(&seen.train)).collect();
        let trains: Vec<(&Train, &[Press])> = observations
            .iter()
            .zip(&presses)
            .map(|(seen, presses)| (&seen.train, presses.as_slice()))
            .collect();
        let rule = EpisodeRule::learn(&trains);
        let found: Vec<Vec<Episode>> = presses.iter().map(|presses| episodes(presses, rule.gap)).collect();
        let sides: Vec<(&Train, &[Episode])> =
            observations.iter().zip(&found).map(|(seen, found)| (&seen.train, found.as_slice())).collect();
        let dispersion = Some(scatter(&sides, rule.gap).dispersion);
        Self { rule: Some(rule), dispersion, ..Self::default() }
    }

    /// The rule to count by: the job's, the gap set by hand, or one learned from these trains.
    pub(crate) fn rule(&self, trains: &[(&Train, &[Press])]) -> EpisodeRule {
        match (&self.rule, self.episode_gap) {
            (Some(rule), _) => rule.clone(),
            (None, Some(gap)) => EpisodeRule::fixed(gap),
            (None, None) => EpisodeRule::learn(trains),
        }
    }
}

/// One side of a comparison.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Side {
    /// How long the captures are by the clock, seconds.
    pub span_s: f64,
    /// Time in which a stray would have been seen, seconds.
    pub observed_s: f64,
    /// Raw strays, repeats counted.
    pub strays: u64,
    /// Episodes.
    pub episodes: u64,
    /// Episodes a minute.
    #[serde(serialize_with = "finite")]
    pub per_min: f64,
    /// Lower end of its exact interval.
    #[serde(serialize_with = "finite")]
    pub per_min_low: f64,
    /// Upper end of its exact interval.
    #[serde(serialize_with = "finite")]
    pub per_min_high: f64,
    /// Share of the time spent inside episodes.
    pub stray_share: f64,
}

/// What a repair step did.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Comparison {
    /// Version of this shape: 1.
    pub version: u32,
    /// Before the step.
    pub before: Side,
    /// After the step.
    pub after: Side,
    /// Rate before divided by rate after; absent (null) when nothing came after.
    #[serde(serialize_with = "finite")]
    pub ratio: f64,
    /// Lower end of its mid-P interval.
    #[serde(serialize_with = "finite")]
    pub ratio_low: f64,
    /// Upper end of its mid-P interval; null for without limit.
    #[serde(serialize_with = "finite")]
    pub ratio_high: f64,
    /// Chance of a difference like this if nothing had changed, two-sided mid-P, by the method named; below what the
    /// confidence leaves when, and only when, the interval of the ratio excludes one.
    #[serde(serialize_with = "finite")]
    pub chance_same: f64,
    /// Chance, one-sided mid-P, of a fall like this if nothing had changed.
    #[serde(serialize_with = "finite")]
    pub chance_fall: f64,
    /// Chance that the set, unrepaired, would have shown no episode for as long as the time after.
    pub quiet_anyway: f64,
    /// Quiet soak still needed for the verdict, seconds; 0 when it is reached, null when no soak can tell.
    pub soak_more_s: Option<f64>,
    /// The same for 95 %.
    pub soak_more_95_s: Option<f64>,
    /// The same for 99 %.
    pub soak_more_99_s: Option<f64>,
    /// The gap that separates episodes, seconds; null when each press is one.
    pub episode_gap_s: Option<f64>,
    /// Variance to mean of the episode counts; above one they still cluster, and tell as much as so many fewer.
    pub dispersion: f64,
    /// Chance of so much scatter of the counts in stretches of time among independent episodes (index of dispersion); null
    /// where they are too few to tell.
    pub dispersion_chance: Option<f64>,
    /// Other tests of the same question.
    pub alternatives: Vec<Alternative>,
    /// The verdict on the set.
    pub verdict: Verdict,
    /// Whether the set may be handed back: gone at 99 %.
    pub hand_back: bool,
    /// The control paths that strayed before or after.
    pub paths: Vec<PathComparison>,
    /// Lower end of the interval that decides: valid however often one looks.
    #[serde(serialize_with = "finite")]
    pub ratio_any_low: f64,
    /// Upper end of the interval that decides; null for without limit.
    #[serde(serialize_with = "finite")]
    pub ratio_any_high: f64,
    /// The test behind `chance_same`.
    pub method: String,
    /// What a technician should know, in sentences.
    pub notes: Vec<String>,
}

/// JSON has no infinity: what is not finite is written as null.
fn finite<S: Serializer>(value: &f64, serializer: S) -> Result<S::Ok, S::Error> {
    if value.is_finite() { serializer.serialize_f64(*value) } else { serializer.serialize_none() }
}

/// The presses and episodes of one observation.
pub(crate) struct Reading {
    pub(crate) episodes: Vec<Episode>,
    pub(crate) count: Count,
}

pub(crate) fn read(train: &Train, presses: &[Press], gap: Option<Nanoseconds>) -> Reading {
    let episodes = episodes(presses, gap);
    let count = Count { count: episodes.len() as u64, exposure: exposure(train, &episodes) };
    Reading { episodes, count }
}

/// The figures of one side. `span_s` is by the clock.
fn side(train: &Train, span_s: f64, reading: &Reading, dispersion: f64, confidence: f64) -> Side {
    let observed_s = watched(train);
    let inside: f64 = reading.episodes.iter().map(|e| (e.end - e.start).seconds()).sum();
    figures(span_s, observed_s, inside, train.len() as u64, reading.count, dispersion, confidence)
}

/// Rate and interval of one side: the one place where they are worked out.
pub(crate) fn figures(
    span_s: f64,
    observed_s: f64,
    inside_s: f64,
    strays: u64,
    count: Count,
    dispersion: f64,
    confidence: f64,
) -> Side {
    let minutes = count.exposure / 60.0;
    let interval = garwood_scaled(count.count, dispersion, confidence);
    Side {
        span_s,
        observed_s,
        strays,
        episodes: count.count,
        per_min: garwood_rate(count.count, minutes),
        per_min_low: interval.low / minutes,
        per_min_high: interval.high / minutes,
        stray_share: if observed_s > 0.0 { (inside_s / observed_s).min(1.0) } else { 0.0 },
    }
}

#[allow(clippy::cast_precision_loss)]
fn garwood_rate(count: u64, minutes: f64) -> f64 {
    count as f64 / minutes
}

/// Dispersion of the episode counts of all these observations together; 1 when they do not cluster.
pub fn dispersion_of(observations: &[Observation], options: &CompareOptions) -> f64 {
    let trains: Vec<&Train> = observations.iter().map(|seen| &seen.train).collect();
    counting(&trains, options).1
}

/// The rule and the dispersion to count by: the job's, else learned from these trains.
fn counting(trains: &[&Train], options: &CompareOptions) -> (EpisodeRule, f64, Scatter) {
    let presses: Vec<Vec<Press>> = trains.iter().map(|train| fold(train)).collect();
    let pairs: Vec<(&Train, &[Press])> =
        trains.iter().copied().zip(presses.iter().map(Vec::as_slice)).collect();
    let rule = options.rule(&pairs);
    let found: Vec<Vec<Episode>> = presses.iter().map(|presses| episodes(presses, rule.gap)).collect();
    let sides: Vec<(&Train, &[Episode])> =
        trains.iter().copied().zip(found.iter().map(Vec::as_slice)).collect();
    let scatter = scatter(&sides, rule.gap);
    let dispersion = options.dispersion.unwrap_or(scatter.dispersion);
    (rule, dispersion, scatter)
}

/// One stage by itself: its own episodes, rate and interval, compared with nothing.
pub fn alone(observation: &Observation, options: &CompareOptions) -> Side {
    let (rule, dispersion, _) = counting(&[&observation.train], options);
    let reading = read(&observation.train, &fold(&observation.train), rule.gap);
    side(&observation.train, observation.span_s, &reading, dispersion, options.confidence)
}

/// What the observation before a step demands of the soak after it; to be shown before the repair begins.
pub fn plan(observation: &Observation, options: &CompareOptions) -> QuietPlan {
    let presses = fold(&observation.train);
    let rule = options.rule(&[(&observation.train, &presses)]);
    QuietPlan::new(&observation.train, &episodes(&presses, rule.gap), rule.gap)
}

/// Compares two observations of one set, before and after a step: each control path by itself, then the set.
pub fn compare(before: &Observation, after: &Observation, options: &CompareOptions) -> Comparison {
    let (rule, dispersion, scatter) = counting(&[&before.train, &after.train], options);
    let hands_off = before.hands_off && after.hands_off;
    let after_planned_s = after.planned_s;
    let judge = |before: &Train, after: &Train, observed: Observed| {
        let one = read(before, &fold(before), rule.gap);
        let two = read(after, &fold(after), rule.gap);
        let plan = QuietPlan::new(before, &one.episodes, rule.gap);
        let credit = plan.credit_of(after);
        let evidence = Evidence {
            before: one.count,
            after: two.count,
            strays: (before.len() as u64, after.len() as u64),
            hands_off,
            observed,
            credit,
            test: compare_scaled(one.count, two.count, dispersion, options.confidence),
            dispersion,
            planned_s: after_planned_s,
            plan,
        };
        (evidence, one, two)
    };
    let mut ids: Vec<&PathId> = before.strayed().chain(after.strayed()).collect();
    ids.sort();
    ids.dedup();
    let nothing = Train::new();
    let paths: Vec<PathComparison> = ids
        .into_iter()
        .map(|id| {
            let (one, two) = (before.path(id), after.path(id));
            let trains = [one, two].map(|path| path.map_or(&nothing, |path| &path.train));
            let observed = two.map(|path| path.total.observed).unwrap_or_default();
            let (evidence, first, second) = judge(trains[0], trains[1], observed);
            let span = |path: Option<&PathSeen>| path.map_or(0.0, |path| path.total.span_s);
            PathComparison {
                total: two.map_or_else(|| after.unseen(id), |path| path.total.clone()),
                before: side(trains[0], span(one), &first, dispersion, options.confidence),
                after: side(trains[1], span(two), &second, dispersion, options.confidence),
                figures: PathFigures::of(&evidence),
            }
        })
        .collect();
    let observed = after.paths.iter().map(|path| path.total.observed).max().unwrap_or_default();
    let (evidence, one, two) = judge(&before.train, &after.train, observed);
    let others = alternatives([one.count, two.count], &scatter.stretches, &evidence.test, options.seed);
    let sides = [(before, &one), (after, &two)]
        .map(|(seen, read)| side(&seen.train, seen.span_s, read, dispersion, options.confidence));
    conclude(Whole { evidence, rule, scatter, paths }, sides, others)
}

fn conclude(whole: Whole, [before, after]: [Side; 2], alternatives: Vec<Alternative>) -> Comparison {
    let evidence = &whole.evidence;
    let RatioTest { ratio, interval_mid, two_sided_mid, fall_mid, .. } = evidence.test;
    let verdict = of_set(&whole.paths);
    let any = any_time(evidence);
    // The set needs what its slowest path needs.
    let most = |of: fn(&PathFigures) -> Option<f64>| {
        let needed: Option<Vec<f64>> = whole.paths.iter().map(|path| of(&path.figures)).collect();
        needed.filter(|all| !all.is_empty()).map(|all| all.into_iter().fold(0.0, f64::max))
    };
    Comparison {
        version: 1,
        before,
        after,
        ratio,
        ratio_low: interval_mid.low,
        ratio_high: interval_mid.high,
        ratio_any_low: any.low,
        ratio_any_high: any.high,
        chance_same: two_sided_mid,
        chance_fall: fall_mid,
        quiet_anyway: quiet_anyway_of(&whole.paths),
        soak_more_s: if verdict == Verdict::Undecided { most(|f| f.soak_more_s) } else { Some(0.0) },
        soak_more_95_s: most(|f| f.soak_more_95_s),
        soak_more_99_s: most(|f| f.soak_more_99_s),
        episode_gap_s: whole.rule.gap.map(Nanoseconds::seconds),
        dispersion: evidence.dispersion,
        dispersion_chance: whole.scatter.test.map(|test| test.p),
        alternatives,
        verdict,
        hand_back: hand_back(whole.paths.iter().map(|path| path.figures)),
        method: method(&whole),
        notes: notes(&whole, verdict),
        paths: whole.paths,
    }
}

/// The chance that the unrepaired set would have been this quiet: on the path that says least.
pub(crate) fn quiet_anyway_of(paths: &[PathComparison]) -> f64 {
    paths.iter().map(|path| path.figures.quiet_anyway).reduce(f64::max).unwrap_or(1.0)
}
