//! Jobs: listed, made, shown, worked on.

use axum::Json;
use axum::extract::State;
use axum::http::{Method, StatusCode, header};
use axum::response::{IntoResponse, Response};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::base::{Anchor, Nanoseconds};
use crate::bench::{SoakPlan, on_for};
use crate::face::http::api::ports::Nothing;
use crate::face::http::api::{App, In, Named, Route, wait};
use crate::face::http::config::is_name;
use crate::face::http::error::{Answer, ApiError};
use crate::face::http::port::{Begin, Order};
use crate::face::http::types::{LiveSoak, PortState, SignsWord};
use crate::timeline::job::{Hands, Job, JobInfo, Step, StepKind, check_part};

pub(super) fn routes() -> Vec<Route> {
    vec![
        Route::new(Method::GET, "/api/v1/jobs", "All jobs of the bench.", list).gives::<JobList>(),
        Route::new(Method::POST, "/api/v1/jobs", "Makes a job.", create)
            .takes::<NewJob>()
            .gives::<Made>()
            .status(StatusCode::CREATED),
        Route::new(Method::GET, "/api/v1/jobs/{job}", "All that a job says, as `job show --json`.", show),
        Route::new(
            Method::POST,
            "/api/v1/jobs/{job}/cautions",
            "Notes that the cautions were read.",
            cautions,
        )
        .takes::<Read>(),
        Route::new(Method::POST, "/api/v1/jobs/{job}/steps", "Notes a step; a new stage begins.", step)
            .takes::<NewStep>()
            .gives::<StepDone>()
            .status(StatusCode::CREATED),
        Route::new(Method::POST, "/api/v1/jobs/{job}/soak", "Begins a soak with a live verdict.", soak)
            .takes::<NewSoak>()
            .gives::<SoakBegun>(),
        Route::new(Method::DELETE, "/api/v1/jobs/{job}/soak", "Ends the soak.", end_soak)
            .gives::<SoakEnded>(),
        Route::new(
            Method::POST,
            "/api/v1/jobs/{job}/close",
            "Closes the job: the set is handed back.",
            close,
        )
        .takes::<Nothing>(),
    ]
}

#[derive(Debug, Serialize, JsonSchema)]
struct JobLine {
    name: String,
    set: String,
    chassis: Option<String>,
    created: Option<String>,
    closed: Option<String>,
    stages: usize,
    /// Verdict of the last comparison; null also while it is being worked out.
    verdict: Option<String>,
    /// What to do next, a word; null also while it is being worked out.
    action: Option<String>,
    /// What works on it, when something does.
    locked_by: Option<String>,
}

#[derive(Debug, Serialize, JsonSchema)]
struct JobList {
    jobs: Vec<JobLine>,
}

async fn list(State(bench): State<App>) -> Answer<Json<JobList>> {
    wait(move || {
        let protocols = bench.protocols();
        let mut jobs = Vec::new();
        let mut unknown = Vec::new();
        for name in bench.jobs.names() {
            let Ok(entry) = bench.jobs.find(&name) else { continue };
            // A damaged job is not in the list; asking for it by its name says what is wrong.
            let Ok(job) = Job::read(&entry.folder) else { continue };
            let summary = entry.summary(&protocols);
            if summary.is_none() {
                unknown.push(entry.clone());
            }
            let summary = summary.unwrap_or_default();
            let holders: Vec<String> = bench
                .all_ports()
                .iter()
                .filter(|port| port.state().job.as_deref() == Some(&name) && port.state().capture.is_some())
                .map(|port| port.config().name)
                .collect();
            let info = job.info();
            jobs.push(JobLine {
                set: info.set.clone(),
                chassis: info.chassis.clone(),
                created: info.created.clone(),
                closed: job.closed().map(str::to_owned),
                stages: job.stages().len(),
                verdict: summary.verdict,
                action: summary.action,
                locked_by: (!holders.is_empty())
                    .then(|| format!("this daemon, recording from {}", holders.join(", "))),
                name,
            });
        }
        work_out(&bench, unknown);
        Ok(Json(JobList { jobs }))
    })
    .await
}

