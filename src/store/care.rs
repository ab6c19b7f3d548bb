//! When machines had power, as far as they told, and which units are in them.

use std::collections::BTreeMap;

use jiff::Timestamp;
use jiff::civil::Date;
use jiff_sqlx::ToSqlx;

use super::{Result, Store, Work};
use crate::domain::care::PowerRun;
use crate::domain::ids::{DeviceId, SlotId};
use crate::domain::life::UnitInside;

impl Store {
    /// The last run of a device's answered polls.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn last_power_run(work: &mut Work, device: DeviceId) -> Result<Option<PowerRun>> {
        let row = sqlx::query!(
            "select started_at, ended_at, asleep, up_since from power_run where device_id = $1
             order by started_at desc limit 1",
            device.0
        )
        .fetch_optional(&mut **work)
        .await?;
        Ok(row.map(|row| run((row.started_at, row.ended_at), row.asleep, row.up_since)))
    }

    /// Writes down runs that began or grew.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn save_power_runs(work: &mut Work, device: DeviceId, runs: &[PowerRun]) -> Result<()> {
        let started: Vec<_> = runs.iter().map(|run| run.started_at.to_sqlx()).collect();
        let ended: Vec<_> = runs.iter().map(|run| run.ended_at.to_sqlx()).collect();
        let asleep: Vec<Option<bool>> = runs.iter().map(|run| run.asleep).collect();
        let up_since: Vec<_> = runs.iter().map(|run| run.up_since.map(ToSqlx::to_sqlx)).collect();
        sqlx::query!(
            "insert into power_run (device_id, started_at, ended_at, asleep, up_since)
             select $1, * from unnest($2::timestamptz[], $3::timestamptz[], $4::bool[], $5::timestamptz[])
             on conflict (device_id, started_at) do update set ended_at = excluded.ended_at",
            device.0,
            &started as _,
            &ended as _,
            &asleep as _,
            &up_since as _,
        )
        .execute(&mut **work)
        .await?;
        Ok(())
    }

    /// The runs of a device that touch a span, earliest first.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn power_runs(
        &self,
        device: DeviceId,
        from: Timestamp,
        to: Timestamp,
    ) -> Result<Vec<PowerRun>> {
        let rows = sqlx::query!(
            "select started_at, ended_at, asleep, up_since from power_run
             where device_id = $1 and ended_at >= $2 and started_at <= $3
               and started_at >= coalesce((select started_at from power_run before
                                           where before.device_id = $1 and before.started_at <= $2
                                           order by started_at desc limit 1), $2)
             order by started_at",
            device.0,
            from.to_sqlx(),
            to.to_sqlx()
        )
        .fetch_all(&self.pool)
        .await?;
        let made = rows.into_iter().map(|row| run((row.started_at, row.ended_at), row.asleep, row.up_since));
        Ok(made.collect())
    }

    /// The unit in each slot, where a movement tells which lot it was issued from. A unit belongs to the first
    /// install that began no earlier than two days before it was issued: people book before a swap or soon
    /// after it.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn units_inside(&self, device: Option<DeviceId>) -> Result<BTreeMap<SlotId, UnitInside>> {
        let rows = sqlx::query!(
            r#"select inside.slot_id as "slot_id!", part.number, lot.made_on, part.shelf_life_months
               from (
                   select install.slot_id, told.movement_id
                   from install join fitted told on told.slot_id = install.slot_id and told.from_at = install.from_at
                   where install.to_at is null and told.movement_id is not null
                     and ($1::bigint is null or install.slot_id in (select id from slot where device_id = $1))
                   union all (
                   select distinct on (install.slot_id) install.slot_id, issued.id
                   from movement issued join install on install.slot_id = issued.slot_id
                   where install.to_at is null and install.arrival <> 'found' and issued.kind = 'issued'
                     and ($1::bigint is null or install.slot_id in (select id from slot where device_id = $1))
                     and not exists (select from fitted told
                                     where told.slot_id = install.slot_id and told.from_at = install.from_at)
                     and not exists (select from fitted other where other.movement_id = issued.id)
                     and issued.at <= install.from_at + interval '2 days'
                     and issued.at > coalesce((select max(before.from_at) from install before
                                               where before.slot_id = install.slot_id
                                                 and before.from_at < install.from_at) + interval '2 days',
                                              '-infinity')
                   order by install.slot_id, issued.at desc, issued.id desc)
               ) inside
               join movement on movement.id = inside.movement_id
               join lot on lot.id = movement.lot_id join part on part.id = lot.part_id"#,
            device.map(|id| id.0)
        )
        .fetch_all(&self.pool)
        .await?;
        let unit = |number, made_on: jiff_sqlx::Date, months: Option<i32>| UnitInside {
            part: number,
            made_on: made_on.to_jiff(),
            shelf_life_months: months.map(|months| u32::try_from(months).unwrap_or(0)),
        };
        Ok(rows
            .into_iter()
            .map(|row| (SlotId(row.slot_id), unit(row.number, row.made_on, row.shelf_life_months)))
            .collect())
    }

    /// The last day on which something was taken of each slot that is watched.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn last_used(&self) -> Result<BTreeMap<SlotId, Date>> {
        let rows = sqlx::query!(
            r#"select slot.id, used.day as "day!" from slot join device on device.id = device_id
               cross join lateral (
                   select day from ledger_day where slot_id = slot.id and used > 0 order by month desc, day desc limit 1
               ) used
               where retired_at is null"#
        )
        .fetch_all(&self.pool)
        .await?;
        Ok(rows.into_iter().map(|row| (SlotId(row.id), row.day.to_jiff())).collect())
    }
}

fn run(
    (started_at, ended_at): (jiff_sqlx::Timestamp, jiff_sqlx::Timestamp),
    asleep: Option<bool>,
    up_since: Option<jiff_sqlx::Timestamp>,
) -> PowerRun {
    PowerRun {
        started_at: started_at.to_jiff(),
        ended_at: ended_at.to_jiff(),
        asleep,
        up_since: up_since.map(|at| at.to_jiff()),
    }
}
