//! What alert rules go by and is kept for that alone: what devices detected, slots that were missing, and days to order
//! by. Rows are written where something changed.

use std::collections::BTreeMap;

use jiff::civil::Date;
use jiff::{Timestamp, ToSpan};
use jiff_sqlx::ToSqlx;

use super::rehearsal::{Found, numbers};
use super::{Result, Store, Work};
use crate::domain::alert::rehearsal::{OrderDay, Span};
use crate::domain::ids::{DeviceId, SlotId, SupplyIndex};
use crate::domain::poll::Gap;
use crate::domain::standard::DetectedErrors;

/// Rows that are kept only to be looked back at go after so many days.
const KEPT_FOR_DAYS: i32 = 400;
/// The word under which it stands since when days to order by are kept.
const ORDER_DAYS: &str = "order_day";

impl Store {
    /// Keeps spans in which slots were missing, and lets go what has become too old.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn keep_gaps(
        work: &mut Work,
        slots: &BTreeMap<SupplyIndex, SlotId>,
        gaps: &[Gap],
    ) -> Result<()> {
        let Some(last) = gaps.iter().map(|gap| gap.to).max() else { return Ok(()) };
        let kept: Vec<_> = gaps.iter().filter_map(|gap| Some((slots.get(&gap.index)?.0, gap))).collect();
        let ids: Vec<i64> = kept.iter().map(|(slot, _)| *slot).collect();
        let from: Vec<_> = kept.iter().map(|(_, gap)| gap.from.to_sqlx()).collect();
        let to: Vec<_> = kept.iter().map(|(_, gap)| gap.to.to_sqlx()).collect();
        sqlx::query!(
            "insert into slot_gap (slot_id, from_at, to_at, device_id)
             select gap.*, device_id from unnest($1::bigint[], $2::timestamptz[], $3::timestamptz[]) as gap (id)
             join slot using (id) on conflict do nothing",
            &ids,
            &from as _,
            &to as _
        )
        .execute(&mut **work)
        .await?;
        sqlx::query!("delete from slot_gap where slot_id = any($1) and to_at < $2", &ids, before(last))
            .execute(&mut **work)
            .await?;
        Ok(())
    }

    /// Keeps what a device detected where it is not what is kept already, and lets go what has become too old.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn keep_errors(
        work: &mut Work,
        device: DeviceId,
        detected: &[(Timestamp, DetectedErrors)],
    ) -> Result<()> {
        let Some((last, _)) = detected.last() else { return Ok(()) };
        let at: Vec<_> = detected.iter().map(|(at, _)| at.to_sqlx()).collect();
        let bits: Vec<i32> = detected.iter().map(|(_, errors)| i32::from(errors.0)).collect();
        // Only the first of the batch may say what the last answer before it said.
        let fresh = sqlx::query!(
            "insert into device_errors (device_id, at, bits)
             select $1, at, bits from unnest($2::timestamptz[], $3::int[]) with ordinality as told (at, bits, n)
             where n > 1 or bits is distinct from (
                 select bits from device_errors known where known.device_id = $1 and known.at < told.at
                 order by known.at desc limit 1)
             on conflict do nothing",
            device.0,
            &at as _,
            &bits
        )
        .execute(&mut **work)
        .await?;
        if fresh.rows_affected() > 0 {
            sqlx::query!(
                "delete from device_errors old where device_id = $1 and at < $2 and exists (
                     select from device_errors later where later.device_id = $1 and later.at > old.at
                         and later.at < $2)",
                device.0,
                before(*last)
            )
            .execute(&mut **work)
            .await?;
        }
        Ok(())
    }

    /// Keeps by which days units are to be ordered, by slot, where that is not what was said last.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn keep_order_days(&self, due: &BTreeMap<SlotId, Date>, now: Timestamp) -> Result<()> {
        let slots: Vec<i64> = due.keys().map(|slot| slot.0).collect();
        let days: Vec<_> = due.values().map(|day| day.to_sqlx()).collect();
        let mut work = self.begin().await?;
        sqlx::query!(
            "insert into kept_since (what, at) values ($1, $2) on conflict do nothing",
            ORDER_DAYS,
            now.to_sqlx()
        )
        .execute(&mut *work)
        .await?;
        let ended = sqlx::query!(
            "update order_day set to_at = $3 where to_at is null and not exists (
                 select from unnest($1::bigint[], $2::date[]) as due (slot, day)
                 where due.slot = slot_id and due.day = order_day.due)",
            &slots,
            &days as _,
            now.to_sqlx()
        )
        .execute(&mut *work)
        .await?;
        if ended.rows_affected() > 0 {
            sqlx::query!("delete from order_day where to_at < $1", before(now)).execute(&mut *work).await?;
        }
        sqlx::query!(
            "insert into order_day (device_id, slot_id, due, from_at)
             select device_id, id, day, $3 from unnest($1::bigint[], $2::date[]) as due (id, day) join slot using (id)
             where not exists (select from order_day known where known.slot_id = id and to_at is null)
             on conflict do nothing",
            &slots,
            &days as _,
            now.to_sqlx()
        )
        .execute(&mut *work)
        .await?;
        work.commit().await?;
        Ok(())
    }

    /// The spans since `from` in which slots were missing from answers.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn past_gaps(
        &self,
        slots: &[SlotId],
        from: Timestamp,
        most: i64,
    ) -> Result<Found<SlotId, Span>> {
        let rows = sqlx::query!(
            r#"select slot_id, from_at, to_at, count(*) over (partition by slot_id) as "of!"
               from slot_gap where slot_id = any($1) and to_at >= $2 order by slot_id, from_at limit $3"#,
            &numbers(slots),
            from.to_sqlx(),
            most
        )
        .fetch_all(&self.pool)
        .await?;
        let rows = rows
            .into_iter()
            .map(|row| (SlotId(row.slot_id), row.of, (row.from_at.to_jiff(), Some(row.to_at.to_jiff()))));
        Ok(Found::of(rows, most))
    }

    /// What devices detected since `from`, with what they had detected last before.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn past_errors(
        &self,
        devices: &[DeviceId],
        from: Timestamp,
        most: i64,
    ) -> Result<Found<DeviceId, (Timestamp, DetectedErrors)>> {
        let devices: Vec<i64> = devices.iter().map(|device| device.0).collect();
        let rows = sqlx::query!(
            r#"select wanted.id as "device!", at as "at!", bits as "bits!", of as "of!"
               from unnest($1::bigint[]) as wanted (id)
               cross join lateral (
                   select at, bits, count(*) over () as of
                   from device_errors where device_id = wanted.id and at >= coalesce(
                       (select max(at) from device_errors before
                        where before.device_id = wanted.id and before.at <= $2), $2)
                   order by at
               ) detected
               limit $3"#,
            &devices,
            from.to_sqlx(),
            most
        )
        .fetch_all(&self.pool)
        .await?;
        let rows = rows.into_iter().map(|row| {
            let errors = DetectedErrors(u16::try_from(row.bits).unwrap_or(0));
            (DeviceId(row.device), row.of, (row.at.to_jiff(), errors))
        });
        Ok(Found::of(rows, most))
    }

    /// By which days units for slots were to be ordered, as it was said since `from`; and since when that is kept.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn past_order_days(
        &self,
        slots: &[SlotId],
        from: Timestamp,
        most: i64,
    ) -> Result<(Found<SlotId, OrderDay>, Option<Timestamp>)> {
        let rows = sqlx::query!(
            r#"select slot_id, due, from_at, to_at, count(*) over (partition by slot_id) as "of!"
               from order_day where slot_id = any($1) and coalesce(to_at, 'infinity') >= $2
               order by slot_id, from_at limit $3"#,
            &numbers(slots),
            from.to_sqlx(),
            most
        )
        .fetch_all(&self.pool)
        .await?;
        let since = sqlx::query_scalar!("select at from kept_since where what = $1", ORDER_DAYS)
            .fetch_optional(&self.pool)
            .await?;
        let rows = rows.into_iter().map(|row| {
            let said = (row.from_at.to_jiff(), row.to_at.map(|at| at.to_jiff()));
            (SlotId(row.slot_id), row.of, OrderDay { due: row.due.to_jiff(), said })
        });
        Ok((Found::of(rows, most), since.map(|at| at.to_jiff())))
    }
}

/// What ended before this, as of a moment, has become too old.
fn before(now: Timestamp) -> jiff_sqlx::Timestamp {
    now.checked_sub((24 * i64::from(KEPT_FOR_DAYS)).hours()).unwrap_or(Timestamp::MIN).to_sqlx()
}
