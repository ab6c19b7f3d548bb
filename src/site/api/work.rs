//! What is to be done, alerts, and months.

use axum::extract::rejection::PathRejection;
use axum::extract::{Path, RawQuery, State};
use axum::response::Response;
use serde_json::{Map, Value, json};

use super::{answer, document, leaf, page};
use crate::domain::alert::Subject;
use crate::domain::month::{Costs, Month};
use crate::domain::task::Task;
use crate::site::error::SiteError;
use crate::site::form::Fields;
use crate::site::pages::tasks::kind_of;
use crate::site::source::Source;
use crate::usecase::alert_pages::AlertsAsked;
use crate::usecase::sift::TasksAsked;
use crate::usecase::view::{AlertGroup, AlertLine, MonthPoint, TrendRow};

pub(super) async fn tasks<S: Source>(
    State(source): State<S>,
    RawQuery(query): RawQuery,
) -> Result<Response, SiteError> {
    let fields = Fields::of_query(query.as_deref());
    let said = fields.get("kind");
    let kind = kind_of(said).ok_or_else(|| SiteError::NotAsked("kind".to_owned(), said.to_owned()))?;
    let find = fields.get("find").chars().take(100).collect();
    let view = source.tasks(&TasksAsked { kind, find, page: page(&fields)? }).await?;
    Ok(answer(&leaf(&view.tasks, task)))
}

fn task(task: &Task) -> Value {
    json!({
        "due": task.due,
        "kind": task.kind.word().to_lowercase(),
        "what": task.what,
        "why": task.why,
        "device": task.device,
        "slot": task.slot,
        "part": task.part,
    })
}

pub(super) async fn alerts<S: Source>(
    State(source): State<S>,
    RawQuery(query): RawQuery,
) -> Result<Response, SiteError> {
    let fields = Fields::of_query(query.as_deref());
    let asked = page(&fields)?;
    let find = fields.get("find").to_owned();
    let cleared = u32::try_from(asked).unwrap_or(u32::MAX);
    let view = source.alerts(&AlertsAsked { find, page: asked, cleared }).await?;
    let now = source.now();
    let open = view.open.lines.iter().flat_map(AlertGroup::lines);
    Ok(answer(&json!({
        "open": open.map(|line| alert(line, now)).collect::<Vec<_>>(),
        "cleared": view.cleared.iter().map(|line| alert(line, now)).collect::<Vec<_>>(),
        "open_in_all": view.open_in_all,
        "cleared_go_on": view.cleared_go_on,
        "page": asked,
    })))
}

fn alert(line: &AlertLine, now: jiff::Timestamp) -> Value {
    let alert = &line.alert;
    let (slot, head) = match alert.subject {
        Subject::Slot(_, slot) => (Some(slot), None),
        Subject::Head(_, place) => (None, Some(place)),
        Subject::Device(_) | Subject::Part(_) => (None, None),
    };
    json!({
        "id": alert.id,
        "rule": alert.rule.word(),
        "severity": alert.grade.word(),
        "stage": alert.stage(now).word(),
        "summary": alert.summary,
        "device": alert.subject.device(),
        "device_name": line.device_name,
        "slot": slot,
        "slot_label": line.slot_label,
        "head": head,
        "part": line.part_number,
        "opened_at": alert.opened_at,
        "cleared_at": alert.cleared_at,
        "seen_at": alert.seen.as_ref().map(|seen| seen.at),
        "seen_by": alert.seen.as_ref().map(|seen| &seen.by),
        "put_off_until": alert.snoozed_until,
        "follows_from_another": alert.folded,
    })
}

pub(super) async fn months<S: Source>(State(source): State<S>) -> Result<Response, SiteError> {
    let view = source.months().await?;
    let months: Vec<Value> = view
        .months
        .iter()
        .zip(&view.whole)
        .map(|(month, whole)| {
            json!({
                "month": month.to_string(),
                "whole": whole,
                "closed": view.closed.contains(month),
                "running": *month == view.running,
            })
        })
        .collect();
    let rows = |rows: &[TrendRow]| -> Vec<Value> {
        rows.iter()
            .map(|row| json!({ "name": row.name, "device": row.device, "points": points(&row.points) }))
            .collect()
    };
    Ok(answer(&json!({
        "months": months,
        "all": points(&view.all),
        "devices": rows(&view.machines),
        "cost_centres": rows(&view.cost_centres),
    })))
}

fn points(points: &[MonthPoint]) -> Vec<Value> {
    let point = |point: &MonthPoint| json!({ "ink_ml": point.ink_ml, "swaps": point.swaps, "cost": costs(&point.cost) });
    points.iter().map(point).collect()
}

/// Minor units by currency.
fn costs(costs: &Costs) -> Value {
    let pairs = costs.iter().map(|price| (price.currency.code().to_owned(), json!(price.minor)));
    Value::Object(pairs.collect::<Map<_, _>>())
}

/// The report, in the format in which a closed month is kept.
pub(super) async fn month<S: Source>(
    State(source): State<S>,
    path: Result<Path<String>, PathRejection>,
) -> Result<Response, SiteError> {
    let Path(text) = path.map_err(|_| SiteError::NoSuchPage)?;
    let month: Month = text.parse()?;
    if month > Month::of(crate::site::format::day_of(source.now(), &source.zone())) {
        return Err(SiteError::FutureMonth(month));
    }
    Ok(document(source.statement(month).await?.document))
}
