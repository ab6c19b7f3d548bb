//! One part: its lots, its movements, and the forms that book them.

use askama::Template;
use axum::extract::rejection::PathRejection;
use axum::extract::{Path, RawQuery, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Redirect, Response};
use jiff::tz::TimeZone;

use super::shelf::{PartRow, day_in_full, left_words, part_href};
use super::supply::supply_href;
use super::{Moment, Page, Section, html};
use crate::domain::ids::{LotId, SlotId};
use crate::domain::part::Part;
use crate::domain::shelf::{Lot, MovementKind};
use crate::report::shelf_csv::made_on;
use crate::site::error::SiteError;
use crate::site::form::{Fault, Fields, FormView, Sent, Tried, keep};
use crate::site::format;
use crate::site::source::Source;
use crate::usecase::book::{Booking, Note, Refusal};
use crate::usecase::shelf::{PartAsked, SLOTS_TO_CHOOSE};
use crate::usecase::view::{MovementLine, PartView};

struct Fact {
    term: &'static str,
    text: String,
}

struct MovementRow {
    at: Moment,
    quantity: String,
    lot: String,
    /// The machine's address and words.
    machine: Option<(String, String)>,
    left: Option<String>,
    who: String,
    why: String,
}

#[derive(Template)]
#[template(path = "pages/part.html")]
struct PartPage {
    page: Page,
    row: PartRow,
    facts: Vec<Fact>,
    forms: Vec<FormView>,
    /// What is looked for among many machines that take it.
    find: Option<String>,
    nobody_found: bool,
    movements: Vec<MovementRow>,
    /// What has just been booked.
    done: Option<String>,
    failed: bool,
}

/// What has just been done, as the address says it.
enum Told {
    Nothing,
    Booked(i64),
    Written,
}

pub(crate) async fn show<S: Source>(
    State(source): State<S>,
    number: Result<Path<String>, PathRejection>,
    RawQuery(query): RawQuery,
) -> Result<Response, SiteError> {
    let Path(number) = number.map_err(|_| SiteError::NoSuchPage)?;
    let asked = Fields::of_query(query.as_deref());
    let told = match (asked.get("booked"), asked.get("written")) {
        (_, "1") => Told::Written,
        (movement, _) => movement.parse().map_or(Told::Nothing, Told::Booked),
    };
    page(&source, &number, (told, find(&asked)), &Tried::default()).await
}

/// Books what a form says, and leads back to the page; or shows it again with what is wrong.
pub(crate) async fn book<S: Source>(
    State(source): State<S>,
    address: Result<Path<(String, String)>, PathRejection>,
    sent: Sent,
) -> Result<Response, SiteError> {
    let Path((number, action)) = address.map_err(|_| SiteError::NoSuchPage)?;
    let fields = Fields::of(sent)?;
    let faults = match read(&action, &fields).ok_or(SiteError::NoSuchPage)? {
        Err(faults) => faults,
        Ok((booking, note)) => match source.book(&number, booking, note, fields.token()).await? {
            Ok(movement) => {
                let back = format!("{}?booked={movement}", part_href(&number));
                return Ok(Redirect::to(&back).into_response());
            }
            Err(Refusal::NoSuchPart(_)) => {
                return Err(SiteError::NoSuchPart(number.chars().take(64).collect()));
            }
            Err(refusal) => {
                vec![Fault::new(refusal.field(), format!("{}.", format::capital(&refusal.to_string())))]
            }
        },
    };
    let tried = Tried { form: action, fields, faults };
    let mut response = page(&source, &number, (Told::Nothing, String::new()), &tried).await?;
    *response.status_mut() = StatusCode::UNPROCESSABLE_ENTITY;
    Ok(response)
}

/// What a form says; `None` if there is no such form.
fn read(action: &str, fields: &Fields) -> Option<Result<(Booking, Note), Vec<Fault>>> {
    let mut faults = Vec::new();
    let lot = |faults: &mut Vec<Fault>| keep(fields.chosen("lot"), faults).map(LotId);
    let booking = match action {
        "receive" => {
            let units = keep(fields.whole("units"), &mut faults);
            let made = made_on(fields.get("made_on"));
            let made = made.ok_or_else(|| Fault::new("made_on", "Write it as 2025-03-14 or 2025-03."));
            let made_on = keep(made, &mut faults);
            let place = keep(fields.text("place"), &mut faults);
            let all = || Some(Booking::Receive { made_on: made_on?, place: place?, units: units? });
            all()
        }
        "issue" => {
            let to = keep(fields.chosen("to"), &mut faults).map(SlotId);
            let lot = match fields.get("lot") {
                "" => Some(None),
                _ => lot(&mut faults).map(Some),
            };
            lot.zip(to).map(|(lot, to)| Booking::Issue { lot, to })
        }
        "return" => {
            let left = keep(left(fields.get("left")), &mut faults);
            lot(&mut faults).zip(left).map(|(lot, left)| Booking::Return { lot, left })
        }
        "count" => {
            let units = keep(fields.whole("units"), &mut faults);
            lot(&mut faults).zip(units).map(|(lot, units)| Booking::Count { lot, units })
        }
        "write-off" => {
            let units = keep(fields.whole("units"), &mut faults);
            keep(fields.text("why"), &mut faults);
            lot(&mut faults).zip(units).map(|(lot, units)| Booking::WriteOff { lot, units })
        }
        _ => return None,
    };
    let note = note(fields, &mut faults);
    Some(match booking.zip(note) {
        Some(read) if faults.is_empty() => Ok(read),
        _ => Err(faults),
    })
}

