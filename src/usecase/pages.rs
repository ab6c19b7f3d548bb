//! What each page shows, put together from the store.

use std::collections::BTreeMap;

use jiff::{SignedDuration, Timestamp};

use super::shelf::Supplies;
use super::view::{
    AlertLine, Device, MachineLine, MachineView, OutlookLine, Silence, StandingAlert, TodayView, Trend,
};
use crate::domain::advice::{DeviceState, tasks};
use crate::domain::cover::{Cover, covers};
use crate::domain::ids::{DeviceId, SlotId};
use crate::domain::install::Arrival;
use crate::domain::month::gaps;
use crate::domain::outlook::{Present, Slot};
use crate::domain::polarity::{Ground, Watch};
use crate::domain::reading::{Capacity, Polarity, Reading, Role};
use crate::domain::rules::Practice;
use crate::domain::shelf::Stock;
use crate::domain::stream::{Event, Known};
use crate::domain::units::Measure;
use crate::store::alerts::AlertRow;
use crate::store::devices::DeviceRow;
use crate::store::outlooks::{OutlookRow, Wanted};
use crate::store::{Result, Store};

/// How many of the supplies that end first Today shows.
const EARLIEST: i64 = 12;
/// How many cleared alerts a page shows.
const CLEARED: i64 = 100;
/// How many points a trend keeps.
const TREND_POINTS: usize = 240;

/// The page Today.
///
/// # Errors
/// If the store cannot be reached.
pub async fn today(store: &Store, present: &Present, practice: &Practice) -> Result<TodayView> {
    let rows = store.devices(None).await?;
    let states = device_states(store, &rows).await?;
    let shelf = store.stocks(None).await?;
    let covers = room_covers(store, &rows, &shelf, present).await?;
    let earliest = store.outlooks(Wanted::Earliest(EARLIEST)).await?;
    Ok(TodayView {
        today: present.today(),
        tasks: tasks(&states, &shelf, present, practice),
        devices: rows.into_iter().map(|row| device(row, present, practice)).collect(),
        earliest: earliest.into_iter().map(|row| line(row, &covers, practice)).collect(),
        supplies: store.supply_count().await?,
        open_alerts: store.open_alert_counts().await?.values().sum(),
    })
}

/// What is known of the devices when their tasks are worked out.
pub(super) async fn device_states(store: &Store, rows: &[DeviceRow]) -> Result<Vec<DeviceState>> {
    let mut states = Vec::new();
    for row in rows {
        states.push(DeviceState {
            id: row.id,
            name: row.name.clone(),
            model: row.model.clone(),
            silent_since: row.fault.is_some().then(|| row.last_answer_at.unwrap_or(row.added_at)),
            errors: row.errors,
            alerts: Vec::new(),
            supplies: Vec::new(),
        });
    }
    for (device, alert, _) in store.standing_alerts(None).await? {
        if let Some(state) = states.iter_mut().find(|state| state.id == device) {
            state.alerts.push(alert);
        }
    }
    for row in store.outlooks(Wanted::All).await? {
        if let Some(state) = states.iter_mut().find(|state| state.id == row.outlook.slot.device) {
            state.supplies.push((row.outlook, row.order_by));
        }
    }
    Ok(states)
}

/// The page Machines.
///
/// # Errors
/// If the store cannot be reached.
pub async fn machines(store: &Store, present: &Present, practice: &Practice) -> Result<Vec<MachineLine>> {
    let mut open = store.open_alert_counts().await?;
    let mut lines: Vec<MachineLine> = store
        .devices(None)
        .await?
        .into_iter()
        .map(|row| MachineLine {
            open_alerts: open.remove(&row.id).unwrap_or(0),
            device: device(row, present, practice),
            first_to_end: None,
        })
        .collect();
    for row in store.outlooks(Wanted::Earliest(i64::MAX)).await? {
        let of_device = |line: &&mut MachineLine| line.device.id == row.outlook.slot.device;
        if let Some(machine) = lines.iter_mut().find(of_device)
            && machine.first_to_end.is_none()
        {
            machine.first_to_end = Some(line(row, &BTreeMap::new(), practice));
        }
    }
    Ok(lines)
}

