//! The set-up pages: what is watched, how it is asked, and how more of it comes in.

mod credentials;
mod devices;
mod discover;
mod import;

use askama::Template;
use axum::Router;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::{Html, IntoResponse, Response};
use axum::routing::{get, post};

use super::{Page, Section, html};
use crate::site::error::SiteError;
use crate::site::form::Fault;
use crate::site::format;
use crate::site::source::Source;
use crate::usecase::setup::view::{Refusal, SetupView};

/// The pages' addresses.
pub(crate) fn routes<S: Source>() -> Router<S> {
    Router::new()
        .route("/setup", get(show::<S>))
        .route("/setup/devices", get(devices::show::<S>))
        .route("/setup/devices/try", post(devices::attempt::<S>))
        .route("/setup/devices/add", post(devices::add::<S>))
        .route("/setup/devices.csv", get(devices::file::<S>))
        .route("/setup/devices/{id}", get(devices::one::show::<S>).post(devices::one::change::<S>))
        .route("/setup/devices/{id}/retire", post(devices::one::retire::<S>))
        .route("/setup/credentials", get(credentials::show::<S>).post(credentials::add::<S>))
        .route("/setup/credentials/{id}", get(credentials::one::<S>).post(credentials::change::<S>))
        .route("/setup/credentials/{id}/remove", post(credentials::remove::<S>))
        .route("/setup/discover", get(discover::show::<S>).post(discover::start::<S>))
        .route("/setup/discover/cancel", post(discover::cancel::<S>))
        .route("/setup/discover/add", post(discover::add::<S>))
        .route("/setup/import", get(import::show::<S>).post(import::rehearse::<S>))
        .route("/setup/import/keep", post(import::keep::<S>))
}

/// One thing that is or is not set up.
struct Step {
    href: &'static str,
    title: &'static str,
    state: String,
    missing: bool,
    about: &'static str,
}

#[derive(Template)]
#[template(path = "pages/setup/overview.html")]
struct Overview {
    page: Page,
    room: String,
    steps: Vec<Step>,
    ranges: Vec<String>,
    trouble: Option<String>,
}

async fn show<S: Source>(State(source): State<S>) -> Result<Html<String>, SiteError> {
    let view = source.setup().await?;
    html(&Overview {
        page: Page::new(&source, Section::Setup, "Set-up"),
        room: view.room.clone(),
        steps: steps(&view),
        ranges: view.ranges,
        trouble: view.trouble.map(|trouble| format::capital(&trouble)),
    })
}

fn steps(view: &SetupView) -> Vec<Step> {
    let silent = view.machines - view.answering - view.waiting;
    let mut machines = vec![counted(view.machines, "machine is watched", "machines are watched")];
    machines.push(format!("{} answering", view.answering));
    if view.waiting > 0 {
        machines.push(format!("{} not asked yet", view.waiting));
    }
    if silent > 0 {
        machines.push(format!("{silent} silent"));
    }
    let mut steps = vec![
        Step {
            href: "/setup/devices",
            title: "Machines",
            state: if view.machines == 0 {
                "None is watched yet.".to_owned()
            } else {
                format!("{}.", machines.join(", "))
            },
            missing: view.machines == 0,
            about: "Add one by its address and see what it says first; rename, move or retire one.",
        },
        Step {
            href: "/setup/credentials",
            title: "Credentials",
            state: match view.credentials {
                0 => {
                    "None is kept yet: machines are asked by version 2c with the community public.".to_owned()
                }
                n => format!("{}.", counted(n, "is kept", "are kept")),
            },
            missing: false,
            about: "The communities and users that let machines be read.",
        },
        Step {
            href: "/setup/discover",
            title: "Search the network",
            state: match view.ranges.len() {
                0 => "No range may be searched yet but this machine itself.".to_owned(),
                _ => format!("May be searched: {}.", view.ranges.join(", ")),
            },
            missing: false,
            about: "Find printers in ranges of addresses that whoever looks after the network has allowed.",
        },
        Step {
            href: "/setup/import",
            title: "Bring in a list",
            state: String::new(),
            missing: false,
            about: "Machines as a CSV file, with a rehearsal first.",
        },
        Step {
            href: "/setup/guides",
            title: "Guides to a swap",
            state: String::new(),
            missing: false,
            about: "The steps that are shown at the machine, as you want them; every version is kept.",
        },
    ];
    steps.extend(room_steps(view));
    steps
}

/// What is set up besides the machines.
fn room_steps(view: &SetupView) -> Vec<Step> {
    vec![
        Step {
            href: "/shelf",
            title: "Shelf",
            state: match view.parts {
                0 => "The catalogue of parts is empty; ullage shelf parts import FILE fills it.".to_owned(),
                n => format!("{} in the catalogue.", counted(n, "part is", "parts are")),
            },
            missing: view.parts == 0,
            about: "What lies on the shelf covers what runs out, and decides what is ordered.",
        },
        Step {
            href: "/machines",
            title: "Print heads",
            state: String::new(),
            missing: false,
            about: "On each machine's page: which heads are in, and how ink runs through those of its model.",
        },
        Step {
            href: "/alerts/told",
            title: "Who is told",
            state: match view.told {
                0 => "Nobody is told of alerts yet.".to_owned(),
                n => format!("{}.", counted(n, "recipient is told", "recipients are told")),
            },
            missing: view.told == 0,
            about: "By mail or by calls to a program, of what, and when.",
        },
        Step {
            href: "/setup/people",
            title: "People",
            state: match view.people {
                0 => "Nobody is asked for a name, so only this machine is let in.".to_owned(),
                n => format!("{}.", counted(n, "person comes in by name", "people come in by name")),
            },
            missing: false,
            about: "Who may look, who does the daily work, who sets up; and what was changed by whom.",
        },
    ]
}

fn counted(n: usize, one: &str, many: &str) -> String {
    format::capital(&format!("{} {}", format::number_word(n), if n == 1 { one } else { many }))
}

/// A refusal of the source as a fault of a form.
fn fault(refusal: Refusal) -> Fault {
    Fault::new(refusal.field, format!("{}.", format::capital(&refusal.why)))
}

/// A page that says what is wrong with what was sent.
fn unprocessable(page: impl IntoResponse) -> Response {
    (StatusCode::UNPROCESSABLE_ENTITY, page).into_response()
}

/// What has just been done, as the query names it by `done=`.
fn done(query: Option<&str>, known: &[(&str, &'static str)]) -> Option<&'static str> {
    let word = query?.strip_prefix("done=")?;
    known.iter().find(|(name, _)| *name == word).map(|(_, text)| *text)
}
