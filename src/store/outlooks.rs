//! What is said of each supply, as it was last worked out.

use jiff::Timestamp;
use jiff::civil::Date;
use jiff_sqlx::ToSqlx;

use super::history::{measure, slot};
use super::{Result, Store, Work};
use crate::domain::ids::{DeviceId, SlotId};
use crate::domain::outlook::{Forecast, Horizon, Outlook};
use crate::domain::reading::{Amount, Capacity, Level};

/// An outlook with what belongs beside it.
#[derive(Debug, Clone)]
pub struct OutlookRow {
    /// The device's name.
    pub device_name: String,
    /// What is said of the supply.
    pub outlook: Outlook,
    /// The day by which the next unit is to be ordered.
    pub order_by: Option<Date>,
    /// Fingerprint of the day and the rules that it was worked out with.
    pub basis: Option<i64>,
}

/// Which outlooks are wanted, and how they are ordered.
#[derive(Debug, Clone, Copy)]
pub enum Wanted {
    /// Those of one device, in the device's own order.
    Device(DeviceId),
    /// Those that end first, at most so many.
    Earliest(i64),
    /// All, device by device.
    All,
}

impl Store {
    /// Writes down what is said of supplies as of now, each with the day by which to order and the fingerprint of
    /// what it was worked out with.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn save_outlooks(
        work: &mut Work,
        outlooks: &[(Outlook, Option<Date>, i64)],
        made_at: Timestamp,
    ) -> Result<()> {
        let of = |outlook: fn(&Outlook) -> Option<f64>| -> Vec<Option<f64>> {
            outlooks.iter().map(|(said, ..)| outlook(said)).collect()
        };
        let day = |pick: fn(Horizon) -> Date| -> Vec<Option<jiff_sqlx::Date>> {
            outlooks.iter().map(|(said, ..)| Some(pick(said.forecast.horizon()?).to_sqlx())).collect()
        };
        let slots: Vec<i64> = outlooks.iter().map(|(said, ..)| said.slot.id.0).collect();
        let as_of: Vec<_> = outlooks.iter().map(|(said, ..)| said.as_of.to_sqlx()).collect();
        let words = |word: fn(&Level) -> &'static str| -> Vec<String> {
            outlooks.iter().map(|(said, ..)| word(&said.level).to_owned()).collect()
        };
        let steps: Vec<f64> = outlooks.iter().map(|(said, ..)| said.level.step).collect();
        let unlimited: Vec<bool> =
            outlooks.iter().map(|(said, ..)| said.level.capacity == Capacity::Unlimited).collect();
        let not_yet: Vec<Option<String>> = outlooks
            .iter()
            .map(|(said, ..)| match &said.forecast {
                Forecast::Known(_) => None,
                Forecast::NotYet(reason) => Some(reason.clone()),
            })
            .collect();
        let order_by: Vec<_> = outlooks.iter().map(|(_, day, _)| day.map(ToSqlx::to_sqlx)).collect();
        let bases: Vec<i64> = outlooks.iter().map(|(.., basis)| *basis).collect();
        sqlx::query!(
            "insert into outlook (slot_id, as_of, measure, capacity, quality, remaining, step, unlimited,
                                  daily_use, early, middle, late, not_yet, order_by, basis, made_at, device_id)
             select said.*, $16::timestamptz, device_id
             from unnest($1::bigint[], $2::timestamptz[], $3::text[], $4::float8[], $5::text[], $6::float8[],
                         $7::float8[], $8::boolean[], $9::float8[], $10::date[], $11::date[], $12::date[],
                         $13::text[], $14::date[], $15::bigint[]) as said (id)
             join slot using (id)
             on conflict (slot_id, device_id) do update set as_of = excluded.as_of, made_at = excluded.made_at,
                 measure = excluded.measure, capacity = excluded.capacity, quality = excluded.quality,
                 remaining = excluded.remaining, step = excluded.step, unlimited = excluded.unlimited,
                 daily_use = excluded.daily_use, early = excluded.early, middle = excluded.middle,
                 late = excluded.late, not_yet = excluded.not_yet, order_by = excluded.order_by,
                 basis = excluded.basis",
            &slots,
            &as_of as _,
            &words(|level| level.measure.word()),
            &of(|said| said.level.capacity.known()) as _,
            &words(|level| level.remaining.quality()),
            &of(|said| said.level.remaining.measured()) as _,
            &steps,
            &unlimited,
            &of(|said| said.daily_use) as _,
            &day(|horizon| horizon.early) as _,
            &day(|horizon| horizon.middle) as _,
            &day(|horizon| horizon.late) as _,
            &not_yet as _,
            &order_by as _,
            &bases,
            made_at.to_sqlx(),
        )
        .execute(&mut **work)
        .await?;
        Ok(())
    }

    /// Says that outlooks still hold as of a later answer.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn confirm_outlooks(
        work: &mut Work,
        slots: &[SlotId],
        as_of: Timestamp,
        made_at: Timestamp,
    ) -> Result<()> {
        let slots: Vec<i64> = slots.iter().map(|slot| slot.0).collect();
        sqlx::query!(
            "update outlook set as_of = $2, made_at = $3 where slot_id = any($1)",
            &slots,
            as_of.to_sqlx(),
            made_at.to_sqlx()
        )
        .execute(&mut **work)
        .await?;
        Ok(())
    }

    /// Outlooks as they were last worked out.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn outlooks(&self, wanted: Wanted) -> Result<Vec<OutlookRow>> {
        outlooks(&self.pool, wanted).await
    }

    /// The same within a transaction.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn outlooks_in(work: &mut Work, wanted: Wanted) -> Result<Vec<OutlookRow>> {
        outlooks(&mut **work, wanted).await
    }

    /// How many supplies are watched.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn supply_count(&self) -> Result<usize> {
        let count = sqlx::query_scalar!(
            r#"select count(*) as "count!" from slot join device on device.id = device_id where retired_at is null"#
        )
        .fetch_one(&self.pool)
        .await?;
        Ok(usize::try_from(count).unwrap_or(0))
    }
}

