//! Live events as server-sent events, with resume.
//!
//! # Source
//! WHATWG HTML, section 9.2, server-sent events.

use std::fmt::Write as _;
use std::sync::atomic::Ordering;
use std::time::Duration;

use axum::body::{Body, Bytes};
use axum::extract::State;
use axum::http::{HeaderMap, Method, header};
use axum::response::{IntoResponse, Response};
use schemars::JsonSchema;
use serde::Deserialize;
use tokio::sync::mpsc;

use crate::face::http::api::{App, Ask, Route};
use crate::face::http::error::Answer;
use crate::face::http::replay::{Given, Message};

/// A sign of life so often while nothing happens.
const ALIVE: Duration = Duration::from_secs(10);

pub(super) fn routes() -> Vec<Route> {
    vec![
        Route::new(Method::GET, "/api/v1/stream", "Events, verdicts and changes as they come.", stream)
            .asks::<From>()
            .kind("text/event-stream"),
    ]
}

#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
struct From {
    /// Events and verdicts of this job alone; ports and disk are told all the same.
    job: Option<String>,
    /// Go on behind this id.
    after: Option<String>,
}

async fn stream(State(bench): State<App>, Ask(from): Ask<From>, headers: HeaderMap) -> Answer<Response> {
    if let Some(job) = &from.job {
        bench.jobs.find(job)?;
    }
    let last = headers.get("last-event-id").and_then(|value| value.to_str().ok()).map(str::to_owned);
    let (frames, body) = mpsc::channel::<Bytes>(2);
    tokio::spawn(async move {
        bench.counts.subscribers.fetch_add(1, Ordering::Relaxed);
        follow(&bench, last.or(from.after).as_deref(), from.job.as_deref(), &frames).await;
        bench.counts.subscribers.fetch_sub(1, Ordering::Relaxed);
    });
    let frames = futures_util::stream::unfold(body, |mut body| async {
        body.recv().await.map(|frame| (Ok::<Bytes, std::convert::Infallible>(frame), body))
    });
    Ok(([(header::CONTENT_TYPE, "text/event-stream")], Body::from_stream(frames)).into_response())
}

/// Sends until the reader is gone or the daemon ends. A reader that does not read keeps this task waiting, and the ring
/// goes on without it.
async fn follow(bench: &App, last: Option<&str>, job: Option<&str>, frames: &mpsc::Sender<Bytes>) {
    let mut waker = bench.replay.waker();
    let mut after = bench.replay.newest();
    let mut text = ": follow\n\n".to_owned();
    match last.map(|last| last.rsplit_once('-')) {
        None => {}
        Some(Some((boot, number))) if boot == bench.start.name && number.parse::<u64>().is_ok() => {
            after = number.parse().unwrap_or(after);
        }
        Some(_) => gap(bench, after, "the daemon was restarted since", &mut text),
    }
    loop {
        match bench.replay.since(after) {
            Given::Gap(newest) => {
                after = newest;
                gap(bench, after, "messages were missed: this reader was away or too slow", &mut text);
            }
            Given::Messages(list) => {
                for message in &list {
                    after = message.number;
                    if job.is_none_or(|job| message.job.as_deref().is_none_or(|own| own == job)) {
                        frame(bench, message, &mut text);
                    }
                }
                if list.is_empty() && text.is_empty() {
                    tokio::select! {
                        changed = waker.changed() => if changed.is_err() { return },
                        () = tokio::time::sleep(ALIVE) => {
                            let _ = write!(text, ": alive\nid: {}-{after}\n\n", bench.start.name);
                        }
                        () = frames.closed() => return,
                        () = bench.ended() => return,
                    }
                }
            }
        }
        if !text.is_empty() && frames.send(Bytes::from(std::mem::take(&mut text))).await.is_err() {
            return;
        }
    }
}

fn frame(bench: &App, message: &Message, text: &mut String) {
    // JSON holds no line end outside of strings, and none unescaped within.
    let _ = write!(
        text,
        "id: {}-{}\nevent: {}\ndata: {}\n\n",
        bench.start.name, message.number, message.event, message.data
    );
}

fn gap(bench: &App, newest: u64, why: &str, text: &mut String) {
    bench.counts.gaps.fetch_add(1, Ordering::Relaxed);
    let data = serde_json::json!({ "why": why });
    let _ = write!(text, "id: {}-{newest}\nevent: gap\ndata: {data}\n\n", bench.start.name);
}
