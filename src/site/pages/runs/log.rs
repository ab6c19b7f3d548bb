//! What people write down: runs that were printed, and how wide media are.

use askama::Template;
use axum::extract::rejection::PathRejection;
use axum::extract::{Path, RawQuery, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Redirect, Response};
use jiff::civil::Date;

use super::{chosen, media, run};
use crate::domain::ids::DeviceId;
use crate::domain::run::past::{MediaWidth, Printed};
use crate::domain::run::plan::{Metres, SquareMetres};
use crate::domain::run::words;
use crate::site::error::SiteError;
use crate::site::form::{Fault, Fields, FormView, Sent, Tried, keep};
use crate::site::format;
use crate::site::pages::part::note;
use crate::site::pages::{Page, Section, html};
use crate::site::source::Source;
use crate::usecase::run::{LogRefusal, PrintedRow, RunsView};

struct PrintedLine {
    day: String,
    machine: String,
    area: String,
    media: &'static str,
    what: String,
    who: String,
}

#[derive(Template)]
#[template(path = "pages/runs.html")]
struct RunsPage {
    page: Page,
    runs: Vec<PrintedLine>,
    widths: Vec<(String, String)>,
    forms: Vec<FormView>,
    done: Option<&'static str>,
    failed: bool,
}

pub(crate) async fn show<S: Source>(
    State(source): State<S>,
    RawQuery(query): RawQuery,
) -> Result<Response, SiteError> {
    let done = match query.as_deref() {
        Some("done=log") => Some("The run is written down."),
        Some("done=width") => Some("The width is written down; areas are counted by it."),
        _ => None,
    };
    page(&source, done, &Tried::default()).await
}

/// Writes down what a form says, and leads back to the page; or shows it again with what is wrong.
pub(crate) async fn write<S: Source>(
    State(source): State<S>,
    action: Result<Path<String>, PathRejection>,
    sent: Sent,
) -> Result<Response, SiteError> {
    let Path(action) = action.map_err(|_| SiteError::NoSuchPage)?;
    let fields = Fields::of(sent)?;
    let mut faults = Vec::new();
    let told = match action.as_str() {
        "log" => put_run(&source, &fields, &mut faults).await?,
        "width" => put_width(&source, &fields, &mut faults).await?,
        _ => return Err(SiteError::NoSuchPage),
    };
    match told {
        Some(Ok(())) => return Ok(Redirect::to(&format!("/runs?done={action}")).into_response()),
        Some(Err(refusal)) => {
            let field = match refusal {
                LogRefusal::NoSuchMachine => "machine",
                LogRefusal::Ahead(_) => "day",
                LogRefusal::NoName => "who",
            };
            faults.push(Fault::new(field, format!("{}.", format::capital(&refusal.to_string()))));
        }
        None => {}
    }
    let mut response = page(&source, None, &Tried { form: action, fields, faults }).await?;
    *response.status_mut() = StatusCode::UNPROCESSABLE_ENTITY;
    Ok(response)
}

/// What became of a form; none where something is wrong with it.
type Told = Option<Result<(), LogRefusal>>;

async fn put_run<S: Source>(source: &S, fields: &Fields, faults: &mut Vec<Fault>) -> Result<Told, SiteError> {
    let device = machine(fields, faults);
    let run = keep(run(fields), faults);
    let day = keep(day(fields.get("day")), faults);
    let note = note(fields, faults);
    let what: String = fields.get("what").chars().take(200).collect();
    let area = run.as_ref().and_then(|run| SquareMetres::new(run.size.area()));
    let (Some(device), Some(run), Some(day), Some(note), Some(area), true) =
        (device, run, day, note, area, faults.is_empty())
    else {
        return Ok(None);
    };
    let printed = Printed { day, area, media: run.media, what };
    Ok(Some(source.log_run(device, printed, note, fields.token()).await?))
}

