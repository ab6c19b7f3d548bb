//! Readings out, and what the domain made of them in: installs and the ledger.

use std::collections::BTreeMap;

use jiff::Timestamp;
use jiff::civil::Date;
use jiff_sqlx::ToSqlx;

use super::{Result, Store, StoreError, Work};
use crate::domain::ids::{DeviceId, InstallId, SlotId, SupplyIndex};
use crate::domain::install::{Arrival, Install};
use crate::domain::ledger::{Ending, Ledger};
use crate::domain::outlook::Slot;
use crate::domain::reading::{Level, Reading, Role};
use crate::domain::standard::{SupplyClass, SupplyKind, SupplyUnit};
use crate::domain::units::Measure;

/// A slot whose readings have moved since they were last digested.
#[derive(Debug, Clone)]
pub struct Undigested {
    /// Which slot.
    pub slot: Slot,
    /// The last level that the alert rules have walked over.
    pub digested_to: Option<Timestamp>,
    /// How the unit before the current one ended.
    pub before: Option<Ending>,
    /// How the current unit came, if one is known.
    pub arrival: Option<Arrival>,
    /// The readings since the current unit was first seen, earliest first; all, if none is known.
    pub readings: Vec<Reading>,
}

/// The word by which an arrival is stored.
fn word(arrival: Arrival) -> &'static str {
    match arrival {
        Arrival::Found => "found",
        Arrival::Risen => "risen",
        Arrival::Resized => "resized",
        Arrival::Fallen => "fallen",
    }
}

/// From its stored word.
fn arrival(stored: &str) -> Result<Arrival> {
    [Arrival::Found, Arrival::Risen, Arrival::Resized, Arrival::Fallen]
        .into_iter()
        .find(|arrival| word(*arrival) == stored)
        .ok_or_else(|| StoreError::Unknown { what: "way for a unit to arrive", value: stored.to_owned() })
}

/// A unit of measure from its stored word.
pub(super) fn measure(stored: &str) -> Result<Measure> {
    Measure::from_word(stored)
        .ok_or_else(|| StoreError::Unknown { what: "unit of measure", value: stored.to_owned() })
}

/// A slot from its row.
pub(super) fn slot(
    id: i64,
    device: i64,
    index: i32,
    (class, kind): (i32, i32),
    colorant: Option<String>,
    description: String,
) -> Slot {
    let kind = SupplyKind::from_number(kind);
    Slot {
        id: SlotId(id),
        device: DeviceId(device),
        index: SupplyIndex(index),
        role: Role::of(SupplyClass::from_number(class), kind),
        kind,
        colorant,
        description,
    }
}

