//! What alert rules went by in the past, read for many places at once and no further than a limit.

use std::collections::BTreeMap;

use jiff::Timestamp;
use jiff::civil::Date;
use jiff_sqlx::ToSqlx;

use super::alerts::DeviceAlertRow;
use super::history::{measure, polarity};
use super::{Result, Store};
use crate::domain::alert::Rule;
use crate::domain::alert::rehearsal::{Piled, PollRun, Span};
use crate::domain::ids::{DeviceId, LotId, PartId, SlotId};
use crate::domain::outlook::Horizon;
use crate::domain::reading::{Level, Polarity, Reading};
use crate::domain::rightness::KeptForecast;
use crate::domain::snapshot::DeviceAlert;
use crate::domain::standard::SupplyUnit;
use crate::domain::units::Measure;

/// What was found of many places, as far as a limit went. Places of which not all was read are left out.
#[derive(Debug, Clone)]
pub struct Found<K, T> {
    places: BTreeMap<K, Vec<T>>,
    all: bool,
}

impl<K, T> Default for Found<K, T> {
    fn default() -> Self {
        Self { places: BTreeMap::new(), all: true }
    }
}

impl<K: Ord, T> Found<K, T> {
    /// From rows with their place, and how many rows that has in all.
    pub(super) fn of(rows: impl ExactSizeIterator<Item = (K, i64, T)>, most: i64) -> Self {
        let all = i64::try_from(rows.len()).unwrap_or(i64::MAX) < most;
        let mut places: BTreeMap<K, (i64, Vec<T>)> = BTreeMap::new();
        for (place, of, row) in rows {
            let found = places.entry(place).or_insert((of, Vec::new()));
            found.1.push(row);
        }
        let whole = |(of, rows): &(i64, Vec<T>)| i64::try_from(rows.len()).is_ok_and(|n| n == *of);
        let places = places.into_iter().filter(|(_, found)| whole(found));
        Self { places: places.map(|(place, (_, rows))| (place, rows)).collect(), all }
    }

    /// What was found of a place, in order; `None` where not all of it was read.
    pub fn of_place(&self, place: &K) -> Option<&[T]> {
        match self.places.get(place) {
            Some(rows) => Some(rows),
            None => self.all.then_some(&[]),
        }
    }
}

/// A row of a device's own alert table, with the moments from which and until which it stood there.
pub type Complained = (DeviceAlert, Timestamp, Option<Timestamp>);

/// What went from a slot on a day, from one sort of unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DayUse {
    /// The day.
    pub day: Date,
    /// What the amount is counted in.
    pub measure: Measure,
    /// What the unit holds.
    pub capacity: Option<f64>,
    /// What went.
    pub used: f64,
}

/// How a slot is followed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Followed {
    /// Which way its device is taken to count.
    pub counts: Polarity,
    /// Since when it has been missing from its device's answers, if it is.
    pub missing_since: Option<Timestamp>,
}

/// The moments between which something is wanted.
type Window = (Timestamp, Timestamp);

