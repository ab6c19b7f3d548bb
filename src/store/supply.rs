//! One supply's past: its readings as they came, what was seen beside them, and its ledger.

use jiff::Timestamp;
use jiff::civil::Date;
use jiff::tz::TimeZone;
use jiff_sqlx::ToSqlx;

use super::past::KeptReading;
use super::{Result, Store, StoreError};
use crate::domain::ids::{DeviceId, SlotId, SupplyIndex};
use crate::domain::ledger::{DayUse, Days};
use crate::domain::sign::Sign;

/// Which readings of a slot are wanted.
#[derive(Debug, Clone, Copy)]
pub enum Readings {
    /// Those of a span, and the one before it.
    Between(Timestamp, Timestamp),
    /// The last so many before a moment; the last of all where there is none.
    Before(Option<Timestamp>, i64),
    /// The first so many from a moment on.
    From(Timestamp, i64),
}

impl Store {
    /// The machine of a slot that is watched, and its number there.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn supply_of(&self, slot: SlotId) -> Result<Option<(DeviceId, SupplyIndex)>> {
        let row = sqlx::query!(
            "select device_id, supply_index from slot join device on device.id = device_id
             where slot.id = $1 and retired_at is null",
            slot.0
        )
        .fetch_optional(&self.pool)
        .await?;
        Ok(row.map(|row| (DeviceId(row.device_id), SupplyIndex(row.supply_index))))
    }

    /// Readings of a slot as they came, earliest first.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn readings_of(
        &self,
        (device, slot): (DeviceId, SlotId),
        wanted: Readings,
    ) -> Result<Vec<KeptReading>> {
        match wanted {
            Readings::Between(from, to) => {
                let mut kept: Vec<KeptReading> =
                    self.reading_before((device, slot), just_before(from)).await?.into_iter().collect();
                kept.extend(self.readings_within((device, slot), from, to).await?);
                Ok(kept)
            }
            Readings::Before(before, limit) => {
                let last = before.map_or(Timestamp::MAX, just_before);
                let mut kept = self.rows_of_slot((device, slot), last, false, limit).await?;
                for (month, ends, _) in self.packed_months(device, Timestamp::MIN, last).await? {
                    // Rows that came late may be older than months that were packed before them.
                    if kept.len() >= limit_of(limit) && kept.first().is_some_and(|first| first.at >= ends) {
                        break;
                    }
                    kept.extend(self.unpacked((device, slot), month).await?);
                    kept.retain(|reading| reading.at <= last);
                    kept.sort_by_key(|reading| reading.at);
                    kept.drain(..kept.len().saturating_sub(limit_of(limit)));
                }
                Ok(kept)
            }
            Readings::From(from, limit) => {
                let mut kept = self.rows_of_slot((device, slot), from, true, limit).await?;
                for (month, _, begins) in
                    self.packed_months(device, from, Timestamp::MAX).await?.into_iter().rev()
                {
                    if kept.len() >= limit_of(limit) && kept.last().is_some_and(|last| last.at < begins) {
                        break;
                    }
                    kept.extend(self.unpacked((device, slot), month).await?);
                    kept.retain(|reading| reading.at >= from);
                    kept.sort_by_key(|reading| reading.at);
                    kept.truncate(limit_of(limit));
                }
                Ok(kept)
            }
        }
    }

    /// The last reading of a slot at or before a moment.
    async fn reading_before(
        &self,
        (device, slot): (DeviceId, SlotId),
        at: Timestamp,
    ) -> Result<Option<KeptReading>> {
        let row = sqlx::query_as!(
            KeptRow,
            r#"select at as "at!", previous_at, unit as "unit!", max_capacity as "max_capacity!", level as "level!"
               from reading_before($1, $2, $3)"#,
            device.0,
            slot.0,
            stored(at) as _
        )
        .fetch_optional(&self.pool)
        .await?;
        Ok(row.map(KeptReading::from))
    }

    /// The readings of a slot within a span.
    async fn readings_within(
        &self,
        (device, slot): (DeviceId, SlotId),
        from: Timestamp,
        to: Timestamp,
    ) -> Result<Vec<KeptReading>> {
        let rows = sqlx::query_as!(
            KeptRow,
            r#"select at as "at!", previous_at, unit as "unit!", max_capacity as "max_capacity!", level as "level!"
               from (
                   select at, previous_at, unit, max_capacity, level from reading
                   where device_id = $1 and slot_id = $2 and at >= $3 and at <= $4
                   union all
                   select at, previous_at, unit, max_capacity, level from reading_unpacked
                   where device_id = $1 and slot_id = $2 and at >= $3 and at <= $4
                     and month >= date_trunc('month', $3::timestamptz at time zone 'UTC')::date
                     and month <= ($4::timestamptz at time zone 'UTC')::date
               ) within
               order by at"#,
            device.0,
            slot.0,
            stored(from) as _,
            stored(to) as _
        )
        .fetch_all(&self.pool)
        .await?;
        Ok(rows.into_iter().map(KeptReading::from).collect())
    }

    /// So many of a slot's readings that are not packed, from a moment `forward` or up to it, earliest first.
    async fn rows_of_slot(
        &self,
        (device, slot): (DeviceId, SlotId),
        at: Timestamp,
        forward: bool,
        limit: i64,
    ) -> Result<Vec<KeptReading>> {
        let rows = sqlx::query_as!(
            KeptRow,
            r#"select at as "at!", previous_at, unit as "unit!", max_capacity as "max_capacity!", level as "level!"
               from (
                   (select at, previous_at, unit, max_capacity, level from reading
                    where device_id = $1 and slot_id = $2 and at <= $3 and not $4 order by at desc limit $5)
                   union all
                   (select at, previous_at, unit, max_capacity, level from reading
                    where device_id = $1 and slot_id = $2 and at >= $3 and $4 order by at limit $5)
               ) picked
               order by at"#,
            device.0,
            slot.0,
            stored(at) as _,
            forward,
            limit
        )
        .fetch_all(&self.pool)
        .await?;
        Ok(rows.into_iter().map(KeptReading::from).collect())
    }

    /// The months of a device that are packed and touch a span, latest first: each with its end and its beginning.
    async fn packed_months(
        &self,
        device: DeviceId,
        from: Timestamp,
        to: Timestamp,
    ) -> Result<Vec<(Date, Timestamp, Timestamp)>> {
        let rows = sqlx::query!(
            r#"select month, (month + interval '1 month') at time zone 'UTC' as "ends!",
                      month::timestamp at time zone 'UTC' as "begins!"
               from reading_month
               where device_id = $1 and month >= date_trunc('month', $2::timestamptz at time zone 'UTC')::date
                 and month <= ($3::timestamptz at time zone 'UTC')::date
               order by month desc"#,
            device.0,
            stored(from) as _,
            stored(to) as _
        )
        .fetch_all(&self.pool)
        .await?;
        Ok(rows
            .into_iter()
            .map(|row| (row.month.to_jiff(), row.ends.to_jiff(), row.begins.to_jiff()))
            .collect())
    }

    /// A slot's readings of a month that is packed, earliest first.
    async fn unpacked(&self, (device, slot): (DeviceId, SlotId), month: Date) -> Result<Vec<KeptReading>> {
        let rows = sqlx::query_as!(
            KeptRow,
            r#"select at as "at!", previous_at, unit as "unit!", max_capacity as "max_capacity!", level as "level!"
               from reading_unpacked where device_id = $1 and month = $3 and slot_id = $2 order by at"#,
            device.0,
            slot.0,
            month.to_sqlx() as _
        )
        .fetch_all(&self.pool)
        .await?;
        Ok(rows.into_iter().map(KeptReading::from).collect())
    }

    /// What was seen of a slot besides its levels within a span, earliest first.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn signs_of(
        &self,
        (device, slot): (DeviceId, SlotId),
        (from, to): (Timestamp, Timestamp),
    ) -> Result<Vec<(Timestamp, Sign)>> {
        let rows = sqlx::query!(
            "select at, kind from sign
             where device_id = $1 and (slot_id is null or slot_id = $2) and at >= $3 and at <= $4
             order by at, kind",
            device.0,
            slot.0,
            from.to_sqlx(),
            to.to_sqlx()
        )
        .fetch_all(&self.pool)
        .await?;
        let sign = |kind: String| {
            Sign::from_word(&kind).ok_or(StoreError::Unknown { what: "sign of a swap", value: kind })
        };
        rows.into_iter().map(|row| Ok((row.at.to_jiff(), sign(row.kind)?))).collect()
    }

    /// What went from slots of a device from a day on: of one, or of each.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn ledger_of(
        &self,
        device: DeviceId,
        slot: Option<SlotId>,
        from: Date,
    ) -> Result<Vec<(SlotId, Days)>> {
        let rows = sqlx::query!(
            r#"select slot.id, day as "day!", sum(used) as "used!", sum(spread) as "spread!", sum(unseen) as "unseen!"
               from slot join ledger_day on slot_id = slot.id
               where device_id = $1 and ($2::bigint is null or slot.id = $2) and day >= $3
                 and month >= date_trunc('month', $3::date)::date
               group by supply_index, slot.id, day order by supply_index, slot.id, day"#,
            device.0,
            slot.map(|slot| slot.0),
            from.to_sqlx()
        )
        .fetch_all(&self.pool)
        .await?;
        let mut ledgers: Vec<(SlotId, Days)> = Vec::new();
        for row in rows {
            let day = (row.day.to_jiff(), DayUse { used: row.used, spread: row.spread, unseen: row.unseen });
            match ledgers.last_mut().filter(|(slot, _)| slot.0 == row.id) {
                Some((_, days)) => days.extend([day]),
                None => ledgers.push((SlotId(row.id), Days::from([day]))),
            }
        }
        Ok(ledgers)
    }
}

