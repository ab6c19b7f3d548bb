//! Guides: which count, how each reads, and how another version is written.

use askama::Template;
use axum::extract::{RawQuery, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Redirect, Response};
use jiff::tz::TimeZone;

use super::fault;
use crate::domain::guide::usual;
use crate::domain::part::PartKind;
use crate::site::error::SiteError;
use crate::site::form::{Fields, FormView, Sent, Tried};
use crate::site::format;
use crate::site::pages::part::note;
use crate::site::pages::{Moment, Page, Section, html};
use crate::site::source::Source;
use crate::usecase::swap::GuidesView;

/// A version that was written.
struct Version {
    number: String,
    of: String,
    who: String,
    why: String,
    at: Moment,
    counts: bool,
}

#[derive(Template)]
#[template(path = "pages/setup/guides.html")]
struct GuidesPage {
    page: Page,
    forms: Vec<FormView>,
    versions: Vec<Version>,
    done: Option<&'static str>,
    failed: bool,
}

pub(super) async fn show<S: Source>(
    State(source): State<S>,
    RawQuery(query): RawQuery,
) -> Result<Response, SiteError> {
    let done = (query.as_deref() == Some("done=guide"))
        .then_some("The guide is written: swaps that begin from now on go by it.");
    page(&source, done, &Tried::default()).await
}

/// Writes a version, and leads back to the page; or shows it again with what is wrong.
pub(super) async fn write<S: Source>(
    State(source): State<S>,
    RawQuery(query): RawQuery,
    sent: Sent,
) -> Result<Response, SiteError> {
    let fields = Fields::of(sent)?;
    let of = Fields::of_query(query.as_deref());
    let kind = PartKind::from_word(of.get("kind")).ok_or(SiteError::NoSuchPage)?;
    let mut faults = Vec::new();
    if let Some(note) = note(&fields, &mut faults).filter(|_| faults.is_empty()) {
        let text = fields.get("steps").replace('\r', "");
        match source.write_guide(kind, of.some("model"), text, note, fields.token()).await? {
            Ok(()) => return Ok(Redirect::to("/setup/guides?done=guide").into_response()),
            Err(refusal) => faults.push(fault(&refusal)),
        }
    }
    let form = form_name(kind, of.some("model").as_deref());
    let mut response = page(&source, None, &Tried { form, fields, faults }).await?;
    *response.status_mut() = StatusCode::UNPROCESSABLE_ENTITY;
    Ok(response)
}

/// The name of a form, from what it is of: it is the beginning of ids on the page.
fn form_name(kind: PartKind, model: Option<&str>) -> String {
    let plain = |letter: char| if letter.is_ascii_alphanumeric() { letter } else { '-' };
    format!("{} {}", kind.word(), model.unwrap_or_default()).chars().map(plain).collect()
}

async fn page<S: Source>(
    source: &S,
    done: Option<&'static str>,
    tried: &Tried,
) -> Result<Response, SiteError> {
    let view = source.guides().await?;
    let zone = source.zone();
    let page = GuidesPage {
        page: Page::new(source, Section::Setup, "Guides to a swap"),
        forms: forms(&view, tried),
        versions: versions(&view, &zone),
        done,
        failed: !tried.faults.is_empty(),
    };
    Ok(html(&page)?.into_response())
}

fn forms(view: &GuidesView, tried: &Tried) -> Vec<FormView> {
    let mut forms = Vec::new();
    for kind in PartKind::ALL {
        let everywhere = view.current(kind, None).map_or_else(|| usual(kind), |row| row.guide.clone());
        forms.push(form(kind, None, &everywhere.to_string(), tried));
        for model in &view.models {
            let own = view.current(kind, Some(model)).map_or(&everywhere, |row| &row.guide);
            forms.push(form(kind, Some(model), &own.to_string(), tried));
        }
    }
    forms
}

fn of(kind: PartKind, model: Option<&str>) -> String {
    format!("{}, {}", format::capital(kind.word()), model.unwrap_or("every model"))
}

fn form(kind: PartKind, model: Option<&str>, text: &str, tried: &Tried) -> FormView {
    const HINT: &str = "One step a line. What the machine has to confirm stands before it in brackets: [not printing], \
                        [cover open], [cover closed], [supply missing], [new level]. A line that begins with ! is a \
                        caution of the step above it.";
    let mut query = url::form_urlencoded::Serializer::new(String::new());
    query.append_pair("kind", kind.word());
    if let Some(model) = model {
        query.append_pair("model", model);
    }
    let action = format!("/setup/guides?{}", query.finish());
    FormView::new(action, (form_name(kind, model), of(kind, model), "Write this version"), tried)
        .text(("steps", "Steps", HINT), text, tried)
        .signed("", tried)
}

fn versions(view: &GuidesView, zone: &TimeZone) -> Vec<Version> {
    let version = |row: &crate::usecase::swap::GuideRow| Version {
        number: row.id.to_string(),
        of: of(row.kind, row.model.as_deref()),
        who: row.who.clone(),
        why: row.why.clone(),
        at: Moment::new(row.written_at, zone),
        counts: view.current(row.kind, row.model.as_deref()).is_some_and(|current| current.id == row.id),
    };
    view.written.iter().map(version).collect()
}
