//! The job's timeline by range: events where they are few, counts in buckets where they are many.

use std::collections::BTreeMap;

use axum::Json;
use axum::extract::State;
use axum::http::Method;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::analysis::ledger::Prompted;
use crate::base::{ControlPath, Nanoseconds, Result};
use crate::bench::prompted;
use crate::face::http::api::{App, Ask, Named, Route, wait};
use crate::face::http::clock::{JobClock, Placed};
use crate::face::http::error::{Answer, ApiError};
use crate::face::http::types::{LaneEvent, round};
use crate::timeline::job::{Hands, Job};
use crate::timeline::store::Store;
use crate::timeline::store::detail::{Bucket, Part};

/// A lane with more events in the range than this comes in buckets.
const MOST_EVENTS: usize = 2_000;
/// Most buckets.
const MOST_BUCKETS: usize = 2_000;

pub(super) fn routes() -> Vec<Route> {
    vec![
        Route::new(
            Method::GET,
            "/api/v1/jobs/{job}/timeline",
            "The events of a span of time, or their counts; without `from` and `to` all of it.",
            timeline,
        )
        .asks::<Range>()
        .gives::<Timeline>(),
    ]
}

#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
struct Range {
    /// From this second on.
    from: Option<f64>,
    /// Up to this second.
    to: Option<f64>,
    /// How many buckets, 1 to 2000; 500.
    #[schemars(range(min = 1, max = 2000))]
    buckets: Option<usize>,
    /// Only this capture.
    capture: Option<String>,
    /// Only this control path.
    path: Option<ControlPath>,
    /// Only events other than readings that hold this text.
    search: Option<String>,
    /// Only input while hands were off.
    strays: Option<bool>,
}

#[derive(Debug, Serialize, JsonSchema)]
struct CaptureSpan {
    capture: String,
    /// From 1.
    stage: usize,
    start_s: f64,
    end_s: f64,
    /// `on` or `off`.
    hands: &'static str,
}

#[derive(Debug, Serialize, JsonSchema)]
struct Buckets {
    /// Length of one, seconds.
    width_s: f64,
    /// Events in each.
    counts: Vec<u64>,
    /// Strays in each.
    strays: Vec<u64>,
    /// Lowest and highest reading in each.
    readings: Vec<Option<(u32, u32)>>,
}

#[derive(Debug, Serialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
enum Lane {
    /// All of them.
    Events(Vec<LaneEvent>),
    /// Too many: counted.
    Buckets(Buckets),
}

#[derive(Debug, Serialize, JsonSchema)]
struct Timeline {
    from_s: f64,
    to_s: f64,
    /// Wall clock at second 0, RFC 3339.
    origin: Option<String>,
    /// Events in the range.
    total: u64,
    captures: Vec<CaptureSpan>,
    /// One lane for each control path.
    lanes: BTreeMap<&'static str, Lane>,
}

async fn timeline(
    State(bench): State<App>,
    Named(name): Named,
    Ask(range): Ask<Range>,
) -> Answer<Json<Timeline>> {
    let number = |value: Option<f64>| value.is_none_or(|value| value.is_finite() && value.abs() < 1e11);
    if !number(range.from) || !number(range.to) {
        return Err(ApiError::wrong("`from` and `to` are seconds"));
    }
    if !range.buckets.is_none_or(|buckets| (1..=MOST_BUCKETS).contains(&buckets)) {
        return Err(ApiError::wrong(format!("`buckets` is from 1 to {MOST_BUCKETS}")));
    }
    if range.search.as_ref().is_some_and(|words| words.len() > 200) {
        return Err(ApiError::wrong("`search` is too long"));
    }
    wait(move || {
        let entry = bench.jobs.find(&name)?;
        let store = entry.store(&bench.protocols())?;
        Ok(Json(look(&Job::read(&entry.folder)?, &store, &range)?))
    })
    .await
}

