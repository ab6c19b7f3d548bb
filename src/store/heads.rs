//! Print heads, the maps of ink through them, and what has gone through each.

use std::collections::BTreeMap;

use jiff::Timestamp;
use jiff::civil::Date;
use jiff_sqlx::ToSqlx;

use super::history::{measure, slot};
use super::{Result, Store, StoreError, Work, breaches};
use crate::domain::head::{Head, HeadOutlook};
use crate::domain::ids::{DeviceId, HeadId, PartId, SlotId};
use crate::domain::outlook::{Forecast, Horizon, Slot};
use crate::domain::plumbing::{Channel, Plumbing, Position};
use crate::domain::units::Measure;

/// A head to be written down.
#[derive(Debug, Clone)]
pub struct NewHead {
    /// In which device.
    pub device: DeviceId,
    /// In which place.
    pub position: Position,
    /// Its part.
    pub part: Option<PartId>,
    /// The day it went in.
    pub in_on: Date,
    /// The day it came out.
    pub out_on: Option<Date>,
    /// The date stamped on it.
    pub warranty_until: Option<Date>,
    /// Ink after which its warranty ends, ml.
    pub limit_ml: f64,
    /// Ink that had gone through it before, ml.
    pub before_ml: f64,
    /// When it is written down.
    pub booked_at: Timestamp,
    /// Who.
    pub who: String,
    /// Why.
    pub why: String,
}

/// A head with what is said of it, once something has been.
#[derive(Debug, Clone)]
pub struct HeadRow {
    /// Its machine's name.
    pub device_name: String,
    /// The head.
    pub head: Head,
    /// What was last worked out.
    pub outlook: Option<HeadOutlook>,
}

/// Which heads are wanted.
#[derive(Debug, Clone, Copy)]
pub enum Heads {
    /// Those that are in some machine that is watched.
    Inside,
    /// Those of one device, and those that were in it.
    Device(DeviceId),
    /// All of the machines that are watched, and those that were in them.
    All,
}

/// What went from a slot while heads were in, in the measure of one sort of its units.
#[derive(Debug, Clone)]
pub struct SpanUse {
    /// The heads' first day.
    pub in_on: Date,
    /// The day they came out.
    pub out_on: Option<Date>,
    /// From which slot.
    pub slot: SlotId,
    /// What the amount is counted in.
    pub measure: Measure,
    /// What a unit holds.
    pub capacity: Option<f64>,
    /// What went.
    pub used: f64,
}