impl Store {
    /// Readings of slots of some devices within a window, packed or not, each with the one before it.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn past_readings(
        &self,
        (devices, slots): (&[DeviceId], &[SlotId]),
        (from, to): Window,
        most: i64,
    ) -> Result<Found<SlotId, Reading>> {
        let devices: Vec<i64> = devices.iter().map(|device| device.0).collect();
        let rows = sqlx::query!(
            r#"select kept.slot_id as "slot!", at as "at!", previous_at, unit as "unit!",
                      max_capacity as "max_capacity!", level as "level!", of as "of!"
               from unnest($1::bigint[]) as wanted (device)
               cross join lateral (
                   select *, count(*) over (partition by slot_id) as of
                   from (
                       select slot_id, at, previous_at, unit, max_capacity, level from reading
                       where device_id = wanted.device and slot_id = any($2) and at > $3 and at <= $4
                       union all
                       select slot_id, at, previous_at, unit, max_capacity, level from reading_unpacked
                       where device_id = wanted.device and slot_id = any($2) and at > $3 and at <= $4
                         and month >= date_trunc('month', $3::timestamptz at time zone 'UTC')::date
                         and month <= ($4::timestamptz at time zone 'UTC')::date
                       union all
                       select slot.id, before.* from slot
                       cross join lateral reading_before(wanted.device, slot.id, $3) before
                       where slot.device_id = wanted.device and slot.id = any($2)
                   ) of_device
                   order by slot_id, at
               ) kept
               limit $5"#,
            &devices,
            &numbers(slots),
            from.to_sqlx() as _,
            to.to_sqlx() as _,
            most
        )
        .fetch_all(&self.pool)
        .await?;
        let reading =
            |unit, max, level, at: jiff_sqlx::Timestamp, before: Option<jiff_sqlx::Timestamp>| Reading {
                at: at.to_jiff(),
                previous_at: before.map(|at| at.to_jiff()),
                level: Level::from_raw(SupplyUnit::from_number(unit), max, level),
            };
        let rows = rows.into_iter().map(|row| {
            let reading = reading(row.unit, row.max_capacity, row.level, row.at, row.previous_at);
            (SlotId(row.slot), row.of, reading)
        });
        Ok(Found::of(rows, most))
    }

    /// How slots are followed.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn followed(&self, slots: &[SlotId]) -> Result<BTreeMap<SlotId, Followed>> {
        let rows = sqlx::query!(
            r#"select slot.id, polarity as "polarity?", slot.seen_at, last_answer_at
               from slot join device on device.id = device_id left join slot_track on slot_track.slot_id = slot.id
               where slot.id = any($1)"#,
            &numbers(slots)
        )
        .fetch_all(&self.pool)
        .await?;
        rows.into_iter()
            .map(|row| {
                let counts = row.polarity.as_deref().map_or(Ok(Polarity::Remaining), polarity)?;
                let seen_at = row.seen_at.to_jiff();
                let missing = row.last_answer_at.is_some_and(|answer| seen_at < answer.to_jiff());
                Ok((SlotId(row.id), Followed { counts, missing_since: missing.then_some(seen_at) }))
            })
            .collect()
    }

    /// Runs of polls of devices within a window, from the last one on that was answered before it.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn past_runs(
        &self,
        devices: &[DeviceId],
        (from, to): Window,
        most: i64,
    ) -> Result<Found<DeviceId, PollRun>> {
        let devices: Vec<i64> = devices.iter().map(|device| device.0).collect();
        let rows = sqlx::query!(
            r#"select wanted.id as "device!", started_at as "started_at!", ended_at as "ended_at!",
                      fault is null as "answered!", of as "of!"
               from unnest($1::bigint[]) as wanted (id)
               cross join lateral (
                   select started_at, ended_at, fault, count(*) over () as of
                   from poll_span where device_id = wanted.id and started_at <= $3 and started_at >= coalesce(
                       (select max(started_at) from poll_span before
                        where before.device_id = wanted.id and before.fault is null and before.started_at <= $2), $2)
                   order by started_at
               ) run
               limit $4"#,
            &devices,
            from.to_sqlx(),
            to.to_sqlx(),
            most
        )
        .fetch_all(&self.pool)
        .await?;
        let rows = rows.into_iter().map(|row| {
            let run = PollRun {
                from: row.started_at.to_jiff(),
                to: row.ended_at.to_jiff(),
                answered: row.answered,
            };
            (DeviceId(row.device), row.of, run)
        });
        Ok(Found::of(rows, most))
    }

    /// What devices complained of themselves since `from`.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn past_complaints(
        &self,
        devices: &[DeviceId],
        from: Timestamp,
        most: i64,
    ) -> Result<Found<DeviceId, Complained>> {
        let devices: Vec<i64> = devices.iter().map(|device| device.0).collect();
        let rows = sqlx::query!(
            r#"select wanted.id as "device!", severity as "severity!", training, alert_group as "alert_group!",
                      group_index as "group_index!", location as "location!", code as "code!",
                      description as "description!", first_seen_at as "first_seen_at!", cleared_at, of as "of!"
               from unnest($1::bigint[]) as wanted (id)
               cross join lateral (
                   select *, count(*) over () as of
                   from device_alert where device_id = wanted.id and coalesce(cleared_at, 'infinity') >= $2
                   order by first_seen_at, id
               ) complaint
               limit $3"#,
            &devices,
            from.to_sqlx(),
            most
        )
        .fetch_all(&self.pool)
        .await?;
        let rows = rows.into_iter().map(|row| {
            let (device, of) = (row.device, row.of);
            let complaint = DeviceAlertRow {
                device_id: device,
                severity: row.severity,
                training: row.training,
                alert_group: row.alert_group,
                group_index: row.group_index,
                location: row.location,
                code: row.code,
                description: row.description,
                first_seen_at: row.first_seen_at,
                cleared_at: row.cleared_at,
            };
            let since = complaint.first_seen_at.to_jiff();
            let until = complaint.cleared_at.map(|at| at.to_jiff());
            (DeviceId(device), of, (complaint.into(), since, until))
        });
        Ok(Found::of(rows, most))
    }

    /// The first forecast of each day that was kept of slots from a day on, in the measure that they count in now.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn past_forecasts(
        &self,
        slots: &[SlotId],
        from: Date,
        most: i64,
    ) -> Result<Found<SlotId, KeptForecast>> {
        let rows = sqlx::query!(
            r#"select wanted.id as "slot!", day as "day!", to_use as "to_use!", early as "early!", middle as "middle!",
                      late as "late!", daily_use, capacity, recent_use, of as "of!"
               from unnest($1::bigint[]) as wanted (id)
               cross join lateral (
                   select kept.*, count(*) over () as of
                   from outlook_day kept join outlook using (slot_id)
                   where slot_id = wanted.id and kept.device_id = (select device_id from slot where id = wanted.id)
                       and kept.measure = outlook.measure and day >= $2 and month >= date_trunc('month', $2::date)::date
                   order by day
               ) kept
               limit $3"#,
            &numbers(slots),
            from.to_sqlx() as _,
            most
        )
        .fetch_all(&self.pool)
        .await?;
        let rows = rows.into_iter().map(|row| {
            let horizon = Horizon {
                early: row.early.to_jiff(),
                middle: row.middle.to_jiff(),
                late: row.late.to_jiff(),
            };
            let kept = KeptForecast {
                slot: SlotId(row.slot),
                day: row.day.to_jiff(),
                to_use: row.to_use,
                horizon,
                daily_use: row.daily_use,
                capacity: row.capacity,
                recent_use: row.recent_use,
            };
            (kept.slot, row.of, kept)
        });
        Ok(Found::of(rows, most))
    }

    /// What went from slots per day and sort of unit, from a day on.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn past_use(&self, slots: &[SlotId], from: Date, most: i64) -> Result<Found<SlotId, DayUse>> {
        let rows = sqlx::query!(
            r#"select wanted.id as "slot!", day as "day!", measure as "measure!", capacity, used as "used!", of as "of!"
               from unnest($1::bigint[]) as wanted (id)
               cross join lateral (
                   select day, measure, capacity, used, count(*) over () as of
                   from ledger_day join install on install.id = install_id
                   where ledger_day.slot_id = wanted.id and day >= $2
                     and month >= date_trunc('month', $2::date)::date
                   order by day
               ) went
               limit $3"#,
            &numbers(slots),
            from.to_sqlx() as _,
            most
        )
        .fetch_all(&self.pool)
        .await?;
        let rows: Vec<(SlotId, i64, DayUse)> = rows
            .into_iter()
            .map(|row| {
                let measure = measure(&row.measure)?;
                let went = DayUse { day: row.day.to_jiff(), measure, capacity: row.capacity, used: row.used };
                Ok((SlotId(row.slot), row.of, went))
            })
            .collect::<Result<_>>()?;
        Ok(Found::of(rows.into_iter(), most))
    }

    /// What came to the lots of parts that have a date, and went from them: what lay there at `from`, as if it had come
    /// then, and every movement since, earliest first.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn piled_since(&self, from: Timestamp, most: i64) -> Result<Found<PartId, Piled>> {
        let rows = sqlx::query!(
            r#"select part_id as "part_id!", lot as "lot!", made_on as "made_on!", came_at as "at!",
                      quantity as "quantity!", count(*) over (partition by part_id) as "of!"
               from (
                   select part_id, lot.id as lot, made_on, greatest(at, $1) as came_at, sum(quantity)::bigint as quantity
                   from movement join lot on lot.id = lot_id join part on part.id = part_id
                   where shelf_life_months is not null
                   group by part_id, lot.id, made_on, came_at having sum(quantity) <> 0
               ) piled
               order by part_id, came_at limit $2"#,
            from.to_sqlx(),
            most
        )
        .fetch_all(&self.pool)
        .await?;
        let rows = rows.into_iter().map(|row| {
            let (at, made_on) = (row.at.to_jiff(), row.made_on.to_jiff());
            (PartId(row.part_id), row.of, Piled { at, lot: LotId(row.lot), made_on, quantity: row.quantity })
        });
        Ok(Found::of(rows, most))
    }

    /// From when to when alerts of a rule about slots were open that were open since `from`; and since when there have
    /// been any of these rules.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn open_spans(
        &self,
        rules: [Rule; 2],
        from: Timestamp,
        most: i64,
    ) -> Result<(Found<(SlotId, &'static str), Span>, Option<Timestamp>)> {
        let words = rules.map(|rule| rule.word().to_owned());
        let rows = sqlx::query!(
            r#"select slot_id as "slot!", rule, opened_at, cleared_at, count(*) over (partition by slot_id, rule) as "of!"
               from alert where rule = any($1) and slot_id is not null and coalesce(cleared_at, 'infinity') >= $2
               order by slot_id, rule, opened_at limit $3"#,
            &words[..],
            from.to_sqlx(),
            most
        )
        .fetch_all(&self.pool)
        .await?;
        let first = sqlx::query_scalar!("select min(opened_at) from alert where rule = any($1)", &words[..])
            .fetch_one(&self.pool)
            .await?;
        let rows: Vec<_> = rows
            .into_iter()
            .filter_map(|row| {
                let rule = rules.into_iter().find(|rule| rule.word() == row.rule)?;
                let span = (row.opened_at.to_jiff(), row.cleared_at.map(|at| at.to_jiff()));
                Some(((SlotId(row.slot), rule.word()), row.of, span))
            })
            .collect();
        Ok((Found::of(rows.into_iter(), most), first.map(|at| at.to_jiff())))
    }
}

/// Slots as the database numbers them.
pub(super) fn numbers(slots: &[SlotId]) -> Vec<i64> {
    slots.iter().map(|slot| slot.0).collect()
}
