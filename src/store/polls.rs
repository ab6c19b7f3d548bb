//! Polls in: the memory of a device, and what a batch of polls adds to it, in one transaction.

use std::collections::BTreeMap;

use jiff::{SignedDuration, Timestamp};
use jiff_sqlx::ToSqlx;

use super::alerts::DeviceAlertRow;
use super::{Result, Store, Work};
use crate::domain::alert::Rule;
use crate::domain::ids::{DeviceId, SlotId, SupplyIndex};
use crate::domain::poll::{AlertChange, Changes, Memory, SlotMemory, Span};
use crate::domain::snapshot::{DeviceAlert, Snapshot, SupplyRow};
use crate::domain::standard::{SupplyClass, SupplyKind, SupplyUnit};

impl Store {
    /// Locks a device for the length of the transaction and recalls what has to be remembered of it. `None`
    /// if it is no longer watched.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn recall(work: &mut Work, device: DeviceId) -> Result<Option<Memory>> {
        recall(work, device, false).await
    }

    /// The same of a device that may no longer be watched, or never was.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn recall_any(work: &mut Work, device: DeviceId) -> Result<Option<Memory>> {
        recall(work, device, true).await
    }

    /// Writes down what a batch of polls added, within the transaction that recalled the memory.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn record(work: &mut Work, device: DeviceId, memory: &Memory, changes: &Changes) -> Result<()> {
        record_spans(work, device, &changes.spans).await?;
        renumber_slots(work, device, memory).await?;
        let slots = record_slots(work, device, memory).await?;
        record_readings(work, device, &slots, changes).await?;
        record_signs(work, device, &slots, changes).await?;
        Self::keep_gaps(work, &slots, &changes.gaps).await?;
        Self::keep_errors(work, device, &changes.detected).await?;
        record_alerts(work, device, changes).await?;
        record_counts(work, device, changes).await?;
        if let Some((at, snapshot)) = &changes.last_answer {
            record_answer(work, device, *at, snapshot).await?;
        }
        if let Some((at, fault)) = &changes.last_poll {
            sqlx::query!(
                "update device set last_poll_at = $2, last_answer_at = $3, fault = $4, failures = $5, cover_open = $6
                 where id = $1",
                device.0,
                at.to_sqlx(),
                memory.last_answer_at.map(ToSqlx::to_sqlx) as _,
                *fault as _,
                memory.failures,
                memory.cover_open
            )
            .execute(&mut **work)
            .await?;
        }
        Ok(())
    }
}

async fn recall(work: &mut Work, device: DeviceId, any: bool) -> Result<Option<Memory>> {
    let row = sqlx::query!(
            r#"select added_at, poll_every_s, last_poll_at, last_answer_at, failures, cover_open, up_since, serial,
                      model,
                      exists (select from alert where device_id = device.id and rule = $2
                              and cleared_at is null) as "dark!"
               from device where id = $1 and ($3 or retired_at is null) for update"#,
            device.0,
            Rule::Dark.word(),
        any
        )
        .fetch_optional(&mut **work)
        .await?;
    let Some(row) = row else { return Ok(None) };
    let span = sqlx::query!(
        "select started_at, ended_at, polls, fault from poll_span
         where device_id = $1 and started_at = (select run_started_at from device where id = $1)",
        device.0
    )
    .fetch_optional(&mut **work)
    .await?;
    Ok(Some(Memory {
        added_at: row.added_at.to_jiff(),
        poll_every: SignedDuration::from_secs(i64::from(row.poll_every_s)),
        last_poll_at: row.last_poll_at.map(|at| at.to_jiff()),
        last_answer_at: row.last_answer_at.map(|at| at.to_jiff()),
        failures: row.failures,
        span: span.map(|span| Span {
            started_at: span.started_at.to_jiff(),
            ended_at: span.ended_at.to_jiff(),
            polls: span.polls,
            fault: span.fault,
        }),
        slots: recall_slots(work, device).await?,
        standing: recall_alerts(work, device).await?,
        dark: row.dark,
        cover_open: row.cover_open,
        up_since: row.up_since.map(|at| at.to_jiff()),
        serial: row.serial,
        model: row.model,
    }))
}

