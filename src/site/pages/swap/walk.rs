//! A walk through a guide, one step at a time; once it has ended, what it left.

use askama::Template;
use axum::extract::rejection::PathRejection;
use axum::extract::{Path, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Redirect, Response};
use jiff::civil::Date;

use super::words::{StepRow, became, left, lot, outcome, steps, waits_for, when};
use super::{by, fault, find, reason, swap_href};
use crate::domain::plumbing::Position;
use crate::site::error::SiteError;
use crate::site::form::{Fault, Fields, FormView, Sent, Tried, fresh_token, keep};
use crate::site::format;
use crate::site::pages::supply::supply_href;
use crate::site::pages::{Moment, Page, Section, html};
use crate::site::source::Source;
use crate::usecase::heads::{Entry, MOST_ML};
use crate::usecase::swap::{Act, Place, SwapRow};

#[derive(Template)]
#[template(path = "pages/swap/walk.html")]
struct WalkPage {
    page: Page,
    over: String,
    over_href: String,
    label: String,
    /// What to do now; none once every step is behind.
    now: Option<Now>,
    end: Option<FormView>,
    skip: Option<FormView>,
    give_up: FormView,
    steps: Vec<StepRow>,
    new_part: String,
}

/// The step at hand.
struct Now {
    number: usize,
    of: usize,
    text: String,
    cautions: Vec<String>,
    asks: Option<&'static str>,
    form: FormView,
}

