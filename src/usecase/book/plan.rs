//! From what is to be booked to the movement that is written down.

use jiff::civil::Date;

use super::{Booking, MOST_UNITS, Note, Refusal};
use crate::domain::ids::{DeviceId, LotId, SlotId};
use crate::domain::outlook::Present;
use crate::domain::shelf::{Lot, MovementKind, Stock};
use crate::store::{Result, Store, Work};
use crate::usecase::shelf::{Supplies, fitting};

/// A movement that is about to be written down.
pub(super) struct Plan {
    pub(super) lot: Lot,
    /// The lot that moves, where it is not that one: a part-used unit has one of its own.
    pub(super) into: LotId,
    pub(super) kind: MovementKind,
    pub(super) quantity: i32,
    pub(super) left_over: Option<f64>,
    pub(super) at: Option<(DeviceId, Option<SlotId>, String)>,
    pub(super) past: bool,
}

impl Plan {
    fn new(lot: &Lot, kind: MovementKind, quantity: i32) -> Self {
        Self { into: lot.id, lot: lot.clone(), kind, quantity, left_over: None, at: None, past: false }
    }
}

pub(super) async fn plan(
    work: &mut Work,
    stock: &Stock,
    booking: &Booking,
    note: &Note,
    supplies: &Supplies,
    present: &Present,
) -> Result<std::result::Result<Plan, Refusal>> {
    if note.who.trim().is_empty() {
        return Ok(Err(Refusal::Empty("who")));
    }
    Ok(match booking {
        Booking::Receive { made_on, place, units } => {
            if let Err(refusal) = receivable(*made_on, place, *units, present) {
                return Ok(Err(refusal));
            }
            let id = Store::put_lot(work, stock.id, *made_on, place.trim()).await?;
            let known = stock.lots.iter().find(|lot| lot.id == id).cloned();
            let lot = known.unwrap_or_else(|| Lot {
                id,
                part: stock.id,
                made_on: *made_on,
                place: place.trim().to_owned(),
                left_over: None,
                units: 0,
                out: 0,
            });
            Ok(Plan::new(&lot, MovementKind::Received, signed(*units)))
        }
        Booking::Issue { lot, to } => issue(stock, *lot, *to, supplies, present),
        // Whether it fits the model is seen where the head is written down.
        Booking::IssueHead { lot, to, words } => found(stock, *lot).map(|lot| {
            let mut plan = Plan::new(lot, MovementKind::Issued, -1);
            plan.at = Some((*to, None, words.clone()));
            plan.past = !stock.is_good_on(lot, present.today());
            plan
        }),
        Booking::Return { lot, left } => match returned(stock, *lot, *left) {
            Err(refusal) => Err(refusal),
            Ok((lot, left)) => {
                let mut plan = Plan::new(lot, MovementKind::Returned, 1);
                plan.left_over = left;
                if let Some(left) = left {
                    plan.into = Store::put_part_used(work, lot.id, left).await?;
                }
                Ok(plan)
            }
        },
        Booking::Count { lot, units } => found(stock, *lot).and_then(|lot| {
            if *units > MOST_UNITS {
                return Err(Refusal::Units(*units));
            }
            Ok(Plan::new(lot, MovementKind::Counted, signed(*units) - signed(lot.units)))
        }),
        Booking::WriteOff { lot, units } => found(stock, *lot).and_then(|lot| {
            if !(1..=MOST_UNITS).contains(units) {
                return Err(Refusal::Units(*units));
            }
            if note.why.trim().is_empty() {
                return Err(Refusal::NoReason);
            }
            Ok(Plan::new(lot, MovementKind::WrittenOff, -signed(*units)))
        }),
    })
}

pub(super) fn signed(units: u32) -> i32 {
    i32::try_from(units).unwrap_or(i32::MAX)
}

pub(super) fn receivable(
    made_on: Date,
    place: &str,
    units: u32,
    present: &Present,
) -> std::result::Result<(), Refusal> {
    match () {
        () if !(1..=MOST_UNITS).contains(&units) => Err(Refusal::Units(units)),
        () if made_on > present.today() => Err(Refusal::MadeAhead(made_on)),
        () if place.trim().is_empty() => Err(Refusal::Empty("place")),
        () => Ok(()),
    }
}

fn found(stock: &Stock, lot: LotId) -> std::result::Result<&Lot, Refusal> {
    let found = stock.lots.iter().find(|found| found.id == lot);
    found.ok_or_else(|| Refusal::NoSuchLot { part: stock.part.number.clone(), lot })
}

fn issue(
    stock: &Stock,
    lot: Option<LotId>,
    to: SlotId,
    supplies: &Supplies,
    present: &Present,
) -> std::result::Result<Plan, Refusal> {
    let today = present.today();
    let number = || stock.part.number.clone();
    let lot = match lot {
        Some(lot) => found(stock, lot)?,
        None => stock.proposed(today).ok_or_else(|| Refusal::NothingGood(number()))?,
    };
    let supplies = supplies.all();
    let slot = fitting(stock, &supplies).find(|supply| supply.outlook.slot.id == to);
    let slot = slot.ok_or_else(|| Refusal::DoesNotFit(number()))?;
    let words = format!("{}, {}", slot.device_name, slot.outlook.slot.label());
    let mut plan = Plan::new(lot, MovementKind::Issued, -1);
    plan.at = Some((slot.outlook.slot.device, Some(to), words));
    plan.past = !stock.is_good_on(lot, today);
    Ok(plan)
}

/// The lot that a unit comes back to, with what is left in the unit.
fn returned(
    stock: &Stock,
    lot: LotId,
    left: Option<f64>,
) -> std::result::Result<(&Lot, Option<f64>), Refusal> {
    let lot = found(stock, lot)?;
    if lot.out == 0 {
        return Err(Refusal::NotOut(lot.id));
    }
    // A part-used unit that comes back untouched is still part-used.
    let left = left.or(lot.left_over);
    let holds = lot.left_over.or(stock.part.capacity.map(|(capacity, _)| capacity));
    match (left, holds) {
        (Some(left), Some(holds)) if left > holds => Err(Refusal::TooMuchLeft { left, holds }),
        _ => Ok((lot, left)),
    }
}
