//! The record of swaps: found by machine, part, lot, person and days; as a page and as a file.

use askama::Template;
use axum::extract::{RawQuery, State};
use axum::http::header;
use axum::response::{Html, IntoResponse, Response};
use jiff::civil::Date;
use jiff::tz::TimeZone;
use jiff::{Timestamp, ToSpan};

use super::swap_href;
use super::words::{left, lot, outcome, when};
use crate::domain::ids::{DeviceId, LotId};
use crate::report::swaps_csv::write_swaps;
use crate::site::error::SiteError;
use crate::site::form::{Fault, Fields, FormView, Tried, keep};
use crate::site::pages::{Moment, Page, Section, html};
use crate::site::source::Source;
use crate::usecase::swap::{SwapRow, SwapsWanted};

/// So many swaps are shown; the file has all.
const SHOWN: i64 = 200;

struct Line {
    href: String,
    when: Moment,
    machine: String,
    what: String,
    lot: String,
    left: String,
    who: String,
    outcome: String,
    photo: bool,
}

#[derive(Template)]
#[template(path = "pages/swap/swaps.html")]
struct SwapsPage {
    page: Page,
    form: FormView,
    rows: Vec<Line>,
    file: String,
    sifted: bool,
    more: bool,
}

pub(super) async fn show<S: Source>(
    State(source): State<S>,
    RawQuery(query): RawQuery,
) -> Result<Html<String>, SiteError> {
    let fields = Fields::of_query(query.as_deref());
    let zone = source.zone();
    let mut faults = Vec::new();
    let wanted = wanted(&fields, &zone, &mut faults);
    let sifted = wanted != SwapsWanted::default();
    let rows = match faults.as_slice() {
        [] => source.swaps(SwapsWanted { most: Some(SHOWN), ..wanted }).await?,
        _ => Vec::new(),
    };
    let tried = Tried { form: "find".to_owned(), fields, faults };
    html(&SwapsPage {
        page: Page::new(&source, Section::Machines, "Swaps"),
        form: form(&tried),
        more: i64::try_from(rows.len()).unwrap_or(i64::MAX) >= SHOWN,
        rows: rows.iter().map(|row| line(row, &zone)).collect(),
        file: match query.as_deref() {
            Some(query) if !query.is_empty() => format!("/swaps.csv?{query}"),
            _ => "/swaps.csv".to_owned(),
        },
        sifted,
    })
}

/// The same as a file, with every swap that was asked for.
pub(super) async fn file<S: Source>(
    State(source): State<S>,
    RawQuery(query): RawQuery,
) -> Result<Response, SiteError> {
    let fields = Fields::of_query(query.as_deref());
    let mut faults = Vec::new();
    let wanted = wanted(&fields, &source.zone(), &mut faults);
    if let Some(fault) = faults.first() {
        return Err(SiteError::NotAsked(
            fault.field.clone(),
            fields.get(&fault.field).chars().take(40).collect(),
        ));
    }
    let bytes = write_swaps(&source.swaps(wanted).await?)?;
    let headers = [
        (header::CONTENT_TYPE, "text/csv; charset=utf-8"),
        (header::CONTENT_DISPOSITION, "attachment; filename=\"swaps.csv\""),
    ];
    Ok((headers, bytes).into_response())
}

/// What is asked for.
fn wanted(fields: &Fields, zone: &TimeZone, faults: &mut Vec<Fault>) -> SwapsWanted {
    let id = |name: &'static str| match fields.get(name) {
        "" => Ok(None),
        text => text.parse().map(Some).map_err(|_| Fault::new(name, "Write its number.")),
    };
    let day = |name: &'static str| match fields.get(name) {
        "" => Ok(None),
        text => text.parse::<Date>().map(Some).map_err(|_| Fault::new(name, "Write it as 2026-03-14.")),
    };
    let begins = |day: Date| -> Option<Timestamp> { zone.to_timestamp(day.at(0, 0, 0, 0)).ok() };
    let from = keep(day("from"), faults).flatten();
    let to = keep(day("to"), faults).flatten();
    SwapsWanted {
        device: keep(id("machine"), faults).flatten().map(DeviceId),
        lot: keep(id("lot"), faults).flatten().map(LotId),
        find: fields.get("find").chars().take(100).collect(),
        from: from.and_then(begins),
        to: to.and_then(|day| begins(day.checked_add(1.day()).ok()?)),
        ..SwapsWanted::default()
    }
}

fn form(tried: &Tried) -> FormView {
    FormView::new("/swaps".to_owned(), ("find", "Find", "Find"), tried)
        .line(("find", "Find", "A machine, a colour, a part, a place, or who did it."), "text", "", tried)
        .line(("lot", "Lot", "Its number."), "numeric", "", tried)
        .line(("from", "From", "As 2026-03-14."), "text", "", tried)
        .line(("to", "Up to", "As 2026-03-14."), "text", "", tried)
        .unsigned(tried)
}

fn line(row: &SwapRow, zone: &TimeZone) -> Line {
    Line {
        href: swap_href(row.id),
        when: when(row, zone),
        machine: row.device_name.clone(),
        what: row.label(),
        lot: lot(row.from.as_ref()),
        left: left(row),
        who: row.ended.as_ref().map_or(&row.who, |ended| &ended.who).clone(),
        outcome: outcome(row),
        photo: row.photo,
    }
}
