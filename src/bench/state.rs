//! The whole state of a job as one value: what `job show --json` prints and the page shows.

use serde::Serialize;

use crate::analysis::attribution::{Attribution, StepAttribution};
use crate::analysis::compare::{CompareOptions, Comparison, Side, Verdict};
use crate::analysis::ledger::PathTotal;
use crate::analysis::locate::Located;
use crate::analysis::pattern::Pattern;
use crate::analysis::quiet::QuietPlan;
use crate::analysis::stray::Suspicion;
use crate::base::{Nanoseconds, Result};
use crate::bench::causes::JobCauses;
use crate::bench::hand_back::{self, PathBack};
use crate::bench::levels::{LineLevels, RateSegment, levels, rate_stretches};
use crate::bench::load::{Loaded, StageSeen};
use crate::bench::place::located;
use crate::bench::presses::KeyChecks;
use crate::bench::provoke::{AgainState, ProvokeTest, ProvokedState, compared, instead, provoked};
use crate::bench::resting::{self, OffRest};
use crate::bench::views::{StageView, attributed, keys, options_of, views};
use crate::bench::words;
use crate::timeline::Protocols;
use crate::timeline::job::{CaptureSource, Hands, Step, StepKind};

/// A capture as it is listed.
#[derive(Clone, Debug, Serialize, schemars::JsonSchema)]
pub struct CaptureState {
    /// Name in the job.
    pub name: String,
    /// File in the job's folder.
    pub file: String,
    /// Where it came from, in words.
    pub source: String,
    /// Whether anybody touched the controls.
    pub hands: Hands,
    /// Whether keys were asked for in it.
    pub prompts: usize,
    /// Wall time of its beginning, RFC 3339.
    pub started: Option<String>,
    /// Observed stretch, seconds.
    pub span_s: Option<f64>,
    /// SHA-256 once it is closed.
    pub sha256: Option<String>,
    /// Length once it is closed.
    pub bytes: Option<u64>,
}

/// The soak that the next step will need.
#[derive(Clone, Debug, Serialize, schemars::JsonSchema)]
pub struct PlanState {
    /// The figures.
    #[serde(flatten)]
    pub plan: QuietPlan,
    /// In a sentence.
    pub advice: String,
}

/// One stage.
#[derive(Debug, Serialize, schemars::JsonSchema)]
pub struct StageState {
    /// Counted from 1.
    pub stage: usize,
    /// What was done before it.
    pub step: String,
    /// `isolate`, `repair`, `restore`; null on the first.
    pub kind: Option<&'static str>,
    /// Parts that the step touched.
    pub parts: Vec<String>,
    /// Seconds watched hands off, by the clock.
    pub span_s: f64,
    /// Seconds in which a stray would have been seen.
    pub observed_s: f64,
    /// The evidence on each control path.
    pub paths: Vec<PathTotal>,
    /// How much of it was observed on each path that is judged, since when not, and why; empty where next to all was.
    pub unobserved: Vec<String>,
    /// Strays in that time.
    pub strays: usize,
    /// Episodes, rates and intervals; null while not watched.
    pub figures: Option<Side>,
    /// What the strays were, the most frequent first.
    pub keys: Vec<(String, u64)>,
    /// Its captures.
    pub captures: Vec<CaptureState>,
    /// Repeating strays.
    pub patterns: Vec<Pattern>,
    /// The stage of the comparison.
    pub compared_with_stage: Option<usize>,
    /// All stages that it is compared with together: of one condition, and of rates that may be equal.
    pub compared_with_stages: Vec<usize>,
    /// Against that stage.
    pub comparison: Option<Comparison>,
    /// Its key checks against those before; null where either holds none.
    pub key_checks: Option<KeyChecks>,
    /// The verdict in one sentence.
    pub headline: Option<String>,
    /// What the soak after the next step must be; null while not watched.
    pub plan: Option<PlanState>,
    /// Suspected strays among hands-on input; null without any.
    pub suspicion: Option<Suspicion>,
    /// Where the rate changed within the stage; empty where one rate fits.
    pub rate_stretches: Vec<RateSegment>,
}

/// A step's credit, named by the stage that it began.
#[derive(Clone, Debug, Serialize, schemars::JsonSchema)]
pub struct AttributedStep {
    /// The stage that it began.
    pub stage: usize,
    /// The figures; `step` counts units of steps from 1.
    #[serde(flatten)]
    pub credit: StepAttribution,
}

impl AttributedStep {
    /// What was changed, in words.
    pub fn changed(&self) -> String {
        let together = if self.credit.confounded { " (together, cannot be told apart)" } else { "" };
        format!("{}{together}", self.credit.changes.join("; "))
    }
}

