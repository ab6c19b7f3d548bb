//! The same that the pages show, as JSON: what other programs read. Read only; a program comes in
//! like everybody else, with a token where people come in by name.
//!
//! `openapi.json` describes every address and every field (OpenAPI 3.1); the outside checks hold real answers against
//! it. Fields are only ever added within `v1`. Moments are RFC 3339 in UTC, days are the site's days, amounts are in
//! the measure that stands beside them, money is in whole minor units of its currency, what is not known is null.
//! What goes wrong is told as problem details (RFC 9457).

mod devices;
mod machine;
mod record;
mod shelf;
mod supply;
mod work;

use axum::Router;
use axum::extract::Path;
use axum::extract::rejection::PathRejection;
use axum::http::header::CONTENT_TYPE;
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use serde_json::{Value, json};

use super::error::SiteError;
use super::form::Fields;
use super::source::Source;
use crate::domain::ids::DeviceId;
use crate::domain::outlook::Horizon;
use crate::usecase::sift::Leaf;

/// Where the interface lies.
const ROOT: &str = "/api/";
/// Its description.
const DESCRIPTION: &str = include_str!("../../../static/openapi.json");

/// The interface's addresses.
pub(super) fn routes<S: Source>() -> Router<S> {
    Router::new()
        .route("/api/v1/openapi.json", get(async || document(DESCRIPTION.to_owned())))
        .route("/api/v1/devices", get(devices::all::<S>))
        .route("/api/v1/devices/{device}", get(devices::one::<S>))
        .route("/api/v1/devices/{device}/supplies", get(devices::supplies::<S>))
        .route("/api/v1/devices/{device}/supplies/{index}", get(supply::one::<S>))
        .route("/api/v1/devices/{device}/heads", get(machine::heads::<S>))
        .route("/api/v1/devices/{device}/units", get(machine::units::<S>))
        .route("/api/v1/tasks", get(work::tasks::<S>))
        .route("/api/v1/alerts", get(work::alerts::<S>))
        .route("/api/v1/shelf", get(shelf::shelf::<S>))
        .route("/api/v1/parts/{number}", get(shelf::one::<S>))
        .route("/api/v1/orders", get(shelf::orders::<S>))
        .route("/api/v1/swaps", get(record::swaps::<S>))
        .route("/api/v1/runs", get(record::runs::<S>))
        .route("/api/v1/months", get(work::months::<S>))
        .route("/api/v1/months/{month}", get(work::month::<S>))
}

/// Whether an address is one of the interface, where no page is the answer.
pub(super) fn is_asked(path: &str) -> bool {
    path.starts_with(ROOT)
}

/// What went wrong, as problem details: RFC 9457, section 3; `about:blank` as in section 4.2.1.
pub(super) fn problem(error: &SiteError) -> Response {
    let status = error.status();
    let title = status.canonical_reason().unwrap_or("Error");
    let body = json!({
        "type": "about:blank",
        "title": title,
        "status": status.as_u16(),
        "detail": error.told().what,
    });
    (status, [(CONTENT_TYPE, "application/problem+json")], body.to_string()).into_response()
}

fn document(text: String) -> Response {
    ([(CONTENT_TYPE, "application/json")], text).into_response()
}

fn answer(value: &Value) -> Response {
    document(value.to_string())
}

/// One page of a list.
fn leaf<T>(leaf: &Leaf<T>, item: impl Fn(&T) -> Value) -> Value {
    json!({
        "items": leaf.lines.iter().map(item).collect::<Vec<_>>(),
        "page": leaf.page,
        "pages": leaf.pages,
        "found": leaf.found,
        "in_all": leaf.in_all,
    })
}

/// The spread of a day.
fn horizon(days: &Horizon) -> Value {
    json!({ "early": days.early, "middle": days.middle, "late": days.late })
}

/// Which page is asked for: the first, unless it is said.
fn page(fields: &Fields) -> Result<usize, SiteError> {
    match fields.get("page") {
        "" => Ok(1),
        text => match text.parse() {
            Ok(page @ 1..=1_000_000) => Ok(page),
            _ => Err(SiteError::NotAsked("page".to_owned(), text.to_owned())),
        },
    }
}

/// The device that an address names.
fn device(path: Result<Path<String>, PathRejection>) -> Result<DeviceId, SiteError> {
    let Path(text) = path.map_err(|_| SiteError::NoSuchPage)?;
    text.parse().map(DeviceId).map_err(|_| SiteError::NoSuchMachine(text))
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use super::*;
    use crate::site::tests::{ask, full, with};

    fn described() -> Value {
        serde_json::from_str(DESCRIPTION).unwrap()
    }

    #[test]
    fn every_address_is_described_and_every_description_has_its_address() {
        let described: BTreeSet<String> =
            described()["paths"].as_object().unwrap().keys().map(|path| format!("/api/v1{path}")).collect();
        let source = include_str!("mod.rs");
        let routed: BTreeSet<String> = source
            .split(".route(\"")
            .skip(1)
            .filter_map(|rest| rest.split('"').next())
            .filter(|path| path.starts_with(ROOT) && *path != "/api/v1/openapi.json")
            .map(str::to_owned)
            .collect();
        assert_eq!(described, routed);
        assert!(routed.len() >= 15, "{routed:?}");
    }

    #[test]
    fn answers_are_json_and_mistakes_are_problems() {
        with(full(), |to| {
            for path in [
                "devices",
                "devices/1",
                "devices/1/heads",
                "devices/1/units",
                "devices/1/supplies",
                "devices/1/supplies/1",
                "tasks",
                "alerts",
                "shelf",
                "orders",
                "swaps",
                "runs",
                "months",
            ] {
                let answer = ask(to, "GET", &format!("/api/v1/{path}"), "");
                assert_eq!(answer.status, 200, "{path}: {}", answer.body);
                assert_eq!(answer.header("content-type"), Some("application/json"), "{path}");
                serde_json::from_str::<Value>(&answer.body).unwrap();
            }
            for (path, status) in [
                ("devices/77", 404),
                ("devices/x", 404),
                ("devices/77/heads", 404),
                ("devices/77/units", 404),
                ("devices/1/supplies/x", 404),
                ("devices/1/supplies/1?days=0", 400),
                ("devices/1/supplies/1?before=noon", 400),
                ("parts/none", 404),
                ("devices?show=everything", 400),
                ("tasks?kind=x", 400),
                ("tasks?page=0", 400),
                ("months/2026-13", 400),
                ("nothing", 404),
            ] {
                let answer = ask(to, "GET", &format!("/api/v1/{path}"), "");
                assert_eq!(answer.status, status, "{path}");
                assert_eq!(answer.header("content-type"), Some("application/problem+json"), "{path}");
                let problem: Value = serde_json::from_str(&answer.body).unwrap();
                assert_eq!(problem["status"], status, "{path}");
                assert!(
                    problem["detail"].as_str().is_some_and(|detail| detail.ends_with('.')),
                    "{path}: {problem}"
                );
            }
            let machines: Value =
                serde_json::from_str(&ask(to, "GET", "/api/v1/devices?find=THIM", "").body).unwrap();
            assert_eq!((&machines["found"], &machines["items"][0]["name"]), (&json!(1), &json!("Thimble")));
        });
    }
}
