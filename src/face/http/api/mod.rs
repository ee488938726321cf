//! The requests: one table of routes, from which the router and the OpenAPI description are made.

mod jobs;
mod keycheck;
mod look;
mod openapi;
mod ports;
mod status;
mod stream;
mod timeline;

use std::sync::Arc;

use axum::extract::rejection::QueryRejection;
use axum::extract::{FromRequest, FromRequestParts, Path, Query, Request};
use axum::handler::Handler;
use axum::http::request::Parts;
use axum::http::{Method, StatusCode};
use axum::routing::{MethodFilter, MethodRouter, on};
use axum::{Router, body};
use schemars::{JsonSchema, Schema, SchemaGenerator};
use serde::de::DeserializeOwned;

use super::app::Bench;
use super::refusal::{Answer, Refusal};

pub use openapi::description;

/// Largest body of a request.
pub const LARGEST_BODY: usize = 64 << 10;

/// What handlers get.
pub type App = Arc<Bench>;

type Made = fn(&mut SchemaGenerator) -> Schema;

/// One route.
pub struct Route {
    /// Method.
    pub method: Method,
    /// Path with `{names}`.
    pub path: &'static str,
    /// What it does, a sentence.
    pub about: &'static str,
    handler: MethodRouter<App>,
    body: Option<Made>,
    query: Option<Made>,
    answer: Option<Made>,
    status: StatusCode,
    kind: &'static str,
}

fn made<T: JsonSchema>(generator: &mut SchemaGenerator) -> Schema {
    generator.subschema_for::<T>()
}

impl Route {
    fn new<H, T>(method: Method, path: &'static str, about: &'static str, handler: H) -> Self
    where
        H: Handler<T, App>,
        T: 'static,
    {
        let filter = match method {
            Method::POST => MethodFilter::POST,
            Method::DELETE => MethodFilter::DELETE,
            _ => MethodFilter::GET,
        };
        Self {
            method,
            path,
            about,
            handler: on(filter, handler),
            body: None,
            query: None,
            answer: None,
            status: StatusCode::OK,
            kind: "application/json",
        }
    }

    fn takes<T: JsonSchema>(mut self) -> Self {
        self.body = Some(made::<T>);
        self
    }

    fn asks<T: JsonSchema>(mut self) -> Self {
        self.query = Some(made::<T>);
        self
    }

    fn gives<T: JsonSchema>(mut self) -> Self {
        self.answer = Some(made::<T>);
        self
    }

    fn kind(mut self, kind: &'static str) -> Self {
        self.kind = kind;
        self
    }

    fn status(mut self, status: StatusCode) -> Self {
        self.status = status;
        self
    }
}

/// All routes.
pub fn routes() -> Vec<Route> {
    let mut routes = status::routes();
    routes.extend(ports::routes());
    routes.extend(jobs::routes());
    routes.extend(timeline::routes());
    routes.extend(look::routes());
    routes.extend(keycheck::routes());
    routes.extend(stream::routes());
    routes
}

/// The router of all routes.
pub fn router() -> Router<App> {
    routes().into_iter().fold(Router::new(), |router, route| router.route(route.path, route.handler))
}

/// Does what may wait for disk or processor on a thread that may wait.
async fn wait<T: Send + 'static>(work: impl FnOnce() -> Answer<T> + Send + 'static) -> Answer<T> {
    tokio::task::spawn_blocking(work).await.unwrap_or_else(|_| {
        Err(Refusal::failed("the request could not be worked out")
            .remedy("the log says more; nothing recorded is lost"))
    })
}

/// A JSON body.
struct In<T>(T);

impl<T: DeserializeOwned> FromRequest<App> for In<T> {
    type Rejection = Refusal;

    async fn from_request(request: Request, _: &App) -> Answer<Self> {
        let bytes = body::to_bytes(request.into_body(), LARGEST_BODY).await.map_err(|_| {
            Refusal::new(
                StatusCode::PAYLOAD_TOO_LARGE,
                format!("a request holds {LARGEST_BODY} bytes at most"),
            )
        })?;
        let text: &[u8] = if bytes.is_empty() { b"{}" } else { &bytes };
        serde_json::from_slice(text).map(Self).map_err(|error| {
            Refusal::wrong(format!("the request is not understood: {error}"))
                .remedy("GET /api/v1/openapi.json describes every request")
        })
    }
}

/// The query.
struct Ask<T>(T);

impl<T: DeserializeOwned> FromRequestParts<App> for Ask<T> {
    type Rejection = Refusal;

    async fn from_request_parts(parts: &mut Parts, _: &App) -> Answer<Self> {
        let found: Result<Query<T>, QueryRejection> = Query::try_from_uri(&parts.uri);
        found.map(|Query(found)| Self(found)).map_err(|error| {
            Refusal::wrong(format!("the query is not understood: {}", error.body_text()))
                .remedy("GET /api/v1/openapi.json describes every request")
        })
    }
}

/// The one name in the path.
struct Named(String);

impl FromRequestParts<App> for Named {
    type Rejection = Refusal;

    async fn from_request_parts(parts: &mut Parts, app: &App) -> Answer<Self> {
        match Path::<String>::from_request_parts(parts, app).await {
            Ok(Path(name)) => Ok(Self(name)),
            Err(_) => Err(Refusal::missing("there is nothing of this name")),
        }
    }
}
