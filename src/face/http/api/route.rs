//! What a request is made of: its route, and what its handler gets.

use crate::face::http::app::AppState;
use crate::face::http::error::{Answer, ApiError};
use axum::body;
use axum::extract::rejection::QueryRejection;
use axum::extract::{FromRequest, FromRequestParts, Path, Query, Request};
use axum::handler::Handler;
use axum::http::request::Parts;
use axum::http::{Method, StatusCode};
use axum::routing::{MethodFilter, MethodRouter, on};
use schemars::{JsonSchema, Schema, SchemaGenerator};
use serde::de::DeserializeOwned;
use std::sync::Arc;

/// Largest body of a request.
pub const LARGEST_BODY: usize = 64 << 10;

/// What handlers get.
pub type App = Arc<AppState>;

pub(crate) type Made = fn(&mut SchemaGenerator) -> Schema;

/// One route.
pub struct Route {
    /// Method.
    pub method: Method,
    /// Path with `{names}`.
    pub path: &'static str,
    /// What it does, a sentence.
    pub about: &'static str,
    pub(crate) handler: MethodRouter<App>,
    pub(crate) body: Option<Made>,
    pub(crate) query: Option<Made>,
    pub(crate) answer: Option<Made>,
    pub(crate) status: StatusCode,
    pub(crate) kind: &'static str,
}

pub(crate) fn made<T: JsonSchema>(generator: &mut SchemaGenerator) -> Schema {
    generator.subschema_for::<T>()
}

impl Route {
    pub(crate) fn new<H, T>(method: Method, path: &'static str, about: &'static str, handler: H) -> Self
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

    pub(crate) fn takes<T: JsonSchema>(mut self) -> Self {
        self.body = Some(made::<T>);
        self
    }

    pub(crate) fn asks<T: JsonSchema>(mut self) -> Self {
        self.query = Some(made::<T>);
        self
    }

    pub(crate) fn gives<T: JsonSchema>(mut self) -> Self {
        self.answer = Some(made::<T>);
        self
    }

    pub(crate) fn kind(mut self, kind: &'static str) -> Self {
        self.kind = kind;
        self
    }

    pub(crate) fn status(mut self, status: StatusCode) -> Self {
        self.status = status;
        self
    }
}

/// Does what may wait for disk or processor on a thread that may wait.
pub(crate) async fn wait<T: Send + 'static>(work: impl FnOnce() -> Answer<T> + Send + 'static) -> Answer<T> {
    tokio::task::spawn_blocking(work).await.unwrap_or_else(|_| {
        Err(ApiError::failed("the request failed inside straykey")
            .help("the log says more; nothing recorded is lost"))
    })
}

/// A JSON body.
pub(crate) struct In<T>(pub(crate) T);

impl<T: DeserializeOwned> FromRequest<App> for In<T> {
    type Rejection = ApiError;

    async fn from_request(request: Request, _: &App) -> Answer<Self> {
        let bytes = body::to_bytes(request.into_body(), LARGEST_BODY).await.map_err(|_| {
            ApiError::new(
                StatusCode::PAYLOAD_TOO_LARGE,
                format!("a request holds {LARGEST_BODY} bytes at most"),
            )
        })?;
        let text: &[u8] = if bytes.is_empty() { b"{}" } else { &bytes };
        serde_json::from_slice(text).map(Self).map_err(|error| {
            ApiError::wrong(format!("the request is not understood: {error}"))
                .help("GET /api/v1/openapi.json describes every request")
        })
    }
}

/// The query.
pub(crate) struct Ask<T>(pub(crate) T);

impl<T: DeserializeOwned> FromRequestParts<App> for Ask<T> {
    type Rejection = ApiError;

    async fn from_request_parts(parts: &mut Parts, _: &App) -> Answer<Self> {
        let found: Result<Query<T>, QueryRejection> = Query::try_from_uri(&parts.uri);
        found.map(|Query(found)| Self(found)).map_err(|error| {
            ApiError::wrong(format!("the query is not understood: {}", error.body_text()))
                .help("GET /api/v1/openapi.json describes every request")
        })
    }
}

/// The one name in the path.
pub(crate) struct Named(pub(crate) String);

impl FromRequestParts<App> for Named {
    type Rejection = ApiError;

    async fn from_request_parts(parts: &mut Parts, app: &App) -> Answer<Self> {
        match Path::<String>::from_request_parts(parts, app).await {
            Ok(Path(name)) => Ok(Self(name)),
            Err(_) => Err(ApiError::missing("there is nothing of this name")),
        }
    }
}
