//! The page's own files, and the link that lets a browser in.

mod files;

pub use crate::face::http::page::files::{Tagged, tagged};
use axum::extract::{Query, Request, State};
use axum::http::{HeaderMap, HeaderValue, Method, StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde::Deserialize;

use crate::face::http::api::App;
use crate::face::http::auth::Peer;
use crate::face::http::error::ApiError;

pub use files::{ASSETS, Asset};

/// Whatever is no request of the API: a file of the page, or nothing.
pub async fn file(State(bench): State<App>, request: Request) -> Response {
    let path = request.uri().path();
    let wanted = if path == "/index.html" { "/" } else { path };
    let Some(found) = bench.page.iter().find(|tagged| tagged.asset.path == wanted) else {
        return ApiError::missing("there is nothing at this address").into_response();
    };
    if !matches!(*request.method(), Method::GET | Method::HEAD) {
        return ApiError::new(StatusCode::METHOD_NOT_ALLOWED, "a file is only read").into_response();
    }
    let headers = [
        (header::ETAG, found.tag.clone()),
        (header::CACHE_CONTROL, HeaderValue::from_static("no-cache")),
        (header::CONTENT_TYPE, HeaderValue::from_static(found.asset.kind)),
    ];
    if request.headers().get(header::IF_NONE_MATCH) == Some(&found.tag) {
        return (StatusCode::NOT_MODIFIED, headers).into_response();
    }
    (headers, found.asset.bytes).into_response()
}

/// The query of the link.
#[derive(Debug, Deserialize)]
pub struct Link {
    token: String,
}

/// `GET /open?token=`: gives the browser the cookie and sends it to the page.
pub async fn open(State(bench): State<App>, request: Request) -> Response {
    let link: Option<Query<Link>> = Query::try_from_uri(request.uri()).ok();
    let right = link.is_some_and(|Query(link)| bench.access.token.is(&link.token));
    if !right {
        return ApiError::new(StatusCode::UNAUTHORIZED, "this link is not valid, or no longer")
            .help("take the link that `straykey serve` prints in the terminal")
            .into_response();
    }
    let tls = matches!(request.extensions().get::<Peer>(), Some(Peer::Tcp { tls: true, .. }));
    let secure = if tls { "; Secure" } else { "" };
    // Browsers keep cookies by host alone: two daemons on one host must not take each other's.
    let port = request.headers().get(header::HOST).and_then(|host| host.to_str().ok()?.rsplit_once(':'));
    let port = port.map_or("", |(_, port)| port);
    let cookie = format!(
        "straykey{port}={}; HttpOnly; SameSite=Strict; Path=/{secure}",
        bench.access.session.secret()
    );
    let mut headers = HeaderMap::new();
    if let Ok(cookie) = HeaderValue::from_str(&cookie) {
        headers.insert(header::SET_COOKIE, cookie);
    }
    headers.insert(header::LOCATION, HeaderValue::from_static("/"));
    (StatusCode::SEE_OTHER, headers).into_response()
}
