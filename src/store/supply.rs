//! One supply's past: its readings as they came, what was seen beside them, and its ledger.

use jiff::Timestamp;
use jiff::civil::Date;
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
    pub async fn readings_of(&self, slot: SlotId, wanted: Readings) -> Result<Vec<KeptReading>> {
        let (from, to, limit) = match wanted {
            Readings::Between(from, to) => (Some(from), Some(to), i64::MAX),
            Readings::Before(before, limit) => (None, before.map(just_before), limit),
            Readings::From(from, limit) => (Some(from), None, limit),
        };
        let one_before = matches!(wanted, Readings::Between(..));
        let forward = matches!(wanted, Readings::From(..));
        let rows = sqlx::query!(
            r#"select at as "at!", previous_at, unit as "unit!", max_capacity as "max_capacity!",
                      level as "level!"
               from (
                   (select at, previous_at, unit, max_capacity, level from reading
                    where slot_id = $1 and ($2::timestamptz is null or at >= $2)
                      and ($3::timestamptz is null or at <= $3) and not $5
                    order by at desc limit $4)
                   union all
                   (select at, previous_at, unit, max_capacity, level from reading
                    where slot_id = $1 and at >= $2 and $5 order by at limit $4)
                   union all
                   (select at, previous_at, unit, max_capacity, level from reading
                    where slot_id = $1 and at < $2 and $6 order by at desc limit 1)
               ) picked
               order by at"#,
            slot.0,
            from.map(ToSqlx::to_sqlx) as _,
            to.map(ToSqlx::to_sqlx) as _,
            limit,
            forward,
            one_before
        )
        .fetch_all(&self.pool)
        .await?;
        Ok(rows
            .into_iter()
            .map(|row| KeptReading {
                at: row.at.to_jiff(),
                previous_at: row.previous_at.map(|at| at.to_jiff()),
                unit: row.unit,
                max_capacity: row.max_capacity,
                level: row.level,
            })
            .collect())
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
            r#"select slot.id, day, sum(used) as "used!", sum(spread) as "spread!", sum(unseen) as "unseen!"
               from slot join ledger_day on slot_id = slot.id
               where device_id = $1 and ($2::bigint is null or slot.id = $2) and day >= $3
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

/// The last moment before one that the store can tell from it.
fn just_before(at: Timestamp) -> Timestamp {
    at.checked_sub(jiff::SignedDuration::from_micros(1)).unwrap_or(at)
}
