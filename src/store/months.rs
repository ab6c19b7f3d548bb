//! A month's sums, as the ledger has them.

use jiff::Timestamp;
use jiff::civil::Date;
use jiff_sqlx::ToSqlx;

use super::history::{measure, slot};
use super::{Result, Store};
use crate::domain::ids::DeviceId;
use crate::domain::month::SupplyMonth;
use crate::domain::units::Measure;

impl Store {
    /// The first and the last day with anything in the ledger.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn ledger_days(&self) -> Result<Option<(Date, Date)>> {
        let row = sqlx::query!("select min(day) as first, max(day) as last from ledger_day")
            .fetch_one(&self.pool)
            .await?;
        Ok(row.first.zip(row.last).map(|(first, last)| (first.to_jiff(), last.to_jiff())))
    }

    /// What each supply did between two days (both counted) whose first moment is `begins` and whose last
    /// lies before `ends`; by device, in the device's own order.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn supply_months(
        &self,
        (first, last): (Date, Date),
        (begins, ends): (Timestamp, Timestamp),
    ) -> Result<Vec<(DeviceId, SupplyMonth)>> {
        let rows = sqlx::query!(
            r#"select slot.device_id, slot.id, supply_index, class, kind, colorant, slot.description,
                      (select measure from install where slot_id = slot.id and from_at < $4
                       order by from_at desc limit 1) as measure,
                      coalesce(used.used, 0) as "used!", coalesce(used.spread, 0) as "spread!",
                      coalesce(used.unseen, 0) as "unseen!",
                      (select count(*) from install where slot_id = slot.id and arrival <> 'found'
                       and from_at >= $3 and from_at < $4) as "swaps!",
                      (select coalesce(sum(old.end_left), 0) from install old join install new
                          on new.slot_id = old.slot_id and new.arrival <> 'found'
                         and new.from_at = (select min(from_at) from install next
                                            where next.slot_id = old.slot_id and next.from_at > old.from_at)
                       where old.slot_id = slot.id and new.from_at >= $3 and new.from_at < $4) as "left!"
               from slot join device on device.id = slot.device_id
               left join (
                   select slot_id, sum(used) as used, sum(spread) as spread, sum(unseen) as unseen
                   from ledger_day where day between $1 and $2 group by slot_id
               ) used on used.slot_id = slot.id
               where device.added_at < $4
               order by device.name, supply_index"#,
            first.to_sqlx(),
            last.to_sqlx(),
            begins.to_sqlx(),
            ends.to_sqlx()
        )
        .fetch_all(&self.pool)
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
                let supply = SupplyMonth {
                    slot: slot.id,
                    label: slot.label(),
                    role: slot.role,
                    measure: row.measure.as_deref().map_or(Ok(Measure::Percent), measure)?,
                    used: row.used,
                    spread: row.spread,
                    unseen: row.unseen,
                    swaps: u32::try_from(row.swaps).unwrap_or(0),
                    left_in_swapped: row.left,
                };
                Ok((DeviceId(row.device_id), supply))
            })
            .collect()
    }

    /// How far each device's life count moved between two days (both counted): the device, the standard's
    /// number of the counter unit, and the count gained since the last day before, or since the first count
    /// seen. Counts that went backwards are left out.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn counts_gained(&self, first: Date, last: Date) -> Result<Vec<(DeviceId, i32, i64)>> {
        let rows = sqlx::query!(
            r#"select device_id, counter_unit as "counter_unit!", sum(gained)::bigint as "gained!" from (
                   select device_id, marker_index, max(counter_unit) as counter_unit,
                          (array_agg(last_count order by day desc))[1] - coalesce(
                              (select last_count from marker_day before
                               where before.device_id = marker_day.device_id
                                 and before.marker_index = marker_day.marker_index and before.day < $1
                               order by day desc limit 1),
                              (array_agg(first_count order by day))[1]) as gained
                   from marker_day where day between $1 and $2 group by device_id, marker_index
               ) by_marker
               where gained >= 0 and counter_unit is not null group by device_id, counter_unit
               order by device_id, counter_unit"#,
            first.to_sqlx(),
            last.to_sqlx()
        )
        .fetch_all(&self.pool)
        .await?;
        Ok(rows.into_iter().map(|row| (DeviceId(row.device_id), row.counter_unit, row.gained)).collect())
    }
}