/// Who and why.
pub(crate) fn note(fields: &Fields, faults: &mut Vec<Fault>) -> Option<Note> {
    let who = keep(fields.who(), faults);
    let why = match fields.get("why") {
        "" => Some(String::new()),
        _ if faults.iter().any(|fault| fault.field == "why") => None,
        _ => keep(fields.text("why"), faults),
    };
    Some(Note { who: who?, why: why? })
}

fn left(text: &str) -> Result<Option<f64>, Fault> {
    match text {
        "" => Ok(None),
        text => match text.parse::<f64>() {
            Ok(left) if (0.0..1e9).contains(&left) => Ok(Some(left)),
            _ => Err(Fault::new("left", "Write a number, such as 310, or leave it blank.")),
        },
    }
}

/// What is looked for among many machines.
fn find(asked: &Fields) -> String {
    asked.get("find").chars().take(100).collect()
}

async fn page<S: Source>(
    source: &S,
    number: &str,
    (told, find): (Told, String),
    tried: &Tried,
) -> Result<Response, SiteError> {
    let missing = || SiteError::NoSuchPart(number.chars().take(64).collect());
    // What was chosen before a form was refused stays chosen, however many machines there are.
    let chosen = tried.fields.get("to").parse().ok().map(SlotId);
    let asked = PartAsked { find, chosen };
    let view = source.part(number, &asked).await?.ok_or_else(missing)?;
    let zone = source.zone();
    let part = &view.line.part;
    let row = PartRow::of(&view.line, view.today);
    let movements: Vec<MovementRow> = view.movements.iter().map(|line| movement(line, part, &zone)).collect();
    let done = match told {
        Told::Nothing => None,
        Told::Written => Some("It is written in the catalogue.".to_owned()),
        Told::Booked(movement) => {
            let known = view.movements.iter().position(|line| line.movement.id.0 == movement);
            known.map(|at| &movements[at]).map(|row| format!("Booked: {}, {}.", row.quantity, row.lot))
        }
    };
    let page = PartPage {
        page: Page::new(source, Section::Shelf, part.number.clone()),
        facts: facts(part),
        forms: forms(&view, &row.href, tried),
        nobody_found: view.slots.found == 0,
        find: (view.slots.in_all > SLOTS_TO_CHOOSE).then_some(asked.find),
        done,
        failed: !tried.faults.is_empty(),
        row,
        movements,
    };
    Ok(html(&page)?.into_response())
}

fn facts(part: &Part) -> Vec<Fact> {
    let mut facts = vec![Fact { term: "Kept", text: part.kept().to_owned() }];
    let mut add = |term, text: Option<String>| facts.extend(text.map(|text| Fact { term, text }));
    let days = |days: f64| format!("{days:.0} day{}", if days.round() == 1.0 { "" } else { "s" });
    add("Good for", part.shelf_life_months.map(|months| format!("{months} months from its manufacture")));
    add("Price", part.price.map(|price| price.to_string()));
    add("Supplier", part.supplier.clone());
    add(
        "Takes to arrive",
        part.lead.map(|lead| match lead.spread_days {
            Some(spread) => format!("{}, give or take {}", days(lead.mean_days), days(spread)),
            None => days(lead.mean_days),
        }),
    );
    add("Packs of", (part.pack_size > 1).then(|| part.pack_size.to_string()));
    add("Order at least", (part.minimum_order > 1).then(|| part.minimum_order.to_string()));
    let models = if part.models.is_empty() { "any".to_owned() } else { part.models.join("; ") };
    add("Fits models", Some(models));
    facts
}

