//! The catalogue and the lots on the shelf, brought in from files.

use jiff::civil::Date;

use super::plan::{receivable, signed};
use super::{Note, Refusal};
use crate::domain::outlook::Present;
use crate::domain::part::Part;
use crate::domain::shelf::{MovementKind, Stock};
use crate::store::shelf::NewMovement;
use crate::store::{Result, Store, Work};
use crate::usecase::once::{Token, settle, taken};
use crate::usecase::slots::renew_sizes;

/// Puts parts into the catalogue, or in the place of those that have their numbers.
///
/// # Errors
/// If the store cannot be reached; then none is in.
pub async fn import_parts(store: &Store, parts: &[Part]) -> Result<()> {
    let mut work = store.begin().await?;
    for part in parts {
        Store::put_part(&mut work, part).await?;
    }
    renew_sizes(&mut work, None).await?;
    work.commit().await?;
    Ok(())
}

/// Puts one part into the catalogue that is not there yet (`fresh`), or in the place of the one that is; or says
/// why not. A form with a token is booked once.
///
/// # Errors
/// If the store cannot be reached.
pub async fn put_part(
    store: &Store,
    part: &Part,
    fresh: bool,
    token: Option<&Token>,
    present: &Present,
) -> Result<std::result::Result<(), Refusal>> {
    let mut work = store.begin().await?;
    if taken(&mut work, token, present.now).await?.is_some() {
        return Ok(Ok(()));
    }
    let known = !Store::stocks_in(&mut work, Some(&part.number)).await?.is_empty();
    match (fresh, known) {
        (true, true) => return Ok(Err(Refusal::Known(part.number.clone()))),
        (false, false) => return Ok(Err(Refusal::NoSuchPart(part.number.clone()))),
        _ => {}
    }
    let id = Store::put_part(&mut work, part).await?;
    renew_sizes(&mut work, None).await?;
    settle(&mut work, token, id.0).await?;
    work.commit().await?;
    Ok(Ok(()))
}

/// Units that come in by a file.
#[derive(Debug, Clone, PartialEq)]
pub struct LotRow {
    /// The line of the file.
    pub line: u64,
    /// The part's number.
    pub part: String,
    /// When they were made.
    pub made_on: Date,
    /// Where they lie.
    pub place: String,
    /// How many.
    pub units: u32,
    /// What is left in a single unit that is part-used.
    pub left_over: Option<f64>,
}

/// Receives every row, or none: then every row that is refused is told with its line.
///
/// # Errors
/// If the store cannot be reached.
pub async fn import_lots(
    store: &Store,
    rows: &[LotRow],
    note: &Note,
    present: &Present,
) -> Result<std::result::Result<u32, Vec<(u64, Refusal)>>> {
    let mut work = store.begin().await?;
    let stocks = Store::stocks_in(&mut work, None).await?;
    let (mut refused, mut units) = (Vec::new(), 0);
    for row in rows {
        match stocks.iter().find(|stock| stock.part.number == row.part) {
            None => refused.push((row.line, Refusal::NoSuchPart(row.part.chars().take(64).collect()))),
            Some(stock) => match receive_row(&mut work, stock, row, note, present).await? {
                Err(refusal) => refused.push((row.line, refusal)),
                Ok(()) => units += row.units,
            },
        }
    }
    if !refused.is_empty() {
        return Ok(Err(refused));
    }
    work.commit().await?;
    Ok(Ok(units))
}

async fn receive_row(
    work: &mut Work,
    stock: &Stock,
    row: &LotRow,
    note: &Note,
    present: &Present,
) -> Result<std::result::Result<(), Refusal>> {
    if let Err(refusal) = receivable(row.made_on, &row.place, row.units, present) {
        return Ok(Err(refusal));
    }
    let lot = match (row.left_over, stock.part.capacity) {
        (Some(left), Some((holds, _))) if left > holds => {
            return Ok(Err(Refusal::TooMuchLeft { left, holds }));
        }
        (Some(left), _) => {
            Store::put_part_used_lot(work, stock.id, row.made_on, row.place.trim(), left).await?
        }
        (None, _) => Store::put_lot(work, stock.id, row.made_on, row.place.trim()).await?,
    };
    let movement = NewMovement {
        lot,
        kind: MovementKind::Received,
        quantity: signed(row.units),
        left_over: None,
        at_device: None,
        at: present.now,
        who: note.who.clone(),
        why: note.why.clone(),
    };
    Store::add_movement(work, &movement).await?;
    Ok(Ok(()))
}