/// Which step did it.
#[derive(Clone, Debug, Serialize, schemars::JsonSchema)]
pub struct AttributionState {
    /// The units of steps in order.
    pub steps: Vec<AttributedStep>,
    /// The rest: nothing changed, drift, the restore and repeat that would settle it, sentences.
    #[serde(flatten)]
    pub rest: AttributionRest,
}

/// What is not about one step.
#[derive(Clone, Debug, Serialize, schemars::JsonSchema)]
pub struct AttributionRest {
    /// Probability that nothing changed at any step.
    pub none: f64,
    /// Whether a steady trend explains the counts better than any step.
    pub drift: bool,
    /// The cheapest restore and repeat, when it would settle the matter.
    pub toggle: Option<crate::analysis::attribution::Toggle>,
    /// In sentences.
    pub notes: Vec<String>,
}

/// What to do next.
#[derive(Clone, Debug, PartialEq, Serialize, schemars::JsonSchema)]
pub struct Advice {
    /// `soak`, `test`, `repeat`, `hand-back` or `closed`.
    pub action: &'static str,
    /// In a sentence.
    pub text: String,
    /// What must be so first, in sentences.
    pub prerequisites: Vec<String>,
    /// Cautions that go with it.
    pub cautions: Vec<String>,
    /// Where a soak would take long: what a provocation takes in its place.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub instead: Option<String>,
    /// The figures of that provocation.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub provoke: Option<ProvokeTest>,
}

/// All that a job says, at one moment.
#[derive(Debug, Serialize, schemars::JsonSchema)]
pub struct JobState {
    /// Version of this shape: 1.
    pub version: u32,
    /// The job's folder.
    pub job: String,
    /// Which set.
    pub set: String,
    /// Chassis by name, when it was given.
    pub chassis: Option<String>,
    /// What the customer complained of.
    pub complaint: Option<String>,
    /// Who works on it.
    pub technician: Option<String>,
    /// When the job was made, RFC 3339.
    pub created: Option<String>,
    /// When it was closed, RFC 3339.
    pub closed: Option<String>,
    /// Whether the cautions were read.
    pub cautions_read: bool,
    /// What a crash has left, what is damaged or missing.
    pub remarks: Vec<String>,
    /// The gap that separates episodes everywhere in this job, seconds; null when each press is one.
    pub episode_gap_s: Option<f64>,
    /// Seed of everything random.
    pub seed: u64,
    /// The verdict of the last stage that was compared, `reduced` where it is gone and another path that strayed is not; null
    /// before.
    pub verdict: Option<Verdict>,
    /// Whether the set may be handed back: every path that strayed is gone at 99 %, nothing is isolated, and each keypad line
    /// rests where it should.
    pub hand_back: bool,
    /// Every path that strayed with nothing isolated, as the last watched stage shows it.
    pub hand_back_paths: Vec<PathBack>,
    /// Keypad lines that rest elsewhere than their resistors put them, in the last watched stage and with nothing isolated.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub resting: Vec<OffRest>,
    /// What to do next.
    pub advice: Advice,
    /// The stages in order.
    pub stages: Vec<StageState>,
    /// Menu changes and the inputs behind them.
    pub causes: JobCauses,
    /// Which step did it; null with fewer than two watched stages.
    pub attribution: Option<AttributionState>,
    /// Keypad readings between the stages.
    pub levels: Vec<LineLevels>,
    /// Where the fault is.
    pub locate: Located,
    /// What was done to the set to make the fault come, by plan.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub provocations: Vec<ProvokedState>,
    /// Each of them against the last one with the same plan in an earlier stage.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub provoked_again: Vec<AgainState>,
}

impl JobState {
    /// The findings alone: without what belongs to this copy of the job (its folder) and, since a packed capture
    /// may be masked, without the sums of its files. The same job gives the same text wherever it is looked at.
    pub fn findings(&self) -> String {
        let mut value = serde_json::to_value(self).unwrap_or_default();
        if let Some(whole) = value.as_object_mut() {
            for field in ["job", "remarks", "set", "complaint", "technician", "closed"] {
                whole.remove(field);
            }
        }
        for stage in value["stages"].as_array_mut().into_iter().flatten() {
            stage.as_object_mut().map(|stage| stage.remove("step"));
            for capture in
                stage["captures"].as_array_mut().into_iter().flatten().filter_map(|c| c.as_object_mut())
            {
                for field in ["sha256", "bytes", "source"] {
                    capture.remove(field);
                }
            }
        }
        value.to_string()
    }
}

