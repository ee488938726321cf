//! Before and after one repair step: what the strays were, what they are, and the verdict.
//!
//! Everything is tested on episodes. The verdict never says more than the interval shown beside it: a change
//! is claimed only when the interval of the ratio excludes one, and `gone` only after a hands-off soak that an
//! unrepaired set would have sat through quietly in at most one case of a hundred.

mod alternatives;
mod verdict;

use serde::{Serialize, Serializer};

use super::episode::{Episode, EpisodeRule, Press, episodes, fold};
use super::quiet::{QuietPlan, exposure, watched};
use super::rate::{Count, RatioTest, compare_scaled, garwood_scaled};
use super::scatter::scatter;
use super::train::Train;
use crate::base::Nanoseconds;

pub(crate) use crate::base::words::{chance as percent, duration, plural};
pub use alternatives::Alternative;
use alternatives::alternatives;
pub(crate) use verdict::SAME_WITHIN;
pub use verdict::Verdict;
use verdict::{Evidence, method, notes, soak_more, verdict};

/// What was seen in one stage.
#[derive(Clone, Debug, Default)]
pub struct Observation {
    /// Its strays and how long was watched.
    pub train: Train,
    /// Whether hands were off throughout. With hands on, input may be a person's, and nothing is proved.
    pub hands_off: bool,
}

impl Observation {
    /// An observation with hands off.
    pub fn soak(train: Train) -> Self {
        Self { train, hands_off: true }
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
    /// Seed of the permutations.
    pub seed: u64,
}

impl Default for CompareOptions {
    fn default() -> Self {
        Self { confidence: 0.95, episode_gap: None, rule: None, seed: 1 }
    }
}

impl CompareOptions {
    /// Options with the episode gap learned once from all observations of a job, so that every comparison, soak
    /// and lone stage of it counts the same episodes.
    pub fn of_job(observations: &[&Observation]) -> Self {
        let presses: Vec<Vec<Press>> = observations.iter().map(|seen| fold(&seen.train)).collect();
        let trains: Vec<(&Train, &[Press])> = observations
            .iter()
            .zip(&presses)
            .map(|(seen, presses)| (&seen.train, presses.as_slice()))
            .collect();
        Self { rule: Some(EpisodeRule::learn(&trains)), ..Self::default() }
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
    /// How long was watched, seconds, standby left out.
    pub span_s: f64,
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
    /// The verdict.
    pub verdict: Verdict,
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

fn side(observation: &Observation, reading: &Reading, dispersion: f64, confidence: f64) -> Side {
    let minutes = reading.count.exposure / 60.0;
    let interval = garwood_scaled(reading.count.count, dispersion, confidence);
    let span_s = watched(&observation.train);
    let inside: f64 = reading.episodes.iter().map(|e| (e.end - e.start).seconds()).sum();
    Side {
        span_s,
        strays: observation.train.len() as u64,
        episodes: reading.count.count,
        per_min: garwood_rate(reading.count.count, minutes),
        per_min_low: interval.low / minutes,
        per_min_high: interval.high / minutes,
        stray_share: if span_s > 0.0 { (inside / span_s).min(1.0) } else { 0.0 },
    }
}

#[allow(clippy::cast_precision_loss)]
fn garwood_rate(count: u64, minutes: f64) -> f64 {
    count as f64 / minutes
}

/// Dispersion of the episode counts of all these observations together; 1 when they do not cluster.
pub fn dispersion_of(observations: &[Observation], options: &CompareOptions) -> f64 {
    let presses: Vec<Vec<Press>> = observations.iter().map(|seen| fold(&seen.train)).collect();
    let trains = || observations.iter().map(|seen| &seen.train).zip(&presses);
    let rule =
        options.rule(&trains().map(|(train, presses)| (train, presses.as_slice())).collect::<Vec<_>>());
    let found: Vec<Vec<Episode>> = presses.iter().map(|presses| episodes(presses, rule.gap)).collect();
    let sides: Vec<(&Train, &[Episode])> =
        trains().zip(&found).map(|((train, _), episodes)| (train, episodes.as_slice())).collect();
    scatter(&sides, rule.gap).dispersion
}

/// One stage by itself: its own episodes, rate and interval, compared with nothing.
pub fn alone(observation: &Observation, options: &CompareOptions) -> Side {
    let presses = fold(&observation.train);
    let rule = options.rule(&[(&observation.train, &presses)]);
    let reading = read(&observation.train, &presses, rule.gap);
    let dispersion = scatter(&[(&observation.train, reading.episodes.as_slice())], rule.gap).dispersion;
    side(observation, &reading, dispersion, options.confidence)
}

/// What the observation before a step demands of the soak after it; to be shown before the repair begins.
pub fn plan(observation: &Observation, options: &CompareOptions) -> QuietPlan {
    let presses = fold(&observation.train);
    let rule = options.rule(&[(&observation.train, &presses)]);
    QuietPlan::new(&observation.train, &episodes(&presses, rule.gap), rule.gap)
}

/// Compares two observations of one set, before and after a step.
pub fn compare(before: &Observation, after: &Observation, options: &CompareOptions) -> Comparison {
    let presses = [fold(&before.train), fold(&after.train)];
    let rule = options.rule(&[(&before.train, &presses[0]), (&after.train, &presses[1])]);
    let one = read(&before.train, &presses[0], rule.gap);
    let two = read(&after.train, &presses[1], rule.gap);
    let sides = [(&before.train, one.episodes.as_slice()), (&after.train, two.episodes.as_slice())];
    let scatter = scatter(&sides, rule.gap);
    let dispersion = scatter.dispersion;
    let test = compare_scaled(one.count, two.count, dispersion, options.confidence);
    let others = alternatives([one.count, two.count], &scatter.stretches, &test, options.seed);
    let plan = QuietPlan::new(&before.train, &one.episodes, rule.gap);
    let evidence = Evidence {
        before: one.count,
        after: two.count,
        strays: (before.train.len() as u64, after.train.len() as u64),
        hands_off: before.hands_off && after.hands_off,
        quiet_s: watched(&after.train),
        credit: plan.credit_of(&after.train),
        test,
        plan,
        rule,
        scatter,
    };
    let sides = [(before, &one), (after, &two)].map(|(o, r)| side(o, r, dispersion, options.confidence));
    conclude(evidence, sides, others)
}

fn conclude(evidence: Evidence, [before, after]: [Side; 2], alternatives: Vec<Alternative>) -> Comparison {
    let RatioTest { ratio, interval_mid, two_sided_mid, fall_mid, .. } = evidence.test;
    let verdict = verdict(&evidence);
    let more = |needed| evidence.plan.missing(needed, evidence.credit);
    Comparison {
        version: 1,
        before,
        after,
        ratio,
        ratio_low: interval_mid.low,
        ratio_high: interval_mid.high,
        chance_same: two_sided_mid,
        chance_fall: fall_mid,
        quiet_anyway: evidence.plan.quiet_anyway(evidence.credit.quiet_s),
        soak_more_s: soak_more(&evidence, verdict),
        soak_more_95_s: more(evidence.plan.likely_s),
        soak_more_99_s: more(evidence.plan.certain_s),
        episode_gap_s: evidence.rule.gap.map(Nanoseconds::seconds),
        dispersion: evidence.scatter.dispersion,
        dispersion_chance: evidence.scatter.test.map(|test| test.p),
        alternatives,
        verdict,
        method: method(&evidence),
        notes: notes(&evidence, verdict),
    }
}
