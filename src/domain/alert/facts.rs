//! What is the case at every device and on the shelf, as the rules see it.

use std::collections::BTreeMap;

use jiff::civil::Date;
use jiff::{SignedDuration, Timestamp};

use super::life::{Condition, Standing};
use super::ruleset::{Place, RuleSet};
use super::walk::level_figure;
use super::{Rule, Subject};
use crate::domain::advice::{asks_for_swap, lower_first, short};
use crate::domain::calendar::Calendar;
use crate::domain::head::{Head, HeadOutlook};
use crate::domain::ids::{DeviceId, SlotId};
use crate::domain::life::{Warranty, good_until};
use crate::domain::outlook::{Outlook, Present, Slot};
use crate::domain::reading::{Amount, Role};
use crate::domain::shelf::Stock;
use crate::domain::snapshot::DeviceAlert;
use crate::domain::standard::{AlertGroup, DetectedErrors};
use crate::domain::task::{Task, TaskKind};

mod words;

use words::forecast_summary;
pub use words::level_summary;

/// The rules that [`conditions`] speaks of. Darkness is told with the polls themselves, moment by moment.
pub const JUDGED: [Rule; 12] = [
    Rule::PollFailing,
    Rule::DeviceError,
    Rule::ReplaceNow,
    Rule::SwapDue,
    Rule::RunOut,
    Rule::WasteOrderPoint,
    Rule::OrderBy,
    Rule::LowSupply,
    Rule::HeadWarranty,
    Rule::StockDate,
    Rule::Stale,
    Rule::ForecastOff,
];

/// Days of use that are held against what a forecast goes by.
pub const RECENT_DAYS: u32 = 7;
/// Use of fewer hundredths of what a supply holds over those days says nothing about its forecast.
const RECENT_LEAST: f64 = 0.05;

/// What is known of one device.
#[derive(Debug, Clone)]
pub struct DeviceFacts {
    /// Its identity.
    pub id: DeviceId,
    /// Its name.
    pub name: String,
    /// Its site's number.
    pub site: i64,
    /// Its model, as it names it.
    pub model: Option<String>,
    /// The last poll; when it was added, if it was never polled.
    pub last_poll_at: Timestamp,
    /// Since when it has been silent, if the last poll failed.
    pub silent_since: Option<Timestamp>,
    /// What it detected at its last answer.
    pub errors: DetectedErrors,
    /// What it complained of at its last answer.
    pub complaints: Vec<DeviceAlert>,
    /// Its supplies.
    pub supplies: Vec<SupplyFacts>,
    /// Its print heads.
    pub heads: Vec<HeadFacts>,
}

/// What is known of one supply.
#[derive(Debug, Clone)]
pub struct SupplyFacts {
    /// What is said of it.
    pub outlook: Outlook,
    /// When it last stood in an answer.
    pub seen_at: Timestamp,
    /// Use per day over the last [`RECENT_DAYS`] finished days, in the level's measure.
    pub recent_use: f64,
}

/// What is known of one print head.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct HeadFacts {
    /// Its place in the device, from 1.
    pub place: u8,
    /// The day on which its warranty ends, by its date or by the ink through it, whichever comes first.
    pub warranty_ends: Option<Date>,
}

/// What is known of the whole print room.
#[derive(Debug, Clone, Copy)]
pub struct Room<'a> {
    /// Every device that is watched.
    pub devices: &'a [DeviceFacts],
    /// What lies on the shelf.
    pub shelf: &'a [Stock],
    /// What people are asked to do.
    pub tasks: &'a [Task],
    /// The alerts that are open.
    pub open: &'a [Standing],
    /// Now.
    pub present: &'a Present,
    /// The days on which nobody works.
    pub calendar: &'a Calendar,
    /// The rules as they hold.
    pub rules: &'a RuleSet,
}

/// Every rule of [`JUDGED`] at every subject.
#[must_use]
pub fn conditions(room: &Room<'_>) -> Vec<Condition> {
    let mut all = Vec::new();
    let orders = next_orders(room.tasks);
    for device in room.devices {
        device_conditions(room, device, &mut all);
        for supply in &device.supplies {
            let order = orders.get(&supply.outlook.slot.id).copied();
            supply_conditions(room, device, (supply, order), &mut all);
        }
        for head in &device.heads {
            all.push(head_condition(room, device, head));
        }
    }
    all.extend(room.shelf.iter().filter_map(|stock| stock_condition(room, stock)));
    all
}

