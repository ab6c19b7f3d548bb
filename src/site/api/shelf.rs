//! What lies on the shelf, what to order, and orders.

use axum::extract::rejection::PathRejection;
use axum::extract::{Path, State};
use axum::response::Response;
use serde_json::{Value, json};

use super::answer;
use crate::domain::order::Order;
use crate::domain::part::Price;
use crate::domain::shelf::Standing;
use crate::site::error::SiteError;
use crate::site::source::Source;
use crate::usecase::shelf::PartAsked;
use crate::usecase::view::{AdviceLine, LotLine, MovementLine, PartLine};

pub(super) async fn shelf<S: Source>(State(source): State<S>) -> Result<Response, SiteError> {
    let view = source.shelf().await?;
    Ok(answer(&json!({ "items": view.parts.iter().map(part).collect::<Vec<_>>() })))
}

pub(super) fn price(price: Option<&Price>) -> Value {
    price.map_or(Value::Null, |price| json!({ "minor": price.minor, "currency": price.currency.code() }))
}

fn part(line: &PartLine) -> Value {
    let part = &line.part;
    json!({
        "number": part.number,
        "label": part.label(),
        "kind": part.kind.word(),
        "colour": part.colour,
        "supplier": part.supplier,
        "price": price(part.price.as_ref()),
        "units": line.units,
        "machines": line.machines.named,
        "machines_in_all": line.machines.in_all,
        "lots": line.lots.iter().map(lot).collect::<Vec<_>>(),
    })
}

pub(super) async fn one<S: Source>(
    State(source): State<S>,
    path: Result<Path<String>, PathRejection>,
) -> Result<Response, SiteError> {
    let Path(number) = path.map_err(|_| SiteError::NoSuchPage)?;
    let missing = || SiteError::NoSuchPart(number.chars().take(64).collect());
    let view = source.part(&number, &PartAsked::default()).await?.ok_or_else(missing)?;
    let mut value = part(&view.line);
    value["take_from"] = json!(view.proposed);
    value["movements"] = view.movements.iter().map(movement).collect();
    Ok(answer(&value))
}

fn movement(line: &MovementLine) -> Value {
    let movement = &line.movement;
    json!({
        "id": movement.id,
        "lot": movement.lot,
        "kind": movement.kind.word(),
        "quantity": movement.quantity,
        "left_over": movement.left_over,
        "device": movement.device,
        "device_name": line.device_name,
        "slot": movement.slot.as_ref().map(|slot| slot.id),
        "at": movement.at,
        "who": movement.who,
        "why": movement.why,
    })
}

fn lot(line: &LotLine) -> Value {
    let lot = &line.lot;
    let (standing, idle) = match line.standing {
        Standing::Good => ("good", 0),
        Standing::Idle(units) => ("idle", units),
        Standing::Soon => ("soon", 0),
        Standing::Past => ("past", 0),
    };
    json!({
        "id": lot.id,
        "made_on": lot.made_on,
        "place": lot.place,
        "units": lot.units,
        "left_over": lot.left_over,
        "good_until": line.good_until,
        "standing": standing,
        "idle_units": idle,
    })
}

pub(super) async fn orders<S: Source>(State(source): State<S>) -> Result<Response, SiteError> {
    let view = source.orders().await?;
    Ok(answer(&json!({
        "advice": view.advice.iter().map(advice).collect::<Vec<_>>(),
        "orders": view.orders.iter().map(order).collect::<Vec<_>>(),
    })))
}

fn advice(line: &AdviceLine) -> Value {
    let advice = &line.advice;
    json!({
        "part": advice.part.number,
        "label": advice.part.label(),
        "units": advice.proposal.units,
        "order_by": advice.order_by,
        "on_shelf": advice.on_shelf,
        "on_order": advice.proposal.on_order,
        "supplier": advice.part.supplier,
        "price": price(advice.part.price.as_ref()),
        "why": line.why,
        "otherwise": line.otherwise,
        "draft_order": line.drafted.map(|(order, _)| order),
        "draft_units": line.drafted.map(|(_, units)| units),
    })
}

fn order(order: &Order) -> Value {
    let lines: Vec<Value> = order
        .lines
        .iter()
        .map(|line| {
            json!({
                "part": line.number,
                "label": line.label,
                "units": line.units,
                "received": line.received,
                "price": price(line.price.as_ref()),
            })
        })
        .collect();
    json!({
        "id": order.id,
        "supplier": order.supplier,
        "state": order.state.word(),
        "sent_at": order.sent_at,
        "expected_on": order.expected_on,
        "lines": lines,
    })
}
