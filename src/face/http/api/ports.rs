//! Ports: bound, opened into a job, closed, asked for their rate, and written to.

use std::path::PathBuf;
use std::time::Duration;

use axum::Json;
use axum::extract::State;
use axum::http::Method;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::base::{locked, system};
use crate::face::http::api::{App, In, Named, Route, wait};
use crate::face::http::config::{PortConfig, is_name};
use crate::face::http::error::{Answer, ApiError};
use crate::face::http::port::{Begin, Order};
use crate::face::http::types::{PortLevel, PortState};
use crate::source::serial::{self, Binding, LARGEST_COMMAND, PortSpec};
use crate::timeline::job::Hands;

pub(super) fn routes() -> Vec<Route> {
    vec![
        Route::new(Method::GET, "/api/v1/ports", "The ports that are bound.", list).gives::<PortList>(),
        Route::new(Method::POST, "/api/v1/ports", "Binds a port until the daemon ends.", bind)
            .takes::<Bind>()
            .gives::<PortState>(),
        Route::new(Method::GET, "/api/v1/ports/found", "The serial ports that are plugged in.", found),
        Route::new(
            Method::DELETE,
            "/api/v1/ports/{port}",
            "Lets go of an idle port that a request has bound.",
            unbind,
        ),
        Route::new(Method::POST, "/api/v1/ports/{port}/open", "Begins a capture in a job.", open)
            .takes::<Open>()
            .gives::<PortState>(),
        Route::new(Method::POST, "/api/v1/ports/{port}/close", "Ends the capture in good order.", close)
            .takes::<Close>()
            .gives::<PortState>(),
        Route::new(
            Method::POST,
            "/api/v1/ports/{port}/find",
            "Tries rates and framings and says which fits.",
            find,
        )
        .takes::<Find>(),
        Route::new(
            Method::POST,
            "/api/v1/ports/{port}/command",
            "Writes a console command to the set.",
            command,
        )
        .takes::<Command>()
        .gives::<Written>(),
    ]
}

/// An empty request.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub(super) struct Nothing {}

#[derive(Debug, Serialize, JsonSchema)]
struct PortList {
    ports: Vec<PortState>,
}

async fn list(State(bench): State<App>) -> Json<PortList> {
    Json(PortList { ports: bench.all_ports().iter().map(|port| port.state()).collect() })
}

async fn found() -> Answer<Json<serde_json::Value>> {
    wait(|| Ok(Json(serde_json::json!({ "version": 1, "ports": serial::list()? })))).await
}

#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
struct Bind {
    /// By what requests name it.
    name: String,
    /// Device path, best one under `/dev/serial/by-id`.
    device: String,
    /// Bits a second; 115200.
    baud: Option<u32>,
    /// Framing; `8N1`.
    framing: Option<String>,
}

async fn bind(State(bench): State<App>, In(wanted): In<Bind>) -> Answer<Json<PortState>> {
    if !is_name(&wanted.name) {
        return Err(ApiError::wrong("this is not a valid port name")
            .help("letters, digits, `.`, `_`, `-`, 64 at most"));
    }
    // A port of this computer alone: a request must not make the daemon open anything else, nor call another computer.
    let device = PathBuf::from(&wanted.device);
    if !system::is_port_name(&device) {
        return Err(ApiError::wrong("this is no serial port of this computer").help(
            "look for adapters: those that are plugged in are listed; a serial server is named in the configuration",
        ));
    }
    let baud = wanted.baud.unwrap_or(115_200);
    let framing = wanted.framing.unwrap_or_else(|| "8N1".to_owned());
    if baud == 0 {
        return Err(ApiError::wrong("a serial port cannot run at 0 baud").help("for example 115200"));
    }
    PortSpec::new("", baud).framing(&framing)?;
    let config = PortConfig {
        name: wanted.name,
        binding: Binding::Device(device),
        baud,
        framing,
        chassis: None,
        job: None,
        hands: Hands::On,
    };
    Ok(Json(bench.bind(config, false)?.state()))
}

