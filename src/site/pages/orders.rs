//! Orders: what to order, what is under way, and what came of the rest.

use askama::Template;
use axum::extract::{RawQuery, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Redirect, Response};
use jiff::civil::Date;

use super::part::note;
use super::shelf::part_href;
use super::{AlmanacDay, Page, Section, html};
use crate::actor;
use crate::domain::ids::OrderId;
use crate::domain::order::Order;
use crate::site::error::SiteError;
use crate::site::form::{Fault, Fields, FormView, Sent, Tried, fresh_token, keep};
use crate::site::format;
use crate::site::source::Source;
use crate::usecase::book::Note;
use crate::usecase::orders::OrderRefusal;
use crate::usecase::view::{AdviceLine, OrdersView};

/// What to order of a part, with the button that puts it on an order.
pub(crate) struct AdviceRow {
    pub(crate) day: AlmanacDay,
    pub(crate) headline: String,
    pub(crate) href: String,
    pub(crate) why: String,
    pub(crate) otherwise: Option<String>,
    pub(crate) put: PutOn,
}

/// A button that puts so many units of a part on an order; or where they are already.
pub(crate) struct PutOn {
    pub(crate) number: String,
    pub(crate) units: u32,
    pub(crate) token: String,
    /// The draft's address and words.
    pub(crate) drafted: Option<(String, String)>,
    /// Whether what is advised has been overtaken.
    pub(crate) moved: bool,
}

impl PutOn {
    pub(crate) fn of(line: &AdviceLine) -> Self {
        Self {
            number: line.advice.part.number.clone(),
            units: line.advice.proposal.units,
            token: fresh_token(),
            moved: line.moved,
            drafted: line
                .drafted
                .map(|(order, units)| (order_href(order), format!("{units} on order {order}, a draft"))),
        }
    }
}

/// An order in a line.
struct OrderRow {
    href: String,
    number: String,
    state: &'static str,
    supplier: String,
    parts: String,
    expected: String,
}

#[derive(Template)]
#[template(path = "pages/orders.html")]
struct OrdersPage {
    page: Page,
    heading: String,
    advice: Vec<AdviceRow>,
    others: Vec<AdviceRow>,
    open: Vec<OrderRow>,
    closed: Vec<OrderRow>,
    form: Option<FormView>,
    failed: bool,
}

pub(crate) fn order_href(order: OrderId) -> String {
    format!("/orders/{order}")
}

pub(crate) async fn show<S: Source>(
    State(source): State<S>,
    RawQuery(_): RawQuery,
) -> Result<Response, SiteError> {
    page(&source, &Tried::default()).await
}

/// Puts a part on the draft to its supplier, and leads to it.
pub(crate) async fn draft<S: Source>(State(source): State<S>, sent: Sent) -> Result<Response, SiteError> {
    let fields = Fields::of(sent)?;
    let mut faults = Vec::new();
    let part = keep(fields.text("part"), &mut faults);
    let units = keep(fields.whole("units"), &mut faults);
    // A draft binds nobody: the button beside an advice asks for no name.
    let quick = fields.get("quick") == "1" && actor::current().is_none_or(|actor| actor.id().is_none());
    let note = match fields.get("who") {
        "" if quick => Some(Note { who: "from what is advised".to_owned(), why: String::new() }),
        _ => note(&fields, &mut faults),
    };
    if let (Some(part), Some(units), Some(note), true) = (part, units, note, faults.is_empty()) {
        match source.draft(&part, units, note, fields.token()).await? {
            Ok(order) => return Ok(Redirect::to(&order_href(order)).into_response()),
            Err(refusal) => faults.push(fault_of(&refusal)),
        }
    }
    let mut response = page(&source, &Tried { form: "draft".to_owned(), fields, faults }).await?;
    *response.status_mut() = StatusCode::UNPROCESSABLE_ENTITY;
    Ok(response)
}

/// What is refused, beside the field that it is about.
pub(crate) fn fault_of(refusal: &OrderRefusal) -> Fault {
    let field = match refusal {
        OrderRefusal::Units(_) => "units",
        OrderRefusal::NoSuchPart(_) => "part",
        OrderRefusal::Empty(field) => field,
        _ => "",
    };
    Fault::new(field, format!("{}.", format::capital(&refusal.to_string())))
}

async fn page<S: Source>(source: &S, tried: &Tried) -> Result<Response, SiteError> {
    let view = source.orders().await?;
    let row = |order: &&Order| order_row(order, view.today);
    let advice = |line: &AdviceLine| AdviceRow {
        day: AlmanacDay::new(line.advice.order_by, view.today),
        headline: line.advice.headline(),
        href: part_href(&line.advice.part.number),
        why: format!("{}.", format::capital(&line.why)),
        otherwise: line.otherwise.as_ref().map(|text| format!("{}.", format::capital(text))),
        put: PutOn::of(line),
    };
    let page = OrdersPage {
        page: Page::new(source, Section::Orders, "Orders"),
        heading: heading(&view),
        advice: view.advice.iter().map(advice).collect(),
        others: view
            .others
            .iter()
            .map(|task| AdviceRow {
                day: AlmanacDay::new(task.due, view.today),
                headline: task.what.clone(),
                href: task.device.map_or_else(|| "/".to_owned(), |device| format!("/machines/{device}")),
                why: format!("{}. No part in the catalogue fits it.", format::capital(&task.why)),
                otherwise: None,
                put: PutOn {
                    number: String::new(),
                    units: 0,
                    token: String::new(),
                    drafted: None,
                    moved: false,
                },
            })
            .collect(),
        open: view.orders.iter().filter(|order| !order.state.is_closed()).map(|order| row(&order)).collect(),
        closed: view.orders.iter().filter(|order| order.state.is_closed()).map(|order| row(&order)).collect(),
        form: (!view.parts.is_empty()).then(|| form(&view, tried)),
        failed: !tried.faults.is_empty(),
    };
    Ok(html(&page)?.into_response())
}

fn heading(view: &OrdersView) -> String {
    match view.advice.len() + view.others.len() {
        0 => "Nothing to order".to_owned(),
        1 => "One thing to order".to_owned(),
        n => format::capital(&format!("{} things to order", format::number_word(n))),
    }
}

fn form(view: &OrdersView, tried: &Tried) -> FormView {
    let parts =
        view.parts.iter().map(|part| (part.number.clone(), format!("{}, {}", part.number, part.label())));
    FormView::new("/orders".to_owned(), ("draft", "Put a part on an order", "Put it on the order"), tried)
        .choice(("part", "Part", ""), parts.collect(), tried)
        .line(("units", "Units", "The draft to its supplier then has so many of it."), "numeric", "", tried)
        .signed("", tried)
}

fn order_row(order: &Order, today: Date) -> OrderRow {
    let parts: Vec<String> = order
        .lines
        .iter()
        .map(|line| match line.received {
            0 => format!("{} {}", line.units, line.number),
            received => format!("{} {} ({received} came)", line.units, line.number),
        })
        .collect();
    let expected = order.expected_on.filter(|_| order.state.is_under_way());
    OrderRow {
        href: order_href(order.id),
        number: order.id.to_string(),
        state: order.state.plain(),
        supplier: order.supplier.clone().unwrap_or_default(),
        parts: if parts.is_empty() { "nothing on it".to_owned() } else { parts.join(", ") },
        expected: expected.map_or_else(String::new, |day| match day < today {
            true => format!("late: was expected {}", format::weekday(day, today)),
            false => format!("expected {}", format::weekday(day, today)),
        }),
    }
}
