//! What each page shows, put together from the store.

use jiff::{SignedDuration, Timestamp};

use super::heads::machine_heads;
use super::picture::{Covering, Picture};
use super::questions::{self, SlotUnits};
use super::view::{AlertLine, Device, MachineView, OutlookLine, Silence, StandingAlert, Trend};
use crate::domain::account::months;
use crate::domain::advice::order_by_lead;
use crate::domain::care::Availability;
use crate::domain::cover::Cover;
use crate::domain::ids::DeviceId;
use crate::domain::install::Arrival;
use crate::domain::month::{Month, gaps};
use crate::domain::outlook::{Present, Slot};
use crate::domain::polarity::{Ground, Watch};
use crate::domain::reading::{Capacity, Polarity, Reading, Role};
use crate::domain::rules::Practice;
use crate::domain::stream::{Event, Known, Sizes};
use crate::domain::units::Measure;
use crate::store::alerts::AlertRow;
use crate::store::devices::DeviceRow;
use crate::store::outlooks::{OutlookRow, Wanted};
use crate::store::{Result, Store};

/// How many cleared alerts a machine's page shows; the page of alerts has them all.
const CLEARED: i64 = 8;
/// The use of so many months is shown, the running one among them.
const USED_MONTHS: u32 = 4;
/// How many points a trend keeps.
const TREND_POINTS: usize = 240;

/// The page of one machine over the last `days` days; `None` if no watched machine has that number.
///
/// # Errors
/// If the store cannot be reached.
pub async fn machine(
    store: &Store,
    id: DeviceId,
    days: u32,
    picture: &Picture,
    present: &Present,
    practice: &Practice,
) -> Result<Option<MachineView>> {
    let Some(row) = store.devices(Some(id)).await?.pop() else { return Ok(None) };
    let to = present.now;
    let from = to.checked_sub(SignedDuration::from_hours(24 * i64::from(days))).unwrap_or(Timestamp::MIN);
    let seen_until = row.last_answer_at.unwrap_or(from).min(to);
    let patience = SignedDuration::from_secs(2 * i64::from(row.poll_every_s));
    let began = row.first_answer_at.unwrap_or(to).max(from);
    let spans = store.answered_spans(id, from, to).await?;
    let trends = store.readings_between(id, from, to).await?;
    let since = (1..USED_MONTHS).fold(Month::of(present.today()), |month, _| month.before());
    let ledgers = store.ledger_of(id, None, since.first_day()).await?;
    let by_month = |(slot, days)| (slot, months(&days, present.date(seen_until), &practice.calendar));
    let lines = store.outlooks(Wanted::Device(id)).await?;
    // What the shelf holds for one machine depends on all of them.
    let covering = picture.covering();
    let mut alerts = store.alerts(true, Some(id), i64::MAX).await?;
    alerts.extend(store.alerts(false, Some(id), CLEARED).await?);
    let standing = store.standing_alerts(Some(id)).await?;
    let mut inside = store.units_inside(Some(id)).await?;
    let units = lines.iter().filter_map(|row| {
        let slot = &row.outlook.slot;
        inside.remove(&slot.id).map(|unit| (slot.label(), unit))
    });
    let units = units.collect();
    let Some(went_in) = questions::units(store, id, present).await? else { return Ok(None) };
    Ok(Some(MachineView {
        today: present.today(),
        device: device(row, present, practice),
        lines: lines.into_iter().map(|row| line(row, covering, practice)).collect(),
        from,
        to,
        trends: trends
            .into_iter()
            .map(|(slot, counts, readings)| {
                let of_slot = went_in.slots.iter().find(|of| of.row.slot.id == slot.id);
                trend(slot, counts, &readings, of_slot, (from, seen_until), present)
            })
            .collect(),
        used: ledgers.into_iter().map(by_month).collect(),
        gaps: gaps(&spans, began, to, patience),
        availability: Availability::of(&store.power_runs(id, from, to).await?, (from, to), patience),
        climate: store.climates(Some(id)).await?.remove(&id),
        comfort: practice.comfort,
        heads: machine_heads(store, id, present).await?,
        units,
        media: store.media(id).await?,
        markers: store.markers(id).await?,
        standing: standing.into_iter().map(|(_, alert, since)| StandingAlert { alert, since }).collect(),
        alerts: alerts.into_iter().map(alert_line).collect(),
        went_in,
    }))
}

pub(super) fn alert_line(row: AlertRow) -> AlertLine {
    AlertLine {
        alert: row.alert,
        device_name: row.device_name,
        slot_label: row.slot_label,
        part_number: row.part_number,
    }
}

