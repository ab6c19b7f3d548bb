//! What was forecast, day by day, to be held against what came.

use std::collections::BTreeMap;

use jiff::civil::Date;
use jiff::{Timestamp, ToSpan};
use jiff_sqlx::ToSqlx;

use super::{Result, Store, Work};
use crate::domain::ids::SlotId;
use crate::domain::outlook::Horizon;
use crate::domain::rightness::KeptForecast;

/// For so many days the first forecast of every day is kept; of months that were over before, the first of each week.
const DAILY_FOR_DAYS: i32 = 60;
/// A month lies in so many weeks at most.
const WEEKS_OF_A_MONTH: i32 = 6;
/// Forecasts older than this go: three years, a little more than a forecast looks ahead.
const KEPT_FOR_DAYS: i32 = 1096;

/// A kept forecast, and up to which moment the use of its supply is known.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct KeptRow {
    /// What was said.
    pub kept: KeptForecast,
    /// The last answer that told of the supply.
    pub known_to: Timestamp,
}

impl Store {
    /// Keeps forecasts, each with its measure, that are the first of their day, and lets go what has become too old to be
    /// kept by the day.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn keep_forecasts(work: &mut Work, forecasts: &[(KeptForecast, &'static str)]) -> Result<()> {
        let Some(today) = forecasts.iter().map(|(kept, _)| kept.day).max() else { return Ok(()) };
        let day = |pick: fn(&KeptForecast) -> Date| -> Vec<_> {
            forecasts.iter().map(|(kept, _)| pick(kept).to_sqlx()).collect()
        };
        let figure = |pick: fn(&KeptForecast) -> Option<f64>| -> Vec<Option<f64>> {
            forecasts.iter().map(|(kept, _)| pick(kept)).collect()
        };
        let slots: Vec<i64> = forecasts.iter().map(|(kept, _)| kept.slot.0).collect();
        let measures: Vec<String> = forecasts.iter().map(|(_, measure)| (*measure).to_owned()).collect();
        let to_use: Vec<f64> = forecasts.iter().map(|(kept, _)| kept.to_use).collect();
        let fresh = sqlx::query_scalar!(
            "insert into outlook_month as kept (device_id, slot_id, month, measure, days, to_use, ends, paces, last_late)
             select device_id, slot.id, date_trunc('month', day)::date, measure, array[extract(day from day)::smallint],
                    array[to_use], array[array[early - day, middle - day, late - day]]::smallint[],
                    array[array[daily_use, capacity, recent_use]]::real[], late
             from unnest($1::bigint[], $2::date[], $3::text[], $4::float8[], $5::date[], $6::date[], $7::date[],
                         $8::float8[], $9::float8[], $10::float8[])
                 as said (slot_id, day, measure, to_use, early, middle, late, daily_use, capacity, recent_use)
             join slot on slot.id = said.slot_id
             on conflict (device_id, slot_id, month, measure) do update
                 set days = kept.days || excluded.days, to_use = kept.to_use || excluded.to_use,
                     ends = kept.ends || excluded.ends, paces = kept.paces || excluded.paces,
                     last_late = greatest(kept.last_late, excluded.last_late)
                 where kept.days[cardinality(kept.days)] < excluded.days[1]
             returning slot_id",
            &slots,
            &day(|kept| kept.day) as _,
            &measures,
            &to_use,
            &day(|kept| kept.horizon.early) as _,
            &day(|kept| kept.horizon.middle) as _,
            &day(|kept| kept.horizon.late) as _,
            &figure(|kept| kept.daily_use) as _,
            &figure(|kept| kept.capacity) as _,
            &figure(|kept| kept.recent_use) as _,
        )
        .fetch_all(&mut **work)
        .await?;
        if !fresh.is_empty() {
            thin_forecasts(work, &fresh, today).await?;
        }
        Ok(())
    }

    /// Lets go what was forecast of a supply: its device turned out to count the other way round.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn forget_forecasts(work: &mut Work, slot: SlotId) -> Result<()> {
        sqlx::query!(
            "delete from outlook_month where slot_id = $1 and device_id = (select device_id from slot where id = $1)",
            slot.0
        )
        .execute(&mut **work)
        .await?;
        Ok(())
    }

    /// What was forecast of a supply from a day to a day, earliest first; what is in another measure than the supply's
    /// present one is left out, for nothing can be held against it.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn forecasts_of(&self, slot: SlotId, (from, to): (Date, Date)) -> Result<Vec<KeptRow>> {
        let rows = sqlx::query_as!(
            ForecastRow,
            r#"select slot_id as "slot_id!", day as "day!", to_use as "to_use!", kept.early as "early!",
                      kept.middle as "middle!", kept.late as "late!", kept.daily_use, kept.capacity, kept.recent_use,
                      outlook.as_of as known_to
               from outlook_day kept join outlook using (device_id, slot_id, measure)
               where slot_id = $1 and device_id = (select device_id from slot where id = $1)
                   and day between $2 and $3 and month between date_trunc('month', $2::date)::date and $3
               order by day"#,
            slot.0,
            from.to_sqlx() as _,
            to.to_sqlx() as _,
        )
        .fetch_all(&self.pool)
        .await?;
        Ok(rows.into_iter().map(KeptRow::from).collect())
    }

    /// The first forecast of each week of every supply, where its late day lies from a day to a day, by supply and day;
    /// but for those in another measure than the supply's present one.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn forecasts_due(&self, (from, to): (Date, Date)) -> Result<Vec<KeptRow>> {
        let rows = sqlx::query_as!(
            ForecastRow,
            r#"with due as (
                   select device_id, slot_id, measure, month from outlook_month where last_late >= $1
               ), near as (
                   -- A week may have begun in the month before.
                   select * from due union select device_id, slot_id, measure, (month - interval '1 month')::date from due
               ), kept as (
                   select kept.*, row_number() over (partition by slot_id, measure, date_trunc('week', day) order by day) as nth
                   from outlook_day kept join near using (device_id, slot_id, measure, month)
               )
               select slot_id as "slot_id!", day as "day!", to_use as "to_use!", kept.early as "early!",
                      kept.middle as "middle!", kept.late as "late!", kept.daily_use, kept.capacity, kept.recent_use,
                      outlook.as_of as known_to
               from kept join outlook using (device_id, slot_id, measure)
               where nth = 1 and kept.late between $1 and $2
               order by slot_id, day"#,
            from.to_sqlx() as _,
            to.to_sqlx() as _,
        )
        .fetch_all(&self.pool)
        .await?;
        Ok(rows.into_iter().map(KeptRow::from).collect())
    }

    /// What went from slots per day, from a day on.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn daily_use_of(
        &self,
        slots: &[SlotId],
        from: Date,
    ) -> Result<BTreeMap<SlotId, BTreeMap<Date, f64>>> {
        let slots: Vec<i64> = slots.iter().map(|slot| slot.0).collect();
        let rows = sqlx::query!(
            r#"select slot_id as "slot_id!", day as "day!", sum(used) as "used!" from ledger_day
               where slot_id = any($1) and day >= $2 and month >= date_trunc('month', $2::date)::date
               group by slot_id, day"#,
            &slots,
            from.to_sqlx() as _
        )
        .fetch_all(&self.pool)
        .await?;
        let mut by_slot: BTreeMap<SlotId, BTreeMap<Date, f64>> = BTreeMap::new();
        for row in rows {
            by_slot.entry(SlotId(row.slot_id)).or_default().insert(row.day.to_jiff(), row.used);
        }
        Ok(by_slot)
    }
}

