//! Server-sent events for pages that are kept open: that something is new. What it is, a page's script finds out by
//! loading its own address again; see `static/live.js`. Without scripts nothing is lost but the telling.

use std::convert::Infallible;
use std::time::Duration;

use axum::extract::State;
use axum::http::StatusCode;
use axum::http::header::RETRY_AFTER;
use axum::response::sse::{Event, KeepAlive, Sse};
use axum::response::{IntoResponse, Response};
use futures_util::stream;

use super::source::Source;

/// However much changes, a page is told no more often than this.
const REST: Duration = Duration::from_secs(5);
/// So often a line goes out at least, so that neither side takes a quiet connection for a dead one.
const HEARTBEAT: Duration = Duration::from_secs(20);

/// The events. Each has how often something was new so far as its data.
pub(crate) async fn changes<S: Source>(State(source): State<S>) -> Response {
    let Some(listener) = source.listen() else {
        return (StatusCode::SERVICE_UNAVAILABLE, [(RETRY_AFTER, "60")]).into_response();
    };
    let events = stream::unfold((listener, false), |(mut listener, told)| async move {
        if told {
            listener.rest(REST).await;
        }
        let count = listener.next().await?;
        let event = Event::default().event("change").data(count.to_string());
        Some((Ok::<_, Infallible>(event), (listener, true)))
    });
    Sse::new(events).keep_alive(KeepAlive::new().interval(HEARTBEAT)).into_response()
}
