//! Provocation: what can be done, what it can show in a given time, begun, followed, struck out, paused, ended.

use axum::Json;
use axum::extract::State;
use axum::http::Method;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::analysis::provoke::stressor::{self, Use, cautions};
use crate::base::Nanoseconds;
use crate::bench::provoke::{AgainState, Choice, Drawn, RARE, again, compared, draw, provoked};
use crate::bench::{options, summary, views};
use crate::face::http::api::ports::Nothing;
use crate::face::http::api::{App, In, Named, Route, wait};
use crate::face::http::error::{Answer, ApiError};
use crate::face::http::jobs::Entry;
use crate::face::http::port::{Begin, Order};
use crate::face::http::provoking::{ProvokeOrder, ProvokePlan};
use crate::face::http::types::{LiveProvoke, PortState, Shown};
use crate::timeline::Protocols;
use crate::timeline::job::{Job, PARTS, Provocation};

pub(super) fn routes() -> Vec<Route> {
    vec![
        Route::new(
            Method::GET,
            "/api/v1/stressors",
            "What a bench does to a set to make a rare fault come, with its cautions.",
            stressors,
        )
        .gives::<StressorList>(),
        Route::new(
            Method::GET,
            "/api/v1/jobs/{job}/provoke",
            "The provocation that runs, and what those that were done show.",
            look,
        )
        .gives::<Provocations>(),
        Route::new(
            Method::POST,
            "/api/v1/jobs/{job}/provoke/forecast",
            "What can be shown in a given time; a plan that can show nothing is refused with the least time.",
            forecast,
        )
        .takes::<Wanted>()
        .gives::<Promise>(),
        Route::new(
            Method::POST,
            "/api/v1/jobs/{job}/provoke",
            "Begins a provocation: blocks of doing and of leaving alone, in an order drawn at random.",
            begin,
        )
        .takes::<NewProvocation>()
        .gives::<Begun>(),
        Route::new(
            Method::DELETE,
            "/api/v1/jobs/{job}/provoke",
            "Ends the provocation; what was done stays in the job.",
            end,
        )
        .gives::<Begun>(),
        Route::new(
            Method::POST,
            "/api/v1/jobs/{job}/provoke/strike",
            "The present round was spoiled: it does not count and is drawn again at the end.",
            strike,
        )
        .takes::<Spoiled>()
        .gives::<LiveProvoke>(),
        Route::new(
            Method::POST,
            "/api/v1/jobs/{job}/provoke/pause",
            "Stands still; the present round does not count and is drawn again at the end.",
            pause,
        )
        .takes::<Nothing>()
        .gives::<LiveProvoke>(),
        Route::new(Method::POST, "/api/v1/jobs/{job}/provoke/resume", "Goes on with the next round.", resume)
            .takes::<Nothing>()
            .gives::<LiveProvoke>(),
    ]
}

/// Longest reason and longest stressor, characters.
const LONGEST_TEXT: usize = 200;

/// One kind of stressor.
#[derive(Debug, Serialize, JsonSchema)]
struct StressorLine {
    /// Its name, `warm`; `other` is the technician's own: `other:WORDS`.
    name: &'static str,
    /// Whether it is put on one place: `warm@key-cable`.
    place: bool,
    /// Shortest time of a block that counts, seconds.
    counted_s: f64,
    /// As long at the start of each block nothing is counted, seconds.
    wash_out_s: f64,
    /// What to beware of.
    cautions: Vec<&'static str>,
}

#[derive(Debug, Serialize, JsonSchema)]
struct StressorList {
    stressors: Vec<StressorLine>,
    /// The places; another one is written `other:WHAT`.
    places: Vec<&'static str>,
}

async fn stressors() -> Answer<Json<StressorList>> {
    let line = |stressor: &'static stressor::Stressor| {
        let used = Use { stressor, place: None, words: None };
        let timing = used.timing();
        Ok(StressorLine {
            name: &stressor.name,
            place: stressor.place,
            counted_s: timing.block.seconds(),
            wash_out_s: timing.wash_out.seconds(),
            cautions: cautions(&[used])?,
        })
    };
    let stressors = stressor::all()?.iter().map(line).collect::<Answer<Vec<_>>>()?;
    // Nothing is put on what is no thing.
    let places = PARTS.into_iter().filter(|part| *part != "software").collect();
    Ok(Json(StressorList { stressors, places }))
}

#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
struct Wanted {
    /// One to six: `warm@key-cable`, `lamp`, `other:WORDS`.
    #[serde(default)]
    stressors: Vec<String>,
    /// Time for all of it.
    #[schemars(range(min = 0.1, max = 10_000.0))]
    minutes: Option<f64>,
    /// Instead of both: the plan of an earlier stage once more, in another order.
    #[serde(default)]
    again: bool,
}