/// Leaves the first forecast of each week in months that were over some time before `today`, and nothing in those that are too
/// old to be kept.
async fn thin_forecasts(work: &mut Work, slots: &[i64], today: Date) -> Result<()> {
    let back = |days: i32| today.checked_sub(days.days()).unwrap_or(Date::MIN).to_sqlx();
    sqlx::query!(
        "with asked as (select device_id, id from slot where id = any($1)),
              gone as (
                  delete from outlook_month old using asked
                  where old.device_id = asked.device_id and old.slot_id = id and month + interval '1 month' <= $2::date),
              dense as (
                  select old.* from outlook_month old join asked on old.device_id = asked.device_id and old.slot_id = id
                  where month + interval '1 month' > $2::date and month + interval '1 month' <= $3::date
                      and cardinality(days) > $4),
              stays as (
                  select device_id, slot_id, month, measure, array_agg(kept.day order by nth) as days,
                         array_agg(kept.to_use order by nth) as to_use,
                         array_agg(array[ends[nth::integer][1], ends[nth::integer][2], ends[nth::integer][3]] order by nth)
                             as ends,
                         array_agg(array[paces[nth::integer][1], paces[nth::integer][2], paces[nth::integer][3]] order by nth)
                             as paces
                  from dense cross join lateral unnest(dense.days, dense.to_use) with ordinality as kept (day, to_use, nth)
                  where not exists (
                      select from outlook_day first
                      where first.device_id = dense.device_id and first.slot_id = dense.slot_id
                          and first.measure = dense.measure and first.day < dense.month + kept.day - 1
                          and first.day >= date_trunc('week', dense.month + kept.day - 1))
                  group by device_id, slot_id, month, measure)
         update outlook_month as old
         set days = stays.days, to_use = stays.to_use, ends = stays.ends, paces = stays.paces
         from stays
         where old.device_id = stays.device_id and old.slot_id = stays.slot_id and old.month = stays.month
             and old.measure = stays.measure",
        slots,
        back(KEPT_FOR_DAYS) as _,
        back(DAILY_FOR_DAYS) as _,
        WEEKS_OF_A_MONTH,
    )
    .execute(&mut **work)
    .await?;
    Ok(())
}

/// A forecast as a row has it.
struct ForecastRow {
    slot_id: i64,
    day: jiff_sqlx::Date,
    to_use: f64,
    early: jiff_sqlx::Date,
    middle: jiff_sqlx::Date,
    late: jiff_sqlx::Date,
    daily_use: Option<f64>,
    capacity: Option<f64>,
    recent_use: Option<f64>,
    known_to: jiff_sqlx::Timestamp,
}

impl From<ForecastRow> for KeptRow {
    fn from(row: ForecastRow) -> Self {
        let horizon =
            Horizon { early: row.early.to_jiff(), middle: row.middle.to_jiff(), late: row.late.to_jiff() };
        let kept = KeptForecast {
            slot: SlotId(row.slot_id),
            day: row.day.to_jiff(),
            to_use: row.to_use,
            horizon,
            daily_use: row.daily_use,
            capacity: row.capacity,
            recent_use: row.recent_use,
        };
        Self { kept, known_to: row.known_to.to_jiff() }
    }
}