/// Of each slot, the order for it that is due first.
#[must_use]
pub fn next_orders(tasks: &[Task]) -> BTreeMap<SlotId, &Task> {
    let mut next: BTreeMap<SlotId, &Task> = BTreeMap::new();
    for task in tasks.iter().filter(|task| task.kind == TaskKind::Order) {
        let Some(slot) = task.slot else { continue };
        let known = next.entry(slot).or_insert(task);
        if task.due < known.due {
            *known = task;
        }
    }
    next
}

/// A condition at a device, with the scopes that it lies in.
fn at(device: &DeviceFacts, rule: Rule, subject: Subject, figure: Option<f64>, summary: String) -> Condition {
    Condition { rule, subject, site: Some(device.site), model: device.model.clone(), figure, summary }
}

pub(super) fn said(is_so: bool) -> f64 {
    f64::from(u8::from(is_so))
}

/// A length of time in hours.
#[must_use]
pub fn hours(span: SignedDuration) -> f64 {
    span.as_secs_f64() / 3600.0
}

/// A length of time in a summary: "3 hours", "1 hour".
fn hours_words(hours: f64) -> String {
    let whole = hours.floor().max(0.0);
    format!("{whole:.0} hour{}", if whole == 1.0 { "" } else { "s" })
}

fn device_conditions(room: &Room<'_>, device: &DeviceFacts, all: &mut Vec<Condition>) {
    let (now, zone) = (room.present.now, &room.present.zone);
    let subject = Subject::Device(device.id);
    let silent = device.silent_since.map_or(0.0, |since| hours(room.calendar.open_time(since, now, zone)));
    let summary = format!("{} has not answered for {}", device.name, hours_words(silent));
    all.push(at(device, Rule::PollFailing, subject, Some(silent), summary));

    // A supply that has run out is told by itself, with what to do about it.
    let errors = errors_to_see_to(device.errors, &device.complaints);
    let labels: Vec<String> = errors.labels().map(|label| label.replace('_', " ")).collect();
    let summary = format!("{} needs somebody: {}", device.name, labels.join(", "));
    let needs = device.silent_since.is_none().then(|| said(errors.needs_person()));
    all.push(at(device, Rule::DeviceError, subject, needs, summary));

    let unpolled = hours(now.duration_since(device.last_poll_at));
    let summary = format!("{} has not been asked for {}", device.name, hours_words(unpolled));
    all.push(at(device, Rule::Stale, subject, Some(unpolled), summary));
}

fn supply_conditions(
    room: &Room<'_>,
    device: &DeviceFacts,
    (supply, order): (&SupplyFacts, Option<&Task>),
    all: &mut Vec<Condition>,
) {
    let outlook = &supply.outlook;
    let (slot, today) = (&outlook.slot, room.present.today());
    let subject = Subject::Slot(device.id, slot.id);
    let answers = device.silent_since.is_none();
    let label = slot.label();
    let mut add = |rule, figure: Option<f64>, summary| {
        all.push(at(device, rule, subject, figure.filter(|_| answers), summary));
    };
    if let Some(fraction) = outlook.level.fraction() {
        let (rule, figure) = level_figure(slot.role, fraction);
        add(rule, Some(figure), level_summary(slot, fraction, &device.name));
    } else {
        add(super::walk::level_rule(slot.role), None, String::new());
    }

    let (figure, summary) = replace_now(device, supply);
    add(Rule::ReplaceNow, figure, summary);

    let ahead = forecast_figure(room, outlook);
    let middle = outlook.forecast.horizon().map_or(today, |horizon| horizon.middle);
    add(Rule::RunOut, ahead, forecast_summary(slot, middle, &device.name));
    add(
        Rule::SwapDue,
        swap_due(room, device, subject),
        format!("{label} of {} should have been swapped by now", device.name),
    );

    if slot.role == Role::Consumed {
        let figure = order.map_or(f64::INFINITY, |task| days_between(today, task.due));
        let summary = order.map_or_else(String::new, |task| format!("{}, by {}", task.what, short(task.due)));
        add(Rule::OrderBy, Some(figure), summary);
    }

    let missing = hours(room.present.now.duration_since(supply.seen_at));
    let summary = format!(
        "{label} of {} has not been read for {}, though the machine answers",
        device.name,
        hours_words(missing)
    );
    add(Rule::Stale, Some(missing), summary);

    let figure = use_off(supply.recent_use, outlook.daily_use, outlook.level.capacity.known());
    let summary = format!(
        "{label} of {} goes {:.1} times as fast as its forecast goes by",
        device.name,
        figure.unwrap_or_default()
    );
    add(Rule::ForecastOff, figure, summary);
}

