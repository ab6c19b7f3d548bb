//! How each slot uses what it holds, as the last forecast took it.

use std::collections::BTreeMap;

use jiff::civil::Date;
use jiff_sqlx::ToSqlx;

use super::history::{measure, slot};
use super::{Result, Store, Work};
use crate::domain::ids::{DeviceId, SlotId};
use crate::domain::lending::Lender;
use crate::domain::reorder::Usage;

impl Store {
    /// Writes down how slots use what they hold; a slot of which nothing is known any more is forgotten.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn save_usage(work: &mut Work, usage: &[(SlotId, Option<Usage>)]) -> Result<()> {
        let gone: Vec<i64> =
            usage.iter().filter(|(_, known)| known.is_none()).map(|(slot, _)| slot.0).collect();
        sqlx::query!("delete from slot_pace where slot_id = any($1)", &gone).execute(&mut **work).await?;
        let known: Vec<(i64, Usage)> =
            usage.iter().filter_map(|(slot, known)| Some((slot.0, (*known)?))).collect();
        let column = |of: fn(&Usage) -> f64| known.iter().map(|(_, usage)| of(usage)).collect::<Vec<f64>>();
        sqlx::query!(
            "insert into slot_pace (slot_id, per_day, variance, doubt, device_id)
             select pace.*, device_id
             from unnest($1::bigint[], $2::double precision[], $3::double precision[], $4::double precision[]) as pace (id)
             join slot using (id)
             on conflict (slot_id, device_id) do update set per_day = excluded.per_day, variance = excluded.variance,
                 doubt = excluded.doubt",
            &known.iter().map(|(slot, _)| *slot).collect::<Vec<i64>>(),
            &column(|usage| usage.per_day),
            &column(|usage| usage.variance),
            &column(|usage| usage.doubt),
        )
        .execute(&mut **work)
        .await?;
        Ok(())
    }

    /// How the slots of watched devices use what they hold.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn usage(&self) -> Result<BTreeMap<SlotId, Usage>> {
        let rows = sqlx::query!(
            "select slot_id, per_day, variance, doubt from slot_pace join slot on slot.id = slot_id
             join device on device.id = slot.device_id where retired_at is null"
        )
        .fetch_all(&self.pool)
        .await?;
        let usage = |per_day, variance, doubt| Usage { per_day, variance, doubt };
        Ok(rows
            .iter()
            .map(|row| (SlotId(row.slot_id), usage(row.per_day, row.variance, row.doubt)))
            .collect())
    }

    /// The supplies of a device, and of all watched devices of its model, whose ledger begins no later than a day:
    /// those that know enough of themselves to lend their rate.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn lenders(work: &mut Work, device: DeviceId, known_since: Date) -> Result<Vec<Lender>> {
        let rows = sqlx::query!(
            "select slot.id, slot.device_id, supply_index, class, kind, colorant, slot.description, measure, capacity, per_day
             from device join slot on slot.device_id = device.id
             join slot_pace on slot_pace.slot_id = slot.id join outlook on outlook.slot_id = slot.id
             where retired_at is null
                 and (device.id = $1 or model = (select model from device borrower where borrower.id = $1))
                 and exists (select from ledger_day where ledger_day.slot_id = slot.id and day <= $2
                             and month <= $2)
             order by slot.id",
            device.0,
            known_since.to_sqlx() as _
        )
        .fetch_all(&mut **work)
        .await?;
        rows.into_iter()
            .map(|row| {
                let (class, kind) = (row.class, row.kind);
                let slot = slot(
                    row.id,
                    row.device_id,
                    row.supply_index,
                    (class, kind),
                    row.colorant,
                    row.description,
                );
                Ok(Lender {
                    slot,
                    measure: measure(&row.measure)?,
                    capacity: row.capacity,
                    per_day: row.per_day,
                })
            })
            .collect()
    }
}
