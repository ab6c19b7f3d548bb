//! Readings over years: months made ahead, months packed once they are over, and old ones one a day.

use std::collections::BTreeMap;

use jiff::Timestamp;
use jiff::civil::Date;
use jiff_sqlx::ToSqlx;
use serde_json::value::RawValue;
use sqlx::types::Json;
use sqlx::{AssertSqlSafe, Connection as _};

use super::history::{STATE_VERSION, Undigested, answers_of, polarity, readings_since, signs_since, slot};
use super::{Result, Store, Work};
use crate::domain::ids::{DeviceId, SlotId};
use crate::domain::polarity::Watch;
use crate::domain::reading::{Polarity, Role};
use crate::domain::stream::{Known, Sizes};

/// How long work on the tables themselves waits for those who write: then it is left for the next time.
const PATIENCE: &str = "3s";

/// What a month's table, its indexes and their like take in octets with next to nothing in them.
const ROOM_OF_NOTHING: i64 = 64 * 1024;

/// A slot's follower as it was when its older readings became one a day. What was worked out up to there stays.
#[derive(Debug, Clone)]
pub struct Base {
    /// The last reading that it has seen.
    pub seen_at: Timestamp,
    /// The follower; `None` where this program cannot go on with it, or people say since that the device counts the
    /// other way: then the slot is followed afresh from that reading.
    pub watch: Option<Watch>,
}

/// A table that is kept by month.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ByMonth {
    /// Readings as they come.
    Readings,
    /// Runs of polls.
    Runs,
    /// Readings of months that are over.
    Packed,
}

impl ByMonth {
    /// The table, and the column that months go by.
    fn table(self) -> (&'static str, &'static str) {
        match self {
            Self::Readings => ("reading", "at"),
            Self::Runs => ("poll_span", "started_at"),
            Self::Packed => ("reading_month", "month"),
        }
    }
}

impl Store {
    /// Makes a table's part for a month, where there is none: whether it was made.
    ///
    /// # Errors
    /// If the store cannot be reached, or is written to so busily that no moment for it was found.
    pub async fn make_month(&self, table: ByMonth, month: Date) -> Result<bool> {
        let (table, column) = table.table();
        let mut work = self.begin().await?;
        wait_briefly(&mut work).await?;
        let made = sqlx::query_scalar!(
            r#"select make_month($1, $2, $3) as "made!""#,
            table,
            column,
            month.to_sqlx() as _
        )
        .fetch_one(&mut *work)
        .await?;
        work.commit().await?;
        Ok(made)
    }

    /// Drops the parts for readings of months before one that hold none any more: how many.
    ///
    /// # Errors
    /// If the store cannot be reached, or is written to so busily that no moment for it was found.
    pub async fn drop_empty_months(&self, before: Date) -> Result<i32> {
        let mut work = self.begin().await?;
        wait_briefly(&mut work).await?;
        let dropped =
            sqlx::query_scalar!(r#"select drop_empty_months($1) as "dropped!""#, before.to_sqlx() as _)
                .fetch_one(&mut *work)
                .await?;
        work.commit().await?;
        Ok(dropped)
    }

    /// The devices with readings from before a moment that are not packed.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn devices_to_pack(&self, before: Timestamp) -> Result<Vec<DeviceId>> {
        let ids = sqlx::query_scalar!(
            "select id from device where exists (select from reading where device_id = device.id and at < $1)
             order by id",
            before.to_sqlx()
        )
        .fetch_all(&self.pool)
        .await?;
        Ok(ids.into_iter().map(DeviceId).collect())
    }

