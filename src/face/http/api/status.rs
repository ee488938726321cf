//! How the daemon is: status, metrics, protocol files, cautions, the description of all requests.

use std::fmt::Write as _;
use std::sync::atomic::Ordering;

use axum::Json;
use axum::extract::State;
use axum::http::{Method, header};
use axum::response::IntoResponse;
use schemars::JsonSchema;
use serde::Serialize;

use crate::base::{Nanoseconds, locked, system};
use crate::face::cautions;
use crate::face::glossary;
use crate::face::http::api::{App, Route, wait};
use crate::face::http::error::Answer;
use crate::face::http::types::{DiskRoom, PortLevel};

pub(super) fn routes() -> Vec<Route> {
    vec![
        Route::new(Method::GET, "/api/v1/status", "How the daemon is.", status).gives::<Status>(),
        Route::new(
            Method::GET,
            "/api/v1/protocols",
            "The chassis, formats and remotes that are known.",
            protocols,
        )
        .gives::<ProtocolList>(),
        Route::new(
            Method::GET,
            "/api/v1/cautions",
            "What to read before an open set is touched.",
            read_cautions,
        )
        .gives::<Cautions>(),
        Route::new(Method::GET, "/api/v1/words", "The special words with their meaning.", special_words)
            .gives::<Vec<(String, String)>>(),
        Route::new(Method::GET, "/metrics", "Counters and gauges for a collector.", metrics)
            .kind("text/plain"),
    ]
}

/// What runs.
#[derive(Debug, Serialize, JsonSchema)]
struct Program {
    /// Version of the program.
    version: &'static str,
    /// Kind of build and machine.
    build: String,
}

#[derive(Debug, Serialize, JsonSchema)]
struct ProtocolStatus {
    /// Chassis, formats and remotes.
    files: usize,
    /// What is wrong with the last edit; the last good files are in use.
    error: Option<String>,
}

/// How the daemon is.
#[derive(Debug, Serialize, JsonSchema)]
struct Status {
    /// Version of this shape: 1.
    version: u32,
    /// What runs.
    program: Program,
    /// Name of this start.
    boot: String,
    /// When it began, RFC 3339.
    started: Option<String>,
    /// Seconds since.
    uptime_s: u64,
    /// The jobs folder.
    folder: String,
    /// What was repaired at the start, in sentences.
    recovered: Vec<String>,
    /// Ports bound.
    ports: usize,
    /// Jobs in the folder.
    jobs: usize,
    /// Room on the disk.
    disk: DiskRoom,
    /// The protocol files.
    protocols: ProtocolStatus,
    /// Memory that is in use, bytes.
    memory_bytes: u64,
}

fn build() -> String {
    let kind = if cfg!(debug_assertions) { "debug" } else { "release" };
    format!("{kind} {}-{}", std::env::consts::ARCH, std::env::consts::OS)
}

async fn status(State(bench): State<App>) -> Answer<Json<Status>> {
    wait(move || {
        let (files, error) = {
            let known = locked(&bench.known);
            let protocols = &known.protocols;
            let files = protocols.library.all().count()
                + protocols.formats.all().len()
                + protocols.formats.remotes().len();
            (files, known.error.clone())
        };
        Ok(Json(Status {
            version: 1,
            program: Program { version: env!("CARGO_PKG_VERSION"), build: build() },
            boot: bench.start.name.clone(),
            started: bench.start.started.wall(Nanoseconds::ZERO),
            uptime_s: bench.start.born.elapsed().as_secs(),
            folder: bench.jobs.folder().display().to_string(),
            recovered: locked(&bench.start.recovered).clone(),
            ports: locked(&bench.ports).len(),
            jobs: bench.jobs.names().len(),
            disk: bench.disk(),
            protocols: ProtocolStatus { files, error },
            memory_bytes: system::memory_bytes(),
        }))
    })
    .await
}

#[derive(Debug, Serialize, JsonSchema)]
struct ProtocolFile {
    /// Its name.
    name: String,
    /// `chassis`, `format` or `remote`.
    kind: &'static str,
    /// Version of the file.
    version: Option<u32>,
    /// What it is, one line.
    about: Option<String>,
}

#[derive(Debug, Serialize, JsonSchema)]
struct ProtocolList {
    protocols: Vec<ProtocolFile>,
}

