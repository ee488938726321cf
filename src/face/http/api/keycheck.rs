//! Key checks: run, prompted by another program, judged.

use axum::Json;
use axum::extract::State;
use axum::http::Method;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::base::Key;
use crate::bench::keycheck::checks;
use crate::face::http::api::ports::Nothing;
use crate::face::http::api::{App, In, Named, Route};
use crate::face::http::error::{Answer, ApiError};
use crate::face::http::port::{Begin, Order};
use crate::timeline::job::{Job, Prompt};

pub(super) fn routes() -> Vec<Route> {
    vec![
        Route::new(
            Method::GET,
            "/api/v1/jobs/{job}/keycheck",
            "The key checks, as `keycheck --json`.",
            judged,
        ),
        Route::new(
            Method::POST,
            "/api/v1/jobs/{job}/keycheck",
            "Begins a key check: asks for one key after the other.",
            begin,
        )
        .takes::<NewCheck>()
        .gives::<Begun>(),
        Route::new(
            Method::POST,
            "/api/v1/jobs/{job}/keycheck/skip",
            "Goes on to the next key without an answer.",
            skip,
        )
        .takes::<Nothing>(),
        Route::new(
            Method::POST,
            "/api/v1/jobs/{job}/prompt",
            "Notes that this key is asked for now.",
            prompt,
        )
        .takes::<Asked>()
        .gives::<AskedAt>(),
    ]
}

/// Most keys of one check.
const MOST_KEYS: usize = 200;

#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
struct NewCheck {
    /// Name of the port.
    port: String,
    /// The keys, `KEY_MENU`; those of the chassis's ladders when absent or empty.
    #[serde(default)]
    keys: Vec<String>,
}

#[derive(Debug, Serialize, JsonSchema)]
struct Begun {
    port: String,
    capture: String,
}

fn key(name: &str) -> Answer<Key> {
    Key::from_name(name).ok_or_else(|| {
        let near = Key::nearest_name(name).unwrap_or("KEY_VOLUMEUP");
        ApiError::wrong("this is no key").help(format!("did you mean {near}?"))
    })
}

async fn begin(
    State(bench): State<App>,
    Named(name): Named,
    In(wanted): In<NewCheck>,
) -> Answer<Json<Begun>> {
    if wanted.keys.len() > MOST_KEYS {
        return Err(ApiError::wrong(format!("more than {MOST_KEYS} keys in one check")));
    }
    let keys = wanted.keys.iter().map(|name| key(name)).collect::<Answer<Vec<Key>>>()?;
    bench.jobs.find(&name)?;
    let port = bench.port(&wanted.port)?;
    let begin = Begin { job: name, word: "keycheck", check: Some(keys), ..Begin::default() };
    let state = port.ask(|reply| Order::Begin(begin, reply)).await?;
    Ok(Json(Begun { port: state.name, capture: state.capture.unwrap_or_default() }))
}

async fn skip(
    State(bench): State<App>,
    Named(name): Named,
    In(_): In<Nothing>,
) -> Answer<Json<serde_json::Value>> {
    bench.jobs.find(&name)?;
    let states = bench.all_ports().into_iter().map(|port| port.state());
    let mut running = states.filter(|state| {
        state.job.as_deref() == Some(&name) && state.capture.is_some() && state.check.is_some()
    });
    let state = running.next().ok_or_else(|| ApiError::conflict("no key check runs in this job"))?;
    bench.port(&state.name)?.ask(Order::Skip).await?;
    Ok(Json(serde_json::json!({})))
}

async fn judged(State(bench): State<App>, Named(name): Named) -> Answer<Json<serde_json::Value>> {
    crate::face::http::api::wait(move || {
        let entry = bench.jobs.find(&name)?;
        let job = Job::read(&entry.folder)?;
        if job.captures().all(|capture| capture.prompts.is_empty()) {
            return Ok(Json(serde_json::json!({ "version": 1, "checks": [] })));
        }
        let checks = checks(&entry.folder, &bench.protocols())?;
        Ok(Json(serde_json::json!({ "version": 1, "checks": checks })))
    })
    .await
}

#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
struct Asked {
    /// Name of the port.
    port: String,
    /// The key, `KEY_MENU`.
    key: String,
}

#[derive(Debug, Serialize, JsonSchema)]
struct AskedAt {
    /// When, in seconds on the capture's clock.
    t: f64,
    /// In which capture.
    capture: String,
}

async fn prompt(
    State(bench): State<App>,
    Named(name): Named,
    In(wanted): In<Asked>,
) -> Answer<Json<AskedAt>> {
    let key = key(&wanted.key)?;
    bench.jobs.find(&name)?;
    let port = bench.port(&wanted.port)?;
    if port.state().capture.is_none() {
        let begin = Begin { job: name.clone(), word: "keycheck", ..Begin::default() };
        port.ask(|reply| Order::Begin(begin, reply)).await?;
    }
    let (job, capture, t) = port.ask(Order::Now).await?;
    let state = port.state();
    if job != name || state.hands == Some("off") || state.provoke.is_some() {
        return Err(ApiError::conflict("another recording runs on this port, not a key check of this job")
            .help("end it first"));
    }
    let inside = capture.clone();
    crate::face::http::api::jobs::change(bench, name, move |job| {
        Ok(job.add_prompt(&inside, Prompt { t, key })?)
    })
    .await?;
    Ok(Json(AskedAt { t: t.seconds(), capture }))
}
