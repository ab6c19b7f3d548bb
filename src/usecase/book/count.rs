//! The stock-take.

use super::{Booked, Booking, Note, Refusal, begin, plan, write};
use crate::domain::ids::LotId;
use crate::domain::outlook::Present;
use crate::store::{Result, Store, Work};
use crate::usecase::once::{Token, settle, taken};
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
    let mut work = store.begin().await?;
    let booked = count_in(&mut work, store, counts, note, present).await?;
    if booked.is_ok() {
        work.commit().await?;
    }
    Ok(booked)
}

/// The same for a form, which is booked once however often it is sent: how many lots were booked.
///
/// # Errors
/// If the store cannot be reached.
pub async fn count_form(
    store: &Store,
    counts: &[(LotId, u32)],
    note: &Note,
    token: Option<&Token>,
    present: &Present,
) -> Result<std::result::Result<usize, (LotId, Refusal)>> {
    let mut work = store.begin().await?;
    if let Some(before) = taken(&mut work, token, present.now).await? {
        return Ok(Ok(usize::try_from(before).unwrap_or(0)));
    }
    let booked = match count_in(&mut work, store, counts, note, present).await? {
        Ok(booked) => booked.len(),
        Err(refused) => return Ok(Err(refused)),
    };
    settle(&mut work, token, i64::try_from(booked).unwrap_or(i64::MAX)).await?;
    work.commit().await?;
    Ok(Ok(booked))
}

async fn count_in(
    work: &mut Work,
    store: &Store,
    counts: &[(LotId, u32)],
    note: &Note,
    present: &Present,
) -> Result<std::result::Result<Vec<Booked>, (LotId, Refusal)>> {
    let supplies = Supplies::none();
    let mut booked = Vec::with_capacity(counts.len());
    let mut numbers = Vec::with_capacity(counts.len());
    for (lot, units) in counts {
        let number = store.part_of_lot(*lot).await?.unwrap_or_default();
        numbers.push((number, *lot, *units));
    }
    // Two counts at the same time wait for each other's parts in one order, or they would wait for ever.
    numbers.sort();
    for (number, lot, units) in numbers {
        let stock = match begin(work, &number).await? {
            Ok(stock) => stock,
            Err(refusal) => return Ok(Err((lot, refusal))),
        };
        let booking = Booking::Count { lot, units };
        let plan = match plan(work, &stock, &booking, note, &supplies, present).await? {
            Ok(plan) => plan,
            Err(refusal) => return Ok(Err((lot, refusal))),
        };
        match write(work, plan, note, present.now).await? {
            Ok(one) => booked.push(one),
            Err(refusal) => return Ok(Err((lot, refusal))),
        }
    }
    Ok(Ok(booked))
}