pub(super) async fn recall_slots(
    work: &mut Work,
    device: DeviceId,
) -> Result<BTreeMap<SupplyIndex, SlotMemory>> {
    let rows = sqlx::query!(
        "select supply_index, marker, class, kind, colorant, description, unit, max_capacity, level, changed_at,
                seen_at
         from slot where device_id = $1",
        device.0
    )
    .fetch_all(&mut **work)
    .await?;
    Ok(rows
        .into_iter()
        .map(|row| {
            let index = SupplyIndex(row.supply_index);
            let supply = SupplyRow {
                index,
                marker: row.marker,
                class: SupplyClass::from_number(row.class),
                kind: SupplyKind::from_number(row.kind),
                description: row.description,
                colorant: row.colorant,
                unit: SupplyUnit::from_number(row.unit),
                max_capacity: row.max_capacity,
                level: row.level,
            };
            let memory = SlotMemory {
                row: supply,
                changed_at: row.changed_at.to_jiff(),
                seen_at: row.seen_at.to_jiff(),
                kept_as: Some(index),
            };
            (index, memory)
        })
        .collect())
}

async fn recall_alerts(work: &mut Work, device: DeviceId) -> Result<Vec<DeviceAlert>> {
    let rows = sqlx::query_as!(
        DeviceAlertRow,
        "select device_id, severity, training, alert_group, group_index, location, code, description,
                first_seen_at, cleared_at
         from device_alert where device_id = $1 and cleared_at is null order by id",
        device.0
    )
    .fetch_all(&mut **work)
    .await?;
    Ok(rows.into_iter().map(DeviceAlert::from).collect())
}

/// Writes runs of polls, earliest first, and notes with the device where the first answer and the latest run are.
pub(super) async fn record_spans(work: &mut Work, device: DeviceId, spans: &[Span]) -> Result<()> {
    let started: Vec<_> = spans.iter().map(|span| span.started_at.to_sqlx()).collect();
    let ended: Vec<_> = spans.iter().map(|span| span.ended_at.to_sqlx()).collect();
    let polls: Vec<i32> = spans.iter().map(|span| span.polls).collect();
    let faults: Vec<Option<String>> = spans.iter().map(|span| span.fault.clone()).collect();
    sqlx::query!(
        "insert into poll_span (device_id, started_at, ended_at, polls, fault)
         select $1, * from unnest($2::timestamptz[], $3::timestamptz[], $4::int[], $5::text[])
         on conflict (device_id, started_at) do update set ended_at = excluded.ended_at, polls = excluded.polls",
        device.0,
        &started as _,
        &ended as _,
        &polls,
        &faults as _,
    )
    .execute(&mut **work)
    .await?;
    let answered = spans.iter().find(|span| span.fault.is_none()).map(|span| span.started_at.to_sqlx());
    let latest = spans.last().map(|span| span.started_at.to_sqlx());
    sqlx::query!(
        "update device set first_answer_at = least(first_answer_at, $2), run_started_at = greatest(run_started_at, $3)
         where id = $1 and (first_answer_at is distinct from least(first_answer_at, $2)
                            or run_started_at is distinct from greatest(run_started_at, $3))",
        device.0,
        answered as _,
        latest as _,
    )
    .execute(&mut **work)
    .await?;
    Ok(())
}

/// Gives slots the numbers that their rows have now. All leave their old ones first, or two could not change
/// places.
async fn renumber_slots(work: &mut Work, device: DeviceId, memory: &Memory) -> Result<()> {
    let moved = memory.slots.iter().filter_map(|(now, slot)| Some((slot.kept_as?, *now)));
    let (from, to): (Vec<i32>, Vec<i32>) =
        moved.filter(|(from, to)| from != to).map(|(from, to)| (from.0, to.0)).unzip();
    if from.is_empty() {
        return Ok(());
    }
    let between: Vec<i32> = (i32::MIN..).take(from.len()).collect();
    for (from, to) in [(&from, &between), (&between, &to)] {
        sqlx::query!(
            "update slot set supply_index = moved.now from unnest($2::int[], $3::int[]) as moved (before, now)
             where device_id = $1 and supply_index = moved.before",
            device.0,
            from,
            to
        )
        .execute(&mut **work)
        .await?;
    }
    Ok(())
}