async fn outlooks(executor: impl sqlx::PgExecutor<'_>, wanted: Wanted) -> Result<Vec<OutlookRow>> {
    let (device, limit, by_end) = match wanted {
        Wanted::Device(device) => (Some(device.0), i64::MAX, false),
        Wanted::Earliest(limit) => (None, limit, true),
        Wanted::All => (None, i64::MAX, false),
    };
    let rows = sqlx::query!(
            "select device.name as device_name, slot.device_id, slot.id, supply_index, class, kind, colorant,
                    slot.description, as_of, measure, capacity, quality, remaining, step, unlimited, daily_use,
                    early, middle, late, not_yet, order_by, basis
             from outlook join slot on slot.id = slot_id join device on device.id = slot.device_id
             where retired_at is null and ($1::bigint is null or slot.device_id = $1) and (not $2 or early is not null)
             order by case when $2 then early end, case when $2 then middle end, device.name, supply_index
             limit $3",
            device,
            by_end,
            limit
        )
        .fetch_all(executor)
        .await?;
    rows.into_iter()
        .map(|row| {
            let level = Level {
                measure: measure(&row.measure)?,
                capacity: match row.capacity {
                    Some(capacity) => Capacity::Known(capacity),
                    None if row.unlimited => Capacity::Unlimited,
                    None => Capacity::Unknown,
                },
                remaining: match (row.quality.as_str(), row.remaining) {
                    ("measured", Some(remaining)) => Amount::Measured(remaining),
                    ("some_left", _) => Amount::SomeLeft,
                    ("unlimited", _) => Amount::Unlimited,
                    _ => Amount::Unknown,
                },
                step: row.step,
                oddity: None,
            };
            let forecast = match (row.early, row.middle, row.late) {
                (Some(early), Some(middle), Some(late)) => Forecast::Known(Horizon {
                    early: early.to_jiff(),
                    middle: middle.to_jiff(),
                    late: late.to_jiff(),
                }),
                _ => Forecast::NotYet(row.not_yet.unwrap_or_default()),
            };
            let (class, kind) = (row.class, row.kind);
            let slot =
                slot(row.id, row.device_id, row.supply_index, (class, kind), row.colorant, row.description);
            Ok(OutlookRow {
                device_name: row.device_name,
                outlook: Outlook {
                    slot,
                    as_of: row.as_of.to_jiff(),
                    level,
                    daily_use: row.daily_use,
                    forecast,
                },
                order_by: row.order_by.map(|day| day.to_jiff()),
                basis: row.basis,
            })
        })
        .collect()
}