impl Store {
    /// Keeps everybody else from changing a device's heads until the end of the work. Returns the device's name
    /// and model; `None` if it is not watched.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn lock_heads(work: &mut Work, device: DeviceId) -> Result<Option<(String, Option<String>)>> {
        let row = sqlx::query!(
            "select name, model from device where id = $1 and retired_at is null for update",
            device.0
        )
        .fetch_optional(&mut **work)
        .await?;
        Ok(row.map(|row| (row.name, row.model)))
    }

    /// Writes a head down; one that is known by its machine, place and first day is put right. `None` if
    /// another head is in that place at that time.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn put_head(work: &mut Work, head: &NewHead) -> Result<Option<HeadId>> {
        let put = sqlx::query_scalar!(
            "insert into head (device_id, position, part_id, in_on, out_on, warranty_until, limit_ml, before_ml,
                               booked_at, who, why)
             values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11)
             on conflict (device_id, position, in_on) do update set part_id = excluded.part_id,
                 out_on = excluded.out_on, warranty_until = excluded.warranty_until,
                 limit_ml = excluded.limit_ml, before_ml = excluded.before_ml, booked_at = excluded.booked_at,
                 who = excluded.who, why = excluded.why
             returning id",
            head.device.0,
            head.position.number(),
            head.part.map(|part| part.0),
            head.in_on.to_sqlx() as _,
            head.out_on.map(ToSqlx::to_sqlx) as _,
            head.warranty_until.map(ToSqlx::to_sqlx) as _,
            head.limit_ml,
            head.before_ml,
            head.booked_at.to_sqlx(),
            head.who,
            head.why,
        )
        .fetch_one(&mut **work)
        .await;
        match put {
            Ok(id) => Ok(Some(HeadId(id))),
            Err(error) if breaches(&error, "head_place_taken") || breaches(&error, "head_current") => {
                Ok(None)
            }
            Err(error) => Err(error.into()),
        }
    }

    /// Notes the day on which a head came out.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn take_head_out(work: &mut Work, head: HeadId, out_on: Date) -> Result<()> {
        sqlx::query!("update head set out_on = $2 where id = $1", head.0, out_on.to_sqlx() as _)
            .execute(&mut **work)
            .await?;
        Ok(())
    }

    /// Heads by machine and place, the latest of a place first.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn heads(&self, wanted: Heads) -> Result<Vec<HeadRow>> {
        heads(&self.pool, wanted).await
    }

    /// The same within a transaction.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn heads_in(work: &mut Work, wanted: Heads) -> Result<Vec<HeadRow>> {
        heads(&mut **work, wanted).await
    }

    /// The slots of a device.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn slots_of(work: &mut Work, device: DeviceId) -> Result<Vec<Slot>> {
        let rows = sqlx::query!(
            "select id, supply_index, class, kind, colorant, description from slot where device_id = $1
             order by supply_index",
            device.0
        )
        .fetch_all(&mut **work)
        .await?;
        let made = rows.into_iter().map(|row| {
            slot(row.id, device.0, row.supply_index, (row.class, row.kind), row.colorant, row.description)
        });
        Ok(made.collect())
    }

    /// What went from each slot of a device in each span in which any of its heads was in, by the sort of unit
    /// it went from. Heads that went in and came out together share a span.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn use_by_head_span(work: &mut Work, device: DeviceId) -> Result<Vec<SpanUse>> {
        let rows = sqlx::query!(
            r#"select span.in_on as "in_on!", span.out_on, ledger_day.slot_id as "slot_id!", measure, capacity,
                      sum(used) as "used!"
               from (select distinct in_on, out_on from head where device_id = $1) span
               join slot on slot.device_id = $1
               join ledger_day on ledger_day.slot_id = slot.id and day >= span.in_on
                              and (span.out_on is null or day < span.out_on)
               join install on install.id = install_id
               group by span.in_on, span.out_on, ledger_day.slot_id, measure, capacity"#,
            device.0
        )
        .fetch_all(&mut **work)
        .await?;
        rows.into_iter()
            .map(|row| {
                Ok(SpanUse {
                    in_on: row.in_on.to_jiff(),
                    out_on: row.out_on.map(|day| day.to_jiff()),
                    slot: SlotId(row.slot_id),
                    measure: measure(&row.measure)?,
                    capacity: row.capacity,
                    used: row.used,
                })
            })
            .collect()
    }

    /// What is counted in the slots of a device: its present units' measures and capacities.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn measures_of(
        work: &mut Work,
        device: DeviceId,
    ) -> Result<BTreeMap<SlotId, (Measure, Option<f64>)>> {
        let rows = sqlx::query!(
            "select slot_id, measure, capacity from outlook join slot on slot.id = slot_id where slot.device_id = $1",
            device.0
        )
        .fetch_all(&mut **work)
        .await?;
        rows.into_iter()
            .map(|row| Ok((SlotId(row.slot_id), (measure(&row.measure)?, row.capacity))))
            .collect()
    }

    /// The first day of which a device's ledger tells anything.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn first_ledger_day(work: &mut Work, device: DeviceId) -> Result<Option<Date>> {
        let day = sqlx::query_scalar!(
            "select min(day) from ledger_day join slot on slot.id = slot_id where device_id = $1",
            device.0
        )
        .fetch_one(&mut **work)
        .await?;
        Ok(day.map(|day| day.to_jiff()))
    }

    /// Writes down what is said of heads as of now.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn save_head_outlooks(
        work: &mut Work,
        outlooks: &[(HeadId, HeadOutlook)],
        made_at: Timestamp,
    ) -> Result<()> {
        let of = |day: fn(&Horizon) -> Date| -> Vec<_> {
            let days = outlooks.iter().map(|(_, outlook)| outlook.by_limit.horizon());
            days.map(|horizon| horizon.map(|horizon| day(&horizon).to_sqlx())).collect()
        };
        let ids: Vec<i64> = outlooks.iter().map(|(id, _)| id.0).collect();
        let ml: Vec<Option<f64>> = outlooks.iter().map(|(_, outlook)| outlook.ml).collect();
        let daily: Vec<Option<f64>> = outlooks.iter().map(|(_, outlook)| outlook.daily_ml).collect();
        let reason = |outlook: &HeadOutlook| match &outlook.by_limit {
            Forecast::Known(_) => None,
            Forecast::NotYet(reason) => Some(reason.clone()),
        };
        let not_yet: Vec<Option<String>> = outlooks.iter().map(|(_, outlook)| reason(outlook)).collect();
        sqlx::query!(
            "insert into head_outlook (device_id, head_id, made_at, ml, daily_ml, early, middle, late, not_yet)
             select device_id, id, $2, ml, daily_ml, early, middle, late, not_yet
             from unnest($1::bigint[], $3::float8[], $4::float8[], $5::date[], $6::date[], $7::date[], $8::text[])
                  as said (id, ml, daily_ml, early, middle, late, not_yet)
             join head using (id)
             on conflict (head_id, device_id) do update set made_at = excluded.made_at, ml = excluded.ml,
                 daily_ml = excluded.daily_ml, early = excluded.early, middle = excluded.middle,
                 late = excluded.late, not_yet = excluded.not_yet",
            &ids,
            made_at.to_sqlx(),
            &ml as _,
            &daily as _,
            &of(|horizon| horizon.early) as _,
            &of(|horizon| horizon.middle) as _,
            &of(|horizon| horizon.late) as _,
            &not_yet as _,
        )
        .execute(&mut **work)
        .await?;
        Ok(())
    }

    /// The map that a person wrote for a model.
    ///
    /// # Errors
    /// If the store cannot be reached, or holds a map that is none.
    pub async fn plumbing(work: &mut Work, model: &str) -> Result<Option<Plumbing>> {
        let rows = sqlx::query_as!(
            ChannelRow,
            "select model, head, colour, share from plumbing where model = $1",
            model
        )
        .fetch_all(&mut **work)
        .await?;
        Ok(plumbings(rows)?.remove(model))
    }

    /// The maps that people wrote, by model.
    ///
    /// # Errors
    /// If the store cannot be reached, or holds a map that is none.
    pub async fn plumbings(&self) -> Result<BTreeMap<String, Plumbing>> {
        let rows = sqlx::query_as!(ChannelRow, "select model, head, colour, share from plumbing")
            .fetch_all(&self.pool)
            .await?;
        plumbings(rows)
    }

    /// Puts a model's map in the place of the one before; none: what is usual counts again.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn put_plumbing(work: &mut Work, model: &str, plumbing: Option<&Plumbing>) -> Result<()> {
        sqlx::query!("delete from plumbing where model = $1", model).execute(&mut **work).await?;
        let channels = plumbing.map(Plumbing::channels).unwrap_or_default();
        let heads: Vec<i32> = channels.iter().map(|channel| channel.head.number()).collect();
        let colours: Vec<String> = channels.iter().map(|channel| channel.colour.clone()).collect();
        let shares: Vec<f64> = channels.iter().map(|channel| channel.share).collect();
        sqlx::query!(
            "insert into plumbing (model, head, colour, share)
             select $1, * from unnest($2::int[], $3::text[], $4::float8[])",
            model,
            &heads,
            &colours,
            &shares
        )
        .execute(&mut **work)
        .await?;
        Ok(())
    }

    /// The devices of a model that are watched.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn devices_of_model(work: &mut Work, model: &str) -> Result<Vec<DeviceId>> {
        let ids = sqlx::query_scalar!(
            "select id from device where model = $1 and retired_at is null order by id",
            model
        )
        .fetch_all(&mut **work)
        .await?;
        Ok(ids.into_iter().map(DeviceId).collect())
    }

    /// A device's model and its last answer.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn model_and_answer(
        work: &mut Work,
        device: DeviceId,
    ) -> Result<(Option<String>, Option<Timestamp>)> {
        let row = sqlx::query!("select model, last_answer_at from device where id = $1", device.0)
            .fetch_one(&mut **work)
            .await?;
        Ok((row.model, row.last_answer_at.map(|at| at.to_jiff())))
    }
}

