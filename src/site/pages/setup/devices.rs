//! The machines that are watched, and adding one by its address.

pub(super) mod one;

use askama::Template;
use axum::extract::{RawQuery, State};
use axum::http::header;
use axum::response::{IntoResponse, Redirect, Response};

use super::{done, fault, unprocessable};
use crate::report::devices_csv::{poll_every, read_poll_every, write_devices};
use crate::site::error::SiteError;
use crate::site::form::{Fault, Fields, FormView, Sent, Tried, keep};
use crate::site::format;
use crate::site::pages::{Moment, Page, Section, html};
use crate::site::source::Source;
use crate::usecase::discover::read_address;
use crate::usecase::setup::view::{Chosen, TriedView, TryRequest, Way};
use crate::usecase::setup::{CredentialRow, CredentialSummary, Watched};

struct DeviceLine {
    href: String,
    machine: String,
    name: String,
    about: String,
    fault: Option<String>,
    answered: Option<Moment>,
}

#[derive(Template)]
#[template(path = "pages/setup/devices.html")]
struct DevicesPage {
    page: Page,
    heading: String,
    done: Option<&'static str>,
    form: FormView,
    devices: Vec<DeviceLine>,
}

#[derive(Template)]
#[template(path = "pages/setup/tried.html")]
struct TriedPage {
    page: Page,
    address: String,
    about: String,
    supplies: Vec<String>,
    trial: u64,
    form: FormView,
}

pub(super) async fn show<S: Source>(
    State(source): State<S>,
    RawQuery(query): RawQuery,
) -> Result<Response, SiteError> {
    const DONE: [(&str, &str); 3] = [
        ("added", "It is watched from now on, and polled within seconds."),
        ("changed", "It is changed; the next poll goes by that."),
        ("retired", "It is no longer watched. What it said is kept."),
    ];
    Ok(page(&source, done(query.as_deref(), &DONE), &Tried::default()).await?.into_response())
}

async fn page<S: Source>(
    source: &S,
    done: Option<&'static str>,
    tried: &Tried,
) -> Result<axum::response::Html<String>, SiteError> {
    let watched = source.watched().await?;
    let zone = source.zone();
    html(&DevicesPage {
        page: Page::new(source, Section::Setup, "Watched machines"),
        heading: match watched.len() {
            0 => "No machines yet".to_owned(),
            n => super::counted(n, "machine is watched", "machines are watched"),
        },
        done,
        form: try_form(&source.credentials().await?, tried),
        devices: watched
            .iter()
            .map(|one| DeviceLine {
                href: format!("/setup/devices/{}", one.row.id),
                machine: format!("/machines/{}", one.row.id),
                name: one.row.name.clone(),
                about: about(one),
                fault: one.row.fault.clone(),
                answered: one.row.last_answer_at.map(|at| Moment::new(at, &zone)),
            })
            .collect(),
    })
}

fn about(one: &Watched) -> String {
    let mut parts = vec![one.address(), format!("every {}", poll_every(one.row.poll_every_s))];
    parts.push(one.credential_name.clone());
    parts.extend(one.row.cost_centre.clone());
    parts.join(" · ")
}

/// The form that asks a machine before it is watched.
fn try_form(credentials: &[CredentialSummary], tried: &Tried) -> FormView {
    let kept = credentials.iter().map(|one| (one.id.to_string(), one.name.clone()));
    let others = [("v2c", "Version 2c, by the community below"), ("v1", "Version 1, by the community below")];
    let others = others.map(|(value, text)| (value.to_owned(), text.to_owned()));
    FormView::new("/setup/devices/try".to_owned(), ("try", "Add one by its address", "Ask it"), tried)
        .line(
            ("address", "Address", "A name or IP address, with a port if it is not 161: 10.0.0.7"),
            "text",
            "",
            tried,
        )
        .choice(("credential", "Asked by", ""), kept.chain(others).collect(), tried)
        .secret(("community", "Community", "Leave it blank for public."), tried)
        .unsigned(tried)
}