/// Looks at a job: figures, verdicts, patterns, credit, place of the fault, what to do next.
///
/// # Errors
/// `System` when the disk fails, `Input` when the built-in fault tree is broken.
pub fn state(loaded: &Loaded, protocols: &Protocols) -> Result<JobState> {
    state_of(loaded, &views(loaded)?, protocols)
}

/// The same from views that are there already.
///
/// # Errors
/// As [`state`].
pub fn state_of(loaded: &Loaded, views: &[StageView], protocols: &Protocols) -> Result<JobState> {
    let info = loaded.job.info();
    let options = options_of(views);
    let provocations = provoked(loaded, options.rule.as_ref().and_then(|rule| rule.gap))?;
    let locate = located(loaded, views, &provocations, protocols)?;
    let attribution = attributed(views).map(attribution);
    let last = views.iter().rev().find_map(|view| view.comparison.as_ref());
    let seen: Vec<&StageSeen> = views.iter().map(|view| &view.stage).collect();
    let back = hand_back::paths(&seen, &options);
    let gone = back.iter().all(|path| path.verdict == Verdict::Gone);
    let verdict = last.map(|(_, comparison)| match comparison.figures.verdict {
        Verdict::Gone if !gone => Verdict::Reduced,
        verdict => verdict,
    });
    let isolated = hand_back::isolated(&seen);
    let resting = match (isolated, views.iter().rfind(|view| view.stage.is_watched())) {
        (None, Some(view)) => resting::off(loaded, protocols, &view.stage)?,
        _ => Vec::new(),
    };
    let may = last.is_some_and(|(_, comparison)| comparison.figures.hand_back)
        && back.iter().all(|path| path.hand_back)
        && isolated.is_none()
        && resting.is_empty();
    let provoked_again = compared(loaded, &provocations, views)?;
    let closed = loaded.job.closed().is_some();
    let proposed = if closed { None } else { instead(&provocations, &provoked_again, views) };
    let (instead, provoke) = proposed.unzip();
    let advice = advice(loaded, views, attribution.as_ref(), &locate, &back, isolated, &resting);
    Ok(JobState {
        version: 1,
        job: loaded.job.folder().display().to_string(),
        set: info.set.clone(),
        chassis: info.chassis.clone(),
        complaint: info.complaint.clone(),
        technician: info.technician.clone(),
        created: info.created.clone(),
        closed: loaded.job.closed().map(str::to_owned),
        cautions_read: loaded.job.cautions_read().is_some(),
        remarks: loaded.job.remarks().to_vec(),
        episode_gap_s: options.rule.as_ref().and_then(|rule| rule.gap).map(Nanoseconds::seconds),
        seed: options.seed,
        verdict,
        hand_back: may,
        advice: Advice { instead, provoke, ..advice },
        hand_back_paths: back,
        resting,
        stages: views.iter().map(|view| stage(loaded, view, &options)).collect(),
        causes: loaded.causes().clone(),
        attribution,
        levels: levels(loaded, views, options.seed)?,
        locate,
        provoked_again,
        provocations,
    })
}

fn stage(loaded: &Loaded, view: &StageView, options: &CompareOptions) -> StageState {
    let step = view.stage.step.as_ref();
    StageState {
        stage: view.stage.number,
        step: view.stage.text.clone(),
        kind: step.map(|step| step.kind.word()),
        parts: step.map(|step| step.parts.clone()).unwrap_or_default(),
        span_s: view.stage.seen.sequence.exposure().seconds(),
        observed_s: view.alone.as_ref().map_or(0.0, |side| side.observed_s),
        paths: view.stage.observation.paths.iter().map(|path| path.total.clone()).collect(),
        unobserved: unobserved(view),
        strays: view.stage.seen.sequence.len(),
        figures: view.alone.clone(),
        keys: keys(view),
        captures: captures(loaded, view),
        patterns: view.patterns.patterns.clone(),
        compared_with_stage: view.comparison.as_ref().map(|(number, _)| *number),
        compared_with_stages: view.pooled.clone(),
        key_checks: view.key_checks.clone(),
        headline: view.comparison.as_ref().map(|(_, comparison)| words::headline(comparison)),
        comparison: view.comparison.as_ref().map(|(_, comparison)| comparison.clone()),
        plan: view.plan.clone().map(|plan| PlanState { advice: plan.advice(), plan }),
        suspicion: view.suspicion.clone(),
        rate_stretches: rate_stretches(view, options),
    }
}

