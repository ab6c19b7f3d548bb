//! Before a swap: what will be done, and which lot the new part comes from.

use askama::Template;
use axum::extract::rejection::PathRejection;
use axum::extract::{Path, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Redirect, Response};

use super::{begin_href, by, fault, position, swap_href};
use crate::domain::guide::Step;
use crate::domain::ids::{DeviceId, LotId, SlotId, SupplyIndex};
use crate::domain::part::PartKind;
use crate::site::error::SiteError;
use crate::site::form::{Fields, FormView, Sent, Tried};
use crate::site::pages::part::note;
use crate::site::pages::shelf::day_in_full;
use crate::site::pages::{Page, Section, html, machine_of};
use crate::site::source::Source;
use crate::usecase::swap::{At, BeginView, LotChoice, Refusal};

#[derive(Template)]
#[template(path = "pages/swap/begin.html")]
struct BeginPage {
    page: Page,
    machine: String,
    machine_href: String,
    label: String,
    steps: Vec<Step>,
    version: String,
    under_way: Option<String>,
    form: FormView,
    failed: bool,
}

/// Leads from a slot's own number to the page on which its swap begins.
pub(super) async fn door<S: Source>(
    State(source): State<S>,
    slot: Result<Path<i64>, PathRejection>,
) -> Result<Redirect, SiteError> {
    let Path(slot) = slot.map_err(|_| SiteError::NoSuchPage)?;
    let (device, index) = source.supply_of(SlotId(slot)).await?.ok_or(SiteError::NoSuchPage)?;
    Ok(Redirect::to(&begin_href(device, At::Supply(index))))
}

pub(super) async fn of_supply<S: Source>(
    State(source): State<S>,
    address: Result<Path<(String, i32)>, PathRejection>,
) -> Result<Response, SiteError> {
    let Path((id, index)) = address.map_err(|_| SiteError::NoSuchPage)?;
    page(&source, machine_of(&id)?, At::Supply(SupplyIndex(index)), &Tried::default()).await
}

pub(super) async fn of_head<S: Source>(
    State(source): State<S>,
    address: Result<Path<(String, String)>, PathRejection>,
) -> Result<Response, SiteError> {
    let Path((id, place)) = address.map_err(|_| SiteError::NoSuchPage)?;
    page(&source, machine_of(&id)?, At::Head(position(&place)?), &Tried::default()).await
}

pub(super) async fn supply<S: Source>(
    State(source): State<S>,
    address: Result<Path<(String, i32)>, PathRejection>,
    sent: Sent,
) -> Result<Response, SiteError> {
    let Path((id, index)) = address.map_err(|_| SiteError::NoSuchPage)?;
    begin(&source, machine_of(&id)?, At::Supply(SupplyIndex(index)), sent).await
}

pub(super) async fn head<S: Source>(
    State(source): State<S>,
    address: Result<Path<(String, String)>, PathRejection>,
    sent: Sent,
) -> Result<Response, SiteError> {
    let Path((id, place)) = address.map_err(|_| SiteError::NoSuchPage)?;
    begin(&source, machine_of(&id)?, At::Head(position(&place)?), sent).await
}

async fn begin<S: Source>(source: &S, device: DeviceId, at: At, sent: Sent) -> Result<Response, SiteError> {
    let fields = Fields::of(sent)?;
    let mut faults = Vec::new();
    let lot = match fields.get("lot") {
        "none" | "" => Some(None),
        _ => crate::site::form::keep(fields.chosen("lot").map(|lot| Some(LotId(lot))), &mut faults),
    };
    let note = note(&fields, &mut faults);
    if let (Some(lot), Some(note), true) = (lot, note, faults.is_empty()) {
        match source.begin_swap((device, at), lot, note, fields.token()).await? {
            Ok(id) => return Ok(Redirect::to(&swap_href(id)).into_response()),
            Err(Refusal::NoSuchPlace) => return Err(SiteError::NoSuchPage),
            Err(refusal) => faults.push(fault(&refusal)),
        }
    }
    let mut response = page(source, device, at, &Tried { form: "begin".to_owned(), fields, faults }).await?;
    *response.status_mut() = StatusCode::UNPROCESSABLE_ENTITY;
    Ok(response)
}

async fn page<S: Source>(source: &S, device: DeviceId, at: At, tried: &Tried) -> Result<Response, SiteError> {
    let view = source.swap_view(device, at).await?.ok_or(SiteError::NoSuchPage)?;
    let label = view.label();
    let title = format!("Swap {} of {}", label, view.device_name);
    let page = BeginPage {
        page: Page::new(source, Section::Machines, title),
        machine: view.device_name.clone(),
        machine_href: format!("/machines/{device}"),
        version: match view.version {
            None => "the guide that comes with the program".to_owned(),
            Some(version) => format!("version {version} of your own guide"),
        },
        under_way: view.under_way.map(swap_href),
        form: form(&view, tried),
        steps: view.guide.steps().to_vec(),
        failed: !tried.faults.is_empty(),
        label,
    };
    Ok(html(&page)?.into_response())
}

fn form(view: &BeginView, tried: &Tried) -> FormView {
    let action = begin_href(view.device, view.target.at());
    let form = FormView::new(action, ("begin", "Begin", "Begin: ask the machine"), tried);
    let first = view.lots.first().filter(|lot| lot.good).map(|lot| lot.lot);
    let mut lots: Vec<(String, String)> =
        view.lots.iter().map(|lot| (lot.lot.to_string(), words(lot, first == Some(lot.lot)))).collect();
    lots.push(("none".to_owned(), "not from the shelf".to_owned()));
    let what = match view.target.kind() {
        PartKind::Cartridge => "The new cartridge is",
        PartKind::Head => "The new head is",
        PartKind::Receptacle => "The new receptacle is",
    };
    let why = "Only where it is another than the first: say why.";
    let form = form.choice(("lot", what, "Hold it against this: its number and its date."), lots, tried);
    by(form, "", tried).line(("why", "Why that one", why), "text", "", tried).unsigned(tried)
}

fn words(lot: &LotChoice, first: bool) -> String {
    let note = match (first, lot.good, lot.good_until) {
        (true, ..) => "; take this one",
        (_, false, _) => "; past its date",
        _ => "",
    };
    format!("{}, made {}, {}: {} there{note}", lot.part, day_in_full(lot.made_on), lot.place, lot.units)
}