/// What a plan of that time is, and what it can show.
#[derive(Debug, Serialize, JsonSchema)]
struct Promise {
    /// Rounds that are to count, each stressor and leaving alone once in each.
    rounds: u32,
    /// Blocks in all.
    blocks: usize,
    /// Length of each, seconds.
    block_s: f64,
    /// As long at the start of each nothing is counted, seconds.
    wash_out_s: f64,
    /// Time of all of it, seconds.
    all_s: f64,
    /// A stressor that brings the fault this many times as often is found in 4 of 5 tries; null where next to nothing is.
    effect: Option<f64>,
    /// Share of tries that find it where the fault is away for minutes by itself.
    in_spells: f64,
    /// Share of tries that find it where its effect takes twice the wash-out to build up.
    slow: f64,
    /// Episodes a minute that are expected when the set is left alone.
    per_minute: f64,
    /// Whether the job has shown that rate; else it is assumed.
    known: bool,
    /// The least time in which these stressors can show anything, seconds; of a plan that is done again all of it.
    least_s: f64,
    /// What to do in the blocks of each stressor, in their order.
    instructions: Vec<String>,
    /// What to beware of, to be confirmed before the first block.
    cautions: Vec<&'static str>,
}

/// Draws what a request wants for its job.
fn drawn(entry: &Entry, protocols: &Protocols, request: &Wanted) -> Answer<Drawn> {
    Ok(draw(&entry.loaded(protocols)?, choice(request)?)?)
}

fn choice(request: &Wanted) -> Answer<Choice> {
    if request.again {
        if request.minutes.is_some() || !request.stressors.is_empty() {
            return Err(ApiError::wrong("`again` repeats an earlier plan")
                .help("leave `stressors` and `minutes` out"));
        }
        return Ok(Choice::Again);
    }
    if request.stressors.iter().any(|name| name.chars().count() > LONGEST_TEXT) {
        return Err(ApiError::wrong(format!("a stressor has {LONGEST_TEXT} characters at most")));
    }
    Ok(Choice::own(&request.stressors, request.minutes.unwrap_or_default())?)
}

async fn forecast(
    State(bench): State<App>,
    Named(name): Named,
    In(request): In<Wanted>,
) -> Answer<Json<Promise>> {
    wait(move || {
        let Drawn { plan, uses, forecast, per_minute, .. } =
            drawn(&*bench.jobs.find(&name)?, &bench.protocols(), &request)?;
        let blocks = (uses.len() + 1) * plan.rounds as usize;
        let block_s = plan.wash_out.saturating_add(plan.counted).seconds();
        #[allow(clippy::cast_precision_loss)]
        let all_s = blocks as f64 * block_s;
        Ok(Json(Promise {
            rounds: plan.rounds,
            blocks,
            block_s,
            wash_out_s: plan.wash_out.seconds(),
            all_s,
            effect: forecast.as_ref().and_then(|found| found.effect),
            in_spells: forecast.as_ref().map_or(0.0, |found| found.in_spells),
            slow: forecast.as_ref().map_or(0.0, |found| found.slow),
            per_minute: per_minute.unwrap_or(RARE),
            known: per_minute.is_some(),
            least_s: forecast.as_ref().map_or(all_s, |found| found.least.seconds()),
            instructions: uses.iter().map(Use::instruction).collect(),
            cautions: cautions(&uses)?,
        }))
    })
    .await
}

#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
struct NewProvocation {
    /// Name of the port.
    port: String,
    /// One to six: `warm@key-cable`, `lamp`, `other:WORDS`.
    #[serde(default)]
    stressors: Vec<String>,
    /// Time for all of it.
    #[schemars(range(min = 0.1, max = 10_000.0))]
    minutes: Option<f64>,
    /// Instead of both: the plan of an earlier stage once more, in another order.
    #[serde(default)]
    again: bool,
    /// The cautions of these stressors were shown and read.
    read: Option<bool>,
}

#[derive(Debug, Serialize, JsonSchema)]
struct Begun {
    port: String,
    capture: String,
}

impl From<PortState> for Begun {
    fn from(state: PortState) -> Self {
        Self { port: state.name, capture: state.capture.unwrap_or_default() }
    }
}

async fn begin(
    State(bench): State<App>,
    Named(name): Named,
    In(wanted): In<NewProvocation>,
) -> Answer<Json<Begun>> {
    let port = bench.port(&wanted.port)?;
    let (app, job) = (App::clone(&bench), name.clone());
    let plan = wait(move || {
        let read = wanted.read == Some(true);
        let NewProvocation { stressors, minutes, again, .. } = wanted;
        let request = Wanted { stressors, minutes, again };
        let Drawn { plan, uses, gap, .. } = drawn(&*app.jobs.find(&job)?, &app.protocols(), &request)?;
        let list = cautions(&uses)?;
        if !read && !list.is_empty() {
            return Err(ApiError::conflict(list.join(" "))
                .warning("stressor-cautions")
                .help("read these cautions; then repeat it with \"read\": true"));
        }
        let cautions = (!list.is_empty()).then(|| "shown on the page and confirmed".to_owned());
        Ok(ProvokePlan { plan: Provocation { cautions, ..plan }, gap })
    })
    .await?;
    let begin = Begin { job: name, word: "provoke", provoke: Some(Box::new(plan)), ..Begin::default() };
    Ok(Json(port.ask(|reply| Order::Begin(begin, reply)).await?.into()))
}