    /// The months of a device before a moment whose readings are not packed, earliest first.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn months_to_pack(&self, device: DeviceId, before: Timestamp) -> Result<Vec<Date>> {
        let months = sqlx::query_scalar!(
            r#"select distinct date_trunc('month', at at time zone 'UTC')::date as "month!"
               from reading where device_id = $1 and at < $2 order by 1"#,
            device.0,
            before.to_sqlx()
        )
        .fetch_all(&self.pool)
        .await?;
        Ok(months.into_iter().map(|month| month.to_jiff()).collect())
    }

    /// Packs a device's readings of a month from before a moment. With the name of a zone, only the last of each slot
    /// and day of that zone is left, and what brought a unit, of slots whose follower of the month's end is kept
    /// ([`Store::keep_base`]).
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn pack_month(
        work: &mut Work,
        (device, month): (DeviceId, Date),
        before: Timestamp,
        zone: Option<&str>,
    ) -> Result<()> {
        sqlx::query!("select from device where id = $1 for update", device.0).execute(&mut **work).await?;
        let month = month.to_sqlx();
        sqlx::query!("select pack_readings($1, $2, $3, $4)", device.0, month as _, before.to_sqlx(), zone)
            .fetch_one(&mut **work)
            .await?;
        Ok(())
    }

    /// The months before one in which devices have more than a reading a day, by device, earliest first.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn months_to_thin(&self, before: Date) -> Result<Vec<(DeviceId, Date)>> {
        let rows = sqlx::query!(
            "select device_id, month from reading_month where month < $1 and not daily order by device_id, month",
            before.to_sqlx() as _
        )
        .fetch_all(&self.pool)
        .await?;
        Ok(rows.into_iter().map(|row| (DeviceId(row.device_id), row.month.to_jiff())).collect())
    }

    /// Writes packed months before one anew whose rows fill less than two thirds of their room: packing writes a row
    /// again each day, and a month that is over would keep the room of all that for good. How many.
    ///
    /// # Errors
    /// If the store cannot be reached, or a month is read so busily that no moment for it was found.
    pub async fn write_loose_months_anew(&self, before: Date) -> Result<usize> {
        let parts = sqlx::query_scalar!(
            r#"select tableoid::regclass::text as "part!" from reading_month where month < $1 group by tableoid
               having pg_total_relation_size(tableoid) > $2::bigint + 1.5 * sum(
                   pg_column_size(poll_steps) + pg_column_size(slots) + pg_column_size(place_steps) + pg_column_size(backs)
                   + pg_column_size(units) + pg_column_size(capacities) + pg_column_size(level_steps))"#,
            before.to_sqlx() as _,
            ROOM_OF_NOTHING,
        )
        .fetch_all(&self.pool)
        .await?;
        if parts.is_empty() {
            return Ok(0);
        }
        // Not within a transaction, and not with a setting that a connection would go on with.
        let mut own = self.pool.acquire().await?.detach();
        sqlx::query("select set_config('lock_timeout', $1, false)").bind(PATIENCE).execute(&mut own).await?;
        for part in &parts {
            sqlx::query(AssertSqlSafe(format!("vacuum (full, analyze) {part}"))).execute(&mut own).await?;
        }
        own.close().await?;
        Ok(parts.len())
    }

    /// A device's slots with the followers that their old readings were left with, and what they said since then and
    /// before a moment. `None` while something of the device waits to be worked out anew.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn to_thin(
        work: &mut Work,
        device: DeviceId,
        before: Timestamp,
    ) -> Result<Option<Vec<Undigested>>> {
        let rows = sqlx::query!(
            r#"select slot.id, supply_index, class, kind, colorant, slot.description, slot.seen_at, full_ml, first_ml,
                      pin.polarity as "pinned?", (track.slot_id is null or changed_at > track.seen_at) as "stale!"
               from slot join device on device.id = device_id
               left join slot_track track on track.slot_id = slot.id and version = $2
               left join lateral (
                   select polarity from polarity_pin pin
                   where pin.slot_id = slot.id or pin.device_id = device.id or pin.model = device.model
                   order by pin.slot_id, pin.device_id limit 1
               ) pin on true
               where device.id = $1 order by supply_index for update of device"#,
            device.0,
            STATE_VERSION
        )
        .fetch_all(&mut **work)
        .await?;
        if rows.iter().any(|row| row.stale) {
            return Ok(None);
        }
        let ids: Vec<SlotId> = rows.iter().map(|row| SlotId(row.id)).collect();
        let mut answers = answers_of(work, &ids).await?;
        let mut bases = bases_of(work, device, &ids).await?;
        let mut slots = Vec::new();
        for row in rows {
            let pinned = row.pinned.as_deref().map(polarity).transpose()?;
            let (class, kind) = (row.class, row.kind);
            let slot = slot(row.id, device.0, row.supply_index, (class, kind), row.colorant, row.description);
            let known = Known {
                answers: answers.remove(&slot.id).unwrap_or_default(),
                ..Known::from(Sizes { full_ml: row.full_ml, first_ml: row.first_ml })
            };
            let base = bases.remove(&slot.id).map(|base| base.fit_for(slot.role, pinned));
            slots.push(Undigested {
                seen_at: row.seen_at.to_jiff(),
                digested_to: None,
                pinned,
                watch: None,
                readings: Vec::new(),
                signs: Vec::new(),
                known,
                base,
                slot,
            });
        }
        let since: Vec<(SlotId, Option<Timestamp>)> =
            slots.iter().map(|slot| (slot.slot.id, slot.seen_so_far())).collect();
        let mut readings = readings_since(work, device, &since, Some(before)).await?;
        let mut signs = signs_since(work, device, &since).await?;
        for slot in &mut slots {
            slot.readings = readings.remove(&slot.slot.id).unwrap_or_default();
            slot.signs = signs.remove(&slot.slot.id).unwrap_or_default();
            slot.signs.retain(|(at, _)| *at < before);
        }
        Ok(Some(slots))
    }

    /// Keeps a slot's follower as it is after all readings before a moment.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn keep_base(
        work: &mut Work,
        (device, slot): (DeviceId, SlotId),
        detail_at: Timestamp,
        (seen_at, watch): (Timestamp, &Watch),
    ) -> Result<()> {
        sqlx::query!(
            "insert into slot_base (device_id, slot_id, detail_at, seen_at, state) values ($1, $2, $3, $4, $5)
             on conflict (device_id, slot_id) do update set detail_at = excluded.detail_at,
                 seen_at = excluded.seen_at, state = excluded.state
             where slot_base.detail_at < excluded.detail_at",
            device.0,
            slot.0,
            detail_at.to_sqlx(),
            seen_at.to_sqlx(),
            Json(watch) as _,
        )
        .execute(&mut **work)
        .await?;
        Ok(())
    }

    /// From when on every reading of a device is kept, where older ones are one a day.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn detail_of(work: &mut Work, device: DeviceId) -> Result<Option<Timestamp>> {
        let at = sqlx::query_scalar!("select max(detail_at) from slot_base where device_id = $1", device.0)
            .fetch_one(&mut **work)
            .await?;
        Ok(at.map(|at| at.to_jiff()))
    }

    /// From when on every reading of a slot is kept, where older ones are one a day.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn detail_of_slot(&self, (device, slot): (DeviceId, SlotId)) -> Result<Option<Timestamp>> {
        let at = sqlx::query_scalar!(
            "select detail_at from slot_base where device_id = $1 and slot_id = $2",
            device.0,
            slot.0
        )
        .fetch_optional(&self.pool)
        .await?;
        Ok(at.map(|at| at.to_jiff()))
    }

    /// Forgets of a slot what was worked out after its follower was as it is here: the units after the one that was
    /// in then, and what was asked about later steps.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn forget_after(work: &mut Work, slot: SlotId, base: &Watch) -> Result<()> {
        sqlx::query!(
            "delete from install where slot_id = $1 and ($2::timestamptz is null or from_at > $2)",
            slot.0,
            base.unit_from().map(ToSqlx::to_sqlx) as _
        )
        .execute(&mut **work)
        .await?;
        sqlx::query!(
            "delete from question where slot_id = $1 and ($2::timestamptz is null or at > $2)",
            slot.0,
            base.settled_until().map(ToSqlx::to_sqlx) as _
        )
        .execute(&mut **work)
        .await?;
        Ok(())
    }

    /// Ends the unit that was in a slot at a reading, on the `day` of that, and forgets everything after it.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn end_at(work: &mut Work, slot: SlotId, seen_at: Timestamp, day: Date) -> Result<()> {
        let (id, at) = (slot.0, seen_at.to_sqlx());
        sqlx::query!("delete from install where slot_id = $1 and from_at > $2", id, at)
            .execute(&mut **work)
            .await?;
        sqlx::query!("delete from question where slot_id = $1 and at > $2", id, at)
            .execute(&mut **work)
            .await?;
        forget_days_after(work, id, day).await?;
        sqlx::query!(
            "update install set to_at = $2, end_left = start_left - coalesce(
                 (select sum(used) from ledger_day where install_id = install.id), 0)
             where slot_id = $1 and from_at < $2 and (to_at is null or to_at > $2)",
            id,
            at
        )
        .execute(&mut **work)
        .await?;
        Ok(())
    }
}