/// A reading's row.
struct KeptRow {
    at: jiff_sqlx::Timestamp,
    previous_at: Option<jiff_sqlx::Timestamp>,
    unit: i32,
    max_capacity: i32,
    level: i32,
}

impl From<KeptRow> for KeptReading {
    fn from(row: KeptRow) -> Self {
        Self {
            at: row.at.to_jiff(),
            previous_at: row.previous_at.map(|at| at.to_jiff()),
            unit: row.unit,
            max_capacity: row.max_capacity,
            level: row.level,
        }
    }
}

/// How many readings are wanted at most.
fn limit_of(limit: i64) -> usize {
    usize::try_from(limit).unwrap_or(usize::MAX)
}

/// A moment that PostgreSQL can do sums with: ends of the calendar are moved to years that no reading is of.
fn stored(at: Timestamp) -> jiff_sqlx::Timestamp {
    let year =
        |year: i16| jiff::civil::date(year, 1, 1).to_zoned(TimeZone::UTC).map(|first| first.timestamp());
    let (Ok(first), Ok(last)) = (year(1), year(9000)) else { return at.to_sqlx() };
    at.clamp(first, last).to_sqlx()
}

/// The last moment before one that the store can tell from it.
fn just_before(at: Timestamp) -> Timestamp {
    at.checked_sub(jiff::SignedDuration::from_micros(1)).unwrap_or(at)
}
