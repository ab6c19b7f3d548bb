//! The shelf: parts, lots, and the ledger that stock is the sum of.

use jiff::Timestamp;
use jiff::civil::Date;
use jiff_sqlx::ToSqlx;

use super::history::{measure, slot};
use super::{Result, Store, StoreError, Work, breaches};
use crate::domain::ids::{DeviceId, LotId, MovementId, PartId, SlotId};
use crate::domain::part::{Currency, LeadTime, Part, PartKind, Price};
use crate::domain::shelf::{Lot, Movement, MovementKind, Stock};

/// A movement to be written down.
#[derive(Debug, Clone)]
pub struct NewMovement {
    /// Of which lot.
    pub lot: LotId,
    /// What kind.
    pub kind: MovementKind,
    /// Units that come (above zero) or go (below).
    pub quantity: i32,
    /// What was left in a unit that came back part-used.
    pub left_over: Option<f64>,
    /// At which device, and for which of its slots.
    pub at_device: Option<(DeviceId, Option<SlotId>)>,
    /// When.
    pub at: Timestamp,
    /// Who.
    pub who: String,
    /// Why.
    pub why: String,
}

/// A movement with the names it needs to be read.
#[derive(Debug, Clone)]
pub struct MovementRow {
    /// The movement.
    pub movement: Movement,
    /// When its lot was made.
    pub made_on: Date,
    /// Where its lot lies.
    pub place: String,
    /// The device's name.
    pub device_name: Option<String>,
}

