//! Who may ask, how often, and with which headers the answer goes out.

pub use crate::face::http::rates::Peer;
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::{Duration, Instant};

use axum::extract::{Request, State};
use axum::http::{HeaderMap, HeaderValue, Method, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};

use crate::face::http::api::{App, LARGEST_BODY};
use crate::face::http::error::{Answer, ApiError};
use crate::face::http::places::Place;

/// A request is answered within this, or refused. Trying rates takes longer.
const WITHIN: Duration = Duration::from_secs(30);
const FIND_WITHIN: Duration = Duration::from_secs(120);

/// The policy of every answer but the report.
const POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src \
'self'; frame-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'";

/// Stands before every route: checks, then answers within the time, then the headers.
pub async fn middleware(State(bench): State<App>, request: Request, next: Next) -> Response {
    let peer = request.extensions().get::<Peer>().copied();
    let within = if request.uri().path().ends_with("/find") { FIND_WITHIN } else { WITHIN };
    let mut response = match check(&bench, &request, peer) {
        Err(error) => error.into_response(),
        Ok(()) => match tokio::time::timeout(within, next.run(request)).await {
            Ok(response) => response,
            Err(_) => ApiError::new(StatusCode::REQUEST_TIMEOUT, "the request took too long").into_response(),
        },
    };
    bench.count(response.status().as_u16());
    let headers = response.headers_mut();
    headers.entry(header::CONTENT_SECURITY_POLICY).or_insert(HeaderValue::from_static(POLICY));
    headers.entry(header::CACHE_CONTROL).or_insert(HeaderValue::from_static("no-store"));
    let fixed = [
        ("x-content-type-options", "nosniff"),
        ("referrer-policy", "no-referrer"),
        ("cross-origin-opener-policy", "same-origin"),
        ("cross-origin-resource-policy", "same-origin"),
    ];
    for (name, value) in fixed {
        headers.insert(name, HeaderValue::from_static(value));
    }
    response
}

fn check(bench: &App, request: &Request, peer: Option<Peer>) -> Answer<()> {
    let Some(peer) = peer else { return Err(ApiError::failed("the request has no sender")) };
    if !bench.access.rates.take(peer, Instant::now()) {
        bench.counts.too_many.fetch_add(1, Ordering::Relaxed);
        return Err(ApiError::new(StatusCode::TOO_MANY_REQUESTS, "too many requests").help("wait a second"));
    }
    let headers = request.headers();
    let path = request.uri().path();
    if let Peer::Tcp { tls, .. } = peer {
        check_host(bench, request, tls)?;
        let needs_token = path.starts_with("/api/") || path == "/metrics";
        let shown = has_token(bench, headers);
        if let Some(place) = request.extensions().get::<Arc<Place>>().filter(|_| shown) {
            place.keep();
        }
        if needs_token && !shown {
            return Err(ApiError::new(StatusCode::UNAUTHORIZED, "this needs the token")
                .help("open the link that `straykey serve` prints, or send Authorization: Bearer TOKEN"));
        }
    }
    if !matches!(*request.method(), Method::GET | Method::HEAD | Method::OPTIONS) {
        let kind =
            headers.get(header::CONTENT_TYPE).and_then(|value| value.to_str().ok()).unwrap_or_default();
        let kind = kind.split(';').next().unwrap_or_default().trim();
        if !kind.eq_ignore_ascii_case("application/json") {
            return Err(ApiError::new(StatusCode::UNSUPPORTED_MEDIA_TYPE, "changes are sent as JSON")
                .help("send Content-Type: application/json"));
        }
    }
    let length =
        headers.get(header::CONTENT_LENGTH).and_then(|value| value.to_str().ok()?.parse::<u64>().ok());
    if length.is_some_and(|length| length > LARGEST_BODY as u64) {
        return Err(ApiError::new(
            StatusCode::PAYLOAD_TOO_LARGE,
            format!("a request holds {LARGEST_BODY} bytes at most"),
        ));
    }
    Ok(())
}

/// A web page elsewhere must not drive the bench: the name by which it was asked must be ours (so that no name that
/// somebody else owns can be pointed at us), and a page that asks must be our own.
fn check_host(bench: &App, request: &Request, tls: bool) -> Answer<()> {
    let foreign = |what: &str| Err(ApiError::new(StatusCode::FORBIDDEN, what));
    let headers = request.headers();
    if headers.get_all(header::HOST).iter().count() != 1 {
        return foreign("one Host header is needed");
    }
    let Some(host) = headers.get(header::HOST).and_then(|value| value.to_str().ok()) else {
        return foreign("the Host header is not readable");
    };
    let config = bench.config();
    let is_ours = |host: &str| {
        let name = without_port(host);
        ["127.0.0.1", "localhost", "[::1]"].contains(&name)
            || (tls && config.names().iter().any(|own| own.eq_ignore_ascii_case(name)))
    };
    let authority = request.uri().authority().map(|authority| authority.as_str());
    if !is_ours(host) || authority.is_some_and(|authority| !is_ours(authority)) {
        return foreign("this name is not one of the daemon's addresses");
    }
    let own = format!("{}://{host}", if tls { "https" } else { "http" });
    for origin in headers.get_all(header::ORIGIN) {
        if origin.to_str().ok() != Some(own.as_str()) {
            return foreign("requests from another site's page are refused");
        }
    }
    Ok(())
}

fn without_port(host: &str) -> &str {
    match host.rsplit_once(':') {
        Some((name, port)) if !port.is_empty() && port.bytes().all(|b| b.is_ascii_digit()) => name,
        _ => host,
    }
}

/// The token as a bearer, or the cookie of this run of the daemon: what a browser keeps lets nobody in after it.
fn has_token(bench: &App, headers: &HeaderMap) -> bool {
    let bearer = headers
        .get(header::AUTHORIZATION)
        .and_then(|value| value.to_str().ok())
        .and_then(|value| value.strip_prefix("Bearer "));
    let mut cookies = headers
        .get_all(header::COOKIE)
        .iter()
        .filter_map(|value| value.to_str().ok())
        .flat_map(|value| value.split(';'))
        .filter_map(|pair| pair.trim().strip_prefix("straykey")?.split_once('='));
    bearer.is_some_and(|token| bench.access.token.is(token))
        || cookies.any(|(_, value)| bench.access.session.is(value))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_port_is_no_part_of_a_name() {
        for (host, name) in [
            ("localhost:80", "localhost"),
            ("[::1]:4187", "[::1]"),
            ("[::1]", "[::1]"),
            ("a.b", "a.b"),
            ("a:", "a:"),
        ] {
            assert_eq!(without_port(host), name);
        }
    }
}
