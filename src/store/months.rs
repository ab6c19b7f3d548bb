//! What a month's report is made from: each kind of record in one query for all machines.

use std::collections::BTreeMap;

use jiff::Timestamp;
use jiff::civil::Date;
use jiff_sqlx::ToSqlx;

use super::history::{measure, slot};
use super::{Result, Store, StoreError};
use crate::domain::alert::Rule;
use crate::domain::ids::{DeviceId, SlotId};
use crate::domain::month::{AlertSpan, LotFlow, Month, PollRun, SlotSums, StockFlow, TakenRecord};
use crate::domain::shelf::MovementKind;
use crate::domain::units::Measure;

/// A month with its edges in the site's zone.
pub type Edges = (Month, (Timestamp, Timestamp));

/// What a slot did in a month: of an open month as the ledger has it now, of a closed one as it was frozen.
#[derive(Debug, Clone)]
pub struct SlotMonth {
    /// Which month.
    pub month: Month,
    /// At which device.
    pub device: DeviceId,
    /// Which slot.
    pub slot: SlotId,
    /// The device's name.
    pub device_name: String,
    /// Whom its ink is charged to.
    pub cost_centre: Option<String>,
    /// Whether it holds what is consumed, or takes up waste.
    pub consumed: bool,
    /// What the amounts are counted in.
    pub measure: Measure,
    /// Used, or filled.
    pub used: f64,
    /// Units swapped.
    pub swaps: u32,
    /// What `used` is worth: `Some` of a closed month, as it was frozen.
    pub frozen_cost: Option<Option<crate::domain::part::Price>>,
}

