//! What people and the catalogue say of slots: which way they count, and what their units hold.

use jiff::Timestamp;
use jiff_sqlx::ToSqlx;

use super::history::{polarity, slot};
use super::{Result, Store, StoreError, Work};
use crate::domain::ids::{DeviceId, PartId, SlotId};
use crate::domain::outlook::Slot;
use crate::domain::polarity::{Ground, Pin, PinScope};
use crate::domain::reading::Polarity;

/// A slot with what is known of it from outside its readings.
#[derive(Debug, Clone)]
pub struct SlotRow {
    /// The slot.
    pub slot: Slot,
    /// Its device's name.
    pub device_name: String,
    /// Its device's model.
    pub model: Option<String>,
    /// Which way it is taken to count, and why; `None` before its first reading.
    pub counts: Option<(Polarity, Ground)>,
    /// The pin that counts for it.
    pub pin: Option<Pin>,
    /// The part that a person chose.
    pub chosen: Option<PartId>,
    /// What a full unit holds, by the catalogue.
    pub full_ml: Option<f64>,
    /// What the first unit held, by a person.
    pub first_ml: Option<f64>,
}

impl Store {
    /// The slots of a device, or of all that are watched, with what is known of them.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn slots_in(work: &mut Work, device: Option<DeviceId>) -> Result<Vec<SlotRow>> {
        let rows = sqlx::query!(
            r#"select slot.id, slot.device_id, supply_index, class, kind, colorant, slot.description, device.name,
                      device.model, track.polarity as "counts?", ground as "ground?", chosen_part_id, full_ml,
                      first_ml, pin.slot_id as "pin_slot?", pin.device_id as "pin_device?",
                      pin.polarity as "pinned?", pin.who as "who?", pin.at as "pinned_at?"
               from slot join device on device.id = device_id
               left join slot_track track on track.slot_id = slot.id
               left join lateral (
                   select * from polarity_pin pin
                   where pin.slot_id = slot.id or pin.device_id = device.id or pin.model = device.model
                   order by pin.slot_id, pin.device_id limit 1
               ) pin on true
               where case when $1::bigint is null then retired_at is null else device.id = $1 end
               order by device.name, supply_index"#,
            device.map(|device| device.0)
        )
        .fetch_all(&mut **work)
        .await?;
        rows.into_iter()
            .map(|row| {
                let counts = match (row.counts.as_deref(), row.ground.as_deref()) {
                    (Some(counts), Some(ground)) => Ground::from_word(ground)
                        .map(|ground| Ok::<_, StoreError>((polarity(counts)?, ground)))
                        .transpose()?,
                    _ => None,
                };
                let pin = match (row.pinned.as_deref(), row.who, row.pinned_at) {
                    (Some(pinned), Some(who), Some(at)) => Some(Pin {
                        scope: match (row.pin_slot, row.pin_device) {
                            (Some(slot), _) => PinScope::Slot(SlotId(slot)),
                            (_, Some(device)) => PinScope::Device(DeviceId(device)),
                            _ => PinScope::Model(row.model.clone().unwrap_or_default()),
                        },
                        polarity: polarity(pinned)?,
                        who,
                        at: at.to_jiff(),
                    }),
                    _ => None,
                };
                let (class, kind) = (row.class, row.kind);
                Ok(SlotRow {
                    slot: slot(
                        row.id,
                        row.device_id,
                        row.supply_index,
                        (class, kind),
                        row.colorant,
                        row.description,
                    ),
                    device_name: row.name,
                    model: row.model,
                    counts,
                    pin,
                    chosen: row.chosen_part_id.map(PartId),
                    full_ml: row.full_ml,
                    first_ml: row.first_ml,
                })
            })
            .collect()
    }

    /// Sets what a full unit of slots holds. Those of which it changes are followed from their first reading
    /// again.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn set_full_ml(work: &mut Work, sizes: &[(SlotId, Option<f64>)]) -> Result<()> {
        let slots: Vec<i64> = sizes.iter().map(|(slot, _)| slot.0).collect();
        let full: Vec<Option<f64>> = sizes.iter().map(|(_, full)| *full).collect();
        sqlx::query!(
            "with changed as (
                 update slot set full_ml = size.full_ml
                 from unnest($1::bigint[], $2::float8[]) as size (slot_id, full_ml)
                 where slot.id = size.slot_id and slot.full_ml is distinct from size.full_ml returning slot.id
             )
             delete from slot_track where slot_id in (select id from changed)",
            &slots,
            &full as _
        )
        .execute(&mut **work)
        .await?;
        Ok(())
    }

    /// Forgets how far a slot was followed: it is followed from its first reading again.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn forget_watch(work: &mut Work, slot: SlotId) -> Result<()> {
        sqlx::query!("delete from slot_track where slot_id = $1", slot.0).execute(&mut **work).await?;
        Ok(())
    }

    /// Keeps which part a person says goes into a slot, and what its first unit held.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn choose_part(
        work: &mut Work,
        slot: SlotId,
        part: Option<PartId>,
        first_ml: Option<f64>,
    ) -> Result<()> {
        sqlx::query!(
            "update slot set chosen_part_id = $2, first_ml = $3 where id = $1",
            slot.0,
            part.map(|part| part.0),
            first_ml
        )
        .execute(&mut **work)
        .await?;
        Self::forget_watch(work, slot).await
    }

    /// Keeps which way receptacles count, by a person; or takes that back.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn put_pin(
        work: &mut Work,
        scope: &PinScope,
        said: Option<(Polarity, &str)>,
        at: Timestamp,
    ) -> Result<()> {
        let (slot, device, model) = match scope {
            PinScope::Slot(slot) => (Some(slot.0), None, None),
            PinScope::Device(device) => (None, Some(device.0), None),
            PinScope::Model(model) => (None, None, Some(model.as_str())),
        };
        sqlx::query!(
            "delete from polarity_pin where slot_id = $1 or device_id = $2 or model = $3",
            slot,
            device,
            model
        )
        .execute(&mut **work)
        .await?;
        if let Some((polarity, who)) = said {
            sqlx::query!(
                "insert into polarity_pin (slot_id, device_id, model, polarity, who, at)
                 values ($1, $2, $3, $4, $5, $6)",
                slot,
                device,
                model,
                polarity.word(),
                who,
                at.to_sqlx()
            )
            .execute(&mut **work)
            .await?;
        }
        Ok(())
    }

    /// A device's name and its last answer. `None` if there is none of that number.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn last_answer_in(
        work: &mut Work,
        device: DeviceId,
    ) -> Result<Option<(String, Option<Timestamp>)>> {
        let row = sqlx::query!("select name, last_answer_at from device where id = $1", device.0)
            .fetch_optional(&mut **work)
            .await?;
        Ok(row.map(|row| (row.name, row.last_answer_at.map(|at| at.to_jiff()))))
    }
}
