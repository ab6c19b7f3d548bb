//! One supply: its course and its likely course, why the forecast says so, and every reading.

mod chart;
mod why;

use askama::Template;
use axum::Router;
use axum::extract::rejection::{PathRejection, QueryRejection};
use axum::extract::{Path, Query, State};
use axum::response::{Html, Redirect};
use axum::routing::get;
use jiff::Timestamp;
use jiff::civil::Date;
use jiff::tz::TimeZone;
use serde::Deserialize;

use self::chart::FanChart;
use super::alerts::AlertRow;
use super::machine::{SpanDoor, span, spans};
use super::orders::order_href;
use super::shelf::{day_in_full, part_href};
use super::units::{self, UnitRow};
use super::{Moment, Page, Section, html, machine_of, no_machine};
use crate::domain::account::{MonthUse, Verdict};
use crate::domain::ids::{DeviceId, SlotId, SupplyIndex};
use crate::domain::install::Arrival;
use crate::domain::life::is_past;
use crate::domain::outlook::Slot;
use crate::domain::reading::{Amount, Capacity, Role};
use crate::domain::standard::SupplyUnit;
use crate::domain::units::Measure;
use crate::site::chart::columns::{Bar, columns};
use crate::site::error::SiteError;
use crate::site::ink::Ink;
use crate::site::source::Source;
use crate::site::{format, words};
use crate::usecase::supply::Asked;
use crate::usecase::supply::view::{PartHeld, ReadingLine, SupplyView};

/// The span without a choice, days.
const USUAL_SPAN: u16 = 120;

#[derive(Debug, Deserialize)]
pub(crate) struct Wanted {
    days: Option<String>,
    before: Option<String>,
}

/// A reading in words.
struct ReadingRow {
    at: Moment,
    raw: String,
    taken: String,
    why: String,
}

/// What there is of a part, in words.
struct PartRow {
    number: String,
    href: String,
    label: String,
    held: String,
    ordered: Vec<(String, String)>,
    kept: String,
}

struct MonthRow {
    month: String,
    used: String,
    per_day: String,
    spread: String,
}

struct DayBar {
    bar: Bar,
    day: String,
}

