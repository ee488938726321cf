//! The requests: one table of routes, from which the router and the OpenAPI description are made.

mod jobs;
mod keycheck;
mod look;
mod openapi;
mod ports;
mod provoke;
mod route;
mod status;
mod stream;
mod timeline;

pub use crate::face::http::api::route::{App, LARGEST_BODY, Route};
use crate::face::http::api::route::{Ask, In, Named, made, wait};

use axum::Router;
use axum::http::Method;

use axum::Json;
pub use openapi::description;

/// All routes.
pub fn routes() -> Vec<Route> {
    let mut routes = status::routes();
    routes.push(Route::new(Method::GET, "/api/v1/openapi.json", "This description.", openapi));
    routes.extend(ports::routes());
    routes.extend(jobs::routes());
    routes.extend(timeline::routes());
    routes.extend(look::routes());
    routes.extend(keycheck::routes());
    routes.extend(provoke::routes());
    routes.extend(stream::routes());
    routes
}

/// The router of all routes.
pub fn router() -> Router<App> {
    routes().into_iter().fold(Router::new(), |router, route| router.route(route.path, route.handler))
}

async fn openapi() -> Json<serde_json::Value> {
    Json(description(&routes()))
}