impl Store {
    /// Puts a part into the catalogue, or in the place of the one that has its number.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn put_part(work: &mut Work, part: &Part) -> Result<PartId> {
        let count = |n: u32| i32::try_from(n).unwrap_or(i32::MAX);
        let id = sqlx::query_scalar!(
            "insert into part (number, kind, colour, capacity, measure, shelf_life_months, price_minor, currency,
                               pack_size, minimum_order, supplier, lead_days, lead_spread_days, storage_note)
             values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14)
             on conflict (number) do update set kind = excluded.kind, colour = excluded.colour,
                 capacity = excluded.capacity, measure = excluded.measure,
                 shelf_life_months = excluded.shelf_life_months, price_minor = excluded.price_minor,
                 currency = excluded.currency, pack_size = excluded.pack_size,
                 minimum_order = excluded.minimum_order, supplier = excluded.supplier,
                 lead_days = excluded.lead_days, lead_spread_days = excluded.lead_spread_days,
                 storage_note = excluded.storage_note
             returning id",
            part.number,
            part.kind.word(),
            part.colour,
            part.capacity.map(|(amount, _)| amount),
            part.capacity.map(|(_, measure)| measure.word()),
            part.shelf_life_months.map(count),
            part.price.map(|price| price.minor),
            part.price.as_ref().map(|price| price.currency.code()),
            count(part.pack_size),
            count(part.minimum_order),
            part.supplier,
            part.lead.map(|lead| lead.mean_days),
            part.lead.and_then(|lead| lead.spread_days),
            part.storage_note,
        )
        .fetch_one(&mut **work)
        .await?;
        sqlx::query!("delete from part_fit where part_id = $1", id).execute(&mut **work).await?;
        sqlx::query!(
            "insert into part_fit (part_id, model) select $1, model from unnest($2::text[]) as model
             on conflict do nothing",
            id,
            &part.models
        )
        .execute(&mut **work)
        .await?;
        Ok(PartId(id))
    }

    /// The catalogue by number, each part with its lots that are not empty or have units out; only the part
    /// of that number if one is given.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn stocks(&self, number: Option<&str>) -> Result<Vec<Stock>> {
        let mut work = self.begin().await?;
        Self::stocks_in(&mut work, number).await
    }

    /// The same within a transaction.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn stocks_in(work: &mut Work, number: Option<&str>) -> Result<Vec<Stock>> {
        let rows = sqlx::query!(
            r#"select part.*, array(select model from part_fit where part_id = part.id order by model) as "models!"
               from part where $1::text is null or number = $1 order by number"#,
            number
        )
        .fetch_all(&mut **work)
        .await?;
        let count = |n: i32| u32::try_from(n).unwrap_or(0);
        let mut stocks = Vec::with_capacity(rows.len());
        for row in rows {
            let capacity = match (row.capacity, &row.measure) {
                (Some(amount), Some(word)) => Some((amount, measure(word)?)),
                _ => None,
            };
            let price = price(row.price_minor, row.currency.as_deref())?;
            let part = Part {
                kind: PartKind::from_word(&row.kind)
                    .ok_or(StoreError::Unknown { what: "kind of part", value: row.kind })?,
                number: row.number,
                colour: row.colour,
                capacity,
                shelf_life_months: row.shelf_life_months.map(count),
                price,
                pack_size: count(row.pack_size),
                minimum_order: count(row.minimum_order),
                supplier: row.supplier,
                lead: row
                    .lead_days
                    .map(|mean_days| LeadTime { mean_days, spread_days: row.lead_spread_days }),
                storage_note: row.storage_note,
                models: row.models,
            };
            stocks.push(Stock { id: PartId(row.id), part, lots: Vec::new() });
        }
        for lot in lots(work, number).await? {
            if let Some(stock) = stocks.iter_mut().find(|stock| stock.id == lot.part) {
                stock.lots.push(lot);
            }
        }
        Ok(stocks)
    }

    /// Waits until nobody else moves units of a lot, and keeps others waiting until the end of the work.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn lock_part(work: &mut Work, part: PartId) -> Result<()> {
        sqlx::query!("select id from lot where part_id = $1 order by id for update", part.0)
            .fetch_all(&mut **work)
            .await?;
        Ok(())
    }

    /// The lot of whole units of a part that were made on a day and lie in a place, made if need be.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn put_lot(work: &mut Work, part: PartId, made_on: Date, place: &str) -> Result<LotId> {
        let id = sqlx::query_scalar!(
            "insert into lot (part_id, made_on, place) values ($1, $2, $3)
             on conflict (part_id, made_on, place) where left_over is null do update set place = excluded.place
             returning id",
            part.0,
            made_on.to_sqlx() as _,
            place
        )
        .fetch_one(&mut **work)
        .await?;
        Ok(LotId(id))
    }

    /// A lot of its own for a unit that came back part-used from a lot.
    ///
    /// # Errors
    /// If the store cannot be reached or does not know the lot it came from.
    pub async fn put_part_used(work: &mut Work, from: LotId, left_over: f64) -> Result<LotId> {
        let id = sqlx::query_scalar!(
            "insert into lot (part_id, made_on, place, left_over, opened_from)
             select part_id, made_on, place, $2, id from lot where id = $1 returning id",
            from.0,
            left_over
        )
        .fetch_one(&mut **work)
        .await?;
        Ok(LotId(id))
    }

    /// A lot of its own for a part-used unit of which nobody knows the lot it came from.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn put_part_used_lot(
        work: &mut Work,
        part: PartId,
        made_on: Date,
        place: &str,
        left_over: f64,
    ) -> Result<LotId> {
        let id = sqlx::query_scalar!(
            "insert into lot (part_id, made_on, place, left_over) values ($1, $2, $3, $4) returning id",
            part.0,
            made_on.to_sqlx() as _,
            place,
            left_over
        )
        .fetch_one(&mut **work)
        .await?;
        Ok(LotId(id))
    }

    /// Writes a movement down; `None` if the lot does not hold what was to go.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn add_movement(work: &mut Work, movement: &NewMovement) -> Result<Option<MovementId>> {
        let inserted = sqlx::query_scalar!(
            "insert into movement (lot_id, kind, quantity, left_over, device_id, slot_id, at, who, why)
             values ($1, $2, $3, $4, $5, $6, $7, $8, $9) returning id",
            movement.lot.0,
            movement.kind.word(),
            movement.quantity,
            movement.left_over,
            movement.at_device.map(|(device, _)| device.0),
            movement.at_device.and_then(|(_, slot)| slot).map(|slot| slot.0),
            movement.at.to_sqlx(),
            movement.who,
            movement.why,
        )
        .fetch_one(&mut **work)
        .await;
        match inserted {
            Ok(id) => Ok(Some(MovementId(id))),
            Err(error) if breaches(&error, "movement_stock_not_negative") => Ok(None),
            Err(error) => Err(error.into()),
        }
    }

    /// The latest movements of a part, newest first, at most so many.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn movements(&self, part: PartId, limit: i64) -> Result<Vec<MovementRow>> {
        let rows = sqlx::query!(
            r#"select movement.id, lot_id, movement.kind, quantity, movement.left_over, movement.device_id, at, who,
                      why, made_on, place, device.name as "device_name?", slot.id as "slot_id?",
                      slot.device_id as "slot_device?", supply_index as "supply_index?", class as "class?",
                      slot.kind as "slot_kind?", colorant, slot.description as "slot_description?"
               from movement join lot on lot.id = lot_id
               left join device on device.id = movement.device_id
               left join slot on slot.id = movement.slot_id
               where part_id = $1 order by movement.id desc limit $2"#,
            part.0,
            limit
        )
        .fetch_all(&self.pool)
        .await?;
        rows.into_iter()
            .map(|row| {
                let slot = match (row.slot_id, row.slot_device, row.supply_index, row.class, row.slot_kind) {
                    (Some(id), Some(device), Some(index), Some(class), Some(kind)) => Some(slot(
                        id,
                        device,
                        index,
                        (class, kind),
                        row.colorant,
                        row.slot_description.unwrap_or_default(),
                    )),
                    _ => None,
                };
                let movement = Movement {
                    id: MovementId(row.id),
                    lot: LotId(row.lot_id),
                    kind: MovementKind::from_word(&row.kind)
                        .ok_or(StoreError::Unknown { what: "kind of movement", value: row.kind })?,
                    quantity: row.quantity,
                    left_over: row.left_over,
                    device: row.device_id.map(DeviceId),
                    slot,
                    at: row.at.to_jiff(),
                    who: row.who,
                    why: row.why,
                };
                Ok(MovementRow {
                    movement,
                    made_on: row.made_on.to_jiff(),
                    place: row.place,
                    device_name: row.device_name,
                })
            })
            .collect()
    }

    /// The number of the part that a lot is of.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn part_of_lot(&self, lot: LotId) -> Result<Option<String>> {
        let mut work = self.begin().await?;
        Self::part_of_lot_in(&mut work, lot).await
    }

    /// The same within a transaction.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn part_of_lot_in(work: &mut Work, lot: LotId) -> Result<Option<String>> {
        Ok(sqlx::query_scalar!(
            "select number from part join lot on part_id = part.id where lot.id = $1",
            lot.0
        )
        .fetch_optional(&mut **work)
        .await?)
    }
}