/// Forgets a slot's ledger after a day.
async fn forget_days_after(work: &mut Work, slot: i64, day: Date) -> Result<()> {
    sqlx::query!(
        "delete from ledger_month where slot_id = $1 and month + days[1] - 1 > $2",
        slot,
        day.to_sqlx() as _
    )
    .execute(&mut **work)
    .await?;
    sqlx::query!(
        "update ledger_month set days = days[:stays.so_many], used = used[:stays.so_many], spread = spread[:stays.so_many],
                                 unseen = unseen[:stays.so_many]
         from (select slot_id, month, install_id, count(*)::integer as so_many from ledger_day
               where slot_id = $1 and month = date_trunc('month', $2::date)::date and day <= $2 group by 1, 2, 3) as stays
         where ledger_month.slot_id = stays.slot_id and ledger_month.month = stays.month
           and ledger_month.install_id = stays.install_id",
        slot,
        day.to_sqlx() as _
    )
    .execute(&mut **work)
    .await?;
    Ok(())
}

async fn wait_briefly(work: &mut Work) -> Result<()> {
    sqlx::query_scalar!("select set_config('lock_timeout', $1, true)", PATIENCE)
        .fetch_one(&mut **work)
        .await?;
    Ok(())
}

impl Base {
    /// Itself, without a follower that does not fit: one can be gone on with as long as nothing else is said of the
    /// way to count.
    pub(super) fn fit_for(self, role: Role, pinned: Option<Polarity>) -> Self {
        let watch = self.watch.filter(|watch| role == Role::Consumed || watch.pinned() == pinned);
        Self { watch, ..self }
    }
}

/// The followers that slots' readings are kept in full from.
pub(super) async fn bases_of(
    work: &mut Work,
    device: DeviceId,
    slots: &[SlotId],
) -> Result<BTreeMap<SlotId, Base>> {
    if slots.is_empty() {
        return Ok(BTreeMap::new());
    }
    let ids: Vec<i64> = slots.iter().map(|slot| slot.0).collect();
    let rows = sqlx::query!(
        r#"select slot_id, seen_at, state as "state: Json<Box<RawValue>>" from slot_base
           where device_id = $1 and slot_id = any($2)"#,
        device.0,
        &ids
    )
    .fetch_all(&mut **work)
    .await?;
    let base = |seen_at: jiff_sqlx::Timestamp, state: &RawValue| Base {
        seen_at: seen_at.to_jiff(),
        // A state of another version that can still be read is gone on with: what it stands for is past.
        watch: serde_json::from_str(state.get()).ok(),
    };
    Ok(rows.into_iter().map(|row| (SlotId(row.slot_id), base(row.seen_at, &row.state.0))).collect())
}
