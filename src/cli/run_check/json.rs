//! A check as JSON. Amounts are in the supply's measure, areas in square metres, lengths in metres, chances between 0
//! and 1; keys are only ever added.

use serde_json::{Value, json};

use crate::domain::run::before::Before;
use crate::domain::run::check::{Check, HeadCheck, Inside, TankCheck};
use crate::domain::run::learn::{Basis, Source};
use crate::domain::run::odds::Band;
use crate::domain::run::plan::{Metres, RunPlan};

/// A queue of runs at one machine; `media` is the width of what is loaded there.
pub(super) fn check(check: &Check, before: &Before, plan: &RunPlan, media: Option<Metres>) -> Value {
    json!({
        "verdict": check.verdict.word(),
        "chance": band(check.band),
        "area_m2": check.area,
        "length_m": plan.metres_after(check.area, media),
        "stops_first": check.first.map(|at| check.tanks[at].tank.label.clone()),
        "cannot_tell": check.untold().map(|(of, why)| json!({ "label": of.tank.label, "why": why }))
            .collect::<Vec<Value>>(),
        "assumes": check.assumes(),
        "supplies": check.tanks.iter().map(|of| supply(of, plan, media)).collect::<Vec<Value>>(),
        "heads": check.heads.iter().map(head).collect::<Vec<Value>>(),
        "before": {
            "swaps": before.swaps.iter()
                .map(|swap| json!({ "label": check.tanks[swap.tank].tank.label, "chance": swap.chance }))
                .collect::<Vec<Value>>(),
            "chance": band(before.band),
            "enough": before.enough,
        },
    })
}

fn band(band: Option<Band>) -> Value {
    band.map_or(Value::Null, |band| json!({ "low": band.low, "high": band.high }))
}

fn supply(of: &TankCheck, plan: &RunPlan, media: Option<Metres>) -> Value {
    let need = of.queue.as_ref().ok().map(|queue| queue.need());
    let metres = |area: Option<f64>| area.and_then(|area| plan.metres_after(area, media));
    json!({
        "label": of.tank.label,
        "role": of.tank.role,
        "measure": of.tank.measure,
        "inside": match of.tank.inside {
            Inside::Told(_) => "told",
            Inside::SomeLeft(_) => "some_left",
            Inside::Unlimited => "unlimited",
            Inside::Untold(_) => "untold",
        },
        "left": of.tank.inside.left().map(|left| json!({ "low": left.low(), "high": left.high() })),
        "need": need.map(|need| json!({
            "mean": need.mean, "cv": need.cv,
            "early": need.quantile(0.1), "middle": need.quantile(0.5), "late": need.quantile(0.9),
        })),
        "per_m2": of.queue.as_ref().ok().map(|queue| queue.runs.iter()
            .map(|(_, takes)| json!({ "mean": takes.mean, "cv": takes.cv, "doubt": takes.doubt }))
            .collect::<Vec<Value>>()),
        "basis": basis(of.basis),
        "rests": of.rests,
        "chance": of.chance.as_ref().ok(),
        "reach_m2": of.reach.map(|reach| json!({
            "early": reach.early, "middle": reach.middle, "late": reach.late,
        })),
        "reach_m": of.reach.map(|reach| json!({
            "early": metres(reach.early), "middle": metres(reach.middle), "late": metres(reach.late),
        })),
    })
}

fn basis(basis: Option<Basis>) -> Value {
    match basis {
        None => Value::Null,
        Some(Basis::Given) => json!({ "from": "given" }),
        Some(Basis::Assumed) => json!({ "from": "assumed" }),
        Some(Basis::Past { source, days, area }) => {
            let from = match source {
                Source::Counted => "life_count",
                Source::Logged => "logged_runs",
            };
            json!({ "from": from, "days": days, "area_m2": area })
        }
    }
}

fn head(of: &HeadCheck) -> Value {
    json!({
        "position": of.position.number(),
        "ml": of.ml,
        "limit_ml": of.limit_ml,
        "need_ml": of.need.mean,
        "passes": of.passes,
    })
}
