//! Past readings: devices that were never watched, and what is put before or behind what is kept.

use std::collections::BTreeMap;

use jiff::Timestamp;
use jiff_sqlx::ToSqlx;

use super::credentials::CredentialRow;
use super::devices::NewDevice;
use super::polls::{recall_slots, record_readings, record_signs, record_slots, record_spans};
use super::{Result, Store, Work};
use crate::domain::ids::{DeviceId, SlotId, SupplyIndex};
use crate::domain::poll::{Changes, Memory};
use crate::domain::snapshot::SupplyRow;

/// A device that past readings are of.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct PastDevice {
    /// Its identity.
    pub id: DeviceId,
    /// Seconds between its polls.
    pub poll_every_s: i32,
    /// When its history begins and ends, if it has any.
    pub history: Option<(Timestamp, Timestamp)>,
}

/// A reading as it is kept.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct KeptReading {
    /// When the slot came to say this.
    pub at: Timestamp,
    /// When it last said something before.
    pub previous_at: Option<Timestamp>,
    /// `prtMarkerSuppliesSupplyUnit`.
    pub unit: i32,
    /// `prtMarkerSuppliesMaxCapacity` as it came.
    pub max_capacity: i32,
    /// `prtMarkerSuppliesLevel` as it came.
    pub level: i32,
}

impl Store {
    /// The device of a name, watched or not, locked for the length of the transaction.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn past_device(work: &mut Work, name: &str) -> Result<Option<PastDevice>> {
        let row = sqlx::query!(
            "select id, poll_every_s, first_answer_at, last_answer_at from device where name = $1 for update",
            name
        )
        .fetch_optional(&mut **work)
        .await?;
        Ok(row.map(|row| PastDevice {
            id: DeviceId(row.id),
            poll_every_s: row.poll_every_s,
            history: row
                .first_answer_at
                .zip(row.last_answer_at)
                .map(|(first, last)| (first.to_jiff(), last.to_jiff())),
        }))
    }

    /// Makes a device without an address, which is not watched: it was from the first of its readings to the
    /// last.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn make_past_device(
        &self,
        work: &mut Work,
        site: i64,
        name: &str,
        (first, last): (Timestamp, Timestamp),
    ) -> Result<PastDevice> {
        let credential = CredentialRow {
            version: "v2c".to_owned(),
            community: Some("public".to_owned()),
            ..CredentialRow::default()
        };
        let credential = self.keep_credential(work, &credential).await?;
        let poll_every_s = 900;
        let device = NewDevice {
            name: name.to_owned(),
            host: format!("no address: readings of {name}"),
            port: 161,
            cost_centre: None,
            poll_every_s,
        };
        let id = Self::insert_device(work, site, credential, &device, first).await?;
        sqlx::query!("update device set retired_at = $2 where id = $1", id.0, last.to_sqlx())
            .execute(&mut **work)
            .await?;
        Ok(PastDevice { id, poll_every_s: 900, history: None })
    }

    /// A device that is not watched was at least until then.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn retired_no_earlier(work: &mut Work, device: DeviceId, until: Timestamp) -> Result<()> {
        sqlx::query!(
            "update device set retired_at = greatest(retired_at, $2) where id = $1 and retired_at is not null",
            device.0,
            until.to_sqlx()
        )
        .execute(&mut **work)
        .await?;
        Ok(())
    }

    /// The last rows of a device's slots, by their numbers.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn rows_of(work: &mut Work, device: DeviceId) -> Result<BTreeMap<SupplyIndex, SupplyRow>> {
        let slots = recall_slots(work, device).await?;
        Ok(slots.into_iter().map(|(index, slot)| (index, slot.row)).collect())
    }

    /// What is kept of a device's slots within a span, and the one after it, earliest first by number.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn kept_readings(
        work: &mut Work,
        device: DeviceId,
        (from, until): (Timestamp, Timestamp),
    ) -> Result<BTreeMap<SupplyIndex, Vec<KeptReading>>> {
        let rows = sqlx::query!(
            r#"select supply_index, at as "at!", previous_at, kept.unit as "unit!", kept.max_capacity as "max_capacity!",
                      kept.level as "level!"
               from (
                   select slot_id, at, previous_at, unit, max_capacity, level from reading where device_id = $1
                   union all
                   select slot_id, at, previous_at, unit, max_capacity, level from reading_unpacked where device_id = $1
               ) kept join slot on slot.id = slot_id
               where at between $2 and $3 order by supply_index, at"#,
            device.0,
            from.to_sqlx(),
            until.to_sqlx()
        )
        .fetch_all(&mut **work)
        .await?;
        let mut kept: BTreeMap<SupplyIndex, Vec<KeptReading>> = BTreeMap::new();
        for row in rows {
            kept.entry(SupplyIndex(row.supply_index)).or_default().push(KeptReading {
                at: row.at.to_jiff(),
                previous_at: row.previous_at.map(|at| at.to_jiff()),
                unit: row.unit,
                max_capacity: row.max_capacity,
                level: row.level,
            });
        }
        Ok(kept)
    }

    /// Writes down what lies before all that is kept of a device: readings and runs of polls. What the slots say
    /// now stays.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn record_past(
        work: &mut Work,
        device: DeviceId,
        memory: &Memory,
        changes: &Changes,
    ) -> Result<()> {
        record_spans(work, device, &changes.spans).await?;
        let slots = sqlx::query!("select id, supply_index from slot where device_id = $1", device.0)
            .fetch_all(&mut **work)
            .await?;
        let mut slots: BTreeMap<SupplyIndex, SlotId> =
            slots.into_iter().map(|row| (SupplyIndex(row.supply_index), SlotId(row.id))).collect();
        let mut missing = memory.clone();
        missing.slots.retain(|index, _| !slots.contains_key(index));
        if !missing.slots.is_empty() {
            slots.extend(record_slots(work, device, &missing).await?);
        }
        record_readings(work, device, &slots, changes).await?;
        record_signs(work, device, &slots, changes).await
    }

    /// Writes down levels that come after all that is kept of a device, and nothing of the device itself.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn record_levels(
        work: &mut Work,
        device: DeviceId,
        memory: &Memory,
        changes: &Changes,
    ) -> Result<()> {
        record_spans(work, device, &changes.spans).await?;
        let slots = record_slots(work, device, memory).await?;
        record_readings(work, device, &slots, changes).await?;
        record_signs(work, device, &slots, changes).await?;
        sqlx::query!(
            "update device set last_poll_at = $2, last_answer_at = $3 where id = $1",
            device.0,
            memory.last_poll_at.map(ToSqlx::to_sqlx) as _,
            memory.last_answer_at.map(ToSqlx::to_sqlx) as _
        )
        .execute(&mut **work)
        .await?;
        Ok(())
    }

    /// Notes that the alert rules need not walk over a slot's levels up to now.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn walked_so_far(work: &mut Work, slot: SlotId) -> Result<()> {
        sqlx::query!("update slot set digested_to = greatest(digested_to, changed_at) where id = $1", slot.0)
            .execute(&mut **work)
            .await?;
        Ok(())
    }
}