#[derive(Template)]
#[template(path = "pages/swap/record.html")]
struct RecordPage {
    page: Page,
    over: String,
    over_href: String,
    heading: String,
    when: Moment,
    facts: Vec<(&'static str, String)>,
    steps: Vec<StepRow>,
    photo: Option<String>,
    photo_form: FormView,
    again: String,
}

pub(super) async fn show<S: Source>(
    State(source): State<S>,
    id: Result<Path<String>, PathRejection>,
) -> Result<Response, SiteError> {
    let Path(id) = id.map_err(|_| SiteError::NoSuchPage)?;
    let row = find(&source, &id).await?;
    page(&source, &row, &Tried::default())
}

/// Goes a step on, and leads back to the page; or shows it again with what the machine says.
pub(super) async fn act<S: Source>(
    State(source): State<S>,
    address: Result<Path<(String, usize, String)>, PathRejection>,
    sent: Sent,
) -> Result<Response, SiteError> {
    let Path((id, step, action)) = address.map_err(|_| SiteError::NoSuchPage)?;
    let fields = Fields::of(sent)?;
    let row = find(&source, &id).await?;
    let mut faults = Vec::new();
    let what = match action.as_str() {
        "done" => Some(Act::Done),
        "skip" => keep(reason(&fields), &mut faults).map(Act::Skip),
        "give-up" => keep(reason(&fields), &mut faults).map(Act::GiveUp),
        "end" => match row.place {
            Place::Slot(_) => Some(Act::End(None)),
            Place::Head(position) => {
                let today = format::day_of(source.now(), &source.zone());
                entry(&fields, position, today, &mut faults).map(|entry| Act::End(Some(entry)))
            }
        },
        _ => return Err(SiteError::NoSuchPage),
    };
    let who = keep(fields.who(), &mut faults);
    if let (Some(what), Some(who), true) = (what, who, faults.is_empty()) {
        match source.act_swap(row.id, step, what, who).await? {
            Ok(()) => return Ok(Redirect::to(&swap_href(row.id)).into_response()),
            Err(refusal) => faults.push(fault(&refusal)),
        }
    }
    // It may have gone on meanwhile.
    let row = find(&source, &id).await?;
    let mut response = page(&source, &row, &Tried { form: action, fields, faults })?;
    *response.status_mut() = StatusCode::UNPROCESSABLE_ENTITY;
    Ok(response)
}

/// What stands on a new head.
fn entry(fields: &Fields, position: Position, today: Date, faults: &mut Vec<Fault>) -> Option<Entry> {
    let until = match fields.get("warranty_until") {
        "" => Ok(None),
        text => match text.parse() {
            Ok(day) if text.len() == 10 => Ok(Some(day)),
            _ => Err(Fault::new("warranty_until", "Write it as 2026-03-14.")),
        },
    };
    let limit = match (fields.get("limit_ml"), fields.get("limit_ml").parse::<f64>()) {
        ("", _) => Ok(None),
        (_, Ok(ml)) if (0.0..=MOST_ML).contains(&ml) => Ok(Some(ml)),
        _ => Err(Fault::new("limit_ml", "Write millilitres, such as 1200, or leave it blank.")),
    };
    let (warranty_until, limit_ml) = (keep(until, faults), keep(limit, faults));
    Some(Entry {
        position,
        // The lot tells.
        part: None,
        in_on: today,
        out_on: None,
        warranty_until: warranty_until?,
        limit_ml: limit_ml?,
        before_ml: 0.0,
    })
}

fn over(row: &SwapRow) -> (String, String) {
    let href = match &row.slot {
        Some(slot) => supply_href(slot),
        None => format!("/machines/{}/heads", row.device),
    };
    (row.device_name.clone(), href)
}

pub(super) fn page<S: Source>(source: &S, row: &SwapRow, tried: &Tried) -> Result<Response, SiteError> {
    if row.ended.is_some() {
        return record(source, row, tried);
    }
    let form = |action: &'static str, title: &'static str, button| {
        let address = format!("/swaps/{}/{}/{action}", row.id, row.steps.len());
        FormView::new(address, (action, title, button), tried)
    };
    let why = "Say why: it stands in the record.";
    let with_reason = |form: FormView| {
        by(form.line(("why", "Why", why), "text", "", tried), &row.who, tried).unsigned(tried)
    };
    let now = row.walk.step().map(|step| Now {
        number: row.steps.len() + 1,
        of: row.walk.guide().steps().len(),
        text: step.text.clone(),
        cautions: step.cautions.clone(),
        asks: waits_for(step),
        form: by(
            form("done", "Done", if step.confirm.is_some() { "Done: ask the machine" } else { "Done" }),
            &row.who,
            tried,
        )
        .unsigned(tried),
    });
    let through = now.is_none();
    let (over, over_href) = over(row);
    let page = WalkPage {
        page: Page::new(
            source,
            Section::Machines,
            format!("Swap {}: {} of {}", row.id, row.label(), row.device_name),
        ),
        over,
        over_href,
        label: row.label(),
        end: through.then(|| end_form(row, form("end", "The end", "End: write the swap down"), tried)),
        skip: (!through).then(|| with_reason(form("skip", "Leave this step out", "Leave it out"))),
        give_up: with_reason(form("give-up", "Give the swap up", "Give it up")),
        steps: steps(row, &source.zone()),
        new_part: lot(row.from.as_ref()),
        now,
    };
    Ok(html(&page)?.into_response())
}

fn end_form(row: &SwapRow, form: FormView, tried: &Tried) -> FormView {
    let form = match row.place {
        Place::Slot(_) => form,
        Place::Head(_) => form
            .line(
                ("warranty_until", "Warranty until", "The date stamped on it, as 2027-09-30."),
                "text",
                "",
                tried,
            )
            .line(("limit_ml", "Limit", "In ml; left blank, by its part or 1200."), "decimal", "", tried),
    };
    by(form, &row.who, tried).unsigned(tried)
}

fn record<S: Source>(source: &S, row: &SwapRow, tried: &Tried) -> Result<Response, SiteError> {
    let zone = source.zone();
    let ended = row.ended.as_ref();
    let mut facts = vec![
        ("Machine", row.device_name.clone()),
        ("What", row.label()),
        ("Came to", outcome(row)),
        ("Begun", format!("{}, {}", row.who, format::moment(row.begun_at, &zone))),
        (
            "Ended",
            ended.map_or_else(String::new, |ended| {
                format!("{}, {}", ended.who, format::moment(ended.at, &zone))
            }),
        ),
        ("The new one", lot(row.from.as_ref())),
    ];
    if !row.why_lot.is_empty() {
        facts.push(("Why that one", row.why_lot.clone()));
    }
    if row.slot.is_some() {
        facts.push(("The old one had", left(row)));
        facts.push(("The new one has", became(row)));
    }
    let (over, over_href) = over(row);
    let action = format!("/swaps/{}/photo?once={}", row.id, fresh_token());
    let photo_form = FormView::new(action, ("photo", "Keep a picture", "Keep it"), tried);
    let page = RecordPage {
        page: Page::new(
            source,
            Section::Machines,
            format!("Swap {}: {} of {}", row.id, row.label(), row.device_name),
        ),
        over,
        over_href,
        heading: format!("Swap {}", row.id),
        when: when(row, &zone),
        facts,
        steps: steps(row, &zone),
        photo: row.photo.then(|| format!("/swaps/{}/photo", row.id)),
        photo_form: by(photo_form, &row.who, tried).unsigned(tried),
        again: format!("{} of {}", row.label(), row.device_name),
    };
    Ok(html(&page)?.into_response())
}
