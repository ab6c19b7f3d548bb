//! The stock-take: every lot with what is booked, and a line for what lies there.

use askama::Template;
use axum::extract::{RawQuery, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Redirect, Response};

use super::part::note;
use super::shelf::PartRow;
use super::{Page, Section, html};
use crate::domain::ids::LotId;
use crate::site::error::SiteError;
use crate::site::form::{Fault, Fields, FormView, Sent, Tried, keep};
use crate::site::format;
use crate::site::source::Source;
use crate::usecase::view::ShelfView;

/// A lot that is to be counted.
struct CountRow {
    id: i64,
    name: String,
    made: String,
    place: String,
    booked: u32,
    part_used: bool,
    value: String,
    error: Option<String>,
}

struct CountPart {
    row: PartRow,
    lots: Vec<CountRow>,
}

#[derive(Template)]
#[template(path = "pages/count.html")]
struct CountPage {
    page: Page,
    parts: Vec<CountPart>,
    form: FormView,
    done: Option<String>,
    failed: bool,
}

pub(crate) async fn show<S: Source>(
    State(source): State<S>,
    RawQuery(query): RawQuery,
) -> Result<Response, SiteError> {
    let counted: Option<usize> =
        query.as_deref().and_then(|query| query.strip_prefix("counted=")?.parse().ok());
    let done = counted.filter(|counted| *counted > 0).map(|counted| {
        format!(
            "{} booked.",
            format::capital(&match counted {
                1 => "one lot is".to_owned(),
                n => format!("{} lots are", format::number_word(n)),
            })
        )
    });
    page(&source, done, &Tried::default()).await
}

/// Books every line that is filled in, or none.
pub(crate) async fn book<S: Source>(State(source): State<S>, sent: Sent) -> Result<Response, SiteError> {
    let fields = Fields::of(sent)?;
    let view = source.shelf().await?;
    let mut faults = Vec::new();
    let mut counts = Vec::new();
    for lot in view.parts.iter().flat_map(|part| &part.lots).map(|line| line.lot.id) {
        let name = name(lot.0);
        let units = match fields.get(&name) {
            "" => continue,
            text if text.len() <= 5 && text.bytes().all(|byte| byte.is_ascii_digit()) => text.parse().ok(),
            _ => None,
        };
        let units =
            units.ok_or_else(|| Fault::new(name, "Write a whole number, such as 2, or leave it blank."));
        counts.extend(keep(units, &mut faults).map(|units: u32| (lot, units)));
    }
    if counts.is_empty() && faults.is_empty() {
        faults.push(Fault::new("", "Nothing is filled in: write what lies there beside at least one lot."));
    }
    let note = note(&fields, &mut faults);
    if let (Some(note), true) = (note, faults.is_empty()) {
        match source.count(counts, note, fields.token()).await? {
            Ok(booked) => {
                return Ok(Redirect::to(&format!("/shelf/count?counted={booked}")).into_response());
            }
            Err((LotId(lot), refusal)) => {
                faults.push(Fault::new(name(lot), format!("{}.", format::capital(&refusal.to_string()))));
            }
        }
    }
    let mut response = page(&source, None, &Tried { form: "stock".to_owned(), fields, faults }).await?;
    *response.status_mut() = StatusCode::UNPROCESSABLE_ENTITY;
    Ok(response)
}

fn name(lot: i64) -> String {
    format!("lot-{lot}")
}

async fn page<S: Source>(source: &S, done: Option<String>, tried: &Tried) -> Result<Response, SiteError> {
    let view = source.shelf().await?;
    let form = FormView::new("/shelf/count".to_owned(), ("stock", "Stock-take", "Book the counts"), tried)
        .signed("Such as: the yearly stock-take.", tried);
    let parts = parts(&view, tried);
    // A fault that stands beside a lot is not told on top again.
    let beside = |field: &str| parts.iter().flat_map(|part| &part.lots).any(|lot| lot.name == field);
    let error = tried
        .faults
        .iter()
        .find(|fault| !beside(&fault.field) && !["who", "why"].contains(&fault.field.as_str()));
    let error = error.map(|fault| fault.text.clone());
    let page = CountPage {
        page: Page::new(source, Section::Shelf, "Stock-take"),
        form: FormView { error, ..form },
        parts,
        done,
        failed: !tried.faults.is_empty(),
    };
    Ok(html(&page)?.into_response())
}

fn parts(view: &ShelfView, tried: &Tried) -> Vec<CountPart> {
    let part = |line: &crate::usecase::view::PartLine| {
        let row = PartRow::of(line, view.today);
        let lot = |lot: &super::shelf::LotRow| {
            let name = name(lot.id);
            let fault = tried.faults.iter().find(|fault| fault.field == name);
            CountRow {
                id: lot.id,
                made: lot.made.clone(),
                place: lot.place.clone(),
                booked: lot.units,
                part_used: lot.part_used.is_some(),
                value: tried.fields.get(&name).to_owned(),
                error: fault.map(|fault| fault.text.clone()),
                name,
            }
        };
        CountPart { lots: row.lots.iter().map(lot).collect(), row }
    };
    view.parts.iter().filter(|line| !line.lots.is_empty()).map(part).collect()
}