/// A price from its columns.
pub(super) fn price(minor: Option<i64>, code: Option<&str>) -> Result<Option<Price>> {
    let (Some(minor), Some(code)) = (minor, code) else { return Ok(None) };
    let currency = Currency::from_code(code)
        .ok_or_else(|| StoreError::Unknown { what: "currency", value: code.to_owned() })?;
    Ok(Some(Price { minor, currency }))
}

async fn lots(work: &mut Work, number: Option<&str>) -> Result<Vec<Lot>> {
    let rows = sqlx::query!(
        r#"select lot.id, part_id, made_on, place, left_over, held.units as "units!",
                  - held.issued - coalesce(back.units, 0) as "out!"
           from lot join part on part.id = part_id
           cross join lateral (
               select coalesce(sum(quantity), 0) as units,
                      coalesce(sum(quantity) filter (where movement.kind = 'issued'), 0) as issued
               from movement where lot_id = lot.id
           ) held
           left join (
               select coalesce(opened_from, lot.id) as lot_id, sum(quantity) as units
               from movement join lot on lot.id = lot_id where movement.kind = 'returned' group by 1
           ) back on back.lot_id = lot.id
           where ($1::text is null or number = $1) and (held.units <> 0 or - held.issued - coalesce(back.units, 0) <> 0)
           order by made_on, lot.id"#,
        number
    )
    .fetch_all(&mut **work)
    .await?;
    let count = |n: i64| u32::try_from(n).unwrap_or(0);
    Ok(rows
        .into_iter()
        .map(|row| Lot {
            id: LotId(row.id),
            part: PartId(row.part_id),
            made_on: row.made_on.to_jiff(),
            place: row.place,
            left_over: row.left_over,
            units: count(row.units),
            out: count(row.out),
        })
        .collect())
}