/// The page of one machine over the last `days` days; `None` if no watched machine has that number.
///
/// # Errors
/// If the store cannot be reached.
pub async fn machine(
    store: &Store,
    id: DeviceId,
    days: u32,
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
    let lines = store.outlooks(Wanted::Device(id)).await?;
    // What the shelf holds for one machine depends on all of them.
    let covers = room_covers(store, &store.devices(None).await?, &store.stocks(None).await?, present).await?;
    let mut alerts = store.alerts(true, Some(id), i64::MAX).await?;
    alerts.extend(store.alerts(false, Some(id), CLEARED).await?);
    let standing = store.standing_alerts(Some(id)).await?;
    Ok(Some(MachineView {
        today: present.today(),
        device: device(row, present, practice),
        lines: lines.into_iter().map(|row| line(row, &covers, practice)).collect(),
        from,
        to,
        trends: trends
            .into_iter()
            .map(|(slot, counts, readings)| trend(slot, counts, &readings, (from, seen_until), present))
            .collect(),
        gaps: gaps(&spans, began, to, patience),
        media: store.media(id).await?,
        markers: store.markers(id).await?,
        standing: standing.into_iter().map(|(_, alert, since)| StandingAlert { alert, since }).collect(),
        alerts: alerts.into_iter().map(alert_line).collect(),
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

/// What the shelf holds for each slot of the room.
async fn room_covers(
    store: &Store,
    devices: &[DeviceRow],
    shelf: &[Stock],
    present: &Present,
) -> Result<BTreeMap<SlotId, Cover>> {
    if shelf.is_empty() {
        return Ok(BTreeMap::new());
    }
    let supplies = Supplies::of(devices, store.outlooks(Wanted::All).await?);
    Ok(covers(&supplies.all(), shelf, present.today()))
}

fn line(row: OutlookRow, covers: &BTreeMap<SlotId, Cover>, practice: &Practice) -> OutlookLine {
    OutlookLine {
        shelf: match covers.get(&row.outlook.slot.id) {
            Some(Cover::Unit(unit)) => Some(unit.clone()),
            _ => None,
        },
        device_name: row.device_name,
        outlook: row.outlook,
        order_by: row.order_by,
        lead_days: practice.lead_days,
    }
}

fn device(row: DeviceRow, present: &Present, practice: &Practice) -> Device {
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
            dark: present.now.duration_since(since) >= practice.dark_after,
            fault,
        }),
        device_status: row.device_status,
        printer_status: row.printer_status,
        errors: row.errors,
        up_since: row.up_since,
    }
}

/// The course of a slot's believed levels over a span that ends with the device's last answer.
fn trend(
    slot: Slot,
    (counts, ground): (Polarity, Ground),
    readings: &[Reading],
    (from, seen_until): (Timestamp, Timestamp),
    present: &Present,
) -> Trend {
    let mut watch = Watch::new(slot.role, Some(counts), Known::default());
    let (mut points, mut swaps) = (Vec::new(), Vec::new());
    let mut tell = |event| match event {
        Event::Believed { at, remaining, .. } => points.push((at.max(from), remaining)),
        Event::Began(install) if install.arrival != Arrival::Found => swaps.push(install.from),
        Event::Began(_) | Event::Ended(..) | Event::Asked(_) | Event::Reversed => {}
    };
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
        measure: readings.last().map_or(Measure::Percent, |reading| reading.level.measure),
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

/// Leaves out points between which a line on a page could not be told apart, keeping both sides of a swap.
fn thin(points: Vec<(Timestamp, f64)>, swaps: &[Timestamp]) -> Vec<(Timestamp, f64)> {
    let every = points.len().div_ceil(TREND_POINTS).max(1);
    let last = points.len().saturating_sub(1);
    let at_swap = |n: usize| points.get(n).is_some_and(|(at, _)| swaps.contains(at));
    let kept = |n: usize| n.is_multiple_of(every) || n == last || at_swap(n) || at_swap(n + 1);
    points.iter().enumerate().filter(|(n, _)| kept(*n)).map(|(_, point)| *point).collect()
}