/// The port on which a provocation of this job runs.
fn running(bench: &App, job: &str) -> Answer<Option<PortState>> {
    bench.jobs.find(job)?;
    let states = bench.all_ports().into_iter().map(|port| port.state());
    let mut running = states.filter(|state| {
        state.job.as_deref() == Some(job) && state.capture.is_some() && state.provoke.is_some()
    });
    Ok(running.next())
}

async fn tell(bench: App, name: String, order: ProvokeOrder) -> Answer<Json<LiveProvoke>> {
    let state = running(&bench, &name)?
        .ok_or_else(|| ApiError::conflict("no provocation runs in this job").help("begin one"))?;
    Ok(Json(bench.port(&state.name)?.ask(|reply| Order::Provoke(order, reply)).await?))
}

async fn end(State(bench): State<App>, Named(name): Named) -> Answer<Json<Begun>> {
    let state =
        running(&bench, &name)?.ok_or_else(|| ApiError::conflict("no provocation runs in this job"))?;
    bench.port(&state.name)?.ask(|reply| Order::End(state.capture.clone(), reply)).await?;
    Ok(Json(state.into()))
}

#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
struct Spoiled {
    /// Why, in the technician's words.
    why: String,
    /// The round, from 1, as it was shown: a round that is over is not struck out in place of another.
    round: usize,
}

async fn strike(
    State(bench): State<App>,
    Named(name): Named,
    In(spoiled): In<Spoiled>,
) -> Answer<Json<LiveProvoke>> {
    let why = spoiled.why.trim().to_owned();
    if why.is_empty() || why.chars().count() > LONGEST_TEXT {
        return Err(ApiError::wrong(format!("`why` has 1 to {LONGEST_TEXT} characters")));
    }
    tell(bench, name, ProvokeOrder::Strike { why, round: spoiled.round }).await
}

async fn pause(
    State(bench): State<App>,
    Named(name): Named,
    In(_): In<Nothing>,
) -> Answer<Json<LiveProvoke>> {
    tell(bench, name, ProvokeOrder::Pause).await
}

async fn resume(
    State(bench): State<App>,
    Named(name): Named,
    In(_): In<Nothing>,
) -> Answer<Json<LiveProvoke>> {
    tell(bench, name, ProvokeOrder::Resume).await
}

#[derive(Debug, Serialize, JsonSchema)]
struct Provocations {
    /// Version of this shape: 1.
    version: u32,
    /// The one that runs.
    running: Option<LiveProvoke>,
    /// Those that have ended, in order; one that was broken off has fewer rounds than were planned.
    provocations: Vec<Shown>,
    /// Whether an earlier stage was provoked, so that its plan can be done again.
    repeatable: bool,
    /// What those that were done again say of the repair, in order.
    compared: Vec<Against>,
}

/// A provocation against one with the same plan in an earlier stage.
#[derive(Debug, Serialize, JsonSchema)]
struct Against {
    /// Its capture.
    capture: String,
    /// The earlier stage.
    before_stage: usize,
    /// What follows, in sentences.
    said: Vec<String>,
}

async fn look(State(bench): State<App>, Named(name): Named) -> Answer<Json<Provocations>> {
    let state = running(&bench, &name)?;
    // One that has ended meanwhile is among those that have.
    let live = match &state {
        Some(_) => tell(App::clone(&bench), name.clone(), ProvokeOrder::Look).await.ok(),
        None => None,
    };
    let capture = live.as_ref().and(state).and_then(|state| state.capture).unwrap_or_default();
    wait(move || {
        let entry = bench.jobs.find(&name)?;
        let job = Job::read(&entry.folder)?;
        let mut ended = job.captures().filter(|found| found.provocation.is_some() && found.name != capture);
        let (mut provocations, mut repeatable, mut against) = (Vec::new(), false, Vec::new());
        if ended.next().is_some() {
            let loaded = entry.loaded(&bench.protocols())?;
            let gap: Option<Nanoseconds> = options(&loaded.stages()?).rule.and_then(|rule| rule.gap);
            let found = provoked(&loaded, gap)?;
            repeatable = again(&loaded, 0).is_ok();
            if repeatable {
                let said = |again: AgainState| Against {
                    said: summary::again(&again),
                    capture: again.capture,
                    before_stage: again.before_stage,
                };
                against.extend(compared(&loaded, &found, &views(&loaded)?)?.into_iter().map(said));
            }
            provocations.extend(found.into_iter().filter(|found| found.capture != capture).map(Shown::from));
        }
        let running = live.map(|Json(live)| live);
        Ok(Json(Provocations { version: 1, running, provocations, repeatable, compared: against }))
    })
    .await
}