async fn unbind(State(bench): State<App>, Named(name): Named) -> Answer<Json<serde_json::Value>> {
    wait(move || {
        let port = bench.port(&name)?;
        if port.fixed {
            return Err(ApiError::conflict("the configuration binds this port").help("take it out of there"));
        }
        if port.state().job.is_some() {
            return Err(ApiError::conflict("something is recorded from this port").help("close it first"));
        }
        locked(&bench.ports).remove(&name);
        port.stop();
        Ok(Json(serde_json::json!({})))
    })
    .await
}

/// Whether hands are on the set.
#[derive(Clone, Copy, Debug, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
enum HandsWord {
    On,
    Off,
}

#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
struct Open {
    /// Name of the job.
    job: String,
    /// Chassis, when it is not the job's.
    chassis: Option<String>,
    /// Whether hands are on the set.
    hands: HandsWord,
}

async fn open(State(bench): State<App>, Named(name): Named, In(wanted): In<Open>) -> Answer<Json<PortState>> {
    let port = bench.port(&name)?;
    bench.jobs.find(&wanted.job)?;
    if let Some(chassis) = &wanted.chassis {
        bench.protocols().library.chassis(chassis)?;
    }
    let begin = Begin {
        job: wanted.job,
        word: "watch",
        hands: match wanted.hands {
            HandsWord::On => Hands::On,
            HandsWord::Off => Hands::Off,
        },
        chassis: wanted.chassis,
        ..Begin::default()
    };
    Ok(Json(port.ask(|reply| Order::Begin(begin, reply)).await?))
}

#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
struct Close {
    /// The capture to end; whatever runs when absent. Who ends only what he began names it.
    capture: Option<String>,
}

async fn close(
    State(bench): State<App>,
    Named(name): Named,
    In(wanted): In<Close>,
) -> Answer<Json<PortState>> {
    let port = bench.port(&name)?;
    port.ask(|reply| Order::End(wanted.capture, reply)).await?;
    Ok(Json(port.state()))
}

#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
struct Find {
    /// Seconds for each rate, 0.1 to 5; 1.
    #[schemars(range(min = 0.1, max = 5.0))]
    seconds: Option<f64>,
}

async fn find(
    State(bench): State<App>,
    Named(name): Named,
    In(wanted): In<Find>,
) -> Answer<Json<serde_json::Value>> {
    let seconds = wanted.seconds.unwrap_or(1.0);
    if !(0.1..=5.0).contains(&seconds) {
        return Err(ApiError::wrong("`seconds` is from 0.1 to 5"));
    }
    let port = bench.port(&name)?;
    let tries = port.ask(|reply| Order::Find(Duration::from_secs_f64(seconds), reply)).await?;
    let best = tries.first().filter(|best| best.certainty > 0.5).cloned();
    Ok(Json(serde_json::json!({ "tries": tries, "best": best })))
}

#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
struct Command {
    /// What to write; a line end is written only where one stands in it.
    text: String,
    /// The warning was shown to the technician.
    warned: Option<bool>,
}

#[derive(Debug, Serialize, JsonSchema)]
struct Written {
    /// Bytes that were written.
    written: usize,
}

/// What must be read before anything is written to a set.
const WARNING: &str = "A console command goes straight into the set's software. It can erase settings, start a \
service mode or an update, move voltages, and leave the set dead. Write nothing that the maker's service manual does \
not name. What you send is recorded in the capture.";

async fn command(
    State(bench): State<App>,
    Named(name): Named,
    In(wanted): In<Command>,
) -> Answer<Json<Written>> {
    if wanted.warned != Some(true) {
        return Err(ApiError::wrong(WARNING)
            .warning("console-command")
            .help("repeat it with \"warned\": true"));
    }
    if wanted.text.is_empty() || wanted.text.len() > LARGEST_COMMAND {
        return Err(ApiError::wrong(format!("a console command has 1 to {LARGEST_COMMAND} bytes")));
    }
    let port = bench.port(&name)?;
    if matches!(port.state().state, PortLevel::Gone) {
        return Err(ApiError::failed("the port is gone; nothing was written to the set"));
    }
    let written = port.ask(|reply| Order::Send(wanted.text.into_bytes(), reply)).await?;
    Ok(Json(Written { written }))
}