impl Store {
    /// The slots of a device whose last reading is later than what was digested, with the readings of their
    /// current units.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn undigested(work: &mut Work, device: DeviceId) -> Result<Vec<Undigested>> {
        let slots = sqlx::query!(
            r#"select slot.id, supply_index, class, kind, colorant, description, digested_to,
                      current.arrival as "arrival?",
                      (select to_at from install where slot_id = slot.id and to_at is not null
                       order by from_at desc limit 1) as ended_at,
                      (select end_left from install where slot_id = slot.id and to_at is not null
                       order by from_at desc limit 1) as ended_left
               from slot left join install current on current.slot_id = slot.id and current.to_at is null
               where device_id = $1 and (digested_to is null or changed_at > digested_to)
               order by supply_index"#,
            device.0
        )
        .fetch_all(&mut **work)
        .await?;
        let ids: Vec<i64> = slots.iter().map(|slot| slot.id).collect();
        let mut readings = current_readings(work, &ids).await?;
        slots
            .into_iter()
            .map(|row| {
                Ok(Undigested {
                    readings: readings.remove(&SlotId(row.id)).unwrap_or_default(),
                    digested_to: row.digested_to.map(|at| at.to_jiff()),
                    before: row
                        .ended_at
                        .zip(row.ended_left)
                        .map(|(at, remaining)| Ending { at: at.to_jiff(), remaining }),
                    arrival: row.arrival.as_deref().map(arrival).transpose()?,
                    slot: slot(
                        row.id,
                        device.0,
                        row.supply_index,
                        (row.class, row.kind),
                        row.colorant,
                        row.description,
                    ),
                })
            })
            .collect()
    }

    /// Writes down an install and its ledger, replacing what was known of the same unit.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn save_install(
        work: &mut Work,
        slot: SlotId,
        install: &Install,
        measure: Measure,
        ledger: &Ledger,
    ) -> Result<InstallId> {
        let id = sqlx::query_scalar!(
            "insert into install (slot_id, from_at, to_at, arrival, measure, capacity, start_left, end_left)
             values ($1, $2, $3, $4, $5, $6, $7, $8)
             on conflict (slot_id, from_at) do update set to_at = excluded.to_at, measure = excluded.measure,
                 capacity = excluded.capacity, start_left = excluded.start_left, end_left = excluded.end_left
             returning id",
            slot.0,
            install.from.to_sqlx(),
            install.to.map(ToSqlx::to_sqlx) as _,
            word(install.arrival),
            measure.word(),
            install.capacity,
            ledger.start,
            install.points.last().map_or(ledger.end, |last| last.remaining),
        )
        .fetch_one(&mut **work)
        .await?;
        sqlx::query!("delete from ledger_day where install_id = $1", id).execute(&mut **work).await?;
        let days: Vec<_> = ledger.days.keys().map(|day| day.to_sqlx()).collect();
        let used: Vec<f64> = ledger.days.values().map(|day| day.used).collect();
        let spread: Vec<f64> = ledger.days.values().map(|day| day.spread).collect();
        let unseen: Vec<f64> = ledger.days.values().map(|day| day.unseen).collect();
        sqlx::query!(
            "insert into ledger_day (slot_id, install_id, day, used, spread, unseen)
             select $1, $2, * from unnest($3::date[], $4::float8[], $5::float8[], $6::float8[])",
            slot.0,
            id,
            &days as _,
            &used,
            &spread,
            &unseen,
        )
        .execute(&mut **work)
        .await?;
        Ok(InstallId(id))
    }

    /// Notes how far the alert rules have walked over a slot's levels.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn save_digested(work: &mut Work, slot: SlotId, to: Timestamp) -> Result<()> {
        sqlx::query!("update slot set digested_to = $2 where id = $1", slot.0, to.to_sqlx())
            .execute(&mut **work)
            .await?;
        Ok(())
    }

    /// What went from each slot of a device per day, from a day on.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn daily_use(
        work: &mut Work,
        device: DeviceId,
        from: Date,
    ) -> Result<BTreeMap<SlotId, BTreeMap<Date, f64>>> {
        let rows = sqlx::query!(
            r#"select slot_id, day, sum(used) as "used!"
               from ledger_day join slot on slot.id = slot_id
               where device_id = $1 and day >= $2 group by slot_id, day"#,
            device.0,
            from.to_sqlx()
        )
        .fetch_all(&mut **work)
        .await?;
        let mut by_slot: BTreeMap<SlotId, BTreeMap<Date, f64>> = BTreeMap::new();
        for row in rows {
            by_slot.entry(SlotId(row.slot_id)).or_default().insert(row.day.to_jiff(), row.used);
        }
        Ok(by_slot)
    }

    /// The readings of a device's slots within a span, and the one before it, earliest first.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn readings_between(
        &self,
        device: DeviceId,
        from: Timestamp,
        to: Timestamp,
    ) -> Result<Vec<(Slot, Vec<Reading>)>> {
        let slots = sqlx::query!(
            "select id, supply_index, class, kind, colorant, description
             from slot where device_id = $1 order by supply_index",
            device.0
        )
        .fetch_all(&self.pool)
        .await?;
        let ids: Vec<i64> = slots.iter().map(|slot| slot.id).collect();
        let rows = sqlx::query!(
            r#"select reading.slot_id, at, previous_at, unit, max_capacity, level
               from unnest($1::bigint[]) as wanted (id)
               cross join lateral (
                   select * from reading where slot_id = wanted.id and at <= $3 and at >= coalesce(
                       (select max(at) from reading before where before.slot_id = wanted.id and before.at <= $2),
                       $2)
               ) reading
               order by reading.slot_id, at"#,
            &ids,
            from.to_sqlx(),
            to.to_sqlx()
        )
        .fetch_all(&self.pool)
        .await?;
        let mut readings: BTreeMap<i64, Vec<Reading>> = BTreeMap::new();
        for row in rows {
            let level = Level::from_raw(SupplyUnit::from_number(row.unit), row.max_capacity, row.level);
            let previous_at = row.previous_at.map(|at| at.to_jiff());
            readings.entry(row.slot_id).or_default().push(Reading {
                at: row.at.to_jiff(),
                previous_at,
                level,
            });
        }
        Ok(slots
            .into_iter()
            .map(|row| {
                let kept = readings.remove(&row.id).unwrap_or_default();
                let (class, kind) = (row.class, row.kind);
                let slot =
                    slot(row.id, device.0, row.supply_index, (class, kind), row.colorant, row.description);
                (slot, kept)
            })
            .collect())
    }

    /// The runs of answered polls of a device that touch a span, earliest first.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn answered_spans(
        &self,
        device: DeviceId,
        from: Timestamp,
        to: Timestamp,
    ) -> Result<Vec<(Timestamp, Timestamp)>> {
        let rows = sqlx::query!(
            "select started_at, ended_at from poll_span
             where device_id = $1 and fault is null and ended_at >= $2 and started_at <= $3 order by started_at",
            device.0,
            from.to_sqlx(),
            to.to_sqlx()
        )
        .fetch_all(&self.pool)
        .await?;
        Ok(rows.into_iter().map(|row| (row.started_at.to_jiff(), row.ended_at.to_jiff())).collect())
    }
}

async fn current_readings(work: &mut Work, slots: &[i64]) -> Result<BTreeMap<SlotId, Vec<Reading>>> {
    let rows = sqlx::query!(
        "select reading.slot_id, at, previous_at, unit, max_capacity, level
         from reading left join install on install.slot_id = reading.slot_id and to_at is null
         where reading.slot_id = any($1) and (from_at is null or at >= from_at)
         order by reading.slot_id, at",
        slots
    )
    .fetch_all(&mut **work)
    .await?;
    let mut readings: BTreeMap<SlotId, Vec<Reading>> = BTreeMap::new();
    for row in rows {
        let level = Level::from_raw(SupplyUnit::from_number(row.unit), row.max_capacity, row.level);
        let reading =
            Reading { at: row.at.to_jiff(), previous_at: row.previous_at.map(|at| at.to_jiff()), level };
        readings.entry(SlotId(row.slot_id)).or_default().push(reading);
    }
    Ok(readings)
}
