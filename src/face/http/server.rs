//! Sockets and connections: loopback TCP (with TLS where it is configured) and the local socket.

use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;

use axum::Router;
use axum::http::StatusCode;
use axum::middleware;
use axum::response::IntoResponse;
use axum::routing::get;
use hyper::body::Incoming;
use hyper::server::conn::http1;
use hyper::service::Service as _;
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::service::TowerToHyperService;
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::TcpListener;
use tokio::sync::Semaphore;
use tokio_rustls::TlsAcceptor;

use crate::base::system::{LocalListener, LocalName};
use crate::base::{Error, Result};
use crate::face::http::api::{self, App};
use crate::face::http::auth::{self, Peer};
use crate::face::http::error::ApiError;
use crate::face::http::page;
use crate::face::http::places::{Place, Places};

/// Most connections over the local socket at once.
const MOST_CONNECTIONS: usize = 64;
/// A client says what it wants within this, and a connection rests no longer.
const HEADERS_WITHIN: Duration = Duration::from_secs(10);
/// Largest head of a request.
const LARGEST_HEAD: usize = 16 << 10;
/// After a failed accept (no more file descriptors) the next try waits so long.
const ACCEPT_REST: Duration = Duration::from_millis(100);

/// The whole router.
pub fn router(bench: &App) -> Router {
    let wrong_method = || async {
        ApiError::new(StatusCode::METHOD_NOT_ALLOWED, "this address does not take this method")
            .into_response()
    };
    api::router()
        .route("/open", get(page::open))
        .method_not_allowed_fallback(wrong_method)
        .fallback(page::file)
        .layer(middleware::from_fn_with_state(Arc::clone(bench), auth::middleware))
        .with_state(Arc::clone(bench))
}

/// Takes TCP connections until the daemon ends.
pub async fn tcp(bench: App, listener: TcpListener, tls: Option<TlsAcceptor>, router: Router) {
    let places = Arc::new(Places::default());
    loop {
        let accepted = tokio::select! {
            accepted = listener.accept() => accepted,
            () = bench.ended() => return,
        };
        let Ok((stream, from)) = accepted else {
            tokio::time::sleep(ACCEPT_REST).await;
            continue;
        };
        let (place, gone) = places.enter();
        if gone {
            bench.counts.turned_away.fetch_add(1, Ordering::Relaxed);
        }
        // An event must not wait for more bytes to go with it.
        let _ = stream.set_nodelay(true);
        let peer = Peer::Tcp { from: from.ip(), tls: tls.is_some() };
        let (bench, router, tls) = (Arc::clone(&bench), router.clone(), tls.clone());
        tokio::spawn(async move {
            let served = async {
                match tls {
                    None => serve(&bench, stream, peer, Some(&place), router).await,
                    Some(tls) => {
                        // A handshake that does not end is a connection like any other that says nothing.
                        if let Ok(Ok(stream)) = tokio::time::timeout(HEADERS_WITHIN, tls.accept(stream)).await
                        {
                            serve(&bench, stream, peer, Some(&place), router).await;
                        }
                    }
                }
            };
            tokio::select! {
                () = served => {}
                () = place.taken() => {}
            }
        });
    }
}

const FULL: &[u8] =
    b"HTTP/1.1 503 Service Unavailable\r\nContent-Length: 0\r\nRetry-After: 2\r\nConnection: close\r\n\r\n";

/// Takes connections on the local socket until the daemon ends.
pub(crate) async fn local(bench: App, mut listener: LocalListener, router: Router) {
    let room = Arc::new(Semaphore::new(MOST_CONNECTIONS));
    loop {
        let accepted = tokio::select! {
            accepted = listener.accept() => accepted,
            () = bench.ended() => return,
        };
        let Ok(stream) = accepted else {
            tokio::time::sleep(ACCEPT_REST).await;
            continue;
        };
        let Ok(permit) = Arc::clone(&room).try_acquire_owned() else {
            bench.counts.turned_away.fetch_add(1, Ordering::Relaxed);
            let _ = stream.try_write(FULL);
            continue;
        };
        let (bench, router) = (Arc::clone(&bench), router.clone());
        tokio::spawn(async move {
            let _permit = permit;
            serve(&bench, stream, Peer::Unix, None, router).await;
        });
    }
}

async fn serve<S: AsyncRead + AsyncWrite + Unpin + Send + 'static>(
    bench: &App,
    stream: S,
    peer: Peer,
    place: Option<&Arc<Place>>,
    router: Router,
) {
    let _open = Open::new(bench);
    let inner = TowerToHyperService::new(router);
    let service = hyper::service::service_fn(move |mut request: hyper::Request<Incoming>| {
        request.extensions_mut().insert(peer);
        if let Some(place) = place {
            request.extensions_mut().insert(Arc::clone(place));
        }
        inner.call(request)
    });
    let connection = http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(HEADERS_WITHIN)
        .max_headers(64)
        .max_buf_size(LARGEST_HEAD)
        .serve_connection(TokioIo::new(stream), service);
    let mut connection = std::pin::pin!(connection);
    // What goes wrong on one connection concerns its client alone.
    tokio::select! {
        _ = connection.as_mut() => {}
        () = bench.ended() => {
            connection.as_mut().graceful_shutdown();
            let _ = tokio::time::timeout(Duration::from_secs(2), connection.as_mut()).await;
        }
    }
}

/// One connection in the count, however it ends.
struct Open<'a>(&'a App);

impl<'a> Open<'a> {
    fn new(bench: &'a App) -> Self {
        bench.counts.connections.fetch_add(1, Ordering::Relaxed);
        Self(bench)
    }
}

impl Drop for Open<'_> {
    fn drop(&mut self) {
        self.0.counts.connections.fetch_sub(1, Ordering::Relaxed);
    }
}

/// Makes the local socket. One that a dead daemon has left is replaced.
///
/// # Errors
/// `System` when another daemon answers there, or it cannot be made.
pub(crate) fn bind_local(path: &Path) -> Result<(LocalName, LocalListener)> {
    LocalListener::bind(path).map_err(|error| match error.kind() {
        std::io::ErrorKind::AddrInUse => Error::system("another straykey daemon listens here")
            .at(path)
            .help("end that one, or give this one another `socket` and `listen`"),
        _ => Error::system("cannot make the socket").at(path).because(error),
    })
}