pub(super) fn line(row: OutlookRow, covering: &Covering, practice: &Practice) -> OutlookLine {
    let slot = row.outlook.slot.id;
    let (shelf, on_order) = match covering.covers.get(&slot) {
        Some(Cover::Unit(unit)) => (Some(unit.clone()), None),
        Some(Cover::OnOrder(unit)) => (None, Some(unit.clone())),
        _ => (None, None),
    };
    let lead = covering.leads.get(&slot).copied();
    OutlookLine {
        shelf,
        on_order,
        device_name: row.device_name,
        order_by: match lead {
            Some(lead) => order_by_lead(&row.outlook, row.order_by, lead, practice),
            None => row.order_by,
        },
        outlook: row.outlook,
        lead_days: lead.map_or(practice.lead_days, |lead| lead.mean_days.ceil() as u32),
    }
}

pub(super) fn device(row: DeviceRow, present: &Present, practice: &Practice) -> Device {
    let since = row.last_answer_at.unwrap_or(row.added_at);
    Device {
        id: row.id,
        name: row.name,
        address: if row.host.contains(':') {
            format!("[{}]:{}", row.host, row.port)
        } else {
            format!("{}:{}", row.host, row.port)
        },
        snmp: row.snmp,
        location: row.location,
        cost_centre: row.cost_centre,
        model: row.model,
        serial: row.serial,
        last_answer_at: row.last_answer_at,
        silent: row.fault.map(|fault| Silence {
            since,
            dark: practice.calendar.open_time(since, present.now, &present.zone) >= practice.dark_after,
            fault,
        }),
        device_status: row.device_status,
        printer_status: row.printer_status,
        errors: row.errors,
        up_since: row.up_since,
    }
}

/// The course of a slot's believed levels over a span that ends with the device's last answer.
pub(super) fn trend(
    slot: Slot,
    (counts, ground): (Polarity, Ground),
    readings: &[Reading],
    units: Option<&SlotUnits>,
    (from, seen_until): (Timestamp, Timestamp),
    present: &Present,
) -> Trend {
    let mut watch = Watch::new(slot.role, Some(counts), known_from(units, from));
    let mut points = Vec::new();
    let mut tell = |event| {
        if let Event::Believed { at, remaining, .. } = event {
            points.push((at.max(from), remaining));
        }
    };
    let lines = units.map(|of| of.units.as_slice()).unwrap_or_default();
    let put_in = lines.iter().map(|unit| &unit.install).filter(|unit| unit.arrival != Arrival::Found);
    let mut swaps: Vec<Timestamp> = put_in.map(|unit| unit.from).filter(|at| *at >= from).collect();
    swaps.sort();
    for reading in readings {
        watch.push(reading, &present.zone, &mut tell);
    }
    watch.seen(seen_until, &present.zone, &mut tell);
    if let Some((last, remaining)) = points.last().copied()
        && last < seen_until
    {
        points.push((seen_until, remaining));
    }
    let install = watch.view(&present.zone).map(|view| view.install);
    Trend {
        measure: install.as_ref().map_or(Measure::Percent, |install| install.measure),
        capacity: install.and_then(|install| install.capacity).map_or(Capacity::Unknown, Capacity::Known),
        points: thin(points, &swaps),
        swaps,
        counts: (slot.role == Role::Filled).then(|| {
            let what = match counts {
                Polarity::Remaining => "the room left",
                Polarity::Filled => "its fill",
            };
            format!("The device is taken to count {what}: {}.", ground.reason(counts))
        }),
        slot,
    }
}

/// What is known of a slot to one who follows it from a moment on.
pub(super) fn known_from(units: Option<&SlotUnits>, from: Timestamp) -> Known {
    let Some(units) = units else { return Known::default() };
    let then = units.units.iter().map(|unit| &unit.install);
    let mut then = then.filter(|unit| unit.measure == Measure::Millilitres);
    let first = then.clone().find(|unit| unit.from <= from).or(then.next_back());
    let first_ml = units.row.full_ml.and(first.and_then(|unit| unit.capacity));
    Known::from(Sizes { full_ml: units.row.full_ml, first_ml })
}

/// Leaves out points between which a line on a page could not be told apart, keeping both sides of a swap.
fn thin(points: Vec<(Timestamp, f64)>, swaps: &[Timestamp]) -> Vec<(Timestamp, f64)> {
    let every = points.len().div_ceil(TREND_POINTS).max(1);
    let last = points.len().saturating_sub(1);
    let at_swap = |n: usize| points.get(n).is_some_and(|(at, _)| swaps.contains(at));
    let kept = |n: usize| n.is_multiple_of(every) || n == last || at_swap(n) || at_swap(n + 1);
    points.iter().enumerate().filter(|(n, _)| kept(*n)).map(|(_, point)| *point).collect()
}
