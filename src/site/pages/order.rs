//! One order: its sheet for the supplier, and the forms that take it on.

use askama::Template;
use axum::extract::rejection::PathRejection;
use axum::extract::{Path, State};
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Redirect, Response};

use super::orders::{fault_of, order_href};
use super::part::note;
use super::shelf::part_href;
use super::{Moment, Page, Section, html};
use crate::domain::ids::OrderId;
use crate::domain::order::{Line, Order, OrderState};
use crate::report::order as files;
use crate::report::shelf_csv::made_on;
use crate::site::error::SiteError;
use crate::site::form::{Fault, Field, Fields, FormView, Sent, Tried, keep};
use crate::site::format;
use crate::site::source::Source;
use crate::usecase::book::Note;
use crate::usecase::orders::{Act, Came};
use crate::usecase::view::OrderView;

struct LineRow {
    href: String,
    number: String,
    label: String,
    units: u32,
    received: u32,
    price: String,
    total: String,
}

struct StepRow {
    at: Moment,
    step: String,
    who: String,
    why: String,
}

/// A form with fields for each line of the order.
struct OrderForm {
    form: FormView,
    /// What each group of fields is about.
    groups: Vec<(String, Vec<Field>)>,
    /// What is to be known before it is sent.
    note: &'static str,
}

#[derive(Template)]
#[template(path = "pages/order.html")]
struct OrderPage {
    page: Page,
    number: String,
    href: String,
    about: String,
    lines: Vec<LineRow>,
    totals: Vec<String>,
    came: bool,
    forms: Vec<OrderForm>,
    mail: String,
    text: String,
    steps: Vec<StepRow>,
    failed: bool,
}

fn number(text: &str) -> Result<OrderId, SiteError> {
    let digits = !text.is_empty() && text.len() <= 18 && text.bytes().all(|byte| byte.is_ascii_digit());
    let number = text.parse().ok().filter(|_| digits).map(OrderId);
    number.ok_or_else(|| SiteError::NoSuchOrder(text.chars().take(64).collect()))
}

/// The page, or the order as a file where its number ends in `.csv` or `.txt`.
pub(crate) async fn show<S: Source>(
    State(source): State<S>,
    order: Result<Path<String>, PathRejection>,
) -> Result<Response, SiteError> {
    let Path(name) = order.map_err(|_| SiteError::NoSuchPage)?;
    for (ending, kind) in [(".csv", "text/csv; charset=utf-8"), (".txt", "text/plain; charset=utf-8")] {
        let Some(order) = name.strip_suffix(ending) else { continue };
        let view = find(&source, number(order)?).await?;
        let bytes = match ending {
            ".csv" => files::csv(&view.order)?,
            _ => files::text(&view.order, view.today).into_bytes(),
        };
        let disposition = format!("attachment; filename=\"order-{name}\"");
        return Ok((
            [(header::CONTENT_TYPE, kind.to_owned()), (header::CONTENT_DISPOSITION, disposition)],
            bytes,
        )
            .into_response());
    }
    page(&source, number(&name)?, &Tried::default()).await
}

/// Takes the order one step on, and leads back to its page; or shows it again with what is wrong.
pub(crate) async fn act<S: Source>(
    State(source): State<S>,
    address: Result<Path<(String, String)>, PathRejection>,
    sent: Sent,
) -> Result<Response, SiteError> {
    let Path((name, action)) = address.map_err(|_| SiteError::NoSuchPage)?;
    let order = number(&name)?;
    let view = find(&source, order).await?;
    let fields = Fields::of(sent)?;
    let mut faults = Vec::new();
    let what = read(&action, &view.order, &fields, &mut faults).ok_or(SiteError::NoSuchPage)?;
    let note: Option<Note> = note(&fields, &mut faults);
    if let (Some(note), true) = (note, faults.is_empty()) {
        match source.order_act(order, what, note, fields.token()).await? {
            Ok(order) => return Ok(Redirect::to(&order_href(order)).into_response()),
            Err(refusal) => faults.push(fault_of(&refusal)),
        }
    }
    let mut response = page(&source, order, &Tried { form: action, fields, faults }).await?;
    *response.status_mut() = StatusCode::UNPROCESSABLE_ENTITY;
    Ok(response)
}

