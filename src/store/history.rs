//! Readings out, and what the domain made of them in: installs, the ledger, and where it left off.

use std::collections::{BTreeMap, BTreeSet};

use jiff::civil::Date;
use jiff::{SignedDuration, Timestamp};
use jiff_sqlx::ToSqlx;
use serde_json::value::RawValue;
use sqlx::types::Json;

use super::keeping::{Base, bases_of};
use super::{Result, Store, StoreError, Work};
use crate::domain::ids::{DeviceId, InstallId, SlotId, SupplyIndex};
use crate::domain::install::{Answer, Install, Question};
use crate::domain::ledger::Days;
use crate::domain::outlook::Slot;
use crate::domain::polarity::{Ground, Watch};
use crate::domain::reading::{Level, Polarity, Reading, Role};
use crate::domain::sign::Sign;
use crate::domain::standard::{SupplyClass, SupplyKind, SupplyUnit};
use crate::domain::stream::{Known, Sizes};
use crate::domain::units::Measure;

/// Which program can read the state of a slot's follower. It is raised with the shape or the meaning of
/// `Watch`; states of another version are made anew from the readings. Old ones that slots begin with where readings are
/// one a day (`slot_base`) are gone on with as long as they can be read: keep them readable.
pub(super) const STATE_VERSION: i32 = 3;

/// A slot with readings that have not been digested yet, or a step that waits to be believed.
#[derive(Debug, Clone)]
pub struct Undigested {
    /// Which slot.
    pub slot: Slot,
    /// When its row was last seen.
    pub seen_at: Timestamp,
    /// The last level that the alert rules have walked over.
    pub digested_to: Option<Timestamp>,
    /// What a person says that the device counts.
    pub pinned: Option<Polarity>,
    /// What was remembered of it; `None` where everything has to be made anew from all its readings.
    pub watch: Option<Watch>,
    /// The readings since, earliest first.
    pub readings: Vec<Reading>,
    /// What was seen besides since, earliest first.
    pub signs: Vec<(Timestamp, Sign)>,
    /// What people say of it.
    pub known: Known,
    /// Where to begin where everything has to be made anew and old readings are one a day.
    pub base: Option<Base>,
}

