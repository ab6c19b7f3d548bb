//! Runs: whether a planned one finishes, and what people write down of those that were printed.

mod check;
mod log;

use axum::Router;
use axum::routing::{get, post};

use crate::domain::ids::DeviceId;
use crate::domain::run::plan::{Media, Run, RunFault};
use crate::site::form::{Fault, Fields};
use crate::site::format;
use crate::site::source::Source;

/// The addresses of these pages.
pub(crate) fn routes<S: Source>() -> Router<S> {
    Router::new()
        .route("/runs", get(log::show::<S>))
        .route("/runs/check", get(check::show::<S>))
        .route("/runs/{action}", post(log::write::<S>))
}

/// The media to choose from.
fn media() -> Vec<(String, String)> {
    Media::ALL.map(|media| (media.word().to_owned(), format::capital(media.word()))).into()
}

/// The machine that was chosen, if one was.
fn chosen(fields: &Fields) -> Result<Option<DeviceId>, Fault> {
    match fields.get("machine") {
        "" => Ok(None),
        id => {
            let device = id.parse().ok().filter(|id: &i64| *id > 0).map(DeviceId);
            device.map(Some).ok_or_else(|| Fault::new("machine", "Choose one."))
        }
    }
}

/// The run that stands in the fields `length`, `width`, `copies`, `area`, `media` and `coverage`.
fn run(fields: &Fields) -> Result<Run, Fault> {
    let (area, length) = (fields.get("area"), fields.get("length"));
    let size = match (area, length) {
        ("", "") => return Err(Fault::new("length", "Write a length and a width, or an area.")),
        ("", length) => {
            let copies = Some(fields.get("copies")).filter(|copies| !copies.is_empty()).unwrap_or("1");
            format!("{length} x {} x {copies}", fields.get("width"))
        }
        (area, "") => format!("{} m2", area.trim_end_matches(['m', '2', '²', ' '])),
        _ => return Err(Fault::new("area", "Write either this or a length and a width.")),
    };
    if fields.get("media").is_empty() {
        return Err(Fault::new("media", "Choose a medium: it decides which black is used."));
    }
    let line = format!("{size} {}: {}", fields.get("media"), fields.get("coverage"));
    line.parse().map_err(|fault| at_field(&fault, if area.is_empty() { "length" } else { "area" }))
}

/// What is wrong with a run, beside the field that it is about.
fn at_field(fault: &RunFault, size: &'static str) -> Fault {
    let field = match fault {
        RunFault::Media(_) => "media",
        RunFault::Coverage(_) | RunFault::Twice(_) => "coverage",
        RunFault::Size(_) | RunFault::Empty | RunFault::TooMany => size,
    };
    Fault::new(field, format!("{}.", format::capital(&fault.to_string())))
}