/// What a device detected, as far as the rule about it speaks of that: of a supply that is out, only where no row of
/// the device's own alert table asks for another.
pub(super) fn errors_to_see_to<'a>(
    errors: DetectedErrors,
    complaints: impl IntoIterator<Item = &'a DeviceAlert>,
) -> DetectedErrors {
    let asks = complaints.into_iter().any(|complaint| asks_for_swap(complaint.code));
    if asks { errors.without_supplies_out() } else { errors }
}

/// Whether a row of a device's own alert table asks for another unit in a slot.
#[must_use]
pub fn asks_for(slot: &Slot, complaint: &DeviceAlert) -> bool {
    complaint.group == AlertGroup::MarkerSupplies
        && complaint.group_index == slot.index.0
        && asks_for_swap(complaint.code)
}

/// Whether the device itself says that a supply has to be replaced: it is believed over any forecast. A level of
/// nothing left, or no room left, says the same.
fn replace_now(device: &DeviceFacts, supply: &SupplyFacts) -> (Option<f64>, String) {
    let slot = &supply.outlook.slot;
    let asked = device.complaints.iter().find(|complaint| asks_for(slot, complaint));
    let nothing = supply.outlook.level.remaining.measured().map(|left| left <= 0.0);
    let label = slot.label();
    let summary = match (asked, slot.role) {
        (Some(asked), _) => {
            let says = asked.code.to_string().replace("marker_", "").replace('_', " ");
            format!("{} asks for a new {}: {says}", device.name, lower_first(&label))
        }
        (None, Role::Consumed) => format!("{label} of {} is empty", device.name),
        (None, Role::Filled) => format!("{label} of {} is full", device.name),
    };
    match (asked, nothing) {
        (Some(_), _) => (Some(1.0), summary),
        (None, Some(nothing)) => (Some(said(nothing)), summary),
        (None, None) => (None, summary),
    }
}

/// Working days from today to the middle of the forecast.
fn forecast_figure(room: &Room<'_>, outlook: &Outlook) -> Option<f64> {
    let today = room.present.today();
    match (outlook.forecast.horizon(), outlook.level.remaining) {
        (Some(horizon), _) => Some(working_days(room.calendar, today, horizon.middle)),
        // A level without a date has no end in sight.
        (None, Amount::Measured(_) | Amount::Unlimited) => Some(f64::INFINITY),
        (None, Amount::SomeLeft | Amount::Unknown) => None,
    }
}

/// How many days have passed since the day by which a swap was due: the one on which the device asked for it, or
/// the one on which an alert said that the supply would end.
fn swap_due(room: &Room<'_>, device: &DeviceFacts, subject: Subject) -> Option<f64> {
    let since = |rule| {
        let open = room.open.iter().find(|open| open.rule == rule && open.subject == subject)?;
        Some(room.present.date(open.opened_at))
    };
    let place = Place { subject, site: Some(device.site), model: device.model.as_deref() };
    let ahead = room.rules.at(Rule::RunOut, &place).open_at;
    let foretold = since(Rule::RunOut).map(|day| (day, ahead));
    Some(days_late(since(Rule::ReplaceNow), foretold, room.present.today(), room.calendar))
}

