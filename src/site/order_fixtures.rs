//! Orders, and what is advised, for the pages' tests.

use jiff::civil::date;

use super::fixtures::{TODAY, at};
use crate::domain::ids::{OrderId, PartId};
use crate::domain::order::{Line, Order, OrderState};
use crate::domain::part::LeadTime;
use crate::domain::reorder::Proposal;
use crate::domain::reorder::room::PartAdvice;
use crate::site::shelf_fixtures::shelf;
use crate::store::orders::OrderStep;
use crate::usecase::view::{AdviceLine, OrderView, OrdersView};

pub(crate) fn none_ordered() -> OrdersView {
    OrdersView { today: TODAY, advice: vec![], others: vec![], orders: vec![], parts: vec![] }
}

fn line(number: &str, units: u32, received: u32) -> Line {
    let part = shelf("Bobbin").parts[0].part.clone();
    let (number, label) = (number.to_owned(), part.label());
    Line { part: PartId(1), number, label, units, received, price: part.price }
}

fn an_order(id: i64, state: OrderState) -> Order {
    let sent = state != OrderState::Draft;
    Order {
        id: OrderId(id),
        supplier: Some("Opera stores".to_owned()),
        state,
        lines: vec![line("VO-C/775", 3, u32::from(state == OrderState::PartlyReceived))],
        sent_at: sent.then(|| at("2026-11-20T09:15:00Z")),
        expected_on: sent.then_some(date(2026, 11, 27)),
    }
}

pub(crate) fn advice(machine: &str) -> AdviceLine {
    let part = shelf(machine).parts[0].part.clone();
    let advice = PartAdvice {
        id: PartId(1),
        part,
        proposal: Proposal {
            units: 2,
            order_in: 2,
            up_to: 2,
            usable: 0,
            on_order: 0,
            too_many: 0,
            without: Some((9, 14)),
        },
        order_by: date(2026, 11, 27),
        lead: LeadTime { mean_days: 7.0, spread_days: None },
        deliveries: 0,
        on_shelf: 0,
        machines: vec![machine.to_owned()],
        first: None,
        slots: 1,
        past_order_point: 0,
        without: Some((date(2026, 12, 4), date(2026, 12, 9))),
    };
    AdviceLine { why: advice.why(0.7), otherwise: advice.otherwise(), drafted: None, moved: false, advice }
}

pub(crate) fn orders(machine: &str) -> OrdersView {
    OrdersView {
        today: TODAY,
        advice: vec![advice(machine)],
        others: vec![],
        orders: vec![
            an_order(9, OrderState::Draft),
            an_order(7, OrderState::PartlyReceived),
            an_order(5, OrderState::Cancelled),
        ],
        parts: shelf(machine).parts.into_iter().map(|line| line.part).collect(),
    }
}

pub(crate) fn order_view(order: OrderId) -> Option<OrderView> {
    let order = orders("Bobbin").orders.into_iter().find(|known| known.id == order)?;
    let step = OrderStep {
        at: at("2026-11-20T09:15:00Z"),
        step: "drafted".to_owned(),
        who: "print room".to_owned(),
        why: String::new(),
    };
    Some(OrderView { today: TODAY, order, steps: vec![step], places: vec!["Shelf B".to_owned()] })
}
