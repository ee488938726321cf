//! `soak`, `step` and `job show` through a daemon that has the job.

use std::path::Path;
use std::time::Duration;

use hyper::Method;
use serde_json::{Value, json};

use crate::base::{Nanoseconds, Result, system};
use crate::face::cli::args;
use crate::face::cli::status::{SoakLook, Status};
use crate::face::cli::stop::{self, Stop};
use crate::face::http::client::Client;
use crate::face::out::Out;

/// The daemon is asked so often how its soak stands.
const EVERY: Duration = Duration::from_millis(300);

/// A soak on the daemon's port, followed here; Ctrl-C ends it.
///
/// # Errors
/// `System` when the daemon does not answer. The second value says how the port ended.
pub(super) fn soak(daemon: &Client, options: &args::Soak, out: &Out) -> Result<(Value, Result<()>)> {
    let port = port(daemon, &options.port)?;
    let wanted = json!({ "port": port, "minutes": options.minutes, "full": options.full,
        "signs": if options.unattended { "none" } else { "asked" }, "on_for_minutes": options.on_for });
    let begun = daemon.job(Method::POST, "/soak", &wanted)?;
    let capture = begun["capture"].as_str().unwrap_or_default().to_owned();
    let stop = Stop::listen();
    out.note(format!(
        "Hands off the set and its remotes. The daemon records {capture} from {port}; Ctrl-C ends."
    ));
    let mut display = Status::new();
    let mut gone = Ok(());
    let ended = loop {
        std::thread::sleep(EVERY);
        let all = daemon.ask(Method::GET, "/api/v1/ports", &Value::Null)?;
        let state = all["ports"]
            .as_array()
            .and_then(|ports| ports.iter().find(|state| state["name"] == port.as_str()))
            .cloned()
            .unwrap_or_default();
        let soak = state["soak"].clone();
        if state["capture"] != capture.as_str() {
            break soak;
        }
        if options.port.no_wait && state["state"] == "gone" {
            gone = Err(stop::gone());
        }
        if stop.asked() || gone.is_err() {
            break daemon.job(Method::DELETE, "/soak", &Value::Null)?["soak"].clone();
        }
        if let Some(look) = SoakLook::of_value(&soak) {
            display.show(Nanoseconds::from_seconds(soak["run_s"].as_f64().unwrap_or(0.0)), &look);
        }
    };
    display.end();
    Ok((ended, gone))
}

/// The daemon's name for a port; one that it does not know yet is bound.
fn port(daemon: &Client, wanted: &args::Port) -> Result<String> {
    let all = daemon.ask(Method::GET, "/api/v1/ports", &Value::Null)?;
    let real = |path: &str| system::full_path(Path::new(path)).ok();
    let device = real(&wanted.port);
    let known = all["ports"].as_array().into_iter().flatten().find(|port| {
        let own = port["device"].as_str().unwrap_or_default();
        port["name"] == wanted.port.as_str()
            || own == wanted.port
            || (device.is_some() && real(own) == device)
    });
    if let Some(name) = known.and_then(|port| port["name"].as_str()) {
        return Ok(name.to_owned());
    }
    let name = Path::new(&wanted.port).file_name().unwrap_or_default().to_string_lossy().into_owned();
    let bind = json!({ "name": name, "device": wanted.port, "baud": wanted.baud, "framing": wanted.framing });
    daemon.ask(Method::POST, "/api/v1/ports", &bind)?;
    Ok(name)
}

/// A step; gives the stage that begins and what to think of.
pub(super) fn step(daemon: &Client, options: &args::Step, kind: &str) -> Result<(usize, Vec<String>)> {
    let wanted = json!({ "text": options.text, "kind": kind, "parts": options.part, "anyway": true });
    let done = daemon.job(Method::POST, "/steps", &wanted)?;
    let warnings = serde_json::from_value(done["warnings"].clone()).unwrap_or_default();
    Ok((usize::try_from(done["stage"].as_u64().unwrap_or(0)).unwrap_or(0), warnings))
}

/// All that the daemon says of the job.
pub(super) fn show(daemon: &Client) -> Result<Value> {
    daemon.job(Method::GET, "", &Value::Null)
}
