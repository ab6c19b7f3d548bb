//! One alert: what was the case, what became of it, and the forms that answer it.

use askama::Template;
use axum::extract::rejection::PathRejection;
use axum::extract::{Path, RawQuery, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Redirect, Response};
use jiff::tz::TimeZone;

use super::AlertRow;
use crate::domain::alert::snooze::Snooze;
use crate::domain::alert::{Alert, Rule};
use crate::domain::ids::AlertId;
use crate::site::error::SiteError;
use crate::site::form::{Fault, Fields, FormView, Sent, Tried, keep};
use crate::site::format;
use crate::site::pages::{Moment, Page, Section, html};
use crate::site::source::Source;
use crate::usecase::alerts::AnswerRefused;

/// One thing that happened to the alert.
struct Step {
    at: Moment,
    what: String,
}

#[derive(Template)]
#[template(path = "pages/alert.html")]
struct AlertPage {
    page: Page,
    row: AlertRow,
    steps: Vec<Step>,
    note: String,
    caution: Option<&'static str>,
    forms: Vec<FormView>,
    done: bool,
    failed: bool,
}

pub(crate) async fn show<S: Source>(
    State(source): State<S>,
    id: Result<Path<String>, PathRejection>,
    RawQuery(query): RawQuery,
) -> Result<Response, SiteError> {
    let Path(id) = id.map_err(|_| SiteError::NoSuchPage)?;
    page(&source, &id, query.as_deref() == Some("answered"), &Tried::default()).await
}

/// Writes an answer down and leads back to the page; or shows it again with what is wrong.
pub(crate) async fn answer<S: Source>(
    State(source): State<S>,
    address: Result<Path<(String, String)>, PathRejection>,
    sent: Sent,
) -> Result<Response, SiteError> {
    let Path((id, answer)) = address.map_err(|_| SiteError::NoSuchPage)?;
    let fields = Fields::of(sent)?;
    let mut faults = Vec::new();
    let who = keep(fields.who(), &mut faults);
    let note = match fields.get("note") {
        "" => Some(String::new()),
        _ => keep(fields.text("note"), &mut faults),
    };
    let snooze = match answer.as_str() {
        "seen" => Some(None),
        "snooze" => {
            let until = Snooze::from_word(fields.get("until"));
            keep(until.ok_or_else(|| Fault::new("until", "Choose one.")), &mut faults).map(Some)
        }
        _ => return Err(SiteError::NoSuchPage),
    };
    if let (Some(who), Some(note), Some(snooze)) = (who, note, snooze) {
        match source.answer_alert(number(&id)?, snooze, who, note).await? {
            Ok(()) => return Ok(Redirect::to(&format!("/alerts/{id}?answered")).into_response()),
            Err(AnswerRefused::NoSuchAlert) => return Err(missing(&id)),
            Err(refusal) => {
                faults.push(Fault::new("", format!("{}.", format::capital(&refusal.to_string()))))
            }
        }
    }
    let mut response = page(&source, &id, false, &Tried { form: answer, fields, faults }).await?;
    *response.status_mut() = StatusCode::UNPROCESSABLE_ENTITY;
    Ok(response)
}

fn missing(id: &str) -> SiteError {
    SiteError::NoSuchAlert(id.chars().take(64).collect())
}

fn number(id: &str) -> Result<AlertId, SiteError> {
    id.parse().map(AlertId).map_err(|_| missing(id))
}

async fn page<S: Source>(source: &S, id: &str, done: bool, tried: &Tried) -> Result<Response, SiteError> {
    let line = source.alert(number(id)?).await?.ok_or_else(|| missing(id))?;
    let (now, zone) = (source.now(), source.zone());
    let page = AlertPage {
        page: Page::new(source, Section::Alerts, line.alert.summary.clone()),
        row: AlertRow::of(&line, now, &zone),
        steps: steps(&line.alert, &zone),
        note: line.alert.note.clone(),
        caution: caution(line.alert.rule),
        forms: if line.alert.cleared_at.is_none() { forms(id, tried) } else { Vec::new() },
        done,
        failed: !tried.faults.is_empty(),
    };
    Ok(html(&page)?.into_response())
}

/// What happened to the alert, in order.
fn steps(alert: &Alert, zone: &TimeZone) -> Vec<Step> {
    let step = |at, what: &str| Step { at: Moment::new(at, zone), what: what.to_owned() };
    let mut steps = vec![step(alert.opened_at, "Opened")];
    steps.extend(alert.told_at.map(|at| step(at, "First told")));
    steps.extend(alert.seen.as_ref().map(|seen| step(seen.at, &format!("Seen by {}", seen.by))));
    steps.extend(alert.snoozed_until.map(|at| step(at, "Put off until then")));
    steps.extend(alert.cleared_at.map(|at| step(at, "Cleared")));
    steps
}

/// What to mind when the alert asks for hands inside a machine.
fn caution(rule: Rule) -> Option<&'static str> {
    let swap = matches!(
        rule,
        Rule::ReplaceNow
            | Rule::SwapDue
            | Rule::RunOut
            | Rule::WasteOrderPoint
            | Rule::LowSupply
            | Rule::HeadWarranty
    );
    swap.then_some(
        "Swap from the machine’s own menu, never while it prints. Mind the moving carriage and mains power; wear \
         gloves, keep ink out of your eyes, keep waste receptacles upright, and dispose of waste by your local rules. \
         The maker’s manual comes before anything said here.",
    )
}

fn forms(id: &str, tried: &Tried) -> Vec<FormView> {
    let form =
        |name, title, button| FormView::new(format!("/alerts/{id}/{name}"), (name, title, button), tried);
    let signed = |form: FormView| {
        let mut form = form.who("", tried).line(
            ("note", "Note", "Such as: ordered, or being looked at."),
            "text",
            "",
            tried,
        );
        let on_top = tried.faults.iter().find(|fault| form.open && fault.field.is_empty());
        form.error = on_top.map(|fault| fault.text.clone());
        form
    };
    let until = Snooze::ALL.map(|snooze| {
        let text = match snooze {
            Snooze::FourHours => "four hours",
            Snooze::NextWorkingDay => "the next working day, in the morning",
            Snooze::Week => "a week",
            Snooze::FourWeeks => "four weeks",
        };
        (snooze.word().to_owned(), text.to_owned())
    });
    vec![
        signed(form("seen", "I have seen it", "Mark it as seen")),
        signed(form("snooze", "Put it off", "Put it off").choice(
            ("until", "Tell again after", ""),
            until.to_vec(),
            tried,
        )),
    ]
}
