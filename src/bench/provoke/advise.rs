//! Where a soak takes long: what a provocation takes in its place, and what it tells.

use schemars::JsonSchema;
use serde::Serialize;

use crate::analysis::compare::Verdict;
use crate::analysis::locate::Risk;
use crate::analysis::provoke::{Timing, Wish, forecast, stressor};
use crate::base::Nanoseconds;
use crate::base::words::{duration, number};
use crate::bench::provoke::again::{AgainState, brought};
use crate::bench::provoke::state::{LIKELY, ProvokedState, SURE, StressorState};
use crate::bench::views::StageView;

/// A soak that takes longer is worth another way. A rule of our own.
const LONG_S: f64 = 3600.0;
/// What is proposed where nothing was provoked yet: half an hour of one stressor as slow as warmth.
const PROPOSED: (f64, Timing) =
    (1800.0, Timing { block: Nanoseconds(30_000_000_000), wash_out: Nanoseconds(30_000_000_000) });

/// A provocation as a test that is proposed.
#[derive(Clone, Debug, PartialEq, Serialize, JsonSchema)]
pub struct ProvokeTest {
    /// Minutes of it.
    pub minutes: f64,
    /// Minutes of the soak in its place; null where none would be long enough.
    pub soak_minutes: Option<f64>,
    /// How dangerous it is: of the stressors that it is made of the worst, of any that may be chosen where none is named.
    pub risk: Risk,
}

/// What can be done in place of a long soak, or before it, with the minutes of both ways; `None` where a soak is short.
pub fn instead(
    all: &[ProvokedState],
    again: &[AgainState],
    views: &[StageView],
) -> Option<(String, ProvokeTest)> {
    let last = views.last()?;
    let plan = views.iter().rev().find_map(|view| view.plan.as_ref().filter(|plan| plan.episodes > 0))?;
    let judged = last.comparison.as_ref().map(|(_, comparison)| &comparison.figures);
    let strays = !last.stage.seen.sequence.is_empty();
    let soak_s = match judged {
        Some(figures) if figures.verdict == Verdict::Gone => return None,
        Some(figures) if !strays => figures.soak_more_99_s,
        _ => plan.certain_s,
    };
    if soak_s.is_some_and(|soak_s| soak_s <= LONG_S) {
        return None;
    }
    let soak = match soak_s {
        Some(soak_s) => format!("a soak takes {}", duration(soak_s)),
        None => "no soak would be long enough".to_owned(),
    };
    let test = |seconds: f64, risk: Risk| ProvokeTest {
        minutes: seconds / 60.0,
        soak_minutes: soak_s.map(|soak_s| soak_s / 60.0),
        risk,
    };
    let number_of = last.stage.number;
    let called = all.iter().rev().find_map(|state| Some((state, quickest(state)?)));
    match called {
        Some((state, (stressor, minutes_s))) if state.stage < number_of && !strays => {
            let done = again.iter().any(|again| again.stage == number_of);
            (!done).then(|| {
                let text = format!(
                    "straykey provoke JOB --again: {} of quiet would show that {stressor} calls the fault no more, where {soak}. \
                     Of the set left alone only the soak is proof.",
                    duration(minutes_s)
                );
                (text, test(minutes_s, worst(state)))
            })
        }
        Some(_) => None,
        None if strays => {
            let (time_s, timing) = PROPOSED;
            let per_minute = last.alone.as_ref().map_or(0.0, |side| side.per_min);
            let time = Nanoseconds::from_seconds(time_s);
            let wish = Wish { stressors: &[timing], time, per_minute, alpha: LIKELY };
            let effect = forecast(&wish, 1).ok().and_then(|found| found.effect);
            let finds = effect.map_or_else(
                || "may find what brings the fault far oftener".to_owned(),
                |effect| {
                    format!("finds what brings the fault {} times as often, in 4 of 5 tries", number(effect))
                },
            );
            let text = format!(
                "before any repair, {} of straykey provoke JOB {finds}. The check after the repair then takes minutes; by \
                 itself {soak}. It shows its cautions first.",
                duration(time_s)
            );
            Some((text, test(time_s, Risk::High)))
        }
        None => None,
    }
}

/// The risk of the most dangerous of its stressors.
fn worst(state: &ProvokedState) -> Risk {
    let risks =
        state.stressors.iter().map(|one| stressor::parse(&one.stressor).map(|known| known.stressor.risk));
    // One that is not known any more may be anything.
    risks.map(|risk| risk.unwrap_or(Risk::High)).max().unwrap_or(Risk::High)
}

/// The stressor with an effect under which quiet is shown soonest, and how long that takes with the others, seconds.
#[allow(clippy::cast_precision_loss)]
fn quickest(state: &ProvokedState) -> Option<(&str, f64)> {
    let calls = |one: &&StressorState| {
        one.chance <= LIKELY || one.excursions.as_ref().is_some_and(|found| found.chance <= LIKELY)
    };
    let round = (state.wash_out_s + state.block_s) * (state.stressors.len() + 1) as f64;
    let needs = |one: &StressorState| brought(state, one).quiet_blocks(SURE / state.stressors.len() as f64);
    let all = state.stressors.iter().filter(calls);
    all.filter_map(|one| Some((&*one.stressor, needs(one)? as f64 * round)))
        .min_by(|a, b| a.1.total_cmp(&b.1))
}