/// A row of a map.
struct ChannelRow {
    model: String,
    head: i32,
    colour: String,
    share: f64,
}

fn plumbings(rows: Vec<ChannelRow>) -> Result<BTreeMap<String, Plumbing>> {
    let mut channels: BTreeMap<String, Vec<Channel>> = BTreeMap::new();
    for row in rows {
        let channel = Channel { head: position(row.head)?, colour: row.colour, share: row.share };
        channels.entry(row.model).or_default().push(channel);
    }
    let map = |(model, channels)| match Plumbing::new(channels) {
        Ok(plumbing) => Ok((model, plumbing)),
        Err(fault) => Err(StoreError::Unknown { what: "plumbing map", value: fault.to_string() }),
    };
    channels.into_iter().map(map).collect()
}

fn position(number: i32) -> Result<Position> {
    Position::new(number)
        .ok_or_else(|| StoreError::Unknown { what: "place of a head", value: number.to_string() })
}

async fn heads(executor: impl sqlx::PgExecutor<'_>, wanted: Heads) -> Result<Vec<HeadRow>> {
    let (device, inside) = match wanted {
        Heads::Inside => (None, true),
        Heads::Device(device) => (Some(device.0), false),
        Heads::All => (None, false),
    };
    let rows = sqlx::query!(
        r#"select head.id, head.device_id, device.name as device_name, position, number as "number?", in_on, out_on,
                  warranty_until, limit_ml, before_ml, who, why, head_id as "head_id?", ml, daily_ml, early,
                  middle, late, not_yet
           from head join device on device.id = head.device_id
           left join part on part.id = part_id
           left join head_outlook on head_id = head.id
           where retired_at is null and ($1::bigint is null or head.device_id = $1) and (not $2 or out_on is null)
           order by device.name, position, in_on desc"#,
        device,
        inside
    )
    .fetch_all(executor)
    .await?;
    rows.into_iter()
        .map(|row| {
            let by_limit = match (row.early, row.middle, row.late) {
                (Some(early), Some(middle), Some(late)) => Forecast::Known(Horizon {
                    early: early.to_jiff(),
                    middle: middle.to_jiff(),
                    late: late.to_jiff(),
                }),
                _ => Forecast::NotYet(row.not_yet.unwrap_or_default()),
            };
            Ok(HeadRow {
                device_name: row.device_name,
                outlook: row.head_id.map(|_| HeadOutlook { ml: row.ml, daily_ml: row.daily_ml, by_limit }),
                head: Head {
                    id: HeadId(row.id),
                    device: DeviceId(row.device_id),
                    position: position(row.position)?,
                    part: row.number,
                    in_on: row.in_on.to_jiff(),
                    out_on: row.out_on.map(|day| day.to_jiff()),
                    warranty_until: row.warranty_until.map(|day| day.to_jiff()),
                    limit_ml: row.limit_ml,
                    before_ml: row.before_ml,
                    who: row.who,
                    why: row.why,
                },
            })
        })
        .collect()
}
