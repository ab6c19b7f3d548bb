//! Orders: from what is advised to a draft, to the supplier, and onto the shelf.

use std::collections::BTreeMap;

use jiff::ToSpan;
use jiff::civil::Date;

use super::advice::Room;
use super::book::{Booking, Note, Refusal, book_in};
use super::once::{Token, settle, taken};
use super::shelf::Supplies;
use crate::domain::ids::{OrderId, PartId};
use crate::domain::order::{MOST_UNITS, Order, OrderState, Step, StepRefusal};
use crate::domain::outlook::Present;
use crate::domain::reorder::room::lead_of;
use crate::domain::rules::Practice;
use crate::store::orders::{OrderStep, Which};
use crate::store::{Result, Store, Work};

/// Why something is not done with an order. The text says what is the matter and with which thing.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum OrderRefusal {
    /// There is no order of that number.
    #[error("there is no order {0}")]
    NoSuchOrder(OrderId),
    /// The order is not in a state for it.
    #[error(transparent)]
    Step(#[from] StepRefusal),
    /// The catalogue does not have the part.
    #[error("no part '{0}' is in the catalogue")]
    NoSuchPart(String),
    /// Nothing, or more than anybody means.
    #[error("{0} is no number of units: write 1 to {MOST_UNITS}")]
    Units(u32),
    /// The shelf does not take what came.
    #[error("{part} is not received: {refusal}")]
    Shelf {
        /// The part's number.
        part: String,
        /// Why.
        refusal: Refusal,
    },
    /// A name is missing.
    #[error("it must not be empty")]
    Empty(&'static str),
}

/// What came of a part.
#[derive(Debug, Clone, PartialEq)]
pub struct Came {
    /// The part's number.
    pub part: String,
    /// How many.
    pub units: u32,
    /// When they were made.
    pub made_on: Date,
    /// Where they are put.
    pub place: String,
}

/// What is done with an order that is there.
#[derive(Debug, Clone, PartialEq)]
pub enum Act {
    /// Its parts get so many units; none take a part off it.
    Change(Vec<(PartId, u32)>),
    /// It goes to the supplier.
    Send,
    /// Some of it came.
    Receive(Vec<Came>),
    /// It is called off.
    Cancel,
}

type Told<T> = Result<std::result::Result<T, OrderRefusal>>;

/// Sees to it that the draft to a part's supplier has so many units of it.
///
/// # Errors
/// If the store cannot be reached.
pub async fn draft(
    store: &Store,
    part: &str,
    units: u32,
    note: &Note,
    token: Option<&Token>,
    present: &Present,
) -> Told<OrderId> {
    if !(1..=MOST_UNITS).contains(&units) {
        return Ok(Err(OrderRefusal::Units(units)));
    }
    if note.who.trim().is_empty() {
        return Ok(Err(OrderRefusal::Empty("who")));
    }
    let mut work = store.begin().await?;
    if let Some(before) = taken(&mut work, token, present.now).await? {
        return Ok(Ok(OrderId(before)));
    }
    let Some(stock) = Store::stocks_in(&mut work, Some(part)).await?.pop() else {
        return Ok(Err(OrderRefusal::NoSuchPart(part.chars().take(64).collect())));
    };
    let (order, made) = Store::put_draft(&mut work, stock.part.supplier.as_deref()).await?;
    Store::put_line(&mut work, order, stock.id, units).await?;
    write_step(&mut work, order, if made { "drafted" } else { "changed" }, note, present).await?;
    settle(&mut work, token, order.0).await?;
    work.commit().await?;
    Ok(Ok(order))
}

/// Does something with an order, or says why not; then nothing is changed.
///
/// # Errors
/// If the store cannot be reached.
pub async fn act(
    store: &Store,
    order: OrderId,
    what: &Act,
    note: &Note,
    token: Option<&Token>,
    present: &Present,
    practice: &Practice,
) -> Told<OrderId> {
    match what {
        Act::Change(lines) => change(store, order, lines, note, token, present).await,
        Act::Send => send(store, order, note, token, present, practice).await,
        Act::Receive(came) => receive(store, order, came, note, token, present).await,
        Act::Cancel => cancel(store, order, note, token, present).await,
    }
}

/// Sets how many units of its parts a draft has; none take a part off it.
///
/// # Errors
/// If the store cannot be reached.
async fn change(
    store: &Store,
    order: OrderId,
    lines: &[(PartId, u32)],
    note: &Note,
    token: Option<&Token>,
    present: &Present,
) -> Told<OrderId> {
    if let Some((_, units)) = lines.iter().find(|(_, units)| *units > MOST_UNITS) {
        return Ok(Err(OrderRefusal::Units(*units)));
    }
    let mut work = store.begin().await?;
    let found = match begin(&mut work, order, (note, token), present).await? {
        Begun::Before(order) => return Ok(Ok(order)),
        Begun::Refused(refusal) => return Ok(Err(refusal)),
        Begun::Order(found) => found,
    };
    if let Err(refusal) = found.after(&Step::Change) {
        return Ok(Err(refusal.into()));
    }
    for (part, units) in lines {
        let known = found.lines.iter().any(|line| line.part == *part);
        if !known {
            return Ok(Err(StepRefusal::NoSuchLine { order, part: part.to_string() }.into()));
        }
        Store::put_line(&mut work, order, *part, *units).await?;
    }
    write_step(&mut work, order, "changed", note, present).await?;
    settle(&mut work, token, order.0).await?;
    work.commit().await?;
    Ok(Ok(order))
}

/// Writes down that an order went to its supplier, and when it is expected.
///
/// # Errors
/// If the store cannot be reached.
async fn send(
    store: &Store,
    order: OrderId,
    note: &Note,
    token: Option<&Token>,
    present: &Present,
    practice: &Practice,
) -> Told<OrderId> {
    let room = Room::load(store).await?;
    let mut work = store.begin().await?;
    let found = match begin(&mut work, order, (note, token), present).await? {
        Begun::Before(order) => return Ok(Ok(order)),
        Begun::Refused(refusal) => return Ok(Err(refusal)),
        Begun::Order(found) => found,
    };
    if let Err(refusal) = found.after(&Step::Send) {
        return Ok(Err(refusal.into()));
    }
    let expected = expected_on(&found, &room, present, practice);
    Store::set_order_sent(&mut work, order, present.now, expected).await?;
    write_step(&mut work, order, "sent", note, present).await?;
    settle(&mut work, token, order.0).await?;
    work.commit().await?;
    Ok(Ok(order))
}

/// The day by which all of an order is expected if it is sent today.
fn expected_on(order: &Order, room: &Room, present: &Present, practice: &Practice) -> Date {
    let took = |part| room.took_days.get(&part).map_or(&[][..], Vec::as_slice);
    let stock = |part| room.stocks.iter().find(|stock| stock.id == part);
    let days = order.lines.iter().filter_map(|line| {
        let lead = lead_of(&stock(line.part)?.part, took(line.part), practice);
        Some(lead.mean_days.ceil() as i64)
    });
    let days = days.max().unwrap_or(i64::from(practice.lead_days)).clamp(0, 3650);
    let day = present.today().checked_add(days.days()).unwrap_or(Date::MAX);
    practice.calendar.working_day_from(day)
}

/// Receives what came of an order: all of it goes onto the shelf, or nothing.
///
/// # Errors
/// If the store cannot be reached.
async fn receive(
    store: &Store,
    order: OrderId,
    came: &[Came],
    note: &Note,
    token: Option<&Token>,
    present: &Present,
) -> Told<OrderId> {
    let mut work = store.begin().await?;
    let found = match begin(&mut work, order, (note, token), present).await? {
        Begun::Before(order) => return Ok(Ok(order)),
        Begun::Refused(refusal) => return Ok(Err(refusal)),
        Begun::Order(found) => found,
    };
    let mut sums: BTreeMap<PartId, u32> = BTreeMap::new();
    for one in came {
        let Some(line) = found.lines.iter().find(|line| line.number == one.part) else {
            return Ok(Err(StepRefusal::NoSuchLine { order, part: one.part.clone() }.into()));
        };
        let sum = sums.entry(line.part).or_default();
        *sum = sum.saturating_add(one.units);
    }
    let state = match found.after(&Step::Receive(sums)) {
        Ok(state) => state,
        Err(refusal) => return Ok(Err(refusal.into())),
    };
    // Two who receive at the same time lock parts in one order, or they would wait for ever.
    let mut came = came.to_vec();
    came.sort_by(|a, b| (&a.part, a.made_on, &a.place).cmp(&(&b.part, b.made_on, &b.place)));
    for one in came {
        if let Err(refusal) = put_on_shelf(&mut work, &found, &one, note, present).await? {
            return Ok(Err(OrderRefusal::Shelf { part: one.part, refusal }));
        }
    }
    Store::set_order_state(&mut work, order, state).await?;
    write_step(&mut work, order, "received", note, present).await?;
    settle(&mut work, token, order.0).await?;
    work.commit().await?;
    Ok(Ok(order))
}

async fn put_on_shelf(
    work: &mut Work,
    order: &Order,
    came: &Came,
    note: &Note,
    present: &Present,
) -> Result<std::result::Result<(), Refusal>> {
    let Came { part, units, made_on, place } = came;
    let booking = Booking::Receive { made_on: *made_on, place: place.clone(), units: *units };
    let of = format!("order {}", order.id);
    let why = if note.why.trim().is_empty() { of } else { format!("{of}: {}", note.why.trim()) };
    let note = Note { who: note.who.clone(), why };
    let booked = match book_in(work, part, &booking, &note, &Supplies::none(), present).await? {
        Ok(booked) => booked,
        Err(refusal) => return Ok(Err(refusal)),
    };
    Store::add_receipt(work, booked.movement, order.id, booked.lot.part).await?;
    Ok(Ok(()))
}

/// Calls an order off; what has come of it stays.
///
/// # Errors
/// If the store cannot be reached.
async fn cancel(
    store: &Store,
    order: OrderId,
    note: &Note,
    token: Option<&Token>,
    present: &Present,
) -> Told<OrderId> {
    let mut work = store.begin().await?;
    let found = match begin(&mut work, order, (note, token), present).await? {
        Begun::Before(order) => return Ok(Ok(order)),
        Begun::Refused(refusal) => return Ok(Err(refusal)),
        Begun::Order(found) => found,
    };
    let state = match found.after(&Step::Cancel) {
        Ok(state) => state,
        Err(refusal) => return Ok(Err(refusal.into())),
    };
    debug_assert_eq!(state, OrderState::Cancelled);
    Store::set_order_state(&mut work, order, state).await?;
    write_step(&mut work, order, "cancelled", note, present).await?;
    settle(&mut work, token, order.0).await?;
    work.commit().await?;
    Ok(Ok(order))
}

/// What the work on an order begins with.
enum Begun {
    /// The form was booked before, and led there.
    Before(OrderId),
    Refused(OrderRefusal),
    /// The order, which nobody else works on until the work ends.
    Order(Order),
}

async fn begin(
    work: &mut Work,
    order: OrderId,
    (note, token): (&Note, Option<&Token>),
    present: &Present,
) -> Result<Begun> {
    if note.who.trim().is_empty() {
        return Ok(Begun::Refused(OrderRefusal::Empty("who")));
    }
    if let Some(before) = taken(work, token, present.now).await? {
        return Ok(Begun::Before(OrderId(before)));
    }
    Store::lock_order(work, order).await?;
    let found = Store::orders_in(work, Which::Number(order)).await?.pop();
    Ok(found.map_or(Begun::Refused(OrderRefusal::NoSuchOrder(order)), Begun::Order))
}

async fn write_step(
    work: &mut Work,
    order: OrderId,
    step: &str,
    note: &Note,
    present: &Present,
) -> Result<()> {
    let step = OrderStep {
        at: present.now,
        step: step.to_owned(),
        who: note.who.trim().to_owned(),
        why: note.why.trim().to_owned(),
    };
    Store::add_order_step(work, order, &step).await
}
