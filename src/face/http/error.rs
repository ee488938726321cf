//! A request that is not answered as it was meant: status, what, where, what to do.

use axum::Json;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use schemars::JsonSchema;
use serde::Serialize;

use crate::base::{Cause, Error, Kind};
use crate::face::out::{ErrorDetail, safe};

/// Result of a request.
pub type Answer<T> = std::result::Result<T, ApiError>;

/// Why not.
#[derive(Clone, Debug)]
pub struct ApiError {
    status: StatusCode,
    cause: Option<Cause>,
    detail: ErrorDetail,
}

/// An error answer.
#[derive(Clone, Debug, Serialize, JsonSchema)]
pub struct ErrorAnswer {
    /// What, where, what to do.
    pub error: ErrorDetail,
}

impl ApiError {
    /// An error with this status.
    pub fn new(status: StatusCode, what: impl Into<String>) -> Self {
        let detail = ErrorDetail { what: safe(&what.into()), at: None, remedy: None, warning: None };
        Self { status, cause: None, detail }
    }

    /// 400: the request is wrong.
    pub fn wrong(what: impl Into<String>) -> Self {
        Self::new(StatusCode::BAD_REQUEST, what)
    }

    /// 404: there is no such thing.
    pub fn missing(what: impl Into<String>) -> Self {
        Self::new(StatusCode::NOT_FOUND, what)
    }

    /// 409: not now.
    pub fn conflict(what: impl Into<String>) -> Self {
        Self::new(StatusCode::CONFLICT, what)
    }

    /// 503: disk, port or system failed.
    pub fn failed(what: impl Into<String>) -> Self {
        Self::new(StatusCode::SERVICE_UNAVAILABLE, what)
    }

    /// Adds what to do.
    #[must_use]
    pub fn help(mut self, remedy: impl Into<String>) -> Self {
        self.detail.remedy = Some(safe(&remedy.into()));
        self
    }

    /// Adds the word of a warning.
    #[must_use]
    pub fn warning(mut self, word: &'static str) -> Self {
        self.detail.warning = Some(word);
        self
    }

    /// The status.
    pub fn status(&self) -> StatusCode {
        self.status
    }

    /// What it is about, where the daemon acts on it.
    pub fn cause(&self) -> Option<Cause> {
        self.cause
    }

    /// What is wrong.
    pub fn what(&self) -> &str {
        &self.detail.what
    }
}

impl From<Error> for ApiError {
    fn from(error: Error) -> Self {
        let status = match (error.cause(), error.kind()) {
            (Some(Cause::JobHeld | Cause::PortBusy), _) => StatusCode::CONFLICT,
            (_, Kind::Usage) => StatusCode::BAD_REQUEST,
            (_, Kind::Input) => StatusCode::UNPROCESSABLE_ENTITY,
            (_, Kind::System) => StatusCode::SERVICE_UNAVAILABLE,
        };
        let cause = error.cause();
        let detail = (&error).into();
        Self { status, cause, detail }
    }
}

impl IntoResponse for ApiError {
    fn into_response(self) -> Response {
        (self.status, Json(ErrorAnswer { error: self.detail })).into_response()
    }
}
