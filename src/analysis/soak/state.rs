//! Where a soak stands, and what a technician should know of it.

use serde::Serialize;

use crate::analysis::baseline::Forecast;
use crate::analysis::compare::{Figures, Side, Verdict, quiet_enough};
use crate::analysis::ledger::{Blind, Ledger, PathId, PathTotal, SILENT_S, Sign};
use crate::base::ControlPath;
use crate::base::words::{duration, plural};

/// A path that is not observed just now.
#[derive(Clone, Debug, PartialEq, Serialize, schemars::JsonSchema)]
pub struct BlindNow {
    /// Which path.
    #[serde(flatten)]
    pub id: PathId,
    /// Since when, seconds of the capture.
    pub since_s: f64,
    /// Why.
    #[serde(flatten)]
    pub why: Blind,
}

/// One path of a soak at one moment.
#[derive(Clone, Debug, PartialEq, Serialize, schemars::JsonSchema)]
pub struct PathState {
    /// The ledger's figures, earlier captures of the stage included.
    #[serde(flatten)]
    pub total: PathTotal,
    /// Strays, episodes and rate.
    pub side: Side,
    /// What follows; null without an earlier stage.
    #[serde(flatten)]
    pub figures: Option<Figures>,
}

/// Where a soak stands.
#[derive(Clone, Debug, PartialEq, Serialize, schemars::JsonSchema)]
pub struct SoakState {
    /// By the clock in this stage, seconds, earlier soaks and restarts included.
    pub elapsed_s: f64,
    /// Time in which a stray would have been seen, seconds.
    pub observed_s: f64,
    /// Time that waits for a sign of life, seconds.
    pub pending_s: f64,
    /// Strays in this stage.
    pub strays: u64,
    /// Episodes in this stage.
    pub episodes: u64,
    /// Verdict so far, valid whenever one looks.
    pub verdict: Verdict,
    /// Whether the set may be handed back: gone at 99 %.
    pub hand_back: bool,
    /// Whether the soak may stop: a further look can only repeat the verdict.
    pub done: bool,
    /// Whether it could stop if the pending time were observed: the time to ask for a sign of life.
    pub done_with_sign: bool,
    /// Chance that the unrepaired set would have been quiet for so long; 1 once a stray came.
    pub quiet_anyway: f64,
    /// Quiet observed time still needed for hand-back (99 %), seconds; null when no soak of this stage can give it.
    pub soak_more_s: Option<f64>,
    /// Quiet observed time still needed for `gone` (95 %), seconds; null while strays come.
    pub soak_more_95_s: Option<f64>,
    /// How often the clock was restarted in this stage; it did not help.
    pub restarts: u32,
    /// The judged paths.
    pub paths: Vec<PathState>,
    /// What is not observed at this moment.
    pub blind: Vec<BlindNow>,
    /// What a technician should know, in sentences.
    pub notes: Vec<String>,
}

/// A path that was observed until so shortly before is not blind just now, seconds.
const JUST_NOW_S: f64 = 0.05;

/// What is not observed at this moment: the judged paths, else all that report by themselves, else everything.
pub(super) fn blind_now(judged: &[PathId], ledger: &Ledger) -> Vec<BlindNow> {
    let Some(span) = ledger.span else { return Vec::new() };
    let now_s = span.end.seconds();
    let reporting = ledger.paths.iter().filter(|path| matches!(path.sign, Sign::Cadence { .. }));
    let ids: Vec<PathId> = match judged {
        [] => reporting.map(|path| path.id.clone()).collect(),
        some => some.to_vec(),
    };
    let mut blind: Vec<BlindNow> = ids
        .into_iter()
        .filter_map(|id| {
            let last = ledger.blind(&id).into_iter().next_back()?;
            let asked = matches!(last.why, Blind::HandsOn | Blind::NoSign { .. });
            (last.to_s >= now_s - JUST_NOW_S && !asked).then_some(BlindNow {
                id,
                since_s: last.from_s,
                why: last.why,
            })
        })
        .collect();
    if let Some(since) = ledger.unheard_since() {
        let known = blind.iter().any(|blind| !matches!(blind.why, Blind::NoSign { .. }));
        if !known {
            let why = Blind::Silent { limit_s: SILENT_S };
            blind.push(BlindNow { id: PathId::whole(ControlPath::System), since_s: since.seconds(), why });
        }
    }
    blind
}

pub(super) fn notes(state: &SoakState, compared: bool, baseline: Option<Forecast>) -> Vec<String> {
    let mut notes = Vec::new();
    let observed = duration(state.observed_s);
    if state.restarts > 0 {
        notes.push(format!(
            "The clock was restarted {}; all {observed} since the step count.",
            plural(u64::from(state.restarts), "time"),
        ));
    }
    notes.extend(state.paths.iter().filter_map(|path| path.total.unobserved()));
    if state.paths.is_empty() && state.observed_s <= 0.0 && state.elapsed_s > 0.0 {
        notes.push("Nothing was observed: nothing readable came from the set.".to_owned());
    }
    if !compared {
        notes.push(match baseline {
            None if state.strays == 0 => {
                "No stray yet: without one, no repair can be proved later. Keep watching.".to_owned()
            }
            None => "Already misbehaving at the start. Keep watching.".to_owned(),
            Some(Forecast { likely_s: None, .. }) => format!(
                "{} in {observed}, so unevenly that quiet alone will prove no repair yet. Watch on.",
                plural(state.episodes, "episode"),
            ),
            Some(Forecast { likely_s: Some(likely), certain_s }) => format!(
                "{} in {observed}: after a repair, 95 % will need {} of quiet, {}. A longer baseline shortens that.",
                plural(state.episodes, "episode"),
                duration(likely),
                certain_s.map_or_else(
                    || "for 99 % quiet alone will not do".to_owned(),
                    |certain| format!("99 % {}", duration(certain))
                )
            ),
        });
    } else if state.strays == 0 {
        let uneven = state.paths.iter().any(|path| path.figures.is_some_and(|f| f.too_uneven));
        let before = state.paths.iter().any(|path| path.figures.is_some_and(|f| f.strayed_before));
        notes.push(match (state.verdict, state.soak_more_95_s) {
            (Verdict::Gone, _) => quiet_enough(state.quiet_anyway, state.soak_more_s),
            _ if !before => "Nothing to compare with: no stray was seen before the step.".to_owned(),
            _ if state.observed_s <= 0.0 => "Nothing was observed, so nothing is proved.".to_owned(),
            (_, Some(missing)) => format!("Quiet so far; {} more for 95 %.", duration(missing)),
            (_, None) if uneven => {
                "Quiet so far, but the pauses before were so uneven that quiet alone proves nothing."
                    .to_owned()
            }
            (_, None) => "Quiet so far.".to_owned(),
        });
        let excursions = |path: &PathState| path.figures?.excursions?.sentence(&path.total.id);
        notes.extend(state.paths.iter().filter_map(excursions));
    } else {
        let split = state.paths.iter().filter(|path| path.side.strays > 0);
        let which: Vec<String> = split
            .map(|path| format!("{} on {}", plural(path.side.episodes, "episode"), path.total.id.words()))
            .collect();
        notes.push(format!(
            "{} in {observed}: not gone. Another soak won't help. Do the next step.",
            if which.is_empty() { plural(state.episodes, "episode") } else { which.join(", ") }
        ));
    }
    notes
}