/// How many days a swap is late: since the day on which the device asked for it, or since the working day on which the
/// supply would have ended, as it was said on a day, so many working days ahead. Before that, or where neither was
/// said, less than nothing.
pub(super) fn days_late(
    asked: Option<Date>,
    foretold: Option<(Date, f64)>,
    today: Date,
    calendar: &Calendar,
) -> f64 {
    let asked = asked.map(|day| days_between(day, today));
    let foretold = foretold.map(|(day, ahead)| working_days(calendar, day, today) - ahead);
    [asked, foretold].into_iter().flatten().fold(f64::NEG_INFINITY, f64::max)
}

/// How many times as fast as its forecast goes by a supply has gone of late; `None` where that is not known. Where too
/// little went to say, it is taken to hold. All in one measure, use per day.
pub(super) fn use_off(recent_use: f64, daily_use: Option<f64>, capacity: Option<f64>) -> Option<f64> {
    let daily = daily_use.filter(|daily| *daily > 0.0)?;
    if recent_use * f64::from(RECENT_DAYS) < RECENT_LEAST * capacity? {
        return Some(0.0);
    }
    Some(recent_use / daily)
}

/// The day on which a head's warranty ends, as far as the rule about it goes. A warranty that is over already warns of
/// nothing: it is told while something can still be done.
#[must_use]
pub fn warranty_day(head: &Head, said: &HeadOutlook, today: Date) -> Option<Date> {
    match Warranty::of(head, said, today) {
        Warranty::Ends { days, .. } => Some(days.middle),
        Warranty::Over(_) | Warranty::NotYet(_) => None,
    }
}

fn head_condition(room: &Room<'_>, device: &DeviceFacts, head: &HeadFacts) -> Condition {
    let today = room.present.today();
    let figure = head.warranty_ends.map(|day| days_between(today, day));
    let day = head.warranty_ends.map_or_else(String::new, |day| day.strftime("%-d %b %Y").to_string());
    let verb = if figure.is_some_and(|days| days < 0.0) { "ended" } else { "ends" };
    let summary = format!("The warranty of head {} of {} {verb} about {day}", head.place, device.name);
    at(device, Rule::HeadWarranty, Subject::Head(device.id, head.place), figure, summary)
}

/// The first day that ends what some lots of a part are good for, and how many units it ends. Lots are the days on
/// which they were made, with their units.
pub(super) fn first_date(
    shelf_life_months: Option<u32>,
    lots: impl IntoIterator<Item = (Date, u32)>,
) -> Option<(Date, u32)> {
    let there = lots.into_iter().filter(|(_, units)| *units > 0);
    let dated = there.filter_map(|(made_on, units)| Some((good_until(made_on, shelf_life_months)?, units)));
    dated.min_by_key(|(day, _)| *day)
}

/// The units of a part that pass their date first.
fn stock_condition(room: &Room<'_>, stock: &Stock) -> Option<Condition> {
    let today = room.present.today();
    let (day, units) =
        first_date(stock.part.shelf_life_months, stock.lots.iter().map(|lot| (lot.made_on, lot.units)))?;
    let s = if units == 1 { "" } else { "s" };
    let what = format!("{units} {}{s} on the shelf ({})", stock.part.label(), stock.part.number);
    let days = days_between(today, day);
    let day = day.strftime("%-d %b %Y");
    let summary = match (days < 0.0, units) {
        (true, 1) => format!("{what} was good until {day}"),
        (true, _) => format!("{what} were good until {day}"),
        (false, 1) => format!("{what} is good until {day}"),
        (false, _) => format!("{what} are good until {day}"),
    };
    Some(Condition {
        rule: Rule::StockDate,
        subject: Subject::Part(stock.id),
        site: None,
        model: None,
        figure: Some(days),
        summary,
    })
}

pub(super) fn days_between(from: Date, to: Date) -> f64 {
    f64::from(from.until((jiff::Unit::Day, to)).map_or(0, |span| span.get_days()))
}

/// Working days after `from`, up to and with `to`; nothing for a day that has passed.
pub(super) fn working_days(calendar: &Calendar, from: Date, to: Date) -> f64 {
    // Past a year it makes no difference any more.
    let days = std::iter::successors(from.tomorrow().ok(), |day| day.tomorrow().ok()).take(400);
    let open = days.take_while(|day| *day <= to).filter(|day| !calendar.is_closed(*day)).count();
    f64::from(u32::try_from(open).unwrap_or(u32::MAX))
}
