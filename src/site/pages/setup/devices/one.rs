//! One machine that is watched: what people decide of it.

use askama::Template;
use axum::extract::rejection::PathRejection;
use axum::extract::{Path, State};
use axum::response::{Html, IntoResponse, Redirect, Response};

use super::{chosen, chosen_lines, wrong_address};
use crate::domain::ids::DeviceId;
use crate::site::error::SiteError;
use crate::site::form::{Fields, FormView, Sent, Tried, keep};
use crate::site::pages::setup::{fault, unprocessable};
use crate::site::pages::{Page, Section, html};
use crate::site::source::Source;
use crate::usecase::discover::read_address;
use crate::usecase::setup::Watched;
use crate::usecase::setup::view::DeviceChange;

#[derive(Template)]
#[template(path = "pages/setup/device.html")]
struct DevicePage {
    page: Page,
    name: String,
    model: String,
    machine: String,
    form: FormView,
    retire: String,
}

type Number = Result<Path<i64>, PathRejection>;

async fn find<S: Source>(source: &S, id: &Number) -> Result<Watched, SiteError> {
    let Ok(Path(id)) = id else { return Err(SiteError::NoSuchPage) };
    let found = source.watched().await?.into_iter().find(|one| one.row.id == DeviceId(*id));
    found.ok_or_else(|| SiteError::NoSuchMachine(id.to_string()))
}

pub(in crate::site::pages::setup) async fn show<S: Source>(
    State(source): State<S>,
    id: Number,
) -> Result<Html<String>, SiteError> {
    let one = find(&source, &id).await?;
    page(&source, &one, &Tried::default()).await
}

async fn page<S: Source>(source: &S, one: &Watched, tried: &Tried) -> Result<Html<String>, SiteError> {
    let href = format!("/setup/devices/{}", one.row.id);
    let mut kept: Vec<(String, String)> =
        source.credentials().await?.into_iter().map(|one| (one.id.to_string(), one.name)).collect();
    // The one that holds stands first, and is chosen if nobody chooses.
    kept.sort_by_key(|(id, _)| *id != one.credential.to_string());
    let form = FormView::new(href.clone(), ("change", "Change it", "Change it"), tried);
    let cost_centre = one.row.cost_centre.as_deref().unwrap_or_default();
    let form = chosen_lines(form, (&one.row.name, cost_centre, one.row.poll_every_s), tried)
        .line(("address", "Address", "With a port if it is not 161."), "text", &one.address(), tried)
        .choice(("credential", "Asked by", ""), kept, tried)
        .unsigned(tried);
    html(&DevicePage {
        page: Page::new(source, Section::Setup, format!("{}, set-up", one.row.name)),
        name: one.row.name.clone(),
        model: one.row.model.clone().unwrap_or_default(),
        machine: format!("/machines/{}", one.row.id),
        form,
        retire: format!("{href}/retire"),
    })
}

pub(in crate::site::pages::setup) async fn change<S: Source>(
    State(source): State<S>,
    id: Number,
    sent: Sent,
) -> Result<Response, SiteError> {
    let one = find(&source, &id).await?;
    let fields = Fields::of(sent)?;
    let mut faults = Vec::new();
    let address = keep(read_address(fields.get("address")).map_err(|_| wrong_address()), &mut faults);
    let credential = keep(fields.chosen("credential"), &mut faults);
    let chosen = chosen(&fields, &mut faults);
    if let (Some((host, port)), Some(credential), Some(chosen)) = (address, credential, chosen) {
        match source.change_device(one.row.id, DeviceChange { host, port, credential, chosen }).await? {
            Ok(true) => return Ok(Redirect::to("/setup/devices?done=changed").into_response()),
            Ok(false) => return Err(SiteError::NoSuchMachine(one.row.id.to_string())),
            Err(refusal) => faults.push(fault(refusal)),
        }
    }
    let tried = Tried { form: "change".to_owned(), fields, faults };
    Ok(unprocessable(page(&source, &one, &tried).await?))
}

pub(in crate::site::pages::setup) async fn retire<S: Source>(
    State(source): State<S>,
    id: Number,
) -> Result<Response, SiteError> {
    let one = find(&source, &id).await?;
    match source.retire_device(one.row.id).await? {
        Some(_) => Ok(Redirect::to("/setup/devices?done=retired").into_response()),
        None => Err(SiteError::NoSuchMachine(one.row.id.to_string())),
    }
}