/// What a form says; `None` if there is no such form.
fn read(action: &str, order: &Order, fields: &Fields, faults: &mut Vec<Fault>) -> Option<Act> {
    Some(match action {
        "send" => Act::Send,
        "cancel" => Act::Cancel,
        "change" => {
            let units = order
                .lines
                .iter()
                .filter_map(|line| Some((line.part, keep(whole(fields, &name("units", line)), faults)?)));
            Act::Change(units.collect())
        }
        "receive" => {
            let mut all = Vec::new();
            for line in &order.lines {
                let units = name("units", line);
                if matches!(fields.get(&units), "" | "0") {
                    continue;
                }
                let units = keep(whole(fields, &units), faults);
                let day = name("made_on", line);
                let made = made_on(fields.get(&day))
                    .ok_or_else(|| Fault::new(day, "Write it as 2025-03-14 or 2025-03."));
                let made_on = keep(made, faults);
                let place = name("place", line);
                let place = match fields.get(&place) {
                    "" => keep(Err(Fault::new(place, "Fill this in.")), faults),
                    text => Some(text.to_owned()),
                };
                if let (Some(units), Some(made_on), Some(place)) = (units, made_on, place) {
                    all.push(Came { part: line.number.clone(), units, made_on, place });
                }
            }
            Act::Receive(all)
        }
        _ => return None,
    })
}

fn name(field: &str, line: &Line) -> String {
    format!("{field}-{}", line.part)
}

fn whole(fields: &Fields, name: &str) -> Result<u32, Fault> {
    let text = fields.get(name);
    let digits = !text.is_empty() && text.bytes().all(|byte| byte.is_ascii_digit());
    text.parse().ok().filter(|_| digits).ok_or_else(|| Fault::new(name, "Write a whole number, such as 2."))
}

async fn find<S: Source>(source: &S, order: OrderId) -> Result<OrderView, SiteError> {
    source.order(order).await?.ok_or_else(|| SiteError::NoSuchOrder(order.to_string()))
}

async fn page<S: Source>(source: &S, order: OrderId, tried: &Tried) -> Result<Response, SiteError> {
    let view = find(source, order).await?;
    let (order, zone) = (&view.order, source.zone());
    let text = files::text(order, view.today);
    let line = |line: &Line| LineRow {
        href: part_href(&line.number),
        number: line.number.clone(),
        label: line.label.clone(),
        units: line.units,
        received: line.received,
        price: line.price.map(|price| price.to_string()).unwrap_or_default(),
        total: line.total().map(|price| price.to_string()).unwrap_or_default(),
    };
    let page = OrderPage {
        page: Page::new(source, Section::Orders, format!("Order {}", order.id)),
        number: order.id.to_string(),
        href: order_href(order.id),
        about: about(&view),
        lines: order.lines.iter().map(line).collect(),
        totals: order.totals().iter().map(ToString::to_string).collect(),
        came: order.lines.iter().any(|line| line.received > 0),
        forms: forms(&view, tried),
        mail: mail(order, &text),
        text,
        steps: view
            .steps
            .iter()
            .map(|step| StepRow {
                at: Moment::new(step.at, &zone),
                step: format::capital(&step.step),
                who: step.who.clone(),
                why: step.why.clone(),
            })
            .collect(),
        failed: !tried.faults.is_empty(),
    };
    Ok(html(&page)?.into_response())
}