fn movement(line: &MovementLine, part: &Part, zone: &TimeZone) -> MovementRow {
    let movement = &line.movement;
    let (units, one) = (movement.quantity.unsigned_abs(), movement.quantity.unsigned_abs() == 1);
    let kind = match movement.kind {
        MovementKind::Received => "received",
        MovementKind::Issued => "issued",
        MovementKind::Returned => "came back",
        MovementKind::Counted => "counted",
        MovementKind::WrittenOff => "written off",
    };
    let quantity = match (movement.kind, movement.quantity) {
        (MovementKind::Counted, 0) => "counted, as booked".to_owned(),
        (MovementKind::Counted, 1..) => format!("counted, {units} more than booked"),
        (MovementKind::Counted, _) => format!("counted, {units} fewer than booked"),
        _ => format!("{units} unit{} {kind}", if one { "" } else { "s" }),
    };
    let machine = movement.device.map(|device| {
        let name = line.device_name.clone().unwrap_or_default();
        match &movement.slot {
            Some(slot) => (supply_href(slot), format!("{name}, {}", slot.label())),
            None => (format!("/machines/{device}"), name),
        }
    });
    MovementRow {
        at: Moment::new(movement.at, zone),
        quantity,
        lot: format!("made {}, {}", day_in_full(line.made_on), line.place),
        machine,
        left: movement.left_over.map(|left| left_words(left, part)),
        who: movement.who.clone(),
        why: movement.why.clone(),
    }
}

fn forms(view: &PartView, href: &str, tried: &Tried) -> Vec<FormView> {
    let lots: Vec<&Lot> = view.line.lots.iter().map(|line| &line.lot).collect();
    let named = |lot: &Lot, count: String| {
        let used = if lot.left_over.is_some() { ", part-used" } else { "" };
        (lot.id.to_string(), format!("made {}, {}{used}{count}", day_in_full(lot.made_on), lot.place))
    };
    let on_shelf: Vec<(String, String)> =
        lots.iter().map(|lot| named(lot, format!(" ({} there)", lot.units))).collect();
    let form = |name, title, button| FormView::new(format!("{href}/{name}"), (name, title, button), tried);
    let mut forms = Vec::new();
    if !on_shelf.is_empty() && !view.slots.lines.is_empty() {
        forms.push(issue(form("issue", "Issue one to a machine", "Issue it"), view, &on_shelf, tried));
    }
    let place = lots.last().map_or("", |lot| lot.place.as_str());
    forms.push(
        form("receive", "Receive", "Receive them")
            .line(("units", "Units", ""), "numeric", "", tried)
            .line(
                ("made_on", "Made on", "As 2025-03-14, or 2025-03 if only that is printed on it."),
                "text",
                "",
                tried,
            )
            .line(("place", "Place", ""), "text", place, tried)
            .signed("Such as the number of the delivery.", tried),
    );
    if !view.out.is_empty() {
        let out = view.out.iter().map(|lot| named(lot, format!(" ({} out)", lot.out))).collect();
        forms.push(
            form("return", "Take one back", "Take it back")
                .choice(("lot", "Which", ""), out, tried)
                .line(("left", "Left in it", &left_hint(&view.line.part)), "decimal", "", tried)
                .signed("", tried),
        );
    }
    if !on_shelf.is_empty() {
        forms.push(
            form("count", "Count", "Book the count")
                .choice(("lot", "Which", ""), on_shelf.clone(), tried)
                .line(("units", "Units that lie there", ""), "numeric", "", tried)
                .signed("", tried),
        );
        forms.push(
            form("write-off", "Write off", "Write them off")
                .choice(("lot", "Which", ""), on_shelf, tried)
                .line(("units", "Units", ""), "numeric", "", tried)
                .signed("Such as: leaked, past its date.", tried),
        );
    }
    forms
}

fn issue(form: FormView, view: &PartView, on_shelf: &[(String, String)], tried: &Tried) -> FormView {
    let mut lots = on_shelf.to_vec();
    // The one to take stands first, and is chosen if nobody chooses.
    if let Some(proposed) = view.proposed.map(|lot| lot.to_string())
        && let Some(at) = lots.iter().position(|(value, _)| *value == proposed)
    {
        let first = lots.remove(at);
        lots.insert(0, (first.0, format!("the oldest: {}", first.1)));
    }
    let more = view.slots.found.saturating_sub(view.slots.lines.len());
    let hint = match more {
        0 => String::new(),
        _ => format!(
            "These end first; {} more are found by their machine’s name, above.",
            format::count(u64::try_from(more).unwrap_or(u64::MAX))
        ),
    };
    let to = view.slots.lines.iter().map(|choice| {
        (choice.slot.id.to_string(), format!("{}, {}", choice.device_name, choice.slot.label()))
    });
    form.choice(("to", "To", &hint), to.collect(), tried)
        .choice(("lot", "Which", ""), lots, tried)
        .signed("", tried)
}

fn left_hint(part: &Part) -> String {
    match part.capacity {
        Some((_, measure)) => {
            format!("In {}; leave it blank if it was never opened.", measure.word())
        }
        None => "Leave it blank if it was never opened.".to_owned(),
    }
}
