//! All machines: how each does, and what ends first at it.

use askama::Template;
use axum::extract::State;
use axum::response::Html;
use jiff::Timestamp;
use jiff::tz::TimeZone;

use super::{Moment, Page, Section, Silent, html, machine_href};
use crate::domain::outlook::Forecast;
use crate::site::error::SiteError;
use crate::site::ink::Ink;
use crate::site::source::Source;
use crate::site::{format, words};
use crate::usecase::view::MachineLine;

struct First {
    ink: Ink,
    label: String,
    level: String,
    ends: String,
}

struct MachineRow {
    name: String,
    href: String,
    /// Model and place, as far as the machine tells.
    about: String,
    state: String,
    errors: Vec<String>,
    silent: Option<Silent>,
    answered: Option<Moment>,
    first: Option<First>,
    alerts: usize,
}

#[derive(Template)]
#[template(path = "pages/machines.html")]
struct MachinesPage {
    page: Page,
    heading: String,
    rows: Vec<MachineRow>,
}

pub(crate) async fn show<S: Source>(State(source): State<S>) -> Result<Html<String>, SiteError> {
    let lines = source.machines().await?;
    let (now, zone) = (source.now(), source.zone());
    let heading = match lines.len() {
        0 => "No machines yet".to_owned(),
        1 => "One machine".to_owned(),
        n => format::capital(&format!("{} machines", format::number_word(n))),
    };
    html(&MachinesPage {
        page: Page::new(&source, Section::Machines, "Machines"),
        heading,
        rows: lines.iter().map(|line| row(line, now, &zone)).collect(),
    })
}

fn row(line: &MachineLine, now: Timestamp, zone: &TimeZone) -> MachineRow {
    let device = &line.device;
    let today = format::day_of(now, zone);
    let first = line.first_to_end.as_ref().map(|first| {
        let slot = &first.outlook.slot;
        First {
            ink: Ink::of(slot),
            label: slot.label(),
            level: format::level(&first.outlook.level, slot.role),
            ends: match &first.outlook.forecast {
                Forecast::Known(horizon) => format::capital(&format::horizon(*horizon, slot.role, today)),
                Forecast::NotYet(why) => format!("No date yet: {why}"),
            },
        }
    });
    MachineRow {
        name: device.name.clone(),
        href: machine_href(device),
        about: [&device.model, &device.location]
            .into_iter()
            .flatten()
            .cloned()
            .collect::<Vec<_>>()
            .join(" · "),
        state: format::capital(&words::state(device)),
        errors: words::errors(device.errors),
        silent: Silent::of(device, now, zone),
        answered: device.last_answer_at.map(|at| Moment::new(at, zone)),
        first,
        alerts: line.open_alerts,
    }
}
