//! How each slot uses what it holds, as the last forecast took it.

use std::collections::BTreeMap;

use super::{Result, Store, Work};
use crate::domain::ids::SlotId;
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
            "insert into slot_pace (slot_id, per_day, variance, doubt)
             select * from unnest($1::bigint[], $2::double precision[], $3::double precision[], $4::double precision[])
             on conflict (slot_id) do update set per_day = excluded.per_day, variance = excluded.variance,
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
             join device on device.id = device_id where retired_at is null"
        )
        .fetch_all(&self.pool)
        .await?;
        let usage = |per_day, variance, doubt| Usage { per_day, variance, doubt };
        Ok(rows
            .iter()
            .map(|row| (SlotId(row.slot_id), usage(row.per_day, row.variance, row.doubt)))
            .collect())
    }
}