async fn protocols(State(bench): State<App>) -> Json<ProtocolList> {
    let known = bench.protocols();
    let mut list: Vec<ProtocolFile> = known
        .library
        .all()
        .map(|chassis| ProtocolFile {
            name: chassis.name().to_owned(),
            kind: "chassis",
            version: chassis.decoder().rsplit_once('@').and_then(|(_, version)| version.parse().ok()),
            about: Some(chassis.file().chassis.about.clone()),
        })
        .collect();
    let plain = |name: &str, kind| ProtocolFile { name: name.to_owned(), kind, version: None, about: None };
    list.extend(known.formats.all().iter().map(|format| plain(format.name(), "format")));
    list.extend(known.formats.remotes().iter().map(|remote| plain(&remote.name, "remote")));
    Json(ProtocolList { protocols: list })
}

#[derive(Debug, Serialize, JsonSchema)]
struct Cautions {
    /// The sentences, the first and the last frame the others.
    cautions: Vec<String>,
}

async fn read_cautions() -> Json<Cautions> {
    let mut list = vec![cautions::LEAD.to_owned()];
    list.extend(cautions::ALL.iter().map(|caution| format!("{}: {}", caution.title, caution.text)));
    list.push(cautions::DEFERENCE.to_owned());
    Json(Cautions { cautions: list })
}

async fn special_words() -> Json<&'static [(&'static str, &'static str)]> {
    Json(&glossary::ALL)
}

/// Text format 0.0.4 of the Prometheus exposition formats.
async fn metrics(State(bench): State<App>) -> impl IntoResponse {
    let mut text = String::new();
    let mut one = |name: &str, kind: &str, help: &str, lines: &[(String, f64)]| {
        let _ = writeln!(text, "# HELP straykey_{name} {help}\n# TYPE straykey_{name} {kind}");
        for (labels, value) in lines {
            let _ = writeln!(text, "straykey_{name}{labels} {value}");
        }
    };
    #[allow(clippy::cast_precision_loss)]
    let float = |value: u64| value as f64;
    let alone = |value: f64| vec![(String::new(), value)];
    let counts = &bench.counts;
    let load = |counter: &std::sync::atomic::AtomicU64| float(counter.load(Ordering::Relaxed));
    one("uptime_seconds", "gauge", "Time since the start.", &alone(bench.start.born.elapsed().as_secs_f64()));
    one("memory_bytes", "gauge", "Resident memory.", &alone(float(system::memory_bytes())));
    let disk = bench.disk();
    one("disk_free_bytes", "gauge", "Room on the disk of the jobs.", &alone(float(disk.free_bytes)));
    let beat = bench.group.status().beat_age.as_secs_f64();
    one("journal_beat_age_seconds", "gauge", "Time since the disk thread's last sign of life.", &alone(beat));
    one("connections", "gauge", "Open connections.", &alone(load(&counts.connections)));
    one(
        "connections_refused_total",
        "counter",
        "Connections beyond the limit.",
        &alone(load(&counts.turned_away)),
    );
    one(
        "requests_limited_total",
        "counter",
        "Requests refused for their rate.",
        &alone(load(&counts.too_many)),
    );
    one("subscribers", "gauge", "Open event streams.", &alone(load(&counts.subscribers)));
    one(
        "subscriber_gaps_total",
        "counter",
        "Readers that were too slow or away too long.",
        &alone(load(&counts.gaps)),
    );
    one("messages_total", "counter", "Messages to subscribers.", &alone(float(bench.replay.newest())));
    one(
        "messages_kept_bytes",
        "gauge",
        "Memory of kept messages.",
        &alone(float(bench.replay.bytes() as u64)),
    );
    let answers: Vec<(String, f64)> = (2..6)
        .filter_map(|class| Some((format!("{{class=\"{class}xx\"}}"), load(counts.answers.get(class)?))))
        .collect();
    one("answers_total", "counter", "Answers by class of status.", &answers);
    let states: Vec<_> = bench.all_ports().iter().map(|port| port.state()).collect();
    // Names of ports are letters, digits, dots, underlines and hyphens: nothing to escape.
    let by_port = |value: &dyn Fn(&crate::face::http::types::PortState) -> f64| -> Vec<(String, f64)> {
        states.iter().map(|state| (format!("{{port=\"{}\"}}", state.name), value(state))).collect()
    };
    one("port_bytes", "gauge", "Bytes of the running capture.", &by_port(&|s| float(s.bytes)));
    one("port_events", "gauge", "Events of the running capture.", &by_port(&|s| float(s.events)));
    one("port_lost_bytes", "gauge", "Bytes lost in the running capture.", &by_port(&|s| float(s.lost_bytes)));
    one("port_gaps", "gauge", "How often the port was gone.", &by_port(&|s| float(s.gaps)));
    let recording = by_port(&|s| f64::from(u8::from(matches!(s.state, PortLevel::Open | PortLevel::Silent))));
    one("port_recording", "gauge", "1 while the port is recorded.", &recording);
    ([(header::CONTENT_TYPE, "text/plain; version=0.0.4; charset=utf-8")], text)
}