fn look(job: &Job, store: &Store, range: &Range) -> Answer<Timeline> {
    let spans: BTreeMap<String, _> =
        store.captures()?.into_iter().filter_map(|found| Some((found.name, found.span?))).collect();
    let clock = JobClock::of(job, |capture| spans.get(&capture.name).copied());
    if let Some(wanted) = &range.capture
        && clock.find(wanted).is_none()
    {
        return Err(ApiError::missing("there is no such capture in the job"));
    }
    let from = range.from.unwrap_or(0.0);
    let to = range.to.unwrap_or_else(|| clock.end_s() + 1e-6);
    if to <= from {
        return Err(ApiError::wrong("`to` lies before `from`"));
    }
    let wanted: Vec<&Placed> = clock
        .captures
        .iter()
        .filter(|placed| range.capture.as_ref().is_none_or(|name| **name == *placed.capture))
        .filter(|placed| range.strays != Some(true) || placed.hands == Hands::Off)
        .collect();
    let mut answered = BTreeMap::new();
    // A whole ledger is read for them, so only where a key was asked for.
    for capture in job.captures().filter(|capture| !capture.prompts.is_empty()) {
        answered.insert(capture.name.clone(), prompted(store, &capture.name)?);
    }
    let mut total = 0;
    let mut lanes = BTreeMap::new();
    for path in ControlPath::ALL {
        if range.path.is_none_or(|only| only == path) {
            let (lane, events) = lane(store, &wanted, path, (from, to), range, &answered)?;
            total += events;
            lanes.insert(path.word(), lane);
        } else {
            lanes.insert(path.word(), Lane::Events(Vec::new()));
        }
    }
    Ok(Timeline {
        from_s: from,
        to_s: to,
        origin: clock.origin.and_then(|anchor| anchor.wall(Nanoseconds::ZERO)),
        total,
        captures: clock
            .captures
            .iter()
            .map(|placed| CaptureSpan {
                capture: placed.capture.to_string(),
                stage: placed.stage,
                start_s: round(placed.base_s + placed.span.start.seconds()),
                end_s: round(placed.base_s + placed.span.end.seconds()),
                hands: if placed.hands == Hands::Off { "off" } else { "on" },
            })
            .collect(),
        lanes,
    })
}

/// One lane, and how many events are in it.
fn lane(
    store: &Store,
    captures: &[&Placed],
    path: ControlPath,
    (from, to): (f64, f64),
    range: &Range,
    answered: &BTreeMap<String, Vec<Prompted>>,
) -> Result<(Lane, u64)> {
    let only_strays = range.strays == Some(true);
    let part = |placed: &'_ Placed| Part {
        capture: "",
        path,
        from: Nanoseconds::from_seconds(from - placed.base_s),
        to: Nanoseconds::from_seconds(to - placed.base_s),
        inputs: only_strays,
        search: range.search.as_deref().filter(|words| !words.is_empty()),
    };
    let prompts = |placed: &Placed| answered.get(&*placed.capture).map_or(&[][..], Vec::as_slice);
    let mut count = 0;
    for placed in captures {
        count += store.count(&Part { capture: &placed.capture, ..part(placed) }, MOST_EVENTS + 1 - count)?;
        if count > MOST_EVENTS {
            break;
        }
    }
    if count <= MOST_EVENTS {
        let mut events = Vec::with_capacity(count);
        for placed in captures {
            store.part(&Part { capture: &placed.capture, ..part(placed) }, &mut |event| {
                let given = placed.hands == Hands::On
                    || prompts(placed).iter().any(|asked| asked.is_answered_by(&event));
                if !(given && only_strays) {
                    events.push(LaneEvent::new(&event, placed.base_s, given, &placed.capture));
                }
                Ok(())
            })?;
        }
        events.sort_by(|a, b| a.t.total_cmp(&b.t));
        let events_here = events.len() as u64;
        return Ok((Lane::Events(events), events_here));
    }
    let wanted = range.buckets.unwrap_or(500);
    #[allow(clippy::cast_precision_loss)]
    let width_s = (to - from) / wanted as f64;
    let mut all = vec![Bucket::default(); wanted];
    let mut strays = vec![0u64; wanted];
    for placed in captures {
        let mut own = vec![Bucket::default(); wanted];
        let part = Part { capture: &placed.capture, ..part(placed) };
        store.buckets(&part, part.from, Nanoseconds::from_seconds(width_s), &mut own)?;
        for ((all, strays), own) in all.iter_mut().zip(&mut strays).zip(own) {
            all.add(own);
            *strays += if placed.hands == Hands::Off { own.inputs } else { 0 };
        }
        for asked in prompts(placed).iter().filter(|_| placed.hands == Hands::Off) {
            let within =
                Part { from: part.from.max(asked.t), to: part.to.min(asked.until), inputs: true, ..part };
            store.part(&within, &mut |event| {
                let place = (event.t - part.from).seconds() / width_s;
                #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
                if let Some(slot) = strays.get_mut(place as usize).filter(|_| asked.is_answered_by(&event)) {
                    *slot = slot.saturating_sub(1);
                }
                Ok(())
            })?;
        }
    }
    let counts: Vec<u64> =
        all.iter().zip(&strays).map(|(all, strays)| if only_strays { *strays } else { all.events }).collect();
    let total = counts.iter().sum();
    let readings = all.iter().map(|bucket| bucket.readings).collect();
    Ok((Lane::Buckets(Buckets { width_s, counts, strays, readings }), total))
}
