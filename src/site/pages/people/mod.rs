//! Who is in, who may come in, and what they changed.

mod all;
mod changes;
mod door;
mod own;
mod provider;

use axum::Router;
use axum::routing::{get, post};

use crate::config::openid::BACK;
use crate::site::source::Source;

/// The pages' addresses.
pub(crate) fn routes<S: Source>() -> Router<S> {
    Router::new()
        .route("/enter", get(door::show::<S>).post(door::enter::<S>))
        .route("/enter/openid", get(provider::begin::<S>))
        .route(BACK, get(provider::back::<S>))
        .route("/leave", post(door::leave::<S>))
        .route("/link/{key}", get(door::link::<S>).post(door::choose::<S>))
        .route("/own", get(own::show::<S>))
        .route("/own/password", post(own::password::<S>))
        .route("/own/tokens", post(own::make_token::<S>))
        .route("/own/{what}/{id}/end", post(own::end::<S>))
        .route("/setup/people", get(all::show::<S>).post(all::add::<S>))
        .route("/setup/people/{id}/{action}", post(all::act::<S>))
        .route("/setup/changes", get(changes::show::<S>))
}

/// A key that was just made, which is shown this once.
struct Made {
    text: String,
    letters: String,
}
