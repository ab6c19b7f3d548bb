//! Orders to suppliers, with their lines, what was done with them, and what came.

use std::collections::BTreeMap;

use jiff::Timestamp;
use jiff::civil::Date;
use jiff_sqlx::ToSqlx;

use super::shelf::price;
use super::{Result, Store, StoreError, Work};
use crate::domain::ids::{MovementId, OrderId, PartId};
use crate::domain::order::{Coming, Line, Order, OrderState};
use crate::domain::part::{PartKind, Price, label};

/// Something that was done with an order.
#[derive(Debug, Clone, PartialEq)]
pub struct OrderStep {
    /// When.
    pub at: Timestamp,
    /// What: `drafted`, `changed`, `sent`, `received` or `cancelled`.
    pub step: String,
    /// By whom.
    pub who: String,
    /// Why; may be empty.
    pub why: String,
}

/// Which orders are wanted.
#[derive(Debug, Clone, Copy)]
pub enum Which {
    /// The one of a number.
    Number(OrderId),
    /// All, the newest first, at most so many.
    Newest(i64),
}

impl Store {
    /// The draft to a supplier, made if there is none; true if it was made.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn put_draft(work: &mut Work, supplier: Option<&str>) -> Result<(OrderId, bool)> {
        let row = sqlx::query!(
            r#"insert into supply_order (supplier) values ($1)
               on conflict (coalesce(supplier, '')) where state = 'draft' do update set supplier = excluded.supplier
               returning id, (xmax = 0) as "made!""#,
            supplier
        )
        .fetch_one(&mut **work)
        .await?;
        Ok((OrderId(row.id), row.made))
    }

    /// Waits until nobody else works on an order, and keeps others waiting until the end of the work.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn lock_order(work: &mut Work, order: OrderId) -> Result<()> {
        sqlx::query!("select id from supply_order where id = $1 for update", order.0)
            .fetch_optional(&mut **work)
            .await?;
        Ok(())
    }

    /// Sets how many units of a part an order has, at the part's present price; none take the line out.
    ///
    /// # Errors
    /// If the store cannot be reached, or the order is no draft.
    pub async fn put_line(work: &mut Work, order: OrderId, part: PartId, units: u32) -> Result<()> {
        if units == 0 {
            sqlx::query!(
                "delete from supply_order_line where order_id = $1 and part_id = $2",
                order.0,
                part.0
            )
            .execute(&mut **work)
            .await?;
            return Ok(());
        }
        sqlx::query!(
            "insert into supply_order_line (order_id, part_id, units, price_minor, currency)
             select $1, id, $3, price_minor, currency from part where id = $2
             on conflict (order_id, part_id) do update set units = excluded.units,
                 price_minor = excluded.price_minor, currency = excluded.currency",
            order.0,
            part.0,
            i32::try_from(units).unwrap_or(i32::MAX),
        )
        .execute(&mut **work)
        .await?;
        Ok(())
    }

    /// Puts an order into a state.
    ///
    /// # Errors
    /// If the store cannot be reached, or refuses the step.
    pub async fn set_order_state(work: &mut Work, order: OrderId, state: OrderState) -> Result<()> {
        sqlx::query!("update supply_order set state = $2 where id = $1", order.0, state.word())
            .execute(&mut **work)
            .await?;
        Ok(())
    }

    /// Puts an order into the state of one that was sent.
    ///
    /// # Errors
    /// If the store cannot be reached, or refuses the step.
    pub async fn set_order_sent(
        work: &mut Work,
        order: OrderId,
        at: Timestamp,
        expected_on: Date,
    ) -> Result<()> {
        sqlx::query!(
            "update supply_order set state = 'sent', sent_at = $2, expected_on = $3 where id = $1",
            order.0,
            at.to_sqlx() as _,
            expected_on.to_sqlx() as _,
        )
        .execute(&mut **work)
        .await?;
        Ok(())
    }

    /// Writes down what was done with an order.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn add_order_step(work: &mut Work, order: OrderId, step: &OrderStep) -> Result<()> {
        sqlx::query!(
            "insert into supply_order_step (order_id, at, step, who, why) values ($1, $2, $3, $4, $5)",
            order.0,
            step.at.to_sqlx() as _,
            step.step,
            step.who,
            step.why,
        )
        .execute(&mut **work)
        .await?;
        Ok(())
    }

    /// Writes down that a receipt on the shelf is of an order.
    ///
    /// # Errors
    /// If the store cannot be reached, or refuses it: the order is not under way, or misses fewer.
    pub async fn add_receipt(
        work: &mut Work,
        movement: MovementId,
        order: OrderId,
        part: PartId,
    ) -> Result<()> {
        sqlx::query!(
            "insert into supply_order_receipt (movement_id, order_id, part_id) values ($1, $2, $3)",
            movement.0,
            order.0,
            part.0
        )
        .execute(&mut **work)
        .await?;
        Ok(())
    }

    /// Orders with their lines.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn orders(&self, which: Which) -> Result<Vec<Order>> {
        let mut work = self.begin().await?;
        Self::orders_in(&mut work, which).await
    }

    /// The same within a transaction.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn orders_in(work: &mut Work, which: Which) -> Result<Vec<Order>> {
        let (number, limit) = match which {
            Which::Number(order) => (Some(order.0), 1),
            Which::Newest(limit) => (None, limit),
        };
        let rows = sqlx::query!(
            "select id, supplier, state, sent_at, expected_on from supply_order
             where $1::bigint is null or id = $1 order by id desc limit $2",
            number,
            limit
        )
        .fetch_all(&mut **work)
        .await?;
        let ids: Vec<i64> = rows.iter().map(|row| row.id).collect();
        let mut lines = lines(work, &ids).await?;
        rows.into_iter()
            .map(|row| {
                Ok(Order {
                    id: OrderId(row.id),
                    supplier: row.supplier,
                    state: OrderState::from_word(&row.state)
                        .ok_or(StoreError::Unknown { what: "state of an order", value: row.state })?,
                    lines: lines.remove(&OrderId(row.id)).unwrap_or_default(),
                    sent_at: row.sent_at.map(|at| at.to_jiff()),
                    expected_on: row.expected_on.map(|day| day.to_jiff()),
                })
            })
            .collect()
    }

    /// What was done with an order, in turn.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn order_steps(&self, order: OrderId) -> Result<Vec<OrderStep>> {
        let rows = sqlx::query!(
            "select at, step, who, why from supply_order_step where order_id = $1 order by id",
            order.0
        )
        .fetch_all(&self.pool)
        .await?;
        let step = |at, step, who, why| OrderStep { at, step, who, why };
        Ok(rows.into_iter().map(|row| step(row.at.to_jiff(), row.step, row.who, row.why)).collect())
    }

    /// What is on order: units that were sent for and are still to come.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn coming(&self) -> Result<Vec<Coming>> {
        let rows = sqlx::query!(
            r#"select line.part_id, line.order_id, expected_on, line.units - coalesce(sum(quantity), 0) as "missing!"
               from supply_order_line as line join supply_order on supply_order.id = line.order_id
               left join supply_order_receipt as receipt
                   on receipt.order_id = line.order_id and receipt.part_id = line.part_id
               left join movement on movement.id = movement_id
               where state in ('sent', 'partly_received')
               group by line.part_id, line.order_id, expected_on, line.units
               having line.units > coalesce(sum(quantity), 0) order by line.order_id, line.part_id"#
        )
        .fetch_all(&self.pool)
        .await?;
        Ok(rows
            .into_iter()
            .map(|row| Coming {
                part: PartId(row.part_id),
                order: OrderId(row.order_id),
                units: u32::try_from(row.missing).unwrap_or(0),
                expected_on: row.expected_on.map(|day| day.to_jiff()),
            })
            .collect())
    }

    /// How many days each delivery of a part took, from when its order was sent.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn deliveries(&self) -> Result<BTreeMap<PartId, Vec<f64>>> {
        // What comes in one piece on one day is one delivery, of how many lots it may be.
        let rows = sqlx::query!(
            r#"select part_id, (extract(epoch from min(movement.at) - sent_at) / 86400)::double precision as "days!"
               from supply_order_receipt as receipt join movement on movement.id = movement_id
               join supply_order on supply_order.id = order_id
               where sent_at is not null
               group by part_id, order_id, sent_at, movement.at::date
               order by part_id, min(movement.at)"#
        )
        .fetch_all(&self.pool)
        .await?;
        let mut deliveries: BTreeMap<PartId, Vec<f64>> = BTreeMap::new();
        for row in rows {
            deliveries.entry(PartId(row.part_id)).or_default().push(row.days.max(0.0));
        }
        Ok(deliveries)
    }
}

