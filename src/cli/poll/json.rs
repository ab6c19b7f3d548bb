//! One device's reading as JSON: a public format. Fields are only ever added.

use serde::Serialize;

use crate::domain::reading::{Level, Oddity, Role};
use crate::domain::snapshot::{DeviceAlert, Marker, MediaInput, Snapshot, SupplyRow};
use crate::domain::standard::{
    AlertCode, AlertGroup, CapacityUnit, InputType, Severity, SupplyKind, SupplyUnit,
};
use crate::domain::units::Measure;

#[derive(Serialize)]
struct Reading<'a> {
    device: Device<'a>,
    supplies: Vec<Supply<'a>>,
    alerts: Vec<Alert<'a>>,
}

#[derive(Serialize)]
struct Device<'a> {
    address: &'a str,
    description: Option<&'a str>,
    object_id: Option<&'a str>,
    system_name: Option<&'a str>,
    location: Option<&'a str>,
    model: Option<&'a str>,
    printer_name: Option<&'a str>,
    serial: Option<&'a str>,
    uptime_seconds: Option<f64>,
    device_status: Option<String>,
    printer_status: Option<String>,
    detected_errors: Vec<&'static str>,
    markers: Vec<MarkerOut>,
    media: Vec<Media<'a>>,
    covers: Vec<Cover<'a>>,
    /// False where the device broke a table off: rows may be missing.
    complete: bool,
}

#[derive(Serialize)]
struct MarkerOut {
    index: i32,
    life_count: Option<u32>,
    power_on_count: Option<u32>,
    counter_unit: Option<CapacityUnit>,
}

#[derive(Serialize)]
struct Media<'a> {
    index: i32,
    kind: Option<InputType>,
    name: Option<&'a str>,
    media: Option<&'a str>,
    width_mm: Option<f64>,
    unit: Option<CapacityUnit>,
    max_capacity: Option<i32>,
    level: Option<i32>,
}

#[derive(Serialize)]
struct Cover<'a> {
    index: i32,
    description: &'a str,
    status: String,
}

#[derive(Serialize)]
struct Supply<'a> {
    /// The row's own index in the table: `hrDeviceIndex.prtMarkerSuppliesIndex`.
    index: String,
    kind: SupplyKind,
    role: Role,
    colorant: Option<&'a str>,
    unit: Measure,
    capacity: Option<f64>,
    remaining: Option<f64>,
    filled: Option<f64>,
    fraction: Option<f64>,
    quality: &'static str,
    description: &'a str,
    /// Why the figures are not believed, where they are not.
    oddity: Option<Oddity>,
    raw: Raw,
}

/// The row's figures as they came.
#[derive(Serialize)]
struct Raw {
    unit: SupplyUnit,
    max_capacity: i32,
    level: i32,
}

#[derive(Serialize)]
struct Alert<'a> {
    severity: Severity,
    training: Option<i32>,
    group: AlertGroup,
    group_index: i32,
    location: i32,
    code: AlertCode,
    code_number: i32,
    description: &'a str,
}

/// One device's reading as one line of JSON.
pub(super) fn device(address: &str, snapshot: &Snapshot) -> String {
    let identity = &snapshot.identity;
    let reading = Reading {
        device: Device {
            address,
            description: identity.description.as_deref(),
            object_id: identity.object_id.as_deref(),
            system_name: identity.system_name.as_deref(),
            location: identity.location.as_deref(),
            model: identity.model.as_deref(),
            printer_name: identity.printer_name.as_deref(),
            serial: identity.serial.as_deref(),
            uptime_seconds: snapshot.uptime_centiseconds.map(|up| f64::from(up) / 100.0),
            device_status: snapshot.device_status.map(|status| status.to_string()),
            printer_status: snapshot.printer_status.map(|status| status.to_string()),
            detected_errors: snapshot.errors.labels().collect(),
            markers: snapshot.markers.iter().map(marker).collect(),
            media: snapshot.inputs.iter().map(media).collect(),
            covers: snapshot
                .covers
                .iter()
                .map(|cover| Cover {
                    index: cover.index,
                    description: &cover.description,
                    status: cover.status.to_string(),
                })
                .collect(),
            complete: snapshot.complete,
        },
        supplies: snapshot.supplies.iter().map(|row| supply(snapshot.device_index, row)).collect(),
        alerts: snapshot.alerts.iter().map(alert).collect(),
    };
    // Plain structs of numbers and texts always have a JSON form.
    serde_json::to_string(&reading).unwrap_or_default()
}

fn supply(device_index: i32, row: &SupplyRow) -> Supply<'_> {
    let level = Level::of(row);
    let role = Role::of(row.class, row.kind);
    Supply {
        index: format!("{device_index}.{}", row.index),
        kind: row.kind,
        role,
        colorant: row.colorant.as_deref(),
        unit: level.measure,
        capacity: level.capacity.known(),
        remaining: level.remaining.measured(),
        filled: if role == Role::Filled { level.filled() } else { None },
        fraction: level.fraction().map(|fraction| fraction.value()),
        quality: level.remaining.quality(),
        description: &row.description,
        oddity: level.oddity,
        raw: Raw { unit: row.unit, max_capacity: row.max_capacity, level: row.level },
    }
}

fn marker(marker: &Marker) -> MarkerOut {
    MarkerOut {
        index: marker.index,
        life_count: marker.life_count,
        power_on_count: marker.power_on_count,
        counter_unit: marker.counter_unit,
    }
}

fn media(input: &MediaInput) -> Media<'_> {
    Media {
        index: input.index,
        kind: input.kind,
        name: input.name.as_deref(),
        media: input.media.as_deref(),
        width_mm: input.width_um.map(|um| um as f64 / 1000.0),
        unit: input.unit,
        max_capacity: input.max_capacity,
        level: input.level,
    }
}

fn alert(alert: &DeviceAlert) -> Alert<'_> {
    Alert {
        severity: alert.severity,
        training: alert.training,
        group: alert.group,
        group_index: alert.group_index,
        location: alert.location,
        code: alert.code,
        code_number: alert.code.number(),
        description: &alert.description,
    }
}