/// Works out the states that a list could not show, one after another, and tells subscribers.
fn work_out(bench: &App, entries: Vec<std::sync::Arc<crate::face::http::jobs::Entry>>) {
    if entries.is_empty() || !bench.begin_survey() {
        return;
    }
    let bench = App::clone(bench);
    tokio::task::spawn_blocking(move || {
        let protocols = bench.protocols();
        for entry in entries {
            if entry.state(&protocols).is_ok() {
                bench.job_changed(&entry);
            }
            bench.jobs.forget_old();
        }
        bench.end_survey();
    });
}

#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
struct NewJob {
    /// Name of its folder; made from the time when left out.
    name: Option<String>,
    /// Which set, in the technician's words.
    set: String,
    chassis: Option<String>,
    complaint: Option<String>,
    technician: Option<String>,
}

#[derive(Debug, Serialize, JsonSchema)]
struct Made {
    /// Name of the job.
    name: String,
}

/// Longest text of a job or a step, characters.
const LONGEST_TEXT: usize = 2_000;

fn short(texts: &[&str]) -> Answer<()> {
    if texts.iter().any(|text| text.chars().count() > LONGEST_TEXT) {
        return Err(ApiError::wrong(format!("a text has {LONGEST_TEXT} characters at most")));
    }
    Ok(())
}

async fn create(State(bench): State<App>, In(wanted): In<NewJob>) -> Answer<(StatusCode, Json<Made>)> {
    wait(move || {
        let name = match wanted.name {
            Some(name) if is_name(&name) => name,
            Some(_) => {
                return Err(ApiError::wrong("this is not a valid job name")
                    .help("letters, digits, `.`, `_`, `-`, 64 at most"));
            }
            None => fresh_name(&bench, &wanted.set),
        };
        let text = |text: &Option<String>| text.clone().unwrap_or_default();
        short(&[&wanted.set, &text(&wanted.complaint), &text(&wanted.technician)])?;
        if let Some(chassis) = &wanted.chassis {
            bench.protocols().library.chassis(chassis)?;
        }
        let folder = bench.jobs.folder().join(&name);
        if std::fs::symlink_metadata(&folder).is_ok() {
            return Err(ApiError::conflict("there is a job of this name already"));
        }
        let info = JobInfo {
            chassis: wanted.chassis,
            complaint: wanted.complaint,
            technician: wanted.technician,
            ..JobInfo::new(wanted.set)
        };
        drop(Job::create(&folder, &info)?);
        tracing::info!(job = %name, "job made");
        bench.job_changed(&*bench.jobs.find(&name)?);
        Ok((StatusCode::CREATED, Json(Made { name })))
    })
    .await
}

/// The words of the set, with a number where that name is taken: `bedroom-set-ticket-1187-2`. Letters and digits of ASCII
/// alone, since names are parts of paths; the day where none is left.
fn fresh_name(bench: &App, set: &str) -> String {
    let lower = set.to_ascii_lowercase();
    let words = lower.split(|c: char| !c.is_ascii_alphanumeric()).filter(|word| !word.is_empty());
    let mut name = String::new();
    for word in words {
        if name.len() + 1 + word.len() > MOST_OF_NAME {
            break;
        }
        name = if name.is_empty() { word.to_owned() } else { format!("{name}-{word}") };
    }
    if name.is_empty() {
        name = Anchor::now().wall(Nanoseconds::ZERO).unwrap_or_default().chars().take(10).collect();
    }
    let free = |name: &String| std::fs::symlink_metadata(bench.jobs.folder().join(name)).is_err();
    let numbered = (2u32..).map(|number| format!("{name}-{number}"));
    std::iter::once(name.clone()).chain(numbered).find(free).unwrap_or(name)
}

/// Letters of a name that is made from the set; with a number it stays below the 64 of any name.
const MOST_OF_NAME: usize = 40;