/// A polarity from its stored word.
pub(super) fn polarity(stored: &str) -> Result<Polarity> {
    Polarity::from_word(stored)
        .ok_or_else(|| StoreError::Unknown { what: "way to count", value: stored.to_owned() })
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
    /// The slots of a device whose last reading is later than what was digested, or that wait for a step to
    /// last, with the readings since.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn undigested(work: &mut Work, device: DeviceId) -> Result<Vec<Undigested>> {
        let rows = sqlx::query!(
            r#"select slot.id, supply_index, class, kind, colorant, slot.description, slot.seen_at, digested_to,
                      full_ml, first_ml, pin.polarity as "pinned?", state as "state?: Json<Box<RawValue>>"
               from slot join device on device.id = device_id
               left join slot_track track on track.slot_id = slot.id and version = $2
               left join lateral (
                   select polarity from polarity_pin pin
                   where pin.slot_id = slot.id or pin.device_id = device.id or pin.model = device.model
                   order by pin.slot_id, pin.device_id limit 1
               ) pin on true
               where device.id = $1
                 and (track.slot_id is null or changed_at > track.seen_at or waiting
                      or (ground <> 'container' and ((pin.polarity is not null) <> (ground = 'pinned')
                                                     or pin.polarity <> track.polarity)))
               order by supply_index"#,
            device.0,
            STATE_VERSION
        )
        .fetch_all(&mut **work)
        .await?;
        let mut undigested = Vec::new();
        for row in rows {
            let pinned = row.pinned.as_deref().map(polarity).transpose()?;
            let slot = slot(
                row.id,
                device.0,
                row.supply_index,
                (row.class, row.kind),
                row.colorant,
                row.description,
            );
            // A state that cannot be read is made anew, and so is one that stood on another way to count.
            let stored = row.state.and_then(|state| serde_json::from_str::<Watch>(state.0.get()).ok());
            let watch = stored.filter(|watch| slot.role == Role::Consumed || watch.pinned() == pinned);
            undigested.push(Undigested {
                seen_at: row.seen_at.to_jiff(),
                digested_to: row.digested_to.map(|at| at.to_jiff()),
                pinned,
                watch,
                slot,
                readings: Vec::new(),
                signs: Vec::new(),
                known: Known::from(Sizes { full_ml: row.full_ml, first_ml: row.first_ml }),
                base: None,
            });
        }
        let anew: Vec<SlotId> = undigested.iter().filter(|u| u.watch.is_none()).map(|u| u.slot.id).collect();
        let mut answers = answers_of(work, &anew).await?;
        let mut bases = bases_of(work, device, &anew).await?;
        for slot in &mut undigested {
            slot.base = bases.remove(&slot.slot.id).map(|base| base.fit_for(slot.slot.role, slot.pinned));
        }
        let since: Vec<(SlotId, Option<Timestamp>)> =
            undigested.iter().map(|slot| (slot.slot.id, slot.seen_so_far())).collect();
        let mut readings = readings_since(work, device, &since, None).await?;
        let mut signs = signs_since(work, device, &since).await?;
        for slot in &mut undigested {
            slot.readings = readings.remove(&slot.slot.id).unwrap_or_default();
            slot.signs = signs.remove(&slot.slot.id).unwrap_or_default();
            slot.known.answers = answers.remove(&slot.slot.id).unwrap_or_default();
        }
        Ok(undigested)
    }

    /// Forgets every install of a slot, its ledger, and what was asked about it.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn forget_installs(work: &mut Work, slot: SlotId) -> Result<()> {
        sqlx::query!("delete from install where slot_id = $1", slot.0).execute(&mut **work).await?;
        sqlx::query!("delete from question where slot_id = $1", slot.0).execute(&mut **work).await?;
        Ok(())
    }

    /// Writes down an install and its ledger from `first_open_day` on; the days before are final. Without
    /// it, all its days are replaced.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn save_install(
        work: &mut Work,
        slot: SlotId,
        install: &Install,
        days: &Days,
        first_open_day: Option<Date>,
    ) -> Result<InstallId> {
        let id = sqlx::query_scalar!(
            "insert into install (device_id, slot_id, from_at, to_at, arrival, measure, capacity, start_left, end_left,
                                  confidence)
             select device_id, id, $2, $3, $4, $5, $6, $7, $8, $9 from slot where id = $1
             on conflict (slot_id, from_at, device_id) do update set to_at = excluded.to_at, measure = excluded.measure,
                 capacity = excluded.capacity, start_left = excluded.start_left, end_left = excluded.end_left,
                 confidence = excluded.confidence
             returning id",
            slot.0,
            install.from.to_sqlx(),
            install.to.map(ToSqlx::to_sqlx) as _,
            install.arrival.word(),
            install.measure.word(),
            install.capacity,
            install.start,
            install.end,
            install.confidence,
        )
        .fetch_one(&mut **work)
        .await?;
        save_days(work, (slot.0, id), days, first_open_day).await?;
        Ok(InstallId(id))
    }

    /// Writes down what a person should explain.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn save_question(work: &mut Work, slot: SlotId, question: &Question) -> Result<()> {
        sqlx::query!(
            "insert into question (device_id, slot_id, at, since_at, from_left, to_left, measure)
             select device_id, id, $2, $3, $4, $5, $6 from slot where id = $1
             on conflict (slot_id, at, device_id) do nothing",
            slot.0,
            question.at.to_sqlx(),
            question.since.to_sqlx(),
            question.from,
            question.to,
            question.measure.word(),
        )
        .execute(&mut **work)
        .await?;
        Ok(())
    }

    /// Puts away what is remembered of a slot until its next reading.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn save_watch(work: &mut Work, slot: &Slot, watch: &Watch) -> Result<()> {
        let Some(seen_at) = watch.seen_at() else { return Ok(()) };
        let (polarity, ground) = watch.polarity();
        sqlx::query!(
            "insert into slot_track (device_id, slot_id, version, state, seen_at, waiting, polarity, ground)
             values ($1, $2, $3, $4, $5, $6, $7, $8)
             on conflict (slot_id, device_id) do update set version = excluded.version, state = excluded.state,
                 seen_at = excluded.seen_at, waiting = excluded.waiting,
                 polarity = excluded.polarity, ground = excluded.ground",
            slot.device.0,
            slot.id.0,
            STATE_VERSION,
            Json(watch) as _,
            seen_at.to_sqlx(),
            watch.is_waiting(),
            polarity.word(),
            ground.word(),
        )
        .execute(&mut **work)
        .await?;
        Ok(())
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
            r#"select slot_id as "slot_id!", day as "day!", sum(used) as "used!"
               from ledger_day join slot on slot.id = slot_id
               where device_id = $1 and day >= $2 and month >= date_trunc('month', $2::date)::date
               group by slot_id, day"#,
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

    /// The readings of a device's slots within a span, and the one before it, earliest first; with each slot
    /// which way its device is taken to count, and why.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn readings_between(
        &self,
        device: DeviceId,
        from: Timestamp,
        to: Timestamp,
    ) -> Result<Vec<(Slot, (Polarity, Ground), Vec<Reading>)>> {
        let slots = sqlx::query!(
            r#"select id, supply_index, class, kind, colorant, slot.description, polarity as "polarity?",
                      ground as "ground?"
               from slot left join slot_track on slot_track.slot_id = id
               where slot.device_id = $1 order by supply_index"#,
            device.0
        )
        .fetch_all(&self.pool)
        .await?;
        let ids: Vec<i64> = slots.iter().map(|slot| slot.id).collect();
        let rows = sqlx::query!(
            r#"select kept.slot_id as "slot_id!", at as "at!", previous_at, unit as "unit!",
                      max_capacity as "max_capacity!", level as "level!"
               from (
                   select slot_id, at, previous_at, unit, max_capacity, level from reading
                   where device_id = $1 and at > $3 and at <= $4
                   union all
                   select slot_id, at, previous_at, unit, max_capacity, level from reading_unpacked
                   where device_id = $1 and at > $3 and at <= $4
                     and month >= date_trunc('month', $3 at time zone 'UTC')::date
                     and month <= ($4 at time zone 'UTC')::date
                   union all
                   select wanted.id, before.* from unnest($2::bigint[]) as wanted (id)
                   cross join lateral reading_before($1, wanted.id, $3) before
               ) kept
               order by kept.slot_id, at"#,
            device.0,
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
        slots
            .into_iter()
            .map(|row| {
                let kept = readings.remove(&row.id).unwrap_or_default();
                let (class, kind) = (row.class, row.kind);
                let counts = row.polarity.as_deref().map_or(Ok(Polarity::Remaining), polarity)?;
                let ground = row.ground.as_deref().and_then(Ground::from_word).unwrap_or(Ground::Standard);
                let slot =
                    slot(row.id, device.0, row.supply_index, (class, kind), row.colorant, row.description);
                Ok((slot, (counts, ground), kept))
            })
            .collect()
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
             where device_id = $1 and fault is null and ended_at >= $2 and started_at <= $3
               and started_at >= coalesce((select started_at from poll_span before
                                           where before.device_id = $1 and before.started_at <= $2
                                           order by started_at desc limit 1), $2)
             order by started_at",
            device.0,
            from.to_sqlx(),
            to.to_sqlx()
        )
        .fetch_all(&self.pool)
        .await?;
        Ok(rows.into_iter().map(|row| (row.started_at.to_jiff(), row.ended_at.to_jiff())).collect())
    }
}