/// Writes every slot's last row; returns the slots' identities by index.
pub(super) async fn record_slots(
    work: &mut Work,
    device: DeviceId,
    memory: &Memory,
) -> Result<BTreeMap<SupplyIndex, SlotId>> {
    let slots: Vec<&SlotMemory> = memory.slots.values().collect();
    let of = |number: fn(&SupplyRow) -> i32| slots.iter().map(|slot| number(&slot.row)).collect::<Vec<i32>>();
    let colorants: Vec<Option<String>> = slots.iter().map(|slot| slot.row.colorant.clone()).collect();
    let descriptions: Vec<String> = slots.iter().map(|slot| slot.row.description.clone()).collect();
    let changed: Vec<_> = slots.iter().map(|slot| slot.changed_at.to_sqlx()).collect();
    let seen: Vec<_> = slots.iter().map(|slot| slot.seen_at.to_sqlx()).collect();
    let rows = sqlx::query!(
        "insert into slot (device_id, supply_index, marker, class, kind, unit, max_capacity, level, colorant,
                           description, changed_at, seen_at)
         select $1, * from unnest($2::int[], $3::int[], $4::int[], $5::int[], $6::int[], $7::int[], $8::int[],
                                  $9::text[], $10::text[], $11::timestamptz[], $12::timestamptz[])
         on conflict (device_id, supply_index) do update set marker = excluded.marker, class = excluded.class,
             kind = excluded.kind, unit = excluded.unit, max_capacity = excluded.max_capacity,
             level = excluded.level, colorant = excluded.colorant, description = excluded.description,
             changed_at = excluded.changed_at, seen_at = excluded.seen_at
         returning id, supply_index",
        device.0,
        &of(|row| row.index.0),
        &of(|row| row.marker),
        &of(|row| row.class.number()),
        &of(|row| row.kind.number()),
        &of(|row| row.unit.number()),
        &of(|row| row.max_capacity),
        &of(|row| row.level),
        &colorants as _,
        &descriptions,
        &changed as _,
        &seen as _,
    )
    .fetch_all(&mut **work)
    .await?;
    Ok(rows.into_iter().map(|row| (SupplyIndex(row.supply_index), SlotId(row.id))).collect())
}

pub(super) async fn record_readings(
    work: &mut Work,
    device: DeviceId,
    slots: &BTreeMap<SupplyIndex, SlotId>,
    changes: &Changes,
) -> Result<()> {
    let kept: Vec<_> =
        changes.readings.iter().filter_map(|reading| Some((slots.get(&reading.index)?.0, reading))).collect();
    let slot: Vec<i64> = kept.iter().map(|(slot, _)| *slot).collect();
    let at: Vec<_> = kept.iter().map(|(_, reading)| reading.at.to_sqlx()).collect();
    let previous: Vec<_> = kept.iter().map(|(_, r)| r.previous_at.map(ToSqlx::to_sqlx)).collect();
    let unit: Vec<i32> = kept.iter().map(|(_, reading)| reading.unit).collect();
    let capacity: Vec<i32> = kept.iter().map(|(_, reading)| reading.max_capacity).collect();
    let level: Vec<i32> = kept.iter().map(|(_, reading)| reading.level).collect();
    sqlx::query!(
        "insert into reading (device_id, slot_id, at, previous_at, unit, max_capacity, level)
         select $1, * from unnest($2::bigint[], $3::timestamptz[], $4::timestamptz[], $5::int[], $6::int[], $7::int[])",
        device.0,
        &slot,
        &at as _,
        &previous as _,
        &unit,
        &capacity,
        &level,
    )
    .execute(&mut **work)
    .await?;
    Ok(())
}

pub(super) async fn record_signs(
    work: &mut Work,
    device: DeviceId,
    slots: &BTreeMap<SupplyIndex, SlotId>,
    changes: &Changes,
) -> Result<()> {
    if changes.signs.is_empty() {
        return Ok(());
    }
    // What is said of a row that the supplies do not have is said of no slot.
    let kept: Vec<_> = changes
        .signs
        .iter()
        .filter_map(|sign| match sign.index {
            Some(index) => Some((Some(slots.get(&index)?.0), sign)),
            None => Some((None, sign)),
        })
        .collect();
    let slot: Vec<Option<i64>> = kept.iter().map(|(slot, _)| *slot).collect();
    let at: Vec<_> = kept.iter().map(|(_, sign)| sign.at.to_sqlx()).collect();
    let kind: Vec<String> = kept.iter().map(|(_, sign)| sign.sign.word().to_owned()).collect();
    sqlx::query!(
        "insert into sign (device_id, slot_id, at, kind)
         select $1, * from unnest($2::bigint[], $3::timestamptz[], $4::text[]) on conflict do nothing",
        device.0,
        &slot as _,
        &at as _,
        &kind,
    )
    .execute(&mut **work)
    .await?;
    Ok(())
}

