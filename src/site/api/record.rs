//! What people wrote down: swaps by the guide, and runs that were printed.

use axum::extract::{RawQuery, State};
use axum::response::Response;
use serde_json::{Value, json};

use super::answer;
use crate::domain::guide::walk::Passed;
use crate::domain::run::past::MediaWidth;
use crate::site::error::SiteError;
use crate::site::form::Fields;
use crate::site::source::Source;
use crate::usecase::run::PrintedRow;
use crate::usecase::swap::{SwapRow, SwapsWanted};

/// So many swaps are told at most, the newest.
const SWAPS: i64 = 200;

pub(super) async fn swaps<S: Source>(
    State(source): State<S>,
    RawQuery(query): RawQuery,
) -> Result<Response, SiteError> {
    let find = Fields::of_query(query.as_deref()).get("find").chars().take(100).collect();
    let swaps = source.swaps(SwapsWanted { find, most: Some(SWAPS), ..SwapsWanted::default() }).await?;
    Ok(answer(&json!({ "items": swaps.iter().map(swap).collect::<Vec<_>>() })))
}

fn swap(row: &SwapRow) -> Value {
    let steps = row.steps.iter().map(|step| {
        let reason = match &step.how {
            Passed::Skipped(reason) => Some(reason.text()),
            Passed::Confirmed | Passed::Said => None,
        };
        json!({ "how": step.how.word(), "reason": reason, "who": step.who, "at": step.at })
    });
    json!({
        "id": row.id,
        "device": row.device,
        "device_name": row.device_name,
        "label": row.label(),
        "kind": row.kind.word(),
        "lot": row.from.as_ref().map(|from| json!({
            "lot": from.lot, "part": from.part, "made_on": from.made_on, "place": from.place,
        })),
        "left_in_the_old": row.was.as_ref().and_then(|seen| seen.level.remaining.measured()),
        "level_of_the_new": row.became.as_ref().and_then(|seen| seen.level.remaining.measured()),
        "begun_at": row.begun_at,
        "who": row.who,
        "ended_at": row.ended.as_ref().map(|ended| ended.at),
        "given_up": row.ended.as_ref().and_then(|ended| ended.given_up.as_ref()),
        "steps": steps.collect::<Vec<_>>(),
        "photo": row.photo,
    })
}

pub(super) async fn runs<S: Source>(State(source): State<S>) -> Result<Response, SiteError> {
    let view = source.runs().await?;
    let devices = view.devices.iter().map(|(id, name, width)| {
        let (metres, by) = match width {
            Some(MediaWidth::Written(width)) => (Some(width.value()), Some("person")),
            Some(MediaWidth::Told(width)) => (Some(width.value()), Some("device")),
            None => (None, None),
        };
        json!({ "device": id, "device_name": name, "media_width_m": metres, "told_by": by })
    });
    Ok(answer(&json!({
        "devices": devices.collect::<Vec<_>>(),
        "items": view.runs.iter().map(run).collect::<Vec<_>>(),
    })))
}

fn run(row: &PrintedRow) -> Value {
    json!({
        "device": row.device,
        "device_name": row.device_name,
        "day": row.run.day,
        "area_m2": row.run.area.value(),
        "media": row.run.media.word(),
        "what": row.run.what,
        "who": row.who,
    })
}