#[derive(Debug, Serialize)]
struct Live {
    port: String,
    capture: Option<String>,
    stage: Option<usize>,
    soak: Option<LiveSoak>,
}

fn live(bench: &App, job: &str) -> Vec<PortState> {
    bench
        .all_ports()
        .iter()
        .map(|port| port.state())
        .filter(|state| state.job.as_deref() == Some(job) && state.capture.is_some())
        .collect()
}

async fn show(State(bench): State<App>, Named(name): Named) -> Answer<Response> {
    wait(move || {
        let entry = bench.jobs.find(&name)?;
        let revision = entry.revision();
        let state = entry.state(&bench.protocols())?;
        bench.jobs.forget_old();
        let live: Vec<Live> = live(&bench, &name)
            .into_iter()
            .map(|state| Live {
                port: state.name,
                capture: state.capture,
                stage: state.stage,
                soak: state.soak,
            })
            .collect();
        let live = serde_json::to_string(&live).unwrap_or_else(|_| "[]".to_owned());
        // The state is text already; two fields are put in front of it.
        let rest = state.strip_prefix('{').unwrap_or("}");
        let text = format!("{{\"revision\":{revision},\"live\":{live},{rest}");
        Ok(([(header::CONTENT_TYPE, "application/json")], text).into_response())
    })
    .await
}

#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
struct Read {
    /// The cautions were shown and read.
    read: bool,
}

async fn cautions(
    State(bench): State<App>,
    Named(name): Named,
    In(wanted): In<Read>,
) -> Answer<Json<serde_json::Value>> {
    if !wanted.read {
        return Err(ApiError::wrong("the cautions have not been read").help("read them first; then confirm"));
    }
    change(bench, name, |job| Ok(job.acknowledge_cautions("shown on the page and confirmed")?)).await?;
    Ok(Json(serde_json::json!({})))
}

/// Works on a job on a thread that may wait, and tells subscribers.
pub(super) async fn change<T: Send + 'static>(
    bench: App,
    name: String,
    work: impl FnOnce(&mut Job) -> Answer<T> + Send + 'static,
) -> Answer<T> {
    wait(move || {
        let entry = bench.jobs.find(&name)?;
        let done = entry.with(work)?;
        bench.job_changed(&entry);
        Ok(done)
    })
    .await
}

fn open_still(job: &Job) -> Answer<()> {
    match job.closed() {
        Some(at) => Err(ApiError::conflict(format!("the job was closed on {at}; nothing can be added"))
            .help("a set that comes back is a new job")),
        None => Ok(()),
    }
}

/// What sort of step.
#[derive(Clone, Copy, Debug, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
enum KindWord {
    Isolate,
    Repair,
    Restore,
}

#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
struct NewStep {
    /// What was done.
    text: String,
    /// Whether it was done to learn, to mend, or to undo.
    kind: KindWord,
    /// The parts that it touched.
    #[serde(default)]
    parts: Vec<String>,
    /// The warning of several parts was read.
    anyway: Option<bool>,
}

#[derive(Debug, Serialize, JsonSchema)]
struct StepDone {
    /// The stage that begins.
    stage: usize,
    /// What to think of.
    warnings: Vec<String>,
}

