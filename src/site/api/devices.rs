//! Devices and their supplies.

use axum::extract::rejection::PathRejection;
use axum::extract::{Path, RawQuery, State};
use axum::response::Response;
use serde_json::{Value, json};

use super::{answer, device, leaf, machine, page};
use crate::domain::climate::Report;
use crate::domain::outlook::Forecast;
use crate::domain::reading::Role;
use crate::site::error::SiteError;
use crate::site::form::Fields;
use crate::site::pages::machines::{is_known, read};
use crate::site::source::Source;
use crate::usecase::sift::MachinesAsked;
use crate::usecase::view::{Device, MachineLine, MachineView, OutlookLine};

/// How far back silences and the time that was spent are told, days; the course of a level is told of each supply.
const SPAN_DAYS: u16 = 30;

pub(super) async fn all<S: Source>(
    State(source): State<S>,
    RawQuery(query): RawQuery,
) -> Result<Response, SiteError> {
    let fields = Fields::of_query(query.as_deref());
    for name in ["show", "sort"] {
        if !is_known(name, fields.get(name)) {
            return Err(SiteError::NotAsked(name.to_owned(), fields.get(name).to_owned()));
        }
    }
    let (asked, _) = read(&fields);
    let asked = MachinesAsked { page: page(&fields)?, grouping: None, within: None, ..asked };
    let view = source.machines(&asked).await?;
    Ok(answer(&leaf(&view.machines, |(_, line)| listed(line))))
}

pub(super) async fn one<S: Source>(
    State(source): State<S>,
    path: Result<Path<String>, PathRejection>,
) -> Result<Response, SiteError> {
    let view = found(&source, path).await?;
    let mut value = about(&view.device);
    value["climate"] = view.climate.as_ref().map_or(Value::Null, climate);
    value["supplies"] = view.lines.iter().map(supply).collect();
    for (name, told) in machine::told(&view) {
        value[name] = told;
    }
    Ok(answer(&value))
}

pub(super) async fn supplies<S: Source>(
    State(source): State<S>,
    path: Result<Path<String>, PathRejection>,
) -> Result<Response, SiteError> {
    let view = found(&source, path).await?;
    Ok(answer(&json!({ "items": view.lines.iter().map(supply).collect::<Vec<_>>() })))
}

async fn found<S: Source>(
    source: &S,
    path: Result<Path<String>, PathRejection>,
) -> Result<MachineView, SiteError> {
    let id = device(path)?;
    source.machine(id, SPAN_DAYS).await?.ok_or_else(|| SiteError::NoSuchMachine(id.to_string()))
}

fn listed(line: &MachineLine) -> Value {
    let mut value = about(&line.device);
    value["open_alerts"] = json!(line.open_alerts);
    value["first_to_end"] = line.first_to_end.as_ref().map_or(Value::Null, supply);
    value
}

fn about(device: &Device) -> Value {
    json!({
        "id": device.id,
        "name": device.name,
        "address": device.address,
        "model": device.model,
        "serial": device.serial,
        "location": device.location,
        "cost_centre": device.cost_centre,
        "last_answer_at": device.last_answer_at,
        "up_since": device.up_since,
        "silent": device.silent.as_ref().map(|silence| json!({
            "since": silence.since, "dark": silence.dark, "fault": silence.fault,
        })),
        "device_status": device.device_status.map(|status| status.to_string()),
        "printer_status": device.printer_status.map(|status| status.to_string()),
        "detected_errors": device.errors.labels().collect::<Vec<_>>(),
    })
}

fn climate(report: &Report) -> Value {
    json!({
        "at": report.at,
        "celsius": report.climate.celsius,
        "humidity_percent": report.climate.humidity_percent,
    })
}

fn supply(line: &OutlookLine) -> Value {
    let outlook = &line.outlook;
    let (horizon, no_horizon) = match &outlook.forecast {
        Forecast::Known(known) => (super::horizon(known), None),
        Forecast::NotYet(why) => (Value::Null, Some(why)),
    };
    json!({
        "device": outlook.slot.device,
        "device_name": line.device_name,
        "slot": outlook.slot.id,
        "label": outlook.slot.label(),
        "colorant": outlook.slot.colorant,
        "kind": outlook.slot.kind.to_string(),
        "role": if outlook.slot.role == Role::Consumed { "consumed" } else { "filled" },
        "measure": outlook.level.measure.word(),
        "capacity": outlook.level.capacity.known(),
        "remaining": outlook.level.remaining.measured(),
        "quality": outlook.level.remaining.quality(),
        "as_of": outlook.as_of,
        "daily_use": outlook.daily_use,
        "horizon": horizon,
        "no_horizon_because": no_horizon,
        "order_by": line.order_by,
        "lead_days": line.lead_days,
        "on_shelf": line.shelf.as_ref().map(|unit| json!({
            "part": unit.part, "lot": unit.lot, "made_on": unit.made_on, "place": unit.place,
        })),
        "on_order": line.on_order.as_ref().map(|unit| json!({
            "part": unit.part, "order": unit.order, "expected_on": unit.expected_on,
        })),
    })
}
