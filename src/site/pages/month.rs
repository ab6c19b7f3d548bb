//! A month's supply report: as a page, as files, and the form that closes it.

pub(crate) mod sections;
pub(crate) mod supplies;

use askama::Template;
use axum::extract::rejection::PathRejection;
use axum::extract::{Path, RawQuery, State};
use axum::http::StatusCode;
use axum::http::header::{CONTENT_DISPOSITION, CONTENT_TYPE};
use axum::response::{IntoResponse, Redirect, Response};
use jiff::tz::TimeZone;

use self::sections::{Extent, Glance, Section as Part, glance, sections, silences};
use self::supplies::{DeviceBlock, TotalRow, blocks, totals};
use super::sifted::{Address, Turn};
use super::{Moment, Page, Section, html};
use crate::domain::month::Month;
use crate::report::{Format, Paper, month_file};
use crate::site::error::SiteError;
use crate::site::form::{Fault, Fields, FormView, Sent, Tried};
use crate::site::format;
use crate::site::source::Source;
use crate::usecase::month::NotClosed;
use crate::usecase::month::page::{MACHINES_A_PAGE, MonthAsked};
use crate::usecase::view::{MonthView, Statement};

pub(crate) struct Door {
    pub(crate) href: String,
    pub(crate) name: String,
}

/// Who closed the month.
struct Closed {
    who: String,
    at: Moment,
    sha256: String,
}

/// A silence of a machine, as a line.
pub(crate) struct SilenceRow {
    pub(crate) machine: String,
    pub(crate) from: Moment,
    pub(crate) to: Moment,
    pub(crate) span: String,
    pub(crate) why: String,
}