async fn record_alerts(work: &mut Work, device: DeviceId, changes: &Changes) -> Result<()> {
    for change in &changes.alerts {
        match change {
            AlertChange::Came(at, alert) => {
                sqlx::query!(
                    "insert into device_alert (device_id, severity, training, alert_group, group_index, location,
                                               code, description, first_seen_at)
                     values ($1, $2, $3, $4, $5, $6, $7, $8, $9) on conflict do nothing",
                    device.0,
                    alert.severity.number(),
                    alert.training,
                    alert.group.number(),
                    alert.group_index,
                    alert.location,
                    alert.code.number(),
                    alert.description,
                    at.to_sqlx(),
                )
                .execute(&mut **work)
                .await?;
            }
            AlertChange::Went(at, alert) => {
                sqlx::query!(
                    "update device_alert set cleared_at = $6 where device_id = $1 and alert_group = $2
                     and group_index = $3 and location = $4 and code = $5 and cleared_at is null",
                    device.0,
                    alert.group.number(),
                    alert.group_index,
                    alert.location,
                    alert.code.number(),
                    at.to_sqlx(),
                )
                .execute(&mut **work)
                .await?;
            }
        }
    }
    Ok(())
}

async fn record_counts(work: &mut Work, device: DeviceId, changes: &Changes) -> Result<()> {
    let marker: Vec<i32> = changes.counts.keys().map(|(marker, _)| *marker).collect();
    let day: Vec<_> = changes.counts.keys().map(|(_, day)| day.to_sqlx()).collect();
    let unit: Vec<Option<i32>> =
        changes.counts.values().map(|count| count.marker.counter_unit.map(|unit| unit.number())).collect();
    let first: Vec<i64> = changes.counts.values().map(|count| i64::from(count.first)).collect();
    let last: Vec<i64> = changes.counts.values().map(|count| i64::from(count.last)).collect();
    sqlx::query!(
        "with said as (
             select marker_index, day, date_trunc('month', day)::date as month, counter_unit, first_count, last_count
             from unnest($2::int[], $3::date[], $4::int[], $5::bigint[], $6::bigint[])
                 as said (marker_index, day, counter_unit, first_count, last_count)
         ), known as (
             select * from marker_day
             where device_id = $1 and (marker_index, month) in (select marker_index, month from said)
         ), day as (
             select marker_index, month, day, said.counter_unit, coalesce(known.first_count, said.first_count) as first_count,
                    said.last_count
             from said left join known using (marker_index, month, day)
             union all
             select marker_index, month, day, counter_unit, first_count, last_count from known
             where not exists (select from said where said.marker_index = known.marker_index and said.day = known.day)
         )
         insert into marker_month (device_id, marker_index, month, counter_unit, days, first_counts, last_counts)
         select $1, marker_index, month, (array_agg(counter_unit order by day desc))[1],
                array_agg(extract(day from day)::smallint order by day), array_agg(first_count order by day),
                array_agg(last_count order by day)
         from day group by marker_index, month
         on conflict (device_id, marker_index, month) do update set counter_unit = excluded.counter_unit,
             days = excluded.days, first_counts = excluded.first_counts, last_counts = excluded.last_counts",
        device.0,
        &marker,
        &day as _,
        &unit as _,
        &first,
        &last,
    )
    .execute(&mut **work)
    .await?;
    Ok(())
}