#[derive(Template)]
#[template(path = "pages/supply.html")]
struct SupplyPage {
    page: Page,
    machine: String,
    machine_href: String,
    label: String,
    ink: Ink,
    filled: bool,
    level: String,
    ends: String,
    order: Option<String>,
    oddity: Option<&'static str>,
    alerts: Vec<AlertRow>,
    spans: Vec<SpanDoor>,
    fan: FanChart,
    why: Vec<String>,
    parts: Vec<PartRow>,
    inside: Option<String>,
    bars: Vec<DayBar>,
    bars_top: String,
    days: Vec<(String, String)>,
    months: Vec<MonthRow>,
    units: Vec<UnitRow>,
    units_href: String,
    /// Where a swap by the guide begins.
    swap_href: String,
    asked: usize,
    facts: Vec<(&'static str, String)>,
    readings: Vec<ReadingRow>,
    /// The day from which on every reading is kept.
    detail_from: Option<String>,
    /// The unit that all of them came in.
    came_in: Option<String>,
    older: Option<String>,
    newest: Option<String>,
}

pub(crate) async fn show<S: Source>(
    State(source): State<S>,
    address: Result<Path<(String, String)>, PathRejection>,
    asked: Result<Query<Wanted>, QueryRejection>,
) -> Result<Html<String>, SiteError> {
    let Path((id, index)) = address.map_err(|_| SiteError::NoSuchPage)?;
    let device = machine_of(&id)?;
    let index = index.parse().map(SupplyIndex).map_err(|_| SiteError::NoSuchPage)?;
    let Query(asked) = asked.map_err(|_| SiteError::NotASpan("?".to_owned()))?;
    let days = span(asked.days.as_deref(), USUAL_SPAN)?;
    let before = match asked.before.as_deref() {
        None => None,
        Some(text) => Some(moment(text).ok_or(SiteError::NoSuchPage)?),
    };
    let view = source.supply((device, index), Asked { days, before }).await?;
    let view = match view {
        Some(view) => view,
        None if source.units(device).await?.is_some() => return Err(SiteError::NoSuchPage),
        None => return Err(no_machine(device)),
    };
    let title = format!("{} of {}", view.slot.row.slot.label(), view.device.name);
    let page = Page::new(&source, Section::Machines, title);
    html(&SupplyPage::new(page, &view, (days, before), source.now(), &source.zone()))
}

/// Leads from a slot's own number to its page.
pub(crate) async fn door<S: Source>(
    State(source): State<S>,
    slot: Result<Path<i64>, PathRejection>,
) -> Result<Redirect, SiteError> {
    let Path(slot) = slot.map_err(|_| SiteError::NoSuchPage)?;
    let (device, index) = source.supply_of(SlotId(slot)).await?.ok_or(SiteError::NoSuchPage)?;
    Ok(Redirect::to(&address(device, index)))
}

/// The addresses of these pages.
pub(crate) fn routes<S: Source>() -> Router<S> {
    Router::new()
        .route("/machines/{id}/supplies/{index}", get(show::<S>))
        .route("/supplies/{slot}", get(door::<S>))
}

/// A moment as an address has it: microseconds since 1970.
fn moment(text: &str) -> Option<Timestamp> {
    text.parse().ok().and_then(|microseconds| Timestamp::from_microsecond(microseconds).ok())
}

/// The address of a supply's page.
pub(crate) fn supply_href(slot: &Slot) -> String {
    address(slot.device, slot.index)
}

/// The door to the page of a supply of which only the slot's own number is known.
pub(crate) fn door_href(slot: SlotId) -> String {
    format!("/supplies/{slot}")
}

fn address(device: DeviceId, index: SupplyIndex) -> String {
    format!("/machines/{device}/supplies/{index}")
}

impl SupplyPage {
    fn new(
        page: Page,
        view: &SupplyView,
        (span_days, before): (u16, Option<Timestamp>),
        now: Timestamp,
        zone: &TimeZone,
    ) -> Self {
        let slot = &view.slot.row.slot;
        let (href, machine) = (supply_href(slot), super::machine_href(&view.device));
        let said = view.said.as_ref();
        let measure = view.trend.measure;
        let (bars, bars_top) = bars(view, measure);
        let came_in = one_unit(&view.readings);
        Self {
            page,
            machine: view.device.name.clone(),
            label: slot.label(),
            ink: Ink::of(slot),
            filled: slot.role == Role::Filled,
            level: said.map_or_else(
                || "No level has been read yet".to_owned(),
                |said| format::capital(&format::level_in_full(&said.outlook.level, slot.role)),
            ),
            ends: why::ends(said, slot.role, view.today),
            order: why::order(said, slot.role, view.today),
            oddity: said.and_then(|said| said.outlook.level.oddity).map(format::oddity),
            alerts: view.alerts.iter().map(|line| AlertRow::of(line, now, zone)).collect(),
            spans: spans(&href, span_days),
            fan: FanChart::new(view, span_days, zone),
            why: why::grounds(said, slot.role, measure, view.today),
            parts: view.parts.iter().map(|part| part_row(part, view.today)).collect(),
            inside: inside(view),
            bars,
            bars_top,
            days: view
                .days
                .iter()
                .rev()
                .map(|(day, used)| (format::weekday(*day, view.today), format::rate(used.used, measure)))
                .collect(),
            months: view.months.iter().map(|month| month_row(month, measure)).collect(),
            units: view.slot.units.iter().map(|unit| units::row(&view.slot, unit, zone)).collect(),
            units_href: format!("{machine}/units#supply-{}", slot.id),
            swap_href: format!("{}/swap", supply_href(slot)),
            machine_href: machine,
            asked: view.slot.questions.len(),
            facts: units::facts(&view.slot, zone),
            readings: view.readings.iter().map(|line| reading_row(line, view, came_in, zone)).collect(),
            detail_from: view.detail_from.map(day_in_full),
            came_in: came_in.map(words::plain),
            older: view
                .older
                .map(|at| format!("{href}?days={span_days}&before={}#readings", at.as_microsecond())),
            newest: before.map(|_| format!("{href}?days={span_days}#readings")),
        }
    }
}

/// The last days as columns, and what the plot's top is worth.
fn bars(view: &SupplyView, measure: Measure) -> (Vec<DayBar>, String) {
    let Some((&first, _)) = view.days.first_key_value() else { return (Vec::new(), String::new()) };
    let days: Vec<Date> = std::iter::successors(Some(first), |day| day.tomorrow().ok())
        .take_while(|day| *day <= view.today)
        .collect();
    let used: Vec<f64> = days.iter().map(|day| view.days.get(day).map_or(0.0, |used| used.used)).collect();
    let (bars, top) = columns(&used);
    let last = days.len().saturating_sub(1);
    let label = |n: usize, day: Date| {
        if (last - n).is_multiple_of(7) { format::day(day, view.today) } else { String::new() }
    };
    let bars = bars.into_iter().zip(days).enumerate();
    (bars.map(|(n, (bar, day))| DayBar { bar, day: label(n, day) }).collect(), format::amount(top, measure))
}

fn month_row(month: &MonthUse, measure: Measure) -> MonthRow {
    let used = &month.used;
    let none = |amount: f64| if amount > 0.0 { format::amount(amount, measure) } else { String::new() };
    MonthRow {
        month: month.month.name(),
        used: format::amount(used.used, measure),
        per_day: month.per_working_day().map_or_else(String::new, |rate| format::rate(rate, measure)),
        spread: none(used.spread),
    }
}

fn inside(view: &SupplyView) -> Option<String> {
    let unit = view.inside.as_ref()?;
    let until = match unit.good_until() {
        Some(until) if is_past(Some(until), view.today) => {
            format!("it is past its date, {}", format::day(until, view.today))
        }
        Some(until) => {
            let middle = view.said.as_ref().and_then(|said| said.outlook.forecast.horizon());
            let late = middle.is_some_and(|horizon| horizon.middle > until);
            let late = if late { ", and will likely not be used up by then" } else { "" };
            format!("it is good until {}{late}", format::day(until, view.today))
        }
        None => "it does not spoil".to_owned(),
    };
    Some(format!("{}, made {}: {until}.", unit.part, unit.made_on.strftime("%b %Y")))
}

fn part_row(held: &PartHeld, today: Date) -> PartRow {
    let lots: Vec<String> = held
        .lots
        .iter()
        .map(|(lot, until)| {
            let used = if lot.left_over.is_some() { ", part-used" } else { "" };
            let until = match until {
                Some(until) if is_past(Some(*until), today) => ", past its date".to_owned(),
                Some(until) => format!(", put it in by {}", day_in_full(*until)),
                None => String::new(),
            };
            format!("{} made {} on {}{used}{until}", lot.units, day_in_full(lot.made_on), lot.place)
        })
        .collect();
    let ordered = held.coming.iter().map(|(units, coming)| {
        let expected = coming
            .expected_on
            .map_or_else(String::new, |day| format!(", expected {}", format::weekday(day, today)));
        (format!("{units} on order{expected}"), order_href(coming.order))
    });
    PartRow {
        number: held.part.number.clone(),
        href: part_href(&held.part.number),
        label: held.part.label(),
        held: if lots.is_empty() { "None on the shelf".to_owned() } else { lots.join("; ") },
        ordered: ordered.collect(),
        kept: held.part.kept().to_owned(),
    }
}

/// The unit that all readings came in; a device that is set up anew may change it.
fn one_unit(readings: &[ReadingLine]) -> Option<&SupplyUnit> {
    let unit = &readings.first()?.unit;
    readings.iter().all(|line| line.unit == *unit).then_some(unit)
}

fn reading_row(
    line: &ReadingLine,
    view: &SupplyView,
    came_in: Option<&SupplyUnit>,
    zone: &TimeZone,
) -> ReadingRow {
    let (slot, account) = (&view.slot.row.slot, &line.account);
    let capacity = match view.trend.capacity {
        Capacity::Known(capacity) if slot.role == Role::Filled => Some(capacity),
        _ => None,
    };
    let amount = |left: f64, measure| match capacity {
        Some(capacity) => format!("{} full", format::amount(capacity - left, measure)),
        None => format!("{} left", format::amount(left, measure)),
    };
    let (taken, why) = match account.verdict {
        Verdict::Believed(left, measure) if account.asked => {
            (amount(left, measure), "taken as used; it is asked whether it was a swap")
        }
        Verdict::Believed(left, measure) => (amount(left, measure), ""),
        Verdict::NewUnit(arrival, left, measure) => (amount(left, measure), new_unit(arrival)),
        Verdict::LastOfDay(left, measure) => (amount(left, measure), "the last of its day"),
        Verdict::Waits => ("not yet".to_owned(), "it is far from the level before, and has to last first"),
        Verdict::LeftOut => ("left out".to_owned(), "it was far from the level before, and did not last"),
        Verdict::NoFigure(Amount::SomeLeft) => {
            ("no figure".to_owned(), "the device says only that some is left")
        }
        Verdict::NoFigure(Amount::Unlimited) => ("no figure".to_owned(), "the device sets no limit"),
        Verdict::NoFigure(_) => ("no figure".to_owned(), "the device does not say"),
        Verdict::Odd(oddity) => ("not believed".to_owned(), format::oddity(oddity)),
    };
    ReadingRow {
        at: Moment::new(line.at, zone),
        raw: match came_in {
            Some(_) => format!("{} of {}", line.level, line.max_capacity),
            None => format!("{} of {}, {}", line.level, line.max_capacity, words::plain(&line.unit)),
        },
        taken,
        why: why.to_owned(),
    }
}

fn new_unit(arrival: Arrival) -> &'static str {
    match arrival {
        Arrival::Found => "the first level that was followed",
        Arrival::Risen => "a new unit: it rose further than a level can, and stayed",
        Arrival::Resized => "a new unit: what it holds is another",
        Arrival::Fallen => "a new unit: it fell faster than printing can, and stayed",
        Arrival::Renamed => "a new unit: its name is another, and the level rose",
    }
}