/// Writes down what went on days while a unit was in, in place of all its days from `first_open_day` on.
async fn save_days(
    work: &mut Work,
    (slot, install): (i64, i64),
    days: &Days,
    first_open_day: Option<Date>,
) -> Result<()> {
    let months: BTreeSet<Date> = days.keys().map(|day| day.first_of_month()).collect();
    let months: Vec<_> = months.into_iter().map(|month| month.to_sqlx()).collect();
    // A month that begins with days that stay is written anew below.
    sqlx::query!(
        "delete from ledger_month
         where slot_id = $1 and install_id = $2 and month <> all($4)
           and ($3::date is null or month + days[1] - 1 >= $3)",
        slot,
        install,
        first_open_day.map(ToSqlx::to_sqlx) as _,
        &months as _
    )
    .execute(&mut **work)
    .await?;
    let dates: Vec<_> = days.keys().map(|day| day.to_sqlx()).collect();
    let used: Vec<f64> = days.values().map(|day| day.used).collect();
    let spread: Vec<f64> = days.values().map(|day| day.spread).collect();
    let unseen: Vec<f64> = days.values().map(|day| day.unseen).collect();
    sqlx::query!(
        "insert into ledger_month as kept (device_id, slot_id, month, install_id, days, used, spread, unseen)
         select slot.device_id, slot.id, date_trunc('month', day)::date, $2,
                array_agg(extract(day from day)::smallint order by day),
                array_agg(used order by day),
                case when bool_or(spread <> 0) then array_agg(spread order by day) end,
                case when bool_or(unseen <> 0) then array_agg(unseen order by day) end
         from (
             select day, used, spread, unseen
             from unnest($4::date[], $5::float8[], $6::float8[], $7::float8[]) as said (day, used, spread, unseen)
             union all
             select day, used, spread, unseen from ledger_day
             where slot_id = $1 and install_id = $2 and month = date_trunc('month', $3::date)::date and day < $3
         ) day join slot on slot.id = $1
         group by slot.device_id, slot.id, date_trunc('month', day)
         on conflict (slot_id, month, install_id, device_id) do update
         set days = excluded.days, used = excluded.used, spread = excluded.spread, unseen = excluded.unseen
         where (kept.days, kept.used, kept.spread, kept.unseen)
               is distinct from (excluded.days, excluded.used, excluded.spread, excluded.unseen)",
        slot,
        install,
        first_open_day.map(ToSqlx::to_sqlx) as _,
        &dates as _,
        &used,
        &spread,
        &unseen,
    )
    .execute(&mut **work)
    .await?;
    Ok(())
}