/// Asks a machine, and shows what it says and how it would be kept.
pub(super) async fn attempt<S: Source>(State(source): State<S>, sent: Sent) -> Result<Response, SiteError> {
    let fields = Fields::of(sent)?;
    let mut faults = Vec::new();
    let address = keep(read_address(fields.get("address")).map_err(|_| wrong_address()), &mut faults);
    let way = match fields.get("credential") {
        version @ ("" | "v1" | "v2c") => Some(Way::New(CredentialRow {
            version: if version == "v1" { "v1" } else { "v2c" }.to_owned(),
            community: Some(fields.some("community").unwrap_or_else(|| "public".to_owned())),
            ..CredentialRow::default()
        })),
        _ => keep(fields.chosen("credential"), &mut faults).map(Way::Kept),
    };
    if let (Some((host, port)), Some(way)) = (address, way) {
        match source.try_device(TryRequest { host, port, way }).await? {
            Ok(view) => return Ok(answered(&source, &view, &Tried::default())?.into_response()),
            Err(refusal) => faults.push(fault(refusal)),
        }
    }
    let tried = Tried { form: "try".to_owned(), fields, faults };
    Ok(unprocessable(page(&source, None, &tried).await?))
}

fn wrong_address() -> Fault {
    Fault::new("address", "Write it like 10.0.0.7, printer.example:1161 or [::1]:161.")
}

fn answered<S: Source>(
    source: &S,
    view: &TriedView,
    tried: &Tried,
) -> Result<axum::response::Html<String>, SiteError> {
    let identity = &view.identity;
    let serial = identity.serial.as_ref().map(|serial| format!("serial {serial}"));
    let model = identity.model.clone().or_else(|| identity.description.clone());
    let about: Vec<String> = [model, serial, identity.location.clone()].into_iter().flatten().collect();
    let form = FormView::new("/setup/devices/add".to_owned(), ("add", "Watch it", "Watch it"), tried);
    html(&TriedPage {
        page: Page::new(source, Section::Setup, "A machine that answered"),
        address: view.address.clone(),
        about: about.join(" · "),
        supplies: view
            .supplies
            .iter()
            .map(|(slot, level)| {
                format!("{}: {}", format::capital(&slot.label()), format::level_in_full(level, slot.role))
            })
            .collect(),
        trial: view.trial,
        form: chosen_lines(form, (&view.name, "", view.poll_every_s), tried).unsigned(tried),
    })
}

/// The lines of what people decide of a machine.
fn chosen_lines(
    form: FormView,
    (name, cost_centre, poll_every_s): (&str, &str, u32),
    tried: &Tried,
) -> FormView {
    form.line(("name", "Name", "What the print room calls it."), "text", name, tried)
        .line(
            ("cost_centre", "Cost centre", "Whom its ink is charged to; may stay blank."),
            "text",
            cost_centre,
            tried,
        )
        .line(
            ("poll_every", "Polled every", "From 10s to 24h, such as 15m."),
            "text",
            &poll_every(poll_every_s),
            tried,
        )
}

/// What people decide of a machine, as a form says it.
fn chosen(fields: &Fields, faults: &mut Vec<Fault>) -> Option<Chosen> {
    let name = keep(fields.text("name"), faults);
    let every = read_poll_every(fields.get("poll_every"));
    let every = every.ok_or_else(|| Fault::new("poll_every", "Write a time from 10s to 24h, such as 15m."));
    let poll_every_s = keep(every, faults);
    Some(Chosen { name: name?, cost_centre: fields.some("cost_centre"), poll_every_s: poll_every_s? })
}

/// Watches a machine that was tried.
pub(super) async fn add<S: Source>(State(source): State<S>, sent: Sent) -> Result<Response, SiteError> {
    let fields = Fields::of(sent)?;
    let trial: u64 = fields.get("trial").parse().unwrap_or(0);
    let mut faults = Vec::new();
    if let Some(chosen) = chosen(&fields, &mut faults) {
        match source.keep_tried(trial, chosen).await? {
            Ok(_) => return Ok(Redirect::to("/setup/devices?done=added").into_response()),
            Err(refusal) => faults.push(fault(refusal)),
        }
    }
    match source.tried(trial) {
        Some(view) => {
            let tried = Tried { form: "add".to_owned(), fields, faults };
            Ok(unprocessable(answered(&source, &view, &tried)?))
        }
        None => {
            let fault = Fault::new("", "The trial was some time ago: ask the machine once more.");
            let tried = Tried { form: "try".to_owned(), fields, faults: vec![fault] };
            Ok(unprocessable(page(&source, None, &tried).await?))
        }
    }
}

/// The machines as a CSV file, without communities and passwords.
pub(super) async fn file<S: Source>(State(source): State<S>) -> Result<Response, SiteError> {
    let bytes = write_devices(&source.watched().await?)?;
    let headers = [
        (header::CONTENT_TYPE, "text/csv; charset=utf-8"),
        (header::CONTENT_DISPOSITION, "attachment; filename=\"devices.csv\""),
    ];
    Ok((headers, bytes).into_response())
}
