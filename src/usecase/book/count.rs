//! The stock-take.

use super::{Booked, Booking, Note, Refusal, begin, plan, write};
use crate::domain::ids::LotId;
use crate::domain::outlook::Present;
use crate::store::{Result, Store};
use crate::usecase::shelf::Supplies;

/// Books a stock-take: every count, or none and the first refusal with its lot.
///
/// # Errors
/// If the store cannot be reached.
pub async fn count_all(
    store: &Store,
    counts: &[(LotId, u32)],
    note: &Note,
    present: &Present,
) -> Result<std::result::Result<Vec<Booked>, (LotId, Refusal)>> {
    let supplies = Supplies::of(&[], Vec::new());
    let mut booked = Vec::with_capacity(counts.len());
    let mut numbers = Vec::with_capacity(counts.len());
    for (lot, units) in counts {
        let number = store.part_of_lot(*lot).await?.unwrap_or_default();
        numbers.push((number, *lot, *units));
    }
    // Two counts at the same time wait for each other's parts in one order, or they would wait for ever.
    numbers.sort();
    let mut work = store.begin().await?;
    for (number, lot, units) in numbers {
        let stock = match begin(&mut work, &number).await? {
            Ok(stock) => stock,
            Err(refusal) => return Ok(Err((lot, refusal))),
        };
        let booking = Booking::Count { lot, units };
        let plan = match plan(&mut work, &stock, &booking, note, &supplies, present).await? {
            Ok(plan) => plan,
            Err(refusal) => return Ok(Err((lot, refusal))),
        };
        match write(&mut work, plan, note, present.now).await? {
            Ok(one) => booked.push(one),
            Err(refusal) => return Ok(Err((lot, refusal))),
        }
    }
    work.commit().await?;
    Ok(Ok(booked))
}