/// Writes what the last answer said of the device itself.
async fn record_answer(work: &mut Work, device: DeviceId, at: Timestamp, snapshot: &Snapshot) -> Result<()> {
    let identity = &snapshot.identity;
    let up_since = snapshot
        .uptime_centiseconds
        .and_then(|up| at.checked_sub(SignedDuration::from_millis(i64::from(up) * 10)).ok());
    sqlx::query!(
        "update device set model = $2, description = $3, object_id = $4, system_name = $5, location = $6,
             printer_name = $7, serial = $8, device_status = $9, printer_status = $10, detected_errors = $11,
             up_since = $12
         where id = $1",
        device.0,
        identity.model,
        identity.description,
        identity.object_id,
        identity.system_name,
        identity.location,
        identity.printer_name,
        identity.serial,
        snapshot.device_status.map(|status| status.number()),
        snapshot.printer_status.map(|status| status.number()),
        i32::from(snapshot.errors.0),
        up_since.map(ToSqlx::to_sqlx) as _,
    )
    .execute(&mut **work)
    .await?;
    record_markers(work, device, snapshot).await?;
    record_media(work, device, snapshot).await
}

async fn record_markers(work: &mut Work, device: DeviceId, snapshot: &Snapshot) -> Result<()> {
    let index: Vec<i32> = snapshot.markers.iter().map(|marker| marker.index).collect();
    sqlx::query!("delete from marker where device_id = $1 and marker_index <> all($2)", device.0, &index)
        .execute(&mut **work)
        .await?;
    let unit: Vec<Option<i32>> =
        snapshot.markers.iter().map(|marker| marker.counter_unit.map(|unit| unit.number())).collect();
    let technology: Vec<Option<i32>> = snapshot.markers.iter().map(|marker| marker.technology).collect();
    let life: Vec<Option<i64>> = snapshot.markers.iter().map(|m| m.life_count.map(i64::from)).collect();
    let power_on: Vec<Option<i64>> =
        snapshot.markers.iter().map(|m| m.power_on_count.map(i64::from)).collect();
    sqlx::query!(
        "insert into marker (device_id, marker_index, counter_unit, technology, life_count, power_on_count)
         select distinct on (index) $1::bigint, *
         from unnest($2::int[], $3::int[], $4::int[], $5::bigint[], $6::bigint[])
             as row (index, unit, technology, life, power_on)
         on conflict (device_id, marker_index) do update set counter_unit = excluded.counter_unit,
             technology = excluded.technology, life_count = excluded.life_count,
             power_on_count = excluded.power_on_count",
        device.0,
        &index,
        &unit as _,
        &technology as _,
        &life as _,
        &power_on as _,
    )
    .execute(&mut **work)
    .await?;
    Ok(())
}

async fn record_media(work: &mut Work, device: DeviceId, snapshot: &Snapshot) -> Result<()> {
    let index: Vec<i32> = snapshot.inputs.iter().map(|input| input.index).collect();
    sqlx::query!("delete from media_input where device_id = $1 and input_index <> all($2)", device.0, &index)
        .execute(&mut **work)
        .await?;
    let inputs = &snapshot.inputs;
    let kind: Vec<Option<i32>> = inputs.iter().map(|input| input.kind.map(|kind| kind.number())).collect();
    let name: Vec<Option<String>> = inputs.iter().map(|input| input.name.clone()).collect();
    let media: Vec<Option<String>> = inputs.iter().map(|input| input.media.clone()).collect();
    let width: Vec<Option<i64>> = inputs.iter().map(|input| input.width_um).collect();
    let unit: Vec<Option<i32>> = inputs.iter().map(|input| input.unit.map(|unit| unit.number())).collect();
    let capacity: Vec<Option<i32>> = inputs.iter().map(|input| input.max_capacity).collect();
    let level: Vec<Option<i32>> = inputs.iter().map(|input| input.level).collect();
    sqlx::query!(
        "insert into media_input (device_id, input_index, kind, name, media, width_um, unit, max_capacity, level)
         select distinct on (index) $1::bigint, *
         from unnest($2::int[], $3::int[], $4::text[], $5::text[], $6::bigint[], $7::int[], $8::int[], $9::int[])
             as row (index, kind, name, media, width, unit, capacity, level)
         on conflict (device_id, input_index) do update set kind = excluded.kind, name = excluded.name,
             media = excluded.media, width_um = excluded.width_um, unit = excluded.unit,
             max_capacity = excluded.max_capacity, level = excluded.level",
        device.0,
        &index,
        &kind as _,
        &name as _,
        &media as _,
        &width as _,
        &unit as _,
        &capacity as _,
        &level as _,
    )
    .execute(&mut **work)
    .await?;
    Ok(())
}