fn about(view: &OrderView) -> String {
    let order = &view.order;
    let to = order.supplier.as_ref().map_or_else(String::new, |supplier| format!(" to {supplier}"));
    let when = match order.expected_on {
        Some(day) if order.state.is_under_way() && day < view.today => {
            format!("; late, it was expected {}", format::weekday(day, view.today))
        }
        Some(day) if order.state.is_under_way() => format!("; expected {}", format::weekday(day, view.today)),
        _ => String::new(),
    };
    format!("{}{to}{when}", format::capital(order.state.plain()))
}

/// A link that opens a mail with the order in it (RFC 6068): lines end in CR LF, and what may mean something in
/// an address is written in percent.
fn mail(order: &Order, text: &str) -> String {
    let percent = |text: &str| {
        let mut written = String::new();
        for byte in text.bytes() {
            if byte.is_ascii_alphanumeric() || b"-._~".contains(&byte) {
                written.push(char::from(byte));
            } else {
                written.push_str(&format!("%{byte:02X}"));
            }
        }
        written
    };
    let subject = percent(&format!("Order {}", order.id));
    format!("mailto:?subject={subject}&body={}", percent(&text.replace('\n', "\r\n")))
}

fn forms(view: &OrderView, tried: &Tried) -> Vec<OrderForm> {
    let order = &view.order;
    let form = |name: &'static str, title, button| {
        FormView::new(format!("{}/{name}", order_href(order.id)), (name, title, button), tried)
    };
    let plain = |form: FormView, note| OrderForm { form: form.signed("", tried), groups: Vec::new(), note };
    let cancel = |title| plain(form("cancel", title, "Cancel it"), "What has come stays on the shelf.");
    match order.state {
        OrderState::Draft => vec![
            plain(
                form("send", "Send", "It is sent"),
                "Send the text or the sheet to the supplier first: nothing goes out by itself.",
            ),
            change(form("change", "Change", "Change it"), order, tried),
            cancel("Cancel this draft"),
        ],
        OrderState::Sent | OrderState::PartlyReceived => vec![
            receive(form("receive", "Receive", "Put it on the shelf"), view, tried),
            cancel("Cancel what is missing"),
        ],
        OrderState::Received | OrderState::Cancelled => Vec::new(),
    }
}

fn change(form: FormView, order: &Order, tried: &Tried) -> OrderForm {
    let group = |line: &Line| {
        let field =
            Field::line(&form, name("units", line), ("Units", ""), "numeric", &line.units.to_string(), tried);
        (format!("{}, {}", line.number, line.label), vec![field])
    };
    let groups: Vec<_> = order.lines.iter().map(group).collect();
    let form = form.signed("", tried);
    OrderForm { form: beside(form, &groups), groups, note: "With 0 units a part is taken off the order." }
}

fn receive(form: FormView, view: &OrderView, tried: &Tried) -> OrderForm {
    let missing = view.order.lines.iter().zip(&view.places).filter(|(line, _)| line.missing() > 0);
    let groups: Vec<_> = missing
        .map(|(line, place)| {
            let field = |what: &str, label: (&'static str, &str), keys, usual: &str| {
                Field::line(&form, name(what, line), label, keys, usual, tried)
            };
            let fields = vec![
                field("units", ("Units that came", ""), "numeric", ""),
                field("made_on", ("Made on", "As 2025-03-14, or 2025-03."), "text", ""),
                field("place", ("Place", ""), "text", place),
            ];
            (format!("{}, {}: {} missing", line.number, line.label, line.missing()), fields)
        })
        .collect();
    let form = form.signed("Such as the number of the delivery.", tried);
    OrderForm { form: beside(form, &groups), groups, note: "What is left blank did not come." }
}

/// A fault that stands beside a field is not told on top again.
fn beside(form: FormView, groups: &[(String, Vec<Field>)]) -> FormView {
    let told = groups.iter().flat_map(|(_, fields)| fields).any(|field| field.error.is_some());
    FormView { error: form.error.filter(|_| !told), ..form }
}
