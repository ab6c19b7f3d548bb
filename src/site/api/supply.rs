//! What one supply's page shows: the likely course of its level and why, its use, and what came of each reading.

use axum::extract::rejection::PathRejection;
use axum::extract::{Path, RawQuery, State};
use axum::response::Response;
use jiff::Timestamp;
use serde_json::{Value, json};

use super::machine::{months, spans, units_of};
use super::{answer, device};
use crate::domain::account::Verdict;
use crate::domain::ids::SupplyIndex;
use crate::domain::outlook::Grounds;
use crate::domain::outlook::fan::Fan;
use crate::site::error::SiteError;
use crate::site::form::Fields;
use crate::site::source::Source;
use crate::usecase::supply::Asked;
use crate::usecase::supply::view::{ReadingLine, Said, SupplyView};

/// The span of the course, days, unless another is asked for.
const SPAN_DAYS: u16 = 90;
/// The longest.
const MOST_DAYS: u16 = 1096;

pub(super) async fn one<S: Source>(
    State(source): State<S>,
    path: Result<Path<(String, String)>, PathRejection>,
    RawQuery(query): RawQuery,
) -> Result<Response, SiteError> {
    let Path((id, index)) = path.map_err(|_| SiteError::NoSuchPage)?;
    let id = device(Ok(Path(id)))?;
    let index = index.parse().map(SupplyIndex).map_err(|_| SiteError::NoSuchPage)?;
    let fields = Fields::of_query(query.as_deref());
    let not_asked = |name: &str| SiteError::NotAsked(name.to_owned(), fields.get(name).to_owned());
    let days = match fields.get("days") {
        "" => SPAN_DAYS,
        text => text
            .parse()
            .ok()
            .filter(|days| (1..=MOST_DAYS).contains(days))
            .ok_or_else(|| not_asked("days"))?,
    };
    let before = match fields.get("before") {
        "" => None,
        text => Some(text.parse::<Timestamp>().map_err(|_| not_asked("before"))?),
    };
    match source.supply((id, index), Asked { days, before }).await? {
        Some(view) => Ok(answer(&supply(&view))),
        None => Err(SiteError::NoSuchPage),
    }
}

fn supply(view: &SupplyView) -> Value {
    let said = view.said.as_ref();
    let day = |(day, used): (&jiff::civil::Date, &crate::domain::ledger::DayUse)| json!({ "day": day, "used": used.used, "spread": used.spread, "unseen": used.unseen });
    json!({
        "device": view.device.id,
        "device_name": view.device.name,
        "slot": view.slot.row.slot.id,
        "index": view.slot.row.slot.index,
        "label": view.slot.row.slot.label(),
        "measure": view.trend.measure.word(),
        "counts": view.trend.counts,
        "from": view.from,
        "to": view.to,
        "levels": points(&view.trend.points),
        "silences": spans(&view.gaps),
        "fan": said.and_then(|said| said.fan.as_ref()).map(fan),
        "grounds": said.map(|said| grounds(&said.grounds)),
        "order_by": said.and_then(|said| said.order_by),
        "order_point": said.and_then(order_point),
        "units": units_of(&view.slot),
        "days": view.days.iter().map(day).collect::<Vec<_>>(),
        "months": months(&view.months),
        "readings": view.readings.iter().map(reading).collect::<Vec<_>>(),
        "every_reading_from": view.detail_from,
        "older_before": view.older,
    })
}

fn points(points: &[(Timestamp, f64)]) -> Value {
    points.iter().map(|(at, left)| json!({ "at": at, "remaining": left })).collect()
}

fn fan(fan: &Fan) -> Value {
    json!({ "early": points(&fan.early), "middle": points(&fan.middle), "late": points(&fan.late) })
}

fn grounds(grounds: &Grounds) -> Value {
    json!({
        "history_days": grounds.history_days,
        "mean_a_day": grounds.mean,
        "lately_a_day": grounds.lately,
        "reckoned_a_day": grounds.rate,
        "week": grounds.week,
        "shut_days_ahead": grounds.shut_ahead,
    })
}

/// Of a receptacle: the fill at which its successor is ordered, and when it reaches that.
fn order_point(said: &Said) -> Option<Value> {
    said.order_point.map(|day| json!({ "fill": said.order_fill, "day": day }))
}

fn reading(line: &ReadingLine) -> Value {
    let (taken, remaining) = match line.account.verdict {
        Verdict::Believed(left, _) => ("believed", Some(left)),
        Verdict::NewUnit(_, left, _) => ("new_unit", Some(left)),
        Verdict::LastOfDay(left, _) => ("last_of_day", Some(left)),
        Verdict::Waits => ("waits", None),
        Verdict::LeftOut => ("left_out", None),
        Verdict::NoFigure(_) => ("no_figure", None),
        Verdict::Odd(_) => ("odd", None),
    };
    json!({
        "at": line.at,
        "unit": line.unit.to_string(),
        "max_capacity": line.max_capacity,
        "level": line.level,
        "taken": taken,
        "remaining": remaining,
        "asked": line.account.asked,
    })
}
