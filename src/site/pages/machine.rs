//! One machine: what it holds, how it got there, and what it says of itself.

mod used;

use askama::Template;
use axum::extract::rejection::{PathRejection, QueryRejection};
use axum::extract::{Path, Query, State};
use axum::response::Html;
use jiff::Timestamp;
use jiff::civil::Date;
use jiff::tz::TimeZone;
use serde::Deserialize;

use self::used::Used;
use super::alerts::AlertRow;
use super::heads::HeadRow;
use super::horizon::HorizonChart;
use super::trend::{Frame, TrendChart};
use super::{Moment, Page, Section, Silent, html, machine_href, machine_of, no_machine};
use crate::domain::alert::said::ours;
use crate::domain::life::{UnitInside, is_past};
use crate::domain::snapshot::{Marker, MediaInput};
use crate::site::chart::axis::TimeAxis;
use crate::site::error::SiteError;
use crate::site::source::Source;
use crate::site::{climate, format, power, words};
use crate::usecase::view::{Device, MachineView, StandingAlert};

/// The spans that can be chosen, days.
const SPANS: [u16; 4] = [7, 30, 120, 365];
/// The span without a choice, days.
const USUAL_SPAN: u16 = 30;

/// So many units that went in last are shown.
const SHOWN_UNITS: usize = 12;

#[derive(Debug, Deserialize)]
pub(crate) struct Asked {
    days: Option<String>,
}

pub(crate) struct SpanDoor {
    pub(crate) days: u16,
    pub(crate) href: String,
    pub(crate) open: bool,
}

struct StandingRow {
    severity: String,
    code: String,
    text: String,
    training: Option<&'static str>,
    since: Moment,
    /// The page of the alert of ours that it comes to.
    ours: Option<String>,
}

struct MediaRow {
    name: String,
    media: String,
    width: String,
    left: String,
}

/// A unit that is in the machine.
struct UnitRow {
    ink: String,
    text: String,
}

struct Fact {
    term: &'static str,
    text: String,
}

#[derive(Template)]
#[template(path = "pages/machine.html")]
struct MachinePage {
    page: Page,
    name: String,
    about: String,
    state: String,
    errors: Vec<String>,
    needs_person: bool,
    silent: Option<Silent>,
    answered: Option<Moment>,
    chart: HorizonChart,
    spans: Vec<SpanDoor>,
    span_days: u16,
    trends: Vec<TrendChart>,
    used: Used,
    gaps: Vec<(Moment, Moment, String)>,
    standing: Vec<StandingRow>,
    open: Vec<AlertRow>,
    cleared: Vec<AlertRow>,
    heads: Vec<HeadRow>,
    heads_href: String,
    check_href: String,
    units: Vec<UnitRow>,
    power: Option<String>,
    climate: Option<String>,
    media: Vec<MediaRow>,
    lately: Vec<super::units::UnitRow>,
    units_href: String,
    asked: usize,
    facts: Vec<Fact>,
}

pub(crate) async fn show<S: Source>(
    State(source): State<S>,
    id: Result<Path<String>, PathRejection>,
    asked: Result<Query<Asked>, QueryRejection>,
) -> Result<Html<String>, SiteError> {
    let Path(id) = id.map_err(|_| SiteError::NoSuchPage)?;
    let device = machine_of(&id)?;
    let Query(asked) = asked.map_err(|_| SiteError::NotASpan("?".to_owned()))?;
    let span_days = span(asked.days.as_deref(), USUAL_SPAN)?;
    let view = source.machine(device, span_days).await?.ok_or_else(|| no_machine(device))?;
    let page = Page::new(&source, Section::Machines, view.device.name.clone());
    html(&MachinePage::new(page, &view, span_days, source.now(), source.zone()))
}

/// The ways to other spans of a page.
pub(crate) fn spans(href: &str, open: u16) -> Vec<SpanDoor> {
    let door = |days| SpanDoor { days, href: format!("{href}?days={days}#course"), open: days == open };
    SPANS.map(door).into()
}

pub(crate) fn span(asked: Option<&str>, usual: u16) -> Result<u16, SiteError> {
    let Some(asked) = asked else { return Ok(usual) };
    let known = asked.parse().ok().filter(|days| SPANS.contains(days));
    known.ok_or_else(|| SiteError::NotASpan(asked.chars().take(20).collect()))
}

