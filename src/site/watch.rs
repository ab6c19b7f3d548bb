//! What programs ask that watch the service: is it there, is it ready, how does it go.

use axum::Router;
use axum::extract::State;
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use axum::routing::get;

use super::error::SiteError;
use super::source::Source;

/// Answered to everybody, and without the store where it is away: a door that had to ask it first would tell of a
/// service that is down.
pub(super) fn open<S: Source>(source: S) -> Router {
    Router::new().route("/healthz", get(async || "ok")).route("/readyz", get(ready::<S>)).with_state(source)
}

async fn ready<S: Source>(State(source): State<S>) -> Response {
    match source.ready().await {
        Ok(()) => "ready\n".into_response(),
        Err(why) => (StatusCode::SERVICE_UNAVAILABLE, format!("not ready: {why}\n")).into_response(),
    }
}

/// The figures, for readers and programs with a token.
pub(super) async fn metrics<S: Source>(State(source): State<S>) -> Result<Response, SiteError> {
    let kind = "application/openmetrics-text; version=1.0.0; charset=utf-8";
    Ok(([(header::CONTENT_TYPE, kind)], source.metrics().await?).into_response())
}
