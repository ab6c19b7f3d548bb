//! Swaps: the walk through a guide, one step at a time, and the record of those that were made.

mod begin;
mod guides;
mod photo;
mod record;
mod walk;
mod words;

use axum::Router;
use axum::extract::DefaultBodyLimit;
use axum::routing::{get, post};

use crate::domain::ids::{DeviceId, SwapId};
use crate::domain::plumbing::Position;
use crate::site::error::SiteError;
use crate::site::form::{Fault, Fields, FormView, Tried};
use crate::site::format;
use crate::site::source::Source;
use crate::usecase::swap::{At, MOST_OCTETS, Refusal, SwapRow, SwapsWanted};

/// What stands around a picture in a form.
const AROUND_A_PICTURE: usize = 16 * 1024;

/// The addresses of these pages.
pub(crate) fn routes<S: Source>() -> Router<S> {
    let photo = post(photo::put::<S>).layer(DefaultBodyLimit::max(MOST_OCTETS + AROUND_A_PICTURE));
    Router::new()
        .route("/machines/{id}/supplies/{index}/swap", get(begin::of_supply::<S>).post(begin::supply::<S>))
        .route("/machines/{id}/heads/{position}/swap", get(begin::of_head::<S>).post(begin::head::<S>))
        .route("/supplies/{slot}/swap", get(begin::door::<S>))
        .route("/swaps", get(record::show::<S>))
        .route("/swaps.csv", get(record::file::<S>))
        .route("/swaps/{id}", get(walk::show::<S>))
        .route("/swaps/{id}/{step}/{action}", post(walk::act::<S>))
        .route("/swaps/{id}/photo", photo.get(photo::show::<S>))
        .route("/setup/guides", get(guides::show::<S>).post(guides::write::<S>))
}

/// The walk of a number.
async fn find<S: Source>(source: &S, id: &str) -> Result<SwapRow, SiteError> {
    let id = id.parse().ok().filter(|id: &i64| *id > 0).map(SwapId).ok_or(SiteError::NoSuchPage)?;
    let wanted = SwapsWanted { id: Some(id), ..SwapsWanted::default() };
    source.swaps(wanted).await?.pop().ok_or(SiteError::NoSuchPage)
}

fn swap_href(id: SwapId) -> String {
    format!("/swaps/{id}")
}

/// The page on which a swap begins.
pub(crate) fn begin_href(device: DeviceId, at: At) -> String {
    match at {
        At::Supply(index) => format!("/machines/{device}/supplies/{index}/swap"),
        At::Head(position) => format!("/machines/{device}/heads/{position}/swap"),
    }
}

fn position(text: &str) -> Result<Position, SiteError> {
    text.parse().ok().and_then(Position::new).ok_or(SiteError::NoSuchPage)
}

fn fault(refusal: &Refusal) -> Fault {
    Fault::new(refusal.field(), format!("{}.", format::capital(&refusal.to_string())))
}

/// A form that asks who sends it, where that is not known, with whoever is likely filled in.
fn by(form: FormView, usual: &str, tried: &Tried) -> FormView {
    let mut form = form.who("", tried);
    let open = form.open;
    if let Some(field) = form.fields.last_mut().filter(|field| field.name == "who" && !open) {
        usual.clone_into(&mut field.value);
    }
    form
}

fn reason(fields: &Fields) -> Result<crate::domain::guide::walk::Reason, Fault> {
    let text = fields.text("why")?;
    let reason = crate::domain::guide::walk::Reason::new(&text);
    reason.ok_or_else(|| Fault::new("why", "Say why, in 200 letters or fewer."))
}