impl Undigested {
    /// The last reading that was followed, or that what was worked out begins with.
    pub(super) fn seen_so_far(&self) -> Option<Timestamp> {
        let base = || {
            let base = self.base.as_ref()?;
            // Who begins afresh begins with that reading itself.
            let just_before =
                || base.seen_at.checked_sub(SignedDuration::from_micros(1)).unwrap_or(base.seen_at);
            Some(if base.watch.is_some() { base.seen_at } else { just_before() })
        };
        self.watch.as_ref().map_or_else(base, Watch::seen_at)
    }
}

/// The readings of slots since a moment each, up to the other; all of them where there is none.
pub(super) async fn readings_since(
    work: &mut Work,
    device: DeviceId,
    slots: &[(SlotId, Option<Timestamp>)],
    before: Option<Timestamp>,
) -> Result<BTreeMap<SlotId, Vec<Reading>>> {
    let ids: Vec<i64> = slots.iter().map(|(slot, _)| slot.0).collect();
    let since: Vec<_> = slots.iter().map(|(_, since)| since.map(ToSqlx::to_sqlx)).collect();
    let earliest = slots.iter().map(|(_, since)| *since).min().flatten().map(ToSqlx::to_sqlx);
    let rows = sqlx::query!(
        r#"select slot_id as "slot_id!", at as "at!", previous_at, unit as "unit!", max_capacity as "max_capacity!",
                  level as "level!"
           from (
               select reading.slot_id, at, previous_at, unit, max_capacity, level
               from unnest($2::bigint[], $3::timestamptz[]) as wanted (id, since)
               join reading on reading.device_id = $1 and reading.slot_id = wanted.id
                and at > coalesce(since, '-infinity') and at < coalesce($5, 'infinity'::timestamptz)
               union all
               select packed.slot_id, at, previous_at, unit, max_capacity, level
               from unnest($2::bigint[], $3::timestamptz[]) as wanted (id, since)
               join reading_unpacked packed on packed.slot_id = wanted.id and at > coalesce(since, '-infinity')
               where packed.device_id = $1 and at < coalesce($5, 'infinity'::timestamptz)
                 and month >= coalesce(date_trunc('month', $4::timestamptz at time zone 'UTC')::date, '-infinity')
                 and month <= coalesce(($5::timestamptz at time zone 'UTC')::date, 'infinity')
           ) kept
           order by slot_id, at"#,
        device.0,
        &ids,
        &since as _,
        earliest as _,
        before.map(ToSqlx::to_sqlx) as _
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

/// What was seen of slots besides their levels since a moment each; all of it where there is none.
pub(super) async fn signs_since(
    work: &mut Work,
    device: DeviceId,
    slots: &[(SlotId, Option<Timestamp>)],
) -> Result<BTreeMap<SlotId, Vec<(Timestamp, Sign)>>> {
    let mut signs: BTreeMap<SlotId, Vec<(Timestamp, Sign)>> = BTreeMap::new();
    if slots.is_empty() {
        return Ok(signs);
    }
    let ids: Vec<i64> = slots.iter().map(|(slot, _)| slot.0).collect();
    let since: Vec<_> = slots.iter().map(|(_, since)| since.map(ToSqlx::to_sqlx)).collect();
    let rows = sqlx::query!(
        r#"select wanted.id as "slot!", sign.at, sign.kind
           from unnest($2::bigint[], $3::timestamptz[]) as wanted (id, since)
           join sign on device_id = $1 and (slot_id is null or slot_id = wanted.id)
            and sign.at > coalesce(since, '-infinity')
           order by wanted.id, sign.at, sign.kind"#,
        device.0,
        &ids,
        &since as _
    )
    .fetch_all(&mut **work)
    .await?;
    for row in rows {
        let sign = Sign::from_word(&row.kind)
            .ok_or(StoreError::Unknown { what: "sign of a swap", value: row.kind })?;
        signs.entry(SlotId(row.slot)).or_default().push((row.at.to_jiff(), sign));
    }
    Ok(signs)
}

/// What people said of slots' questions, by the question's moment.
pub(super) async fn answers_of(
    work: &mut Work,
    slots: &[SlotId],
) -> Result<BTreeMap<SlotId, BTreeMap<Timestamp, Answer>>> {
    let mut answers: BTreeMap<SlotId, BTreeMap<Timestamp, Answer>> = BTreeMap::new();
    if slots.is_empty() {
        return Ok(answers);
    }
    let ids: Vec<i64> = slots.iter().map(|slot| slot.0).collect();
    let rows = sqlx::query!("select slot_id, at, verdict from answer where slot_id = any($1)", &ids)
        .fetch_all(&mut **work)
        .await?;
    for row in rows {
        let answer = Answer::from_word(&row.verdict)
            .ok_or(StoreError::Unknown { what: "answer", value: row.verdict })?;
        answers.entry(SlotId(row.slot_id)).or_default().insert(row.at.to_jiff(), answer);
    }
    Ok(answers)
}