impl MachinePage {
    fn new(page: Page, view: &MachineView, span_days: u16, now: Timestamp, zone: TimeZone) -> Self {
        let device = &view.device;
        let alerts: Vec<AlertRow> = view.alerts.iter().map(|line| AlertRow::of(line, now, &zone)).collect();
        let (open, cleared) = alerts.into_iter().partition(|row| row.cleared.is_none());
        Self {
            page,
            name: device.name.clone(),
            about: about(device),
            state: format::capital(&words::state(device)),
            errors: words::errors(device.errors),
            needs_person: device.errors.needs_person(),
            silent: Silent::of(device, now, &zone),
            answered: device.last_answer_at.map(|at| Moment::new(at, &zone)),
            chart: HorizonChart::new(&view.lines, view.today, false),
            spans: spans(&machine_href(device), span_days),
            span_days,
            gaps: gaps(view, &zone),
            standing: view.standing.iter().map(|row| standing(row, view, &zone)).collect(),
            open,
            cleared,
            heads: view.heads.iter().map(|line| HeadRow::of(line, view.today)).collect(),
            heads_href: format!("{}/heads", machine_href(device)),
            check_href: format!("/runs/check?machine={}", device.id),
            units: view.units.iter().map(|(ink, unit)| unit_row(ink, unit, view.today)).collect(),
            power: power::words(&view.availability),
            climate: view.climate.as_ref().map(|report| climate::words(report, &view.comfort, now, &zone)),
            media: view.media.iter().map(media).collect(),
            lately: lately(view, &zone),
            units_href: format!("{}/units", machine_href(device)),
            asked: view.went_in.open(),
            facts: facts(device, &view.markers, &zone),
            used: Used::of(view),
            trends: trends(view, span_days, zone),
        }
    }
}

fn about(device: &Device) -> String {
    [&device.model, &device.location].into_iter().flatten().cloned().collect::<Vec<_>>().join(" · ")
}

fn trends(view: &MachineView, span_days: u16, zone: TimeZone) -> Vec<TrendChart> {
    let axis = TimeAxis::new(view.from, view.to, zone.clone());
    let frame = Frame { axis, zone, gaps: &view.gaps, span: format!("the last {span_days} days") };
    let chart = |trend: &crate::usecase::view::Trend| {
        let line = view.lines.iter().find(|line| line.outlook.slot.id == trend.slot.id);
        TrendChart::new(trend, line.map(|line| &line.outlook), &frame)
    };
    view.trends.iter().map(chart).collect()
}

/// The units that went in last.
fn lately(view: &MachineView, zone: &TimeZone) -> Vec<super::units::UnitRow> {
    let all = view.went_in.slots.iter().flat_map(|slot| slot.units.iter().map(move |unit| (slot, unit)));
    let mut all: Vec<_> = all.collect();
    all.sort_by_key(|(_, unit)| std::cmp::Reverse(unit.install.from));
    all.iter().take(SHOWN_UNITS).map(|(slot, unit)| super::units::row(slot, unit, zone)).collect()
}

fn gaps(view: &MachineView, zone: &TimeZone) -> Vec<(Moment, Moment, String)> {
    let gap = |(from, to): &(Timestamp, Timestamp)| {
        (Moment::new(*from, zone), Moment::new(*to, zone), format::span(*from, *to))
    };
    view.gaps.iter().rev().map(gap).collect()
}

fn standing(row: &StandingAlert, view: &MachineView, zone: &TimeZone) -> StandingRow {
    let alert = &row.alert;
    let slots = || view.lines.iter().map(|line| &line.outlook.slot);
    let slot_of = |index| slots().find(|slot| slot.index.0 == index).map(|slot| slot.id);
    let ours = ours(alert, view.device.id, view.alerts.iter().map(|line| &line.alert), slot_of);
    StandingRow {
        severity: words::severity(alert.severity),
        code: format::capital(&words::plain(&alert.code)),
        text: alert.description.clone(),
        training: words::training(alert.training),
        since: Moment::new(row.since, zone),
        ours: ours.map(|id| format!("/alerts/{id}")),
    }
}

fn unit_row(ink: &str, unit: &UnitInside, today: Date) -> UnitRow {
    let until = match unit.good_until() {
        Some(until) if is_past(Some(until), today) => {
            format!("past its date, {}", format::day(until, today))
        }
        Some(until) => format!("good until {}", format::day(until, today)),
        None => "does not spoil".to_owned(),
    };
    let text = format!("{}, made {}; {until}", unit.part, unit.made_on.strftime("%b %Y"));
    UnitRow { ink: ink.to_owned(), text }
}

fn media(input: &MediaInput) -> MediaRow {
    MediaRow {
        name: words::input(input),
        media: input.media.clone().filter(|media| !media.is_empty()).unwrap_or_else(|| "not told".to_owned()),
        width: words::media_width(input).unwrap_or_default(),
        left: words::media_left(input).unwrap_or_else(|| "not told".to_owned()),
    }
}

/// What is known and rarely changes; what a machine does not tell is left out.
fn facts(device: &Device, markers: &[Marker], zone: &TimeZone) -> Vec<Fact> {
    let mut facts = Vec::new();
    let mut fact = |term, text: Option<String>| {
        if let Some(text) = text.filter(|text| !text.is_empty()) {
            facts.push(Fact { term, text });
        }
    };
    for marker in markers {
        let counted = |count: u32| format!("{} {}", format::count(count.into()), words::counter_unit(marker));
        fact("Life count", marker.life_count.map(counted));
        fact("Since it was switched on", marker.power_on_count.map(counted));
    }
    fact("Running since", device.up_since.map(|at| format::moment(at, zone)));
    fact("Cost centre", device.cost_centre.clone());
    fact("Serial number", device.serial.clone());
    fact("Address", Some(device.address.clone()));
    fact("Asked by", Some(format!("SNMP {}", device.snmp)));
    facts
}