async fn put_width<S: Source>(
    source: &S,
    fields: &Fields,
    faults: &mut Vec<Fault>,
) -> Result<Told, SiteError> {
    let device = machine(fields, faults);
    let width = match fields.get("width") {
        "" => Some(None),
        text => {
            let width = text.replace(',', ".").parse().ok().and_then(Metres::width);
            keep(width.map(Some).ok_or_else(|| Fault::new("width", "Write metres, such as 1.067.")), faults)
        }
    };
    let note = note(fields, faults);
    let (Some(device), Some(width), Some(note), true) = (device, width, note, faults.is_empty()) else {
        return Ok(None);
    };
    Ok(Some(source.write_width(device, width, note).await?))
}

fn machine(fields: &Fields, faults: &mut Vec<Fault>) -> Option<DeviceId> {
    keep(chosen(fields).and_then(|one| one.ok_or_else(|| Fault::new("machine", "Choose one."))), faults)
}

fn day(text: &str) -> Result<Date, Fault> {
    let plain = text.len() == 10 && text.bytes().all(|byte| byte.is_ascii_digit() || byte == b'-');
    let day = text.parse().ok().filter(|_| plain);
    day.ok_or_else(|| Fault::new("day", "Write it as 2026-11-24."))
}

async fn page<S: Source>(
    source: &S,
    done: Option<&'static str>,
    tried: &Tried,
) -> Result<Response, SiteError> {
    let view = source.runs().await?;
    let line = |row: &PrintedRow| PrintedLine {
        day: format::day(row.run.day, view.today),
        machine: row.device_name.clone(),
        area: format!("{}\u{a0}m²", words::short(row.run.area.value())),
        media: row.run.media.word(),
        what: row.run.what.clone(),
        who: row.who.clone(),
    };
    let width = |(_, name, width): &(DeviceId, String, Option<MediaWidth>)| {
        let mm =
            |width: &crate::domain::run::plan::Metres| format!("{:.0}\u{a0}mm wide", width.value() * 1000.0);
        let text = match width {
            None => "not told: write it down below".to_owned(),
            Some(MediaWidth::Told(width)) => format!("{}, as it tells now", mm(width)),
            Some(MediaWidth::Written(width)) => format!("{}, as somebody wrote down", mm(width)),
        };
        (name.clone(), text)
    };
    let page = RunsPage {
        page: Page::new(source, Section::Runs, "Runs that were printed"),
        runs: view.runs.iter().map(line).collect(),
        widths: view.devices.iter().map(width).collect(),
        forms: if view.devices.is_empty() { Vec::new() } else { forms(&view, tried) },
        done,
        failed: !tried.faults.is_empty(),
    };
    Ok(html(&page)?.into_response())
}

fn forms(view: &RunsView, tried: &Tried) -> Vec<FormView> {
    let machines = || view.devices.iter().map(|(id, name, _)| (id.to_string(), name.clone())).collect();
    let form = |name: &'static str, title, button| {
        FormView::new(format!("/runs/{name}"), (name, title, button), tried)
    };
    let log = form("log", "Write down a run", "Write it down")
        .choice(("machine", "Machine", ""), machines(), tried)
        .line(("day", "Day", "As 2026-11-24."), "text", &view.today.to_string(), tried)
        .line(("length", "Length", "In metres, along the feed."), "decimal", "", tried)
        .line(("width", "Width", "In metres, across it."), "decimal", "", tried)
        .line(("copies", "Copies", "Left blank, one."), "numeric", "", tried)
        .line(("area", "Or the area", "In square metres, in place of the three above."), "decimal", "", tried)
        .choice(("media", "Medium", ""), media(), tried)
        .line(("what", "What it was", ""), "text", "", tried)
        .who("", tried)
        .unsigned(tried);
    let width = form("width", "Write down how wide media are", "Write it down")
        .choice(("machine", "Machine", ""), machines(), tried)
        .line(
            ("width", "Width", "In metres; left blank, what the machine tells counts again."),
            "decimal",
            "",
            tried,
        )
        .who("", tried)
        .unsigned(tried);
    vec![log, width]
}