async fn step(
    State(bench): State<App>,
    Named(name): Named,
    In(wanted): In<NewStep>,
) -> Answer<(StatusCode, Json<StepDone>)> {
    let kind = match wanted.kind {
        KindWord::Isolate => StepKind::Isolate,
        KindWord::Repair => StepKind::Repair,
        KindWord::Restore => StepKind::Restore,
    };
    let parts: Vec<&str> = wanted.parts.iter().map(String::as_str).collect();
    short(&[&[wanted.text.as_str()], &parts[..]].concat())?;
    if parts.len() > 32 {
        return Err(ApiError::wrong("a step names 32 parts at most"));
    }
    parts.iter().try_for_each(|part| check_part(part)).map_err(ApiError::wrong)?;
    let several = parts.len() > 1 && kind == StepKind::Repair;
    let gentle = format!(
        "Two parts in one step ({}): if the set is cured now, nobody can tell which one did it. One at a time takes \
         a soak more and leaves no doubt.",
        parts.join(", ")
    );
    if several && wanted.anyway != Some(true) {
        bench.jobs.find(&name)?;
        return Err(ApiError::conflict(gentle)
            .warning("several-parts")
            .help("note one part, soak, then the other; or repeat it with \"anyway\": true"));
    }
    let running = live(&bench, &name);
    if let Some(state) = running.first() {
        return Err(ApiError::conflict(format!(
            "{} is being recorded from {}: the set must not change within a stage",
            state.capture.clone().unwrap_or_default(),
            state.name
        ))
        .help("end it first"));
    }
    let step = Step { text: wanted.text, kind, parts: wanted.parts };
    let stage = change(bench, name, move |job| {
        open_still(job)?;
        Ok(job.add_step(step)?.number)
    })
    .await?;
    let warnings = if several { vec![gentle] } else { Vec::new() };
    Ok((StatusCode::CREATED, Json(StepDone { stage, warnings })))
}

#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
struct NewSoak {
    /// Name of the port.
    port: String,
    /// Longest time.
    #[schemars(range(min = 0.01, max = 1_000_000.0))]
    minutes: f64,
    /// Go on when the verdict is certain.
    full: Option<bool>,
    /// Signs of life: `asked` (as a rule), or `none` when nobody is there to press a key.
    signs: Option<SignsWord>,
    /// How long the set has been on, minutes, where the technician knows and the set prints no clock of its own.
    #[schemars(range(min = 0.0, max = 1_000_000.0))]
    on_for_minutes: Option<f64>,
}

#[derive(Debug, Serialize, JsonSchema)]
struct SoakBegun {
    port: String,
    capture: String,
}

async fn soak(
    State(bench): State<App>,
    Named(name): Named,
    In(wanted): In<NewSoak>,
) -> Answer<Json<SoakBegun>> {
    if !(wanted.minutes >= 0.01 && wanted.minutes <= 1e6) {
        return Err(ApiError::wrong("`minutes` is from 0.01 to 1000000"));
    }
    bench.jobs.find(&name)?;
    let port = bench.port(&wanted.port)?;
    let begin = Begin {
        job: name,
        word: "soak",
        hands: Hands::Off,
        soak: Some(SoakPlan {
            seconds: wanted.minutes * 60.0,
            full: wanted.full.unwrap_or(false),
            attended: wanted.signs != Some(SignsWord::None),
            on_for: on_for(wanted.on_for_minutes)?,
        }),
        ..Begin::default()
    };
    let state = port.ask(|reply| Order::Begin(begin, reply)).await?;
    Ok(Json(SoakBegun { port: state.name, capture: state.capture.unwrap_or_default() }))
}

#[derive(Debug, Serialize, JsonSchema)]
struct SoakEnded {
    /// The soak as it stood at its end.
    soak: Option<LiveSoak>,
}

async fn end_soak(State(bench): State<App>, Named(name): Named) -> Answer<Json<SoakEnded>> {
    bench.jobs.find(&name)?;
    let running = live(&bench, &name).into_iter().find(|state| state.soak.is_some());
    let Some(running) = running else {
        return Err(ApiError::conflict("no soak runs in this job"));
    };
    let port = bench.port(&running.name)?;
    let soak = port.ask(|reply| Order::End(running.capture.clone(), reply)).await?;
    Ok(Json(SoakEnded { soak }))
}

async fn close(
    State(bench): State<App>,
    Named(name): Named,
    In(_): In<Nothing>,
) -> Answer<Json<serde_json::Value>> {
    if !live(&bench, &name).is_empty() {
        return Err(ApiError::conflict("a capture of this job runs").help("end it first"));
    }
    change(bench, name, |job| {
        open_still(job)?;
        Ok(job.close()?)
    })
    .await?;
    Ok(Json(serde_json::json!({})))
}
