//! Months that were closed: what was frozen, by whom, and what has changed since.

use std::collections::BTreeSet;

use jiff::Timestamp;
use jiff_sqlx::ToSqlx;

use super::history::{measure, slot};
use super::months::Edges;
use super::{Result, Store, StoreError, breaches};
use crate::domain::month::{Adjustment, Month, MonthReport, SupplyMonth, thousandths};
use crate::domain::part::{Currency, Price};
use crate::domain::units::Measure;

/// A closed month.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ClosedMonth {
    /// When it was closed.
    pub at: Timestamp,
    /// By whom.
    pub who: String,
    /// The report as JSON, byte for byte.
    pub document: String,
    /// The SHA-256 of the document, as 64 hexadecimal digits.
    pub sha256: String,
}

impl Store {
    /// A month as it was closed, if it was.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn closed_month(&self, month: Month) -> Result<Option<ClosedMonth>> {
        let row = sqlx::query!(
            "select closed_at, who, document, sha256 from month_close where month = $1",
            month.first_day().to_sqlx() as _
        )
        .fetch_optional(&self.pool)
        .await?;
        Ok(row.map(|row| ClosedMonth {
            at: row.closed_at.to_jiff(),
            who: row.who,
            document: row.document,
            sha256: row.sha256,
        }))
    }

    /// Every closed month.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn closed_months(&self) -> Result<BTreeSet<Month>> {
        let rows = sqlx::query_scalar!("select month from month_close").fetch_all(&self.pool).await?;
        Ok(rows.into_iter().map(|month| Month::of(month.to_jiff())).collect())
    }

    /// Closes a month with its report; `false` if it is closed already, and then nothing is changed.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn close_month(&self, report: &MonthReport, closed: &ClosedMonth) -> Result<bool> {
        let mut work = self.begin().await?;
        let month = report.month.first_day();
        let inserted = sqlx::query!(
            "insert into month_close (month, closed_at, who, document, sha256) values ($1, $2, $3, $4, $5)",
            month.to_sqlx() as _,
            closed.at.to_sqlx() as _,
            closed.who,
            closed.document,
            closed.sha256
        )
        .execute(&mut *work)
        .await;
        match inserted {
            Ok(_) => {}
            Err(error) if breaches(&error, "month_close_pkey") => return Ok(false),
            Err(error) => return Err(error.into()),
        }
        let supplies: Vec<&SupplyMonth> = report.devices.iter().flat_map(|device| &device.supplies).collect();
        sqlx::query!(
            "insert into month_close_supply (month, slot_id, measure, used, spread, unseen, swaps, left_in_swapped,
                                             cost_minor, currency)
             select $1, * from unnest($2::bigint[], $3::text[], $4::float8[], $5::float8[], $6::float8[], $7::int[],
                                      $8::float8[], $9::bigint[], $10::text[])",
            month.to_sqlx() as _,
            &column(&supplies, |supply| supply.slot.0),
            &column(&supplies, |supply| supply.measure.word().to_owned()),
            &column(&supplies, |supply| supply.used),
            &column(&supplies, |supply| supply.spread),
            &column(&supplies, |supply| supply.unseen),
            &column(&supplies, |supply| i32::try_from(supply.swaps).unwrap_or(i32::MAX)),
            &column(&supplies, |supply| supply.left_in_swapped),
            &column(&supplies, |supply| supply.cost.map(|cost| cost.minor)) as _,
            &column(&supplies, |supply| supply.cost.map(|cost| cost.currency.code().to_owned())) as _,
        )
        .execute(&mut *work)
        .await?;
        let changes: Vec<&Adjustment> = report.adjustments.iter().collect();
        sqlx::query!(
            "insert into month_close_adjustment (month, about, slot_id, used, spread, unseen, swaps, left_in_swapped)
             select $1, * from unnest($2::date[], $3::bigint[], $4::float8[], $5::float8[], $6::float8[], $7::int[],
                                      $8::float8[])",
            month.to_sqlx() as _,
            &column(&changes, |change| change.about.first_day().to_sqlx()) as _,
            &column(&changes, |change| change.slot.0),
            &column(&changes, |change| change.used),
            &column(&changes, |change| change.spread),
            &column(&changes, |change| change.unseen),
            &column(&changes, |change| i32::try_from(change.swaps).unwrap_or(0)),
            &column(&changes, |change| change.left_in_swapped),
        )
        .execute(&mut *work)
        .await?;
        work.commit().await?;
        Ok(true)
    }

    /// What has changed since in closed months, and was not told before in a month that lies before `told_in`.
    /// A slot that is counted in another unit now cannot be compared, and is left out.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn adjustments(&self, closed: &[Edges], told_in: Month) -> Result<Vec<Adjustment>> {
        if closed.is_empty() {
            return Ok(Vec::new());
        }
        let firsts: Vec<_> = closed.iter().map(|(month, _)| month.first_day().to_sqlx()).collect();
        let begins: Vec<_> = closed.iter().map(|(_, edges)| edges.0.to_sqlx()).collect();
        let ends: Vec<_> = closed.iter().map(|(_, edges)| edges.1.to_sqlx()).collect();
        let rows = sqlx::query!(
            r#"with known as (
                   select month, slot_id, sum(used) as used, sum(spread) as spread, sum(unseen) as unseen,
                          sum(swaps) as swaps, sum(left_in_swapped) as left_in_swapped
                   from (
                       select month, slot_id, used, spread, unseen, swaps, left_in_swapped
                       from month_close_supply where month = any($1)
                       union all
                       select about, slot_id, used, spread, unseen, swaps, left_in_swapped
                       from month_close_adjustment where about = any($1) and month < $4
                   ) told group by month, slot_id
               ), changed as (
                   select coalesce(now.month, known.month) as month, coalesce(now.slot_id, known.slot_id) as slot_id,
                          coalesce(now.used, 0) - coalesce(known.used, 0) as used,
                          coalesce(now.spread, 0) - coalesce(known.spread, 0) as spread,
                          coalesce(now.unseen, 0) - coalesce(known.unseen, 0) as unseen,
                          coalesce(now.swaps, 0) - coalesce(known.swaps, 0) as swaps,
                          coalesce(now.left_in_swapped, 0) - coalesce(known.left_in_swapped, 0) as left_in_swapped
                   from slot_months($1::date[], $2::timestamptz[], $3::timestamptz[]) now
                   full join known on known.month = now.month and known.slot_id = now.slot_id
               )
               select changed.month as "month!", slot.id, device_id, supply_index, class, kind, colorant,
                      slot.description, device.name, changed.used as "used!", changed.spread as "spread!",
                      changed.unseen as "unseen!", changed.swaps as "swaps!", changed.left_in_swapped as "left!",
                      (select measure from install where slot_id = slot.id order by from_at desc limit 1) as measure
               from changed join slot on slot.id = changed.slot_id join device on device.id = device_id
               where (greatest(abs(changed.used), abs(changed.spread), abs(changed.unseen),
                               abs(changed.left_in_swapped)) > 0.001 or changed.swaps <> 0)
                 and not exists (select from month_close_supply frozen
                                 where frozen.month = changed.month and frozen.slot_id = slot.id and frozen.measure <>
                                     (select measure from install where slot_id = slot.id order by from_at desc limit 1))
               order by changed.month, device.name, supply_index"#,
            &firsts as _,
            &begins as _,
            &ends as _,
            told_in.first_day().to_sqlx() as _
        )
        .fetch_all(&self.pool)
        .await?;
        rows.into_iter()
            .map(|row| {
                let (place, kind) = ((row.id, row.device_id, row.supply_index), (row.class, row.kind));
                let slot = slot(place.0, place.1, place.2, kind, row.colorant, row.description);
                Ok(Adjustment {
                    about: Month::of(row.month.to_jiff()),
                    slot: slot.id,
                    device: row.name,
                    label: slot.label(),
                    measure: row.measure.as_deref().map_or(Ok(Measure::Percent), measure)?,
                    used: thousandths(row.used),
                    spread: thousandths(row.spread),
                    unseen: thousandths(row.unseen),
                    swaps: row.swaps,
                    left_in_swapped: thousandths(row.left),
                    cost: None,
                })
            })
            .collect()
    }
}

/// One figure of each row.
fn column<R, T>(rows: &[&R], figure: impl Fn(&R) -> T) -> Vec<T> {
    rows.iter().map(|row| figure(row)).collect()
}

/// A price from its stored figures.
pub(super) fn price(minor: Option<i64>, currency: Option<&str>) -> Result<Option<Price>> {
    let Some((minor, code)) = minor.zip(currency) else { return Ok(None) };
    let currency = Currency::from_code(code)
        .ok_or_else(|| StoreError::Unknown { what: "currency", value: code.to_owned() })?;
    Ok(Some(Price { minor, currency }))
}
