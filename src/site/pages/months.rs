//! The month's supply report, as a page and as a file.

use askama::Template;
use axum::extract::rejection::PathRejection;
use axum::extract::{Path, State};
use axum::http::header::{CONTENT_DISPOSITION, CONTENT_TYPE};
use axum::response::{IntoResponse, Redirect, Response};

use super::{Page, Section, html};
use crate::domain::month::{DeviceMonth, Month, SupplyMonth};
use crate::domain::reading::Role;
use crate::domain::units::Measure;
use crate::report::csv;
use crate::site::chart::Share;
use crate::site::error::SiteError;
use crate::site::ink::Ink;
use crate::site::source::Source;
use crate::site::{format, words};
use crate::usecase::view::MonthView;

struct MonthDoor {
    href: String,
    name: String,
    open: bool,
}

struct TotalRow {
    ink: Ink,
    label: String,
    filled: bool,
    used: String,
    /// Of the largest total in the same unit.
    share: Share,
    swaps: String,
    left: String,
}

struct SupplyRow {
    ink: Ink,
    label: String,
    used: String,
    spread: String,
    unseen: String,
    swaps: String,
    left: String,
}

struct DeviceBlock {
    name: String,
    href: String,
    about: String,
    supplies: Vec<SupplyRow>,
}

#[derive(Template)]
#[template(path = "pages/month.html")]
struct MonthPage {
    page: Page,
    name: String,
    file: String,
    file_name: String,
    complete: bool,
    before: Option<MonthDoor>,
    after: Option<MonthDoor>,
    months: Vec<MonthDoor>,
    totals: Vec<TotalRow>,
    devices: Vec<DeviceBlock>,
    has_unseen: bool,
    has_spread: bool,
    has_percent: bool,
}

/// Leads to the month that is running.
pub(crate) async fn current<S: Source>(State(source): State<S>) -> Redirect {
    Redirect::temporary(&href(running(&source)))
}

pub(crate) async fn show<S: Source>(
    State(source): State<S>,
    name: Result<Path<String>, PathRejection>,
) -> Result<Response, SiteError> {
    let Path(name) = name.map_err(|_| SiteError::NoSuchPage)?;
    let (name, as_file) = match name.strip_suffix(".csv") {
        Some(name) => (name, true),
        None => (name.as_str(), false),
    };
    let month: Month = name.parse()?;
    let running = running(&source);
    if month > running {
        return Err(SiteError::FutureMonth(month));
    }
    let view = source.month(month).await?;
    if as_file {
        return file(&view);
    }
    let page = Page::new(&source, Section::Months, month.name());
    Ok(html(&MonthPage::new(page, &view, running))?.into_response())
}

fn file(view: &MonthView) -> Result<Response, SiteError> {
    let bytes = csv::month(&view.report)?;
    let disposition = format!("attachment; filename=\"{}\"", file_name(view.report.month));
    let headers = [
        (CONTENT_TYPE, "text/csv; charset=utf-8; header=present".to_owned()),
        (CONTENT_DISPOSITION, disposition),
    ];
    Ok((headers, bytes).into_response())
}

fn running<S: Source>(source: &S) -> Month {
    Month::of(format::day_of(source.now(), &source.zone()))
}

fn href(month: Month) -> String {
    format!("/months/{month}")
}

fn file_name(month: Month) -> String {
    format!("supplies-{month}.csv")
}

impl MonthPage {
    fn new(page: Page, view: &MonthView, running: Month) -> Self {
        let report = &view.report;
        let month = report.month;
        let door = |to: Month| MonthDoor { href: href(to), name: to.name(), open: to == month };
        let supplies = || report.devices.iter().flat_map(|device| &device.supplies);
        Self {
            page,
            name: month.name(),
            file: format!("{}.csv", href(month)),
            file_name: file_name(month),
            complete: report.complete,
            before: view.months.iter().any(|known| *known < month).then(|| door(month.before())),
            after: (month < running).then(|| door(month.after())),
            months: view.months.iter().copied().map(door).collect(),
            totals: totals(view),
            devices: report.devices.iter().map(device).collect(),
            has_unseen: supplies().any(|supply| supply.unseen > 0.0),
            has_percent: supplies().any(|supply| supply.measure == Measure::Percent),
            has_spread: supplies().any(|supply| supply.spread > 0.0),
        }
    }
}

fn totals(view: &MonthView) -> Vec<TotalRow> {
    let totals = view.report.totals();
    let largest = |measure| {
        totals.iter().filter(|total| total.measure == measure).map(|total| total.used).fold(0.0, f64::max)
    };
    totals
        .iter()
        .map(|total| TotalRow {
            ink: Ink::of_label(total.role, &total.label),
            label: total.label.clone(),
            filled: total.role == Role::Filled,
            used: format::amount(total.used, total.measure),
            share: Share::of(total.used, largest(total.measure)),
            swaps: times(total.swaps),
            left: left(total.left_in_swapped, total.swaps, total.measure, total.role),
        })
        .collect()
}

fn device(device: &DeviceMonth) -> DeviceBlock {
    let mut about = vec![format!("answered {} of the time", format::percent(device.coverage))];
    if let Some((count, unit)) = &device.output {
        let count = format::count(u64::try_from(*count).unwrap_or(0));
        about.push(format!("put out {count} {}", words::counted(unit)));
    }
    if let Some(cost_centre) = &device.cost_centre {
        about.push(format!("charged to {cost_centre}"));
    }
    DeviceBlock {
        name: device.name.clone(),
        href: format!("/machines/{}", device.device),
        about: format::capital(&about.join("; ")),
        supplies: device.supplies.iter().map(supply).collect(),
    }
}

fn supply(supply: &SupplyMonth) -> SupplyRow {
    let some =
        |value: f64| if value > 0.0 { format::amount(value, supply.measure) } else { "–".to_owned() };
    SupplyRow {
        ink: Ink::of_label(supply.role, &supply.label),
        label: supply.label.clone(),
        used: format::amount(supply.used, supply.measure),
        spread: some(supply.spread),
        unseen: some(supply.unseen),
        swaps: times(supply.swaps),
        left: left(supply.left_in_swapped, supply.swaps, supply.measure, supply.role),
    }
}

fn times(swaps: u32) -> String {
    if swaps == 0 { "–".to_owned() } else { swaps.to_string() }
}

/// What was left in units taken out; for receptacles the room they still had.
fn left(amount: f64, swaps: u32, measure: Measure, role: Role) -> String {
    match (swaps, role) {
        (0, _) => "–".to_owned(),
        (_, Role::Consumed) => format::amount(amount, measure),
        (_, Role::Filled) => format!("room for {}", format::amount(amount, measure)),
    }
}