impl Store {
    /// The first and the last day with anything in the ledger.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn ledger_days(&self) -> Result<Option<(Date, Date)>> {
        let row = sqlx::query!(
            "select (select min(day) from ledger_day where month = (select min(month) from ledger_month)) as first,
                    (select max(day) from ledger_day where month = (select max(month) from ledger_month)) as last"
        )
        .fetch_one(&self.pool)
            .await?;
        Ok(row.first.zip(row.last).map(|(first, last)| (first.to_jiff(), last.to_jiff())))
    }

    /// What each supply did in a month, by device, in the device's own order.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn slot_sums(&self, (month, (begins, ends)): Edges) -> Result<Vec<SlotSums>> {
        let rows = sqlx::query!(
            r#"select slot.id, slot.device_id, supply_index, class, kind, colorant, slot.description,
                      (select measure from install where slot_id = slot.id and from_at < $3
                       order by from_at desc limit 1) as measure,
                      coalesce(sums.used, 0) as "used!", coalesce(sums.spread, 0) as "spread!",
                      coalesce(sums.unseen, 0) as "unseen!", coalesce(sums.swaps, 0) as "swaps!",
                      coalesce(sums.left_in_swapped, 0) as "left!", issued.number as "issued?"
               from slot join device on device.id = slot.device_id
               left join slot_months(array[$1::date], array[$2::timestamptz], array[$3::timestamptz]) sums
                   on sums.slot_id = slot.id
               left join (
                   select distinct on (slot_id) slot_id, part.number
                   from movement join lot on lot.id = lot_id join part on part.id = lot.part_id
                   where movement.kind = 'issued' and slot_id is not null and at < $3
                   order by slot_id, at desc, movement.id desc
               ) issued on issued.slot_id = slot.id
               where device.added_at < $3 or sums.slot_id is not null
               order by device.name, supply_index"#,
            month.first_day().to_sqlx() as _,
            begins.to_sqlx() as _,
            ends.to_sqlx() as _
        )
        .fetch_all(&self.pool)
        .await?;
        rows.into_iter()
            .map(|row| {
                let (class, kind) = (row.class, row.kind);
                Ok(SlotSums {
                    slot: slot(
                        row.id,
                        row.device_id,
                        row.supply_index,
                        (class, kind),
                        row.colorant,
                        row.description,
                    ),
                    measure: row.measure.as_deref().map_or(Ok(Measure::Percent), measure)?,
                    used: row.used,
                    spread: row.spread,
                    unseen: row.unseen,
                    swaps: u32::try_from(row.swaps).unwrap_or(0),
                    left: row.left,
                    issued: row.issued,
                })
            })
            .collect()
    }

    /// What each slot did in each of some months, device by device: closed ones as they were frozen.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn slot_months(&self, months: &[Edges]) -> Result<Vec<SlotMonth>> {
        let firsts: Vec<_> = months.iter().map(|(month, _)| month.first_day().to_sqlx()).collect();
        let begins: Vec<_> = months.iter().map(|(_, edges)| edges.0.to_sqlx()).collect();
        let ends: Vec<_> = months.iter().map(|(_, edges)| edges.1.to_sqlx()).collect();
        let rows = sqlx::query!(
            r#"select sums.month as "month!", slot.device_id, slot.id, device.name, cost_centre, class, slot.kind,
                      coalesce(sums.measure, (select measure from install where slot_id = slot.id
                                              order by from_at desc limit 1)) as measure,
                      sums.used as "used!", sums.swaps as "swaps!", sums.frozen as "frozen!", cost_minor, currency
               from (
                   select month, slot_id, null as measure, used, swaps, false as frozen,
                          null::bigint as cost_minor, null as currency
                   from slot_months($1::date[], $2::timestamptz[], $3::timestamptz[]) open
                   where not exists (select from month_close where month_close.month = open.month)
                   union all
                   select month, slot_id, measure, used, swaps, true, cost_minor, currency
                   from month_close_supply where month = any($1)
               ) sums join slot on slot.id = sums.slot_id join device on device.id = slot.device_id
               order by device.name, supply_index, sums.month"#,
            &firsts as _,
            &begins as _,
            &ends as _
        )
        .fetch_all(&self.pool)
        .await?;
        rows.into_iter()
            .map(|row| {
                let slot = slot(row.id, row.device_id, 0, (row.class, row.kind), None, String::new());
                let cost = super::closings::price(row.cost_minor, row.currency.as_deref())?;
                Ok(SlotMonth {
                    month: Month::of(row.month.to_jiff()),
                    device: DeviceId(row.device_id),
                    slot: slot.id,
                    device_name: row.name,
                    cost_centre: row.cost_centre,
                    consumed: slot.role == crate::domain::reading::Role::Consumed,
                    measure: row.measure.as_deref().map_or(Ok(Measure::Percent), measure)?,
                    used: row.used,
                    swaps: u32::try_from(row.swaps).unwrap_or(0),
                    frozen_cost: row.frozen.then_some(cost),
                })
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
            r#"select device_id as "device_id!", counter_unit as "counter_unit!", sum(gained)::bigint as "gained!" from (
                   select device_id, marker_index, max(counter_unit) as counter_unit,
                          (array_agg(last_count order by day desc))[1] - coalesce(
                              (select last_count
                               from (select * from marker_month
                                     where marker_month.device_id = within.device_id
                                         and marker_month.marker_index = within.marker_index
                                         and month <= date_trunc('month', $1::date)::date
                                     order by month desc limit 2) before
                               cross join lateral unnest(before.days, before.last_counts) as row (day, last_count)
                               where before.month + row.day - 1 < $1::date order by before.month desc, row.day desc limit 1),
                              (array_agg(first_count order by day))[1]) as gained
                   from marker_day within
                   where day between $1 and $2 and month between date_trunc('month', $1::date)::date and $2
                   group by device_id, marker_index
               ) by_marker
               where gained >= 0 and counter_unit is not null group by device_id, counter_unit
               order by device_id, counter_unit"#,
            first.to_sqlx() as _,
            last.to_sqlx() as _
        )
        .fetch_all(&self.pool)
        .await?;
        Ok(rows.into_iter().map(|row| (DeviceId(row.device_id), row.counter_unit, row.gained)).collect())
    }

    /// The runs of polls of every device that touch a span, earliest first, answered or not.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn poll_runs(
        &self,
        from: Timestamp,
        to: Timestamp,
    ) -> Result<BTreeMap<DeviceId, Vec<PollRun>>> {
        let rows = sqlx::query!(
            "select device_id, started_at, ended_at, fault from poll_span
             where ended_at >= $1 and started_at <= $2 order by device_id, started_at",
            from.to_sqlx(),
            to.to_sqlx()
        )
        .fetch_all(&self.pool)
        .await?;
        let mut runs: BTreeMap<DeviceId, Vec<PollRun>> = BTreeMap::new();
        for row in rows {
            runs.entry(DeviceId(row.device_id)).or_default().push(PollRun {
                from: row.started_at.to_jiff(),
                until: row.ended_at.to_jiff(),
                fault: row.fault,
            });
        }
        Ok(runs)
    }

    /// The name of the site that each device stands at.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn device_sites(&self) -> Result<BTreeMap<DeviceId, String>> {
        let rows = sqlx::query!("select device.id, site.name from device join site on site.id = site_id")
            .fetch_all(&self.pool)
            .await?;
        Ok(rows.into_iter().map(|row| (DeviceId(row.id), row.name)).collect())
    }

    /// What moved on the shelf in a span, by part and by what is left in the units.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn lot_flows(&self, begins: Timestamp, ends: Timestamp) -> Result<Vec<LotFlow>> {
        let rows = sqlx::query!(
            r#"select number, lot.left_over, case when at >= $1 then movement.kind end as kind,
                      sum(quantity) as "sum!"
               from movement join lot on lot.id = lot_id join part on part.id = part_id
               where at < $2 group by 1, 2, 3 order by 1, 2, 3"#,
            begins.to_sqlx(),
            ends.to_sqlx()
        )
        .fetch_all(&self.pool)
        .await?;
        let mut flows: Vec<LotFlow> = Vec::new();
        for row in rows {
            let same = |flow: &LotFlow| flow.part == row.number && flow.left_over == row.left_over;
            if !flows.last().is_some_and(same) {
                flows.push(LotFlow {
                    part: row.number.clone(),
                    left_over: row.left_over,
                    units: StockFlow::default(),
                });
            }
            let Some(flow) = flows.last_mut() else { continue };
            match row.kind.as_deref().map(kind).transpose()? {
                Some(kind) => flow.units.book(kind, row.sum),
                None => flow.units.start += row.sum,
            }
            flow.units.end += row.sum;
        }
        Ok(flows)
    }

    /// The units that were issued to each device in a span.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn units_taken(&self, begins: Timestamp, ends: Timestamp) -> Result<Vec<TakenRecord>> {
        let rows = sqlx::query!(
            r#"select device_id as "device_id!", number, lot.left_over, -sum(quantity) as "units!"
               from movement join lot on lot.id = lot_id join part on part.id = part_id
               where movement.kind = 'issued' and device_id is not null and at >= $1 and at < $2
               group by 1, 2, 3 order by 1, 2, 3"#,
            begins.to_sqlx(),
            ends.to_sqlx()
        )
        .fetch_all(&self.pool)
        .await?;
        Ok(rows
            .into_iter()
            .map(|row| TakenRecord {
                device: DeviceId(row.device_id),
                part: row.number,
                left_over: row.left_over,
                units: row.units,
            })
            .collect())
    }

    /// How many print heads came out of each device between two days (both counted), of those whose heads are
    /// registered.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn heads_replaced(&self, first: Date, last: Date) -> Result<BTreeMap<DeviceId, u32>> {
        let rows = sqlx::query!(
            r#"select device_id, count(*) filter (where out_on between $1 and $2) as "replaced!"
               from head group by device_id"#,
            first.to_sqlx() as _,
            last.to_sqlx() as _
        )
        .fetch_all(&self.pool)
        .await?;
        let count = |replaced: i64| u32::try_from(replaced).unwrap_or(0);
        Ok(rows.into_iter().map(|row| (DeviceId(row.device_id), count(row.replaced))).collect())
    }

    /// The alerts that were open at some moment of a span, earliest first.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn alert_spans(&self, begins: Timestamp, ends: Timestamp) -> Result<Vec<AlertSpan>> {
        let rows = sqlx::query!(
            "select rule, opened_at, seen_at, cleared_at from alert
             where opened_at < $2 and (cleared_at is null or cleared_at >= $1) order by opened_at, id",
            begins.to_sqlx(),
            ends.to_sqlx()
        )
        .fetch_all(&self.pool)
        .await?;
        rows.into_iter()
            .map(|row| {
                Ok(AlertSpan {
                    rule: Rule::from_word(&row.rule)
                        .ok_or(StoreError::Unknown { what: "rule", value: row.rule })?,
                    opened_at: row.opened_at.to_jiff(),
                    seen_at: row.seen_at.map(|at| at.to_jiff()),
                    cleared_at: row.cleared_at.map(|at| at.to_jiff()),
                })
            })
            .collect()
    }
}

fn kind(word: &str) -> Result<MovementKind> {
    MovementKind::from_word(word)
        .ok_or_else(|| StoreError::Unknown { what: "kind of movement", value: word.to_owned() })
}