/// What was not observed on the paths that are judged: those of the comparison, else those that strayed.
fn unobserved(view: &StageView) -> Vec<String> {
    match &view.comparison {
        Some((_, comparison)) => comparison.paths.iter().filter_map(|path| path.total.unobserved()).collect(),
        None => {
            let strayed: Vec<_> = view.stage.observation.strayed().collect();
            let paths = view.stage.observation.paths.iter();
            paths
                .filter(|path| strayed.contains(&&path.total.id))
                .filter_map(|path| path.total.unobserved())
                .collect()
        }
    }
}

/// The captures of a stage as they are listed.
pub fn captures(loaded: &Loaded, view: &StageView) -> Vec<CaptureState> {
    view.stage
        .captures
        .iter()
        .map(|capture| CaptureState {
            name: capture.name.clone(),
            file: capture.file.clone(),
            source: match &capture.source {
                CaptureSource::Live { port } => port.clone(),
                CaptureSource::File { path } => path.clone(),
            },
            hands: capture.hands,
            prompts: capture.prompts.len(),
            started: capture.started.and_then(|anchor| anchor.wall(Nanoseconds::ZERO)),
            span_s: loaded.span(capture).map(|span| span.length().seconds()),
            sha256: capture.sha256.clone(),
            bytes: capture.bytes,
        })
        .collect()
}

fn attribution((found, began): (Attribution, Vec<usize>)) -> AttributionState {
    AttributionState {
        steps: found
            .steps
            .into_iter()
            .zip(began)
            .map(|(credit, stage)| AttributedStep { stage, credit })
            .collect(),
        rest: AttributionRest {
            none: found.none,
            drift: found.drift,
            toggle: found.toggle,
            notes: found.notes,
        },
    }
}

/// The next action: watch first, then test or repair, then prove; never the next thing before the last is settled.
fn advice(
    loaded: &Loaded,
    views: &[StageView],
    attribution: Option<&AttributionState>,
    located: &Located,
    back: &[PathBack],
    isolated: Option<&Step>,
    resting: &[OffRest],
) -> Advice {
    let say = |action, text: String| Advice {
        action,
        text,
        prerequisites: Vec::new(),
        cautions: Vec::new(),
        instead: None,
        provoke: None,
    };
    if let Some(at) = loaded.job.closed() {
        return say("closed", words::closed(at));
    }
    let Some(last) = views.last().filter(|last| last.alone.is_some()) else {
        let plan = views.iter().rev().find_map(|view| view.plan.as_ref());
        return say("soak", words::soak_first(views.len(), plan.map(QuietPlan::advice).as_deref()));
    };
    // What an isolation shows is for the next test: a set with a part off is not handed back.
    let repaired = last.stage.step.as_ref().is_some_and(|step| step.kind == StepKind::Repair);
    if let Some(step) = isolated.filter(|_| repaired) {
        return say("restore", words::put_back(&step.text));
    }
    if let Some((_, comparison)) = last.comparison.as_ref().filter(|_| isolated.is_none()) {
        if let (Verdict::Undecided, Some(path)) = (comparison.figures.verdict, words::unsigned(comparison)) {
            return say("soak", words::see_first(&path));
        }
        match (comparison.figures.verdict, comparison.figures.soak_more_s) {
            (Verdict::Gone, _) if !comparison.figures.hand_back => {
                let (luck, more) = (comparison.figures.quiet_anyway, comparison.figures.soak_more_99_s);
                return say("soak", words::not_yet_back(luck, more));
            }
            (Verdict::Gone, _) if back.iter().any(|path| !path.hand_back) => {
                let open = back.iter().filter(|path| !path.hand_back);
                return say("soak", words::other_path(open.map(|path| path.id.words())));
            }
            (Verdict::Gone, _) if !resting.is_empty() => {
                return say("test", words::look_first(resting.iter().map(|line| line.sentence.as_str())));
            }
            (Verdict::Gone, _) => {
                let toggle = attribution.and_then(|a| a.rest.toggle.as_ref());
                return say("hand-back", words::hand_back(toggle.map(|toggle| toggle.sentence.as_str())));
            }
            (Verdict::Undecided, Some(more)) if more > 0.0 && comparison.after.strays == 0 => {
                return say("soak", words::soak_longer(more));
            }
            _ => {}
        }
    } else if views.iter().all(|view| view.stage.seen.sequence.is_empty()) {
        return say("soak", words::NOTHING_YET.to_owned());
    }
    match located.next_test() {
        Some(next) => Advice {
            action: "test",
            text: words::next_test(&next.text, next.minutes),
            prerequisites: next.prerequisites.clone(),
            cautions: next.cautions.clone(),
            instead: None,
            provoke: None,
        },
        None => say("repeat", words::NO_TEST.to_owned()),
    }
}