async fn lines(work: &mut Work, orders: &[i64]) -> Result<BTreeMap<OrderId, Vec<Line>>> {
    let rows = sqlx::query!(
        r#"select line.order_id, line.part_id, number, kind, colour, units, line.price_minor, line.currency,
                  coalesce((select sum(quantity) from supply_order_receipt as receipt
                            join movement on movement.id = movement_id
                            where receipt.order_id = line.order_id and receipt.part_id = line.part_id), 0)
                      as "received!"
           from supply_order_line as line join part on part.id = part_id
           where line.order_id = any($1) order by line.order_id, number"#,
        orders
    )
    .fetch_all(&mut **work)
    .await?;
    let mut lines: BTreeMap<OrderId, Vec<Line>> = BTreeMap::new();
    for row in rows {
        let kind = PartKind::from_word(&row.kind)
            .ok_or(StoreError::Unknown { what: "kind of part", value: row.kind })?;
        let price: Option<Price> = price(row.price_minor, row.currency.as_deref())?;
        lines.entry(OrderId(row.order_id)).or_default().push(Line {
            part: PartId(row.part_id),
            number: row.number,
            label: label(kind, row.colour.as_deref()),
            units: u32::try_from(row.units).unwrap_or(0),
            received: u32::try_from(row.received).unwrap_or(0),
            price,
        });
    }
    Ok(lines)
}
