//! What one machine's pages show: its heads, and the units that its slots went through; and what it tells of itself.

use axum::extract::rejection::PathRejection;
use axum::extract::{Path, State};
use axum::response::Response;
use serde_json::{Value, json};

use super::{answer, device, horizon};
use crate::domain::account::MonthUse;
use crate::domain::care::Availability;
use crate::domain::install::{Install, Question};
use crate::domain::life::{Bound, Warranty};
use crate::domain::outlook::Forecast;
use crate::domain::snapshot::{Marker, MediaInput};
use crate::site::error::SiteError;
use crate::site::source::Source;
use crate::usecase::heads::view::HeadLine;
use crate::usecase::questions::SlotUnits;
use crate::usecase::view::{MachineView, StandingAlert};

/// What the machine told at its last answer, and how the time up to then went, beside who it is.
pub(super) fn told(view: &MachineView) -> [(&'static str, Value); 6] {
    let used = view.used.iter().map(|(slot, used)| json!({ "slot": slot, "months": months(used) }));
    [
        ("media", view.media.iter().map(media).collect()),
        ("markers", view.markers.iter().map(marker).collect()),
        ("complaints", view.standing.iter().map(complaint).collect()),
        ("silences", spans(&view.gaps)),
        ("time", time(&view.availability)),
        ("used", used.collect()),
    ]
}

/// Spans of time.
pub(super) fn spans(spans: &[(jiff::Timestamp, jiff::Timestamp)]) -> Value {
    spans.iter().map(|(from, to)| json!({ "from": from, "to": to })).collect()
}

/// What was used in each month.
pub(super) fn months(months: &[MonthUse]) -> Value {
    let month = |month: &MonthUse| {
        json!({
            "month": month.month.to_string(),
            "used": month.used.used,
            "spread": month.used.spread,
            "unseen": month.used.unseen,
            "working_days": month.working_days,
        })
    };
    months.iter().map(month).collect()
}

fn media(input: &MediaInput) -> Value {
    json!({
        "input": input.index,
        "kind": input.kind.map(|kind| kind.to_string()),
        "name": input.name,
        "media": input.media,
        "width_mm": input.width_um.map(|width| width as f64 / 1e3),
        "unit": input.unit.map(|unit| unit.to_string()),
        "capacity": input.max_capacity,
        "level": input.level,
    })
}

fn marker(marker: &Marker) -> Value {
    json!({
        "marker": marker.index,
        "unit": marker.counter_unit.map(|unit| unit.to_string()),
        "life_count": marker.life_count,
        "power_on_count": marker.power_on_count,
    })
}

fn complaint(standing: &StandingAlert) -> Value {
    let alert = &standing.alert;
    json!({
        "severity": alert.severity.to_string(),
        "code": alert.code.to_string(),
        "text": alert.description,
        "since": standing.since,
    })
}

fn time(time: &Availability) -> Value {
    json!({
        "whole_s": time.whole.as_secs(),
        "awake_s": time.awake.as_secs(),
        "asleep_s": time.asleep.as_secs(),
        "powered_s": time.powered.as_secs(),
        "silent_s": time.silent.as_secs(),
    })
}

pub(super) async fn heads<S: Source>(
    State(source): State<S>,
    path: Result<Path<String>, PathRejection>,
) -> Result<Response, SiteError> {
    let id = device(path)?;
    let view = source.heads(id).await?.ok_or_else(|| SiteError::NoSuchMachine(id.to_string()))?;
    Ok(answer(&json!({
        "inside": view.inside.iter().map(head).collect::<Vec<_>>(),
        "past": view.past.iter().map(head).collect::<Vec<_>>(),
        "not_carried": view.uncarried,
        "first_day": view.first_day,
    })))
}

fn head(line: &HeadLine) -> Value {
    let (head, outlook) = (&line.head, &line.outlook);
    let bound = |bound: &Bound| match bound {
        Bound::Date => "date",
        Bound::Limit => "limit",
    };
    let (ends, by, over, not_yet) = match &line.warranty {
        Warranty::Over(by) => (Value::Null, Some(bound(by)), true, None),
        Warranty::Ends { days: ends, bound: by, not_yet } => {
            (horizon(ends), Some(bound(by)), false, not_yet.as_ref())
        }
        Warranty::NotYet(why) => (Value::Null, None, false, Some(why)),
    };
    let (limit, no_limit) = match &outlook.by_limit {
        Forecast::Known(known) => (horizon(known), None),
        Forecast::NotYet(why) => (Value::Null, Some(why)),
    };
    json!({
        "id": head.id,
        "place": head.position.to_string(),
        "colours": line.colours,
        "part": head.part,
        "in_on": head.in_on,
        "out_on": head.out_on,
        "ml": outlook.ml,
        "daily_ml": outlook.daily_ml,
        "limit_ml": head.limit_ml,
        "before_ml": head.before_ml,
        "warranty_until": head.warranty_until,
        "at_limit": limit,
        "no_date_because": no_limit,
        "warranty": { "over": over, "ends": ends, "by": by, "not_known_because": not_yet },
    })
}

pub(super) async fn units<S: Source>(
    State(source): State<S>,
    path: Result<Path<String>, PathRejection>,
) -> Result<Response, SiteError> {
    let id = device(path)?;
    let view = source.units(id).await?.ok_or_else(|| SiteError::NoSuchMachine(id.to_string()))?;
    let slot = |of: &SlotUnits| {
        json!({
            "slot": of.row.slot.id,
            "index": of.row.slot.index,
            "label": of.row.slot.label(),
            "units": units_of(of),
            "questions": of.questions.iter().map(question).collect::<Vec<_>>(),
        })
    };
    Ok(answer(&json!({ "items": view.slots.iter().map(slot).collect::<Vec<_>>() })))
}

/// The units that went through a slot.
pub(super) fn units_of(of: &SlotUnits) -> Value {
    let unit = |line: &crate::usecase::questions::UnitLine| {
        let mut value = install(&line.install);
        value["lot"] = json!(line.issue.as_ref().map(|issue| issue.lot));
        value["lost"] = super::shelf::price(line.lost.as_ref());
        value
    };
    of.units.iter().map(unit).collect()
}

fn install(install: &Install) -> Value {
    json!({
        "from": install.from,
        "to": install.to,
        "arrival": install.arrival.word(),
        "confidence": install.confidence,
        "measure": install.measure.word(),
        "capacity": install.capacity,
        "start": install.start,
        "end": install.end,
    })
}

fn question(question: &Question) -> Value {
    json!({
        "at": question.at,
        "since": question.since,
        "from": question.from,
        "to": question.to,
        "measure": question.measure.word(),
    })
}
