//! What crossed a rule: open, and cleared.

pub(crate) mod feeds;
pub(crate) mod one;
pub(crate) mod rules;
pub(crate) mod told;

use askama::Template;
use axum::Router;
use axum::extract::{RawQuery, State};
use axum::response::Html;
use axum::routing::{get, post};
use jiff::Timestamp;
use jiff::tz::TimeZone;

use super::sifted::{Address, Turn};
use super::supply::door_href;
use super::{Moment, Page, Section, html};
use crate::domain::alert::{Alert, Stage, Subject};
use crate::site::error::SiteError;
use crate::site::form::Fields;
use crate::site::source::Source;
use crate::site::{format, words};
use crate::usecase::alert_pages::{AlertsAsked, OPEN_A_PAGE};
use crate::usecase::view::AlertLine;

/// The pages and forms about alerts.
pub(crate) fn routes<S: Source>() -> Router<S> {
    Router::new()
        .route("/alerts", get(show::<S>))
        .route("/alerts/told", get(told::show::<S>))
        .route("/alerts/told/{form}", post(told::take::<S>))
        .route("/alerts/rules", get(rules::list::<S>))
        .route("/alerts/rules/{rule}", get(rules::show::<S>))
        .route("/alerts/rules/{rule}/{form}", post(rules::take::<S>))
        .route("/alerts/feeds", get(feeds::show::<S>))
        .route("/alerts/feeds/{form}", post(feeds::take::<S>))
        .route("/feeds/{secret}/{file}", get(feeds::file::<S>))
        .route("/alerts/{id}", get(one::show::<S>))
        .route("/alerts/{id}/{answer}", post(one::answer::<S>))
}

/// An alert of ours, as a line.
pub(crate) struct AlertRow {
    pub(crate) rule: &'static str,
    pub(crate) grade: &'static str,
    pub(crate) summary: String,
    /// Its own page.
    pub(crate) href: String,
    /// What it is about: words, and the page of that.
    pub(crate) about: String,
    pub(crate) about_href: String,
    pub(crate) opened: Moment,
    pub(crate) cleared: Option<Moment>,
    /// How long it has been open, or was.
    pub(crate) lasted: String,
    /// Where it stands, while it is open.
    pub(crate) stage: String,
    /// What follows from it.
    pub(crate) folded: Vec<AlertRow>,
}

impl AlertRow {
    pub(crate) fn of(line: &AlertLine, now: Timestamp, zone: &TimeZone) -> Self {
        let alert = &line.alert;
        let (about, about_href) = about(line);
        Self {
            rule: words::rule(alert.rule),
            grade: alert.grade.word(),
            summary: alert.summary.clone(),
            href: format!("/alerts/{}", alert.id),
            about,
            about_href,
            opened: Moment::new(alert.opened_at, zone),
            cleared: alert.cleared_at.map(|at| Moment::new(at, zone)),
            lasted: format::span(alert.opened_at, alert.cleared_at.unwrap_or(now)),
            stage: stage(alert, now, zone),
            folded: Vec::new(),
        }
    }
}

/// What an alert is about, in words, and the page of that.
fn about(line: &AlertLine) -> (String, String) {
    let device = line.device_name.clone().unwrap_or_default();
    match (line.alert.subject, &line.slot_label) {
        (Subject::Device(id), _) => (device, format!("/machines/{id}")),
        (Subject::Slot(_, slot), label) => {
            let label = label.clone().unwrap_or_default();
            (format!("{device}, {label}"), door_href(slot))
        }
        (Subject::Head(id, place), _) => (format!("{device}, head {place}"), format!("/machines/{id}")),
        (Subject::Part(_), _) => {
            let number = line.part_number.clone().unwrap_or_default();
            let href = super::shelf::part_href(&number);
            (number, href)
        }
    }
}

/// Where an open alert stands, in words: "told", "seen by Ada, put off until …".
fn stage(alert: &Alert, now: Timestamp, zone: &TimeZone) -> String {
    let seen = alert.seen.as_ref().map(|seen| format!("seen by {}", seen.by)).unwrap_or_default();
    match (alert.stage(now), alert.snoozed_until) {
        (Stage::Snoozed, Some(until)) => format!("{seen}, put off until {}", format::moment(until, zone)),
        (Stage::Seen, _) => seen,
        (Stage::Told, _) => "told, not seen yet".to_owned(),
        (Stage::Opened, _) if alert.folded => "follows from another".to_owned(),
        (Stage::Opened | Stage::Snoozed, _) => "not seen yet".to_owned(),
        (Stage::Cleared, _) => String::new(),
    }
}

#[derive(Template)]
#[template(path = "pages/alerts.html")]
struct AlertsPage {
    page: Page,
    heading: String,
    find: String,
    beside: Vec<(&'static str, String)>,
    /// Whether so many are open that one looks for them.
    many: bool,
    open: Vec<AlertRow>,
    turn: Turn,
    cleared: Vec<AlertRow>,
    /// The pages of older and of newer ones.
    older: Option<String>,
    newer: Option<String>,
    nobody_told: bool,
}

/// What an address asks for; what makes no sense asks for the first page.
pub(crate) fn read(fields: &Fields) -> (AlertsAsked, Address) {
    let find: String = fields.get("find").chars().take(100).collect();
    let cleared = fields.get("cleared").parse().ok().filter(|number| (1..=1_000_000).contains(number));
    let page = fields.get("page").parse().unwrap_or(1);
    let asked = [
        ("find", find.clone()),
        ("page", if page > 1 { page.to_string() } else { String::new() }),
        ("cleared", cleared.map_or_else(String::new, |number: u32| number.to_string())),
    ];
    (AlertsAsked { find, page, cleared: cleared.unwrap_or(1) }, Address::new("/alerts", asked.into()))
}

pub(crate) async fn show<S: Source>(
    State(source): State<S>,
    RawQuery(query): RawQuery,
) -> Result<Html<String>, SiteError> {
    let (asked, address) = read(&Fields::of_query(query.as_deref()));
    let view = source.alerts(&asked).await?;
    let (now, zone) = (source.now(), source.zone());
    let row = |line: &AlertLine| AlertRow::of(line, now, &zone);
    let heading = match view.open_in_all {
        0 => "No alert is open".to_owned(),
        1 => "One alert is open".to_owned(),
        n => format::capital(&format!("{} alerts are open", format::number_word(n))),
    };
    let group = |group: &crate::usecase::view::AlertGroup| AlertRow {
        folded: group.folded.iter().map(row).collect(),
        ..row(&group.head)
    };
    let number = asked.cleared;
    let href = |number: u32| format!("{}#cleared", address.with("cleared", &number.to_string()).href());
    html(&AlertsPage {
        page: Page::new(&source, Section::Alerts, "Alerts"),
        heading,
        beside: address.beside(&["find"]),
        many: view.open.in_all > OPEN_A_PAGE || !asked.find.is_empty(),
        open: view.open.lines.iter().map(group).collect(),
        turn: address.turn(&view.open, "Open alerts", OPEN_A_PAGE),
        find: asked.find,
        cleared: view.cleared.iter().map(row).collect(),
        older: view.cleared_go_on.then(|| href(number + 1)),
        newer: (number > 1).then(|| href(number - 1)),
        nobody_told: !view.anybody_told,
    })
}