#[derive(Template)]
#[template(path = "pages/month.html")]
struct MonthPage {
    page: Page,
    name: String,
    /// The page's own address.
    here: String,
    files: Vec<Door>,
    complete: bool,
    closed: Option<Closed>,
    /// What has just been done.
    done: Option<String>,
    failed: bool,
    before: Option<Door>,
    after: Option<Door>,
    empty: bool,
    glance: Vec<Glance>,
    totals: Vec<TotalRow>,
    find: String,
    beside: Vec<(&'static str, String)>,
    /// Whether there are so many machines that one looks for them.
    many: bool,
    devices: Vec<DeviceBlock>,
    turn: Turn,
    parts: Vec<Part>,
    /// Of the machines below; how many there are of all.
    silences: Vec<SilenceRow>,
    silences_in_all: usize,
    forms: Vec<FormView>,
    has_unseen: bool,
    has_spread: bool,
    has_percent: bool,
}

pub(crate) async fn show<S: Source>(
    State(source): State<S>,
    name: Result<Path<String>, PathRejection>,
    RawQuery(query): RawQuery,
) -> Result<Response, SiteError> {
    let Path(name) = name.map_err(|_| SiteError::NoSuchPage)?;
    let (name, format) = match name.split_once('.') {
        Some((name, ending)) => (name, Some(Format::of_ending(ending).ok_or(SiteError::NoSuchPage)?)),
        None => (name.as_str(), None),
    };
    let month = begun(&source, name)?;
    match format {
        Some(format) => file(format, &source.statement(month).await?, source.paper()),
        None => {
            let asked = Fields::of_query(query.as_deref());
            let done = query.as_deref() == Some("closed");
            page(&source, month, &asked, (done, &Tried::default())).await
        }
    }
}

/// Closes the month, and leads back to the page; or shows it again with what is wrong.
pub(crate) async fn close<S: Source>(
    State(source): State<S>,
    name: Result<Path<String>, PathRejection>,
    sent: Sent,
) -> Result<Response, SiteError> {
    let Path(name) = name.map_err(|_| SiteError::NoSuchPage)?;
    let month = begun(&source, &name)?;
    let fields = Fields::of(sent)?;
    let fault = match fields.who() {
        Err(fault) => fault,
        Ok(who) => match source.close_month(month, who).await? {
            Ok(_) => return Ok(Redirect::to(&format!("{}?closed", href(month))).into_response()),
            Err(refusal) => {
                let field = if refusal == NotClosed::Nobody { "who" } else { "" };
                Fault::new(field, format!("{}.", format::capital(&refusal.to_string())))
            }
        },
    };
    let tried = Tried { form: "close".to_owned(), fields, faults: vec![fault] };
    let mut response = page(&source, month, &Fields::of_query(None), (false, &tried)).await?;
    *response.status_mut() = StatusCode::UNPROCESSABLE_ENTITY;
    Ok(response)
}

/// The month of an address, unless it has not begun.
fn begun<S: Source>(source: &S, name: &str) -> Result<Month, SiteError> {
    let month: Month = name.parse()?;
    if month > running(source) { Err(SiteError::FutureMonth(month)) } else { Ok(month) }
}

async fn page<S: Source>(
    source: &S,
    month: Month,
    asked: &Fields,
    said: (bool, &Tried),
) -> Result<Response, SiteError> {
    let asked = read(asked);
    let view = source.month(month, &asked).await?;
    let page = Page::new(source, Section::Months, month.name());
    let page = MonthPage::new(page, &view, (running(source), asked), said, &source.zone());
    Ok(html(&page)?.into_response())
}

/// What an address asks for; what makes no sense asks for the first page.
fn read(fields: &Fields) -> MonthAsked {
    let find = fields.get("find").chars().take(100).collect();
    MonthAsked { find, page: fields.get("page").parse().unwrap_or(1) }
}

fn file(format: Format, statement: &Statement, paper: Paper) -> Result<Response, SiteError> {
    let bytes = month_file(format, statement, paper)?;
    let disposition = format!("attachment; filename=\"{}\"", format.file_name(statement.report.month));
    let headers = [(CONTENT_TYPE, format.media_type().to_owned()), (CONTENT_DISPOSITION, disposition)];
    Ok((headers, bytes).into_response())
}

/// The month that is running.
pub(crate) fn running<S: Source>(source: &S) -> Month {
    Month::of(format::day_of(source.now(), &source.zone()))
}

/// The address of a month's page.
pub(crate) fn href(month: Month) -> String {
    format!("/months/{month}")
}

impl MonthPage {
    fn new(
        page: Page,
        view: &MonthView,
        (running, asked): (Month, MonthAsked),
        (done, tried): (bool, &Tried),
        zone: &TimeZone,
    ) -> Self {
        let MonthView { report, figures, machines, closing, .. } = view;
        let month = report.month;
        let none = machines.in_all == 0;
        let address = Address::new(href(month), vec![("find", asked.find.clone())]);
        let door = |to: Month| Door { href: href(to), name: to.name() };
        let file = |format: Format| Door {
            href: format!("{}.{}", href(month), format.ending()),
            name: format.file_name(month),
        };
        let closed = closing.as_ref().map(|closing| Closed {
            who: closing.who.clone(),
            at: Moment::new(closing.at, zone),
            sha256: closing.sha256.clone(),
        });
        let can_close = report.complete && closed.is_none() && !none;
        let form =
            FormView::new(format!("{}/close", href(month)), ("close", "Close the month", "Close it"), tried);
        Self {
            page,
            name: month.name(),
            here: href(month),
            files: Format::ALL.map(file).into(),
            complete: report.complete,
            done: (done && closed.is_some()).then(|| format!("{} is closed.", month.name())),
            failed: !tried.faults.is_empty(),
            closed,
            before: view.months.iter().any(|known| *known < month).then(|| door(month.before())),
            after: (month < running).then(|| door(month.after())),
            empty: none,
            glance: glance(report, figures),
            totals: totals(&figures.totals),
            beside: address.beside(&["find"]),
            many: machines.in_all > MACHINES_A_PAGE,
            devices: blocks(&machines.lines),
            turn: address.turn(machines, "Machines", MACHINES_A_PAGE),
            parts: sections(report, figures, &Extent::of(view)),
            silences: silences(&machines.lines, zone),
            silences_in_all: figures.silences,
            forms: if can_close || !tried.faults.is_empty() { vec![signed(form, tried)] } else { vec![] },
            has_percent: figures.has_percent,
            has_unseen: figures.has_unseen,
            has_spread: figures.has_spread,
            find: asked.find,
        }
    }
}

/// The form with who closes, and whatever is wrong with the month on top.
fn signed(form: FormView, tried: &Tried) -> FormView {
    let mut form = form.who("", tried);
    form.error = tried.faults.iter().find(|fault| fault.field != "who").map(|fault| fault.text.clone());
    form
}
