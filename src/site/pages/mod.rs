//! One file per page: its view in, its words out.

pub(crate) mod alerts;
pub(crate) mod count;
pub(crate) mod entry;
pub(crate) mod error;
pub(crate) mod heads;
pub(crate) mod horizon;
pub(crate) mod machine;
pub(crate) mod machines;
pub(crate) mod month;
pub(crate) mod months;
pub(crate) mod order;
pub(crate) mod orders;
pub(crate) mod part;
pub(crate) mod people;
pub(crate) mod runs;
pub(crate) mod setup;
pub(crate) mod shelf;
mod sifted;
pub(crate) mod supply;
pub(crate) mod swap;
pub(crate) mod table;
pub(crate) mod tasks;
pub(crate) mod today;
pub(crate) mod trend;
pub(crate) mod units;

use std::fmt;

use askama::Template;
use axum::response::Html;
use jiff::Timestamp;
use jiff::civil::Date;
use jiff::tz::TimeZone;

use super::error::SiteError;
use super::source::Source;
use super::{assets, form, format};
use crate::actor::{self, Actor};
use crate::domain::access::Role;
use crate::domain::ids::DeviceId;
use crate::usecase::view::Device;

/// The parts of the site, as they stand in its head.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Section {
    Today,
    Machines,
    Shelf,
    Orders,
    Runs,
    Alerts,
    Months,
    Setup,
    /// A page that belongs to none.
    Elsewhere,
}

/// A link in the site's head.
pub(crate) struct Door {
    pub(crate) href: &'static str,
    pub(crate) word: &'static str,
    pub(crate) open: bool,
}

/// What every page has around its content.
pub(crate) struct Page {
    pub(crate) title: String,
    pub(crate) doors: Vec<Door>,
    pub(crate) now: Moment,
    pub(crate) notice: Option<String>,
    /// The token of forms that are no more than a button: one of them is sent from a page.
    pub(crate) once: String,
    /// Who is in.
    pub(crate) visitor: Option<Visitor>,
    /// Whether whoever is in may change nothing, so that no form need be shown.
    pub(crate) reads: bool,
    pub(crate) style: String,
    /// The script; none for somebody who still has to come in, and is told of no changes.
    pub(crate) script: Option<String>,
}

impl Page {
    pub(crate) fn new<S: Source>(source: &S, section: Section, title: impl Into<String>) -> Self {
        const DOORS: [(Section, &str, &str); 8] = [
            (Section::Today, "/", "Today"),
            (Section::Machines, "/machines", "Machines"),
            (Section::Shelf, "/shelf", "Shelf"),
            (Section::Orders, "/orders", "Orders"),
            (Section::Runs, "/runs/check", "Runs"),
            (Section::Alerts, "/alerts", "Alerts"),
            (Section::Months, "/months", "Months"),
            (Section::Setup, "/setup", "Set-up"),
        ];
        let door = |(leads, href, word)| Door { href, word, open: leads == section };
        let actor = actor::current();
        let person = actor.as_ref().filter(|actor| actor.id().is_some());
        // Somebody who still has to come in is shown no doors; a role is shown those that it opens.
        let opens = |leads| match (&actor, leads) {
            (None, _) => false,
            (Some(actor), Section::Setup) => actor.role() >= Role::Administrator,
            (Some(_), _) => true,
        };
        let visitor = |actor: &Actor| Visitor { name: actor.name().to_owned() };
        Self {
            title: title.into(),
            doors: DOORS.into_iter().filter(|(leads, ..)| opens(*leads)).map(door).collect(),
            once: form::fresh_token(),
            visitor: person.map(visitor),
            reads: person.is_some_and(|actor| actor.role() < Role::Operator),
            now: Moment::new(source.now(), &source.zone()),
            notice: source.notice().map(|notice| notice.text),
            style: assets::style_href(),
            script: actor.is_some().then(assets::script_href),
        }
    }
}

/// Somebody who is in.
pub(crate) struct Visitor {
    pub(crate) name: String,
}

/// A moment, for people and for `datetime`.
pub(crate) struct Moment {
    pub(crate) text: String,
    pub(crate) iso: String,
}

impl Moment {
    pub(crate) fn new(at: Timestamp, zone: &TimeZone) -> Self {
        Self { text: format::moment(at, zone), iso: format::machine_moment(at) }
    }
}

/// A day as an almanac prints it: the number large, weekday and month beside it.
pub(crate) struct AlmanacDay {
    pub(crate) iso: String,
    pub(crate) number: String,
    pub(crate) weekday: String,
    pub(crate) month: String,
    /// "today", "tomorrow", "3 days late"; empty for other days.
    pub(crate) note: String,
    /// Whether it is today or past.
    pub(crate) due: bool,
}

impl AlmanacDay {
    pub(crate) fn new(day: Date, today: Date) -> Self {
        let away = super::chart::axis::days_between(today, day);
        let note = match away {
            0 => "today".to_owned(),
            1 => "tomorrow".to_owned(),
            -1 => "1 day late".to_owned(),
            late if late < 0 => format!("{} days late", -i64::from(late)),
            _ => String::new(),
        };
        Self {
            iso: day.to_string(),
            number: day.day().to_string(),
            weekday: day.strftime("%a").to_string(),
            month: day.strftime(if day.year() == today.year() { "%b" } else { "%b %Y" }).to_string(),
            note,
            due: away <= 0,
        }
    }
}

/// A device that does not answer, as a sentence.
pub(crate) struct Silent {
    pub(crate) name: String,
    pub(crate) href: String,
    pub(crate) since: Moment,
    pub(crate) span: String,
    pub(crate) dark: bool,
    /// Whether it has not answered even once; `since` is then when it was added.
    pub(crate) never: bool,
    pub(crate) fault: String,
}

impl Silent {
    pub(crate) fn of(device: &Device, now: Timestamp, zone: &TimeZone) -> Option<Self> {
        device.silent.as_ref().map(|silence| Self {
            name: device.name.clone(),
            href: machine_href(device),
            since: Moment::new(silence.since, zone),
            span: format::span(silence.since, now),
            dark: silence.dark,
            never: device.last_answer_at.is_none(),
            fault: silence.fault.clone(),
        })
    }
}

/// A machine by its number in an address.
pub(crate) fn machine_of(id: &str) -> Result<DeviceId, SiteError> {
    let device = id.parse().ok().filter(|id: &i64| *id > 0).map(DeviceId);
    device.ok_or_else(|| no_machine(id))
}

/// That there is no machine of that number.
pub(crate) fn no_machine(id: impl fmt::Display) -> SiteError {
    SiteError::NoSuchMachine(id.to_string().chars().take(40).collect())
}

pub(crate) fn machine_href(device: &Device) -> String {
    format!("/machines/{}", device.id)
}

/// Renders a page.
pub(crate) fn html(template: &impl Template) -> Result<Html<String>, SiteError> {
    Ok(Html(template.render()?))
}
