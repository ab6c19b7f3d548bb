//! Walks through guides, and the record of swaps that they leave.

use std::collections::BTreeMap;

use jiff::Timestamp;
use jiff::civil::Date;
use jiff_sqlx::ToSqlx;
use sqlx::PgConnection;
use sqlx::types::Json;

use super::guides::{guide, part_kind};
use super::history::slot;
use super::{Result, Store, StoreError, Work};
use crate::domain::guide::Guide;
use crate::domain::guide::seen::SupplySeen;
use crate::domain::guide::walk::{Passed, Reason, Through, Walk};
use crate::domain::ids::{DeviceId, GuideId, HeadId, LotId, MovementId, SlotId, SwapId};
use crate::domain::outlook::Slot;
use crate::domain::part::PartKind;
use crate::domain::plumbing::Position;

/// Where in a device something is swapped.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Place {
    /// In a slot.
    Slot(SlotId),
    /// A print head, by its place.
    Head(Position),
}

/// A walk that begins.
#[derive(Debug, Clone)]
pub struct NewSwap {
    /// At which device.
    pub device: DeviceId,
    /// Where in it.
    pub place: Place,
    /// What is swapped.
    pub kind: PartKind,
    /// Which version of which guide; none: the usual one.
    pub guide: Option<GuideId>,
    /// Its steps.
    pub steps: Guide,
    /// The lot that the new part comes from; none: not from the shelf.
    pub lot: Option<LotId>,
    /// Why that lot.
    pub why_lot: String,
    /// The supply as its device told it.
    pub was: Option<SupplySeen>,
    /// When.
    pub begun_at: Timestamp,
    /// Who.
    pub who: String,
}

/// A step that is behind.
#[derive(Debug, Clone, PartialEq)]
pub struct PassedStep {
    /// How it was passed.
    pub how: Passed,
    /// By whom.
    pub who: String,
    /// When.
    pub at: Timestamp,
}

/// Where the new part came from.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FromLot {
    /// Which lot.
    pub lot: LotId,
    /// The part's number.
    pub part: String,
    /// When it was made.
    pub made_on: Date,
    /// Where it lay.
    pub place: String,
}

/// How a walk ended.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Ended {
    /// When.
    pub at: Timestamp,
    /// By whom.
    pub who: String,
    /// Why it was given up; none: the swap was made.
    pub given_up: Option<String>,
}

/// A walk, under way or ended.
#[derive(Debug, Clone)]
pub struct SwapRow {
    /// Its identity.
    pub id: SwapId,
    /// At which device.
    pub device: DeviceId,
    /// Its name.
    pub device_name: String,
    /// Where in it.
    pub place: Place,
    /// The slot, where it is one.
    pub slot: Option<Slot>,
    /// What is swapped.
    pub kind: PartKind,
    /// How far it is.
    pub walk: Walk,
    /// Who passed each step that is behind, and when.
    pub steps: Vec<PassedStep>,
    /// Where the new part comes from; none: not from the shelf.
    pub from: Option<FromLot>,
    /// Why that lot.
    pub why_lot: String,
    /// The supply as its device told it when the walk began.
    pub was: Option<SupplySeen>,
    /// And at its end.
    pub became: Option<SupplySeen>,
    /// When it began.
    pub begun_at: Timestamp,
    /// Who began it.
    pub who: String,
    /// How it ended; none while it is under way.
    pub ended: Option<Ended>,
    /// The line of the ledger that issued the new part.
    pub movement: Option<MovementId>,
    /// The head that went in.
    pub head: Option<HeadId>,
    /// Whether there is a picture.
    pub photo: bool,
}

impl SwapRow {
    /// What was swapped, in words.
    #[must_use]
    pub fn label(&self) -> String {
        match (&self.slot, self.place) {
            (Some(slot), _) => slot.label(),
            (None, Place::Head(position)) => format!("Head {position}"),
            (None, Place::Slot(slot)) => format!("Slot {slot}"),
        }
    }
}

/// Which walks are wanted.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct SwapsWanted {
    /// That one.
    pub id: Option<SwapId>,
    /// Of that device.
    pub device: Option<DeviceId>,
    /// Only those under way.
    pub under_way: bool,
    /// Words that a machine's or a part's name, a place, or whoever began or ended it holds.
    pub find: String,
    /// Of that lot.
    pub lot: Option<LotId>,
    /// Begun then or later.
    pub from: Option<Timestamp>,
    /// Begun before then.
    pub to: Option<Timestamp>,
    /// At most so many; all, where there is none.
    pub most: Option<i64>,
}

/// A row as it comes.
struct Raw {
    id: i64,
    device_id: i64,
    slot_id: Option<i64>,
    head: Option<i32>,
    kind: String,
    steps: String,
    lot_id: Option<i64>,
    why_lot: String,
    begun_at: jiff_sqlx::Timestamp,
    who: String,
    ended_at: Option<jiff_sqlx::Timestamp>,
    ended_by: Option<String>,
    given_up: Option<String>,
    movement_id: Option<i64>,
    head_id: Option<i64>,
    name: String,
    supply_index: Option<i32>,
    class: Option<i32>,
    slot_kind: Option<i32>,
    colorant: Option<String>,
    description: Option<String>,
    made_on: Option<jiff_sqlx::Date>,
    lot_place: Option<String>,
    number: Option<String>,
    was: Option<Json<SupplySeen>>,
    became: Option<Json<SupplySeen>>,
    photo: bool,
}

impl Raw {
    fn read(self, steps: Vec<PassedStep>) -> Result<SwapRow> {
        let unknown = |what, value: i64| StoreError::Unknown { what, value: value.to_string() };
        let how = steps.iter().map(|step| step.how.clone()).collect();
        let walk = Walk::resume(guide(&self.steps)?, how).ok_or_else(|| unknown("walk", self.id))?;
        let place = match (self.slot_id, self.head.map(|head| (head, Position::new(head)))) {
            (Some(slot), _) => Place::Slot(SlotId(slot)),
            (None, Some((_, Some(position)))) => Place::Head(position),
            (None, head) => return Err(unknown("head", head.map_or(0, |(head, _)| head.into()))),
        };
        let of_slot = self.slot_id.zip(self.supply_index).zip(self.class.zip(self.slot_kind));
        let of_lot = self.lot_id.zip(self.number).zip(self.made_on.zip(self.lot_place));
        let (given_up, colorant, description) = (self.given_up, self.colorant, self.description);
        Ok(SwapRow {
            id: SwapId(self.id),
            device: DeviceId(self.device_id),
            device_name: self.name,
            place,
            slot: of_slot.map(|((id, index), types)| {
                slot(id, self.device_id, index, types, colorant, description.unwrap_or_default())
            }),
            kind: part_kind(&self.kind)?,
            walk,
            steps,
            from: of_lot.map(|((lot, part), (made_on, place))| FromLot {
                lot: LotId(lot),
                part,
                made_on: made_on.to_jiff(),
                place,
            }),
            why_lot: self.why_lot,
            was: self.was.map(|Json(seen)| seen),
            became: self.became.map(|Json(seen)| seen),
            begun_at: self.begun_at.to_jiff(),
            who: self.who,
            ended: self.ended_at.zip(self.ended_by).map(|(at, who)| Ended {
                at: at.to_jiff(),
                who,
                given_up,
            }),
            movement: self.movement_id.map(MovementId),
            head: self.head_id.map(HeadId),
            photo: self.photo,
        })
    }
}

impl Store {
    /// Walks, the latest first.
    ///
    /// # Errors
    /// If the store cannot be reached, or holds what is no walk.
    pub async fn swaps(&self, wanted: &SwapsWanted) -> Result<Vec<SwapRow>> {
        Self::swaps_in(&mut *self.pool.acquire().await?, wanted).await
    }

    /// The same within a transaction.
    ///
    /// # Errors
    /// Likewise.
    pub async fn swaps_in(connection: &mut PgConnection, wanted: &SwapsWanted) -> Result<Vec<SwapRow>> {
        let rows = sqlx::query_as!(
            Raw,
            r#"select swap.id, swap.device_id, swap.slot_id, head, swap.kind, swap.steps, lot_id, why_lot, begun_at,
                      swap.who, ended_at, ended_by, given_up, movement_id, head_id, device.name,
                      slot.supply_index as "supply_index?", slot.class as "class?", slot.kind as "slot_kind?",
                      slot.colorant as "colorant?", slot.description as "description?",
                      lot.made_on as "made_on?", lot.place as "lot_place?", part.number as "number?",
                      was as "was?: Json<SupplySeen>", became as "became?: Json<SupplySeen>",
                      exists (select from swap_photo where swap_id = swap.id) as "photo!"
               from swap join device on device.id = swap.device_id
               left join slot on slot.id = swap.slot_id
               left join lot on lot.id = swap.lot_id left join part on part.id = lot.part_id
               where ($1::bigint is null or swap.id = $1) and ($2::bigint is null or swap.device_id = $2)
                 and (not $3 or ended_at is null) and ($4::bigint is null or lot_id = $4)
                 and ($5::timestamptz is null or begun_at >= $5) and ($6::timestamptz is null or begun_at < $6)
                 and ($7 = '' or strpos(lower(concat_ws(' ', device.name, part.number, lot.place, slot.colorant,
                                                        slot.description, swap.who, ended_by)), lower($7)) > 0)
               order by coalesce(ended_at, begun_at) desc, swap.id desc limit $8"#,
            wanted.id.map(|id| id.0),
            wanted.device.map(|device| device.0),
            wanted.under_way,
            wanted.lot.map(|lot| lot.0),
            wanted.from.map(ToSqlx::to_sqlx) as _,
            wanted.to.map(ToSqlx::to_sqlx) as _,
            wanted.find,
            wanted.most
        )
        .fetch_all(&mut *connection)
        .await?;
        let ids: Vec<i64> = rows.iter().map(|row| row.id).collect();
        let mut passed = passed_steps(connection, &ids).await?;
        rows.into_iter()
            .map(|row| {
                let steps = passed.remove(&SwapId(row.id)).unwrap_or_default();
                row.read(steps)
            })
            .collect()
    }

    /// Begins a walk; `None` if one is under way there.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn begin_swap(work: &mut Work, new: &NewSwap) -> Result<Option<SwapId>> {
        let (slot, head) = match new.place {
            Place::Slot(slot) => (Some(slot.0), None),
            Place::Head(position) => (None, Some(i32::from(u8::from(position)))),
        };
        let id = sqlx::query_scalar!(
            "insert into swap (device_id, slot_id, head, kind, guide_id, steps, lot_id, why_lot, was, begun_at, who)
             values ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11) on conflict do nothing returning id",
            new.device.0,
            slot,
            head,
            new.kind.word(),
            new.guide.map(|guide| guide.0),
            new.steps.to_string(),
            new.lot.map(|lot| lot.0),
            new.why_lot,
            new.was.as_ref().map(Json) as _,
            new.begun_at.to_sqlx(),
            new.who
        )
        .fetch_optional(&mut **work)
        .await?;
        Ok(id.map(SwapId))
    }

    /// Has everybody else who goes on with a walk wait until the work ends, and tells how many of its steps are
    /// behind; `None` if it is not under way any more.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn lock_swap(work: &mut Work, swap: SwapId) -> Result<Option<usize>> {
        let open =
            sqlx::query_scalar!("select id from swap where id = $1 and ended_at is null for update", swap.0)
                .fetch_optional(&mut **work)
                .await?;
        if open.is_none() {
            return Ok(None);
        }
        let passed =
            sqlx::query_scalar!(r#"select count(*) as "passed!" from swap_step where swap_id = $1"#, swap.0)
                .fetch_one(&mut **work)
                .await?;
        Ok(usize::try_from(passed).ok())
    }

    /// Writes down how a step was passed, counted from 1.
    ///
    /// # Errors
    /// If the store cannot be reached, or it is not the next step.
    pub async fn pass_step(work: &mut Work, swap: SwapId, step: usize, passed: &PassedStep) -> Result<()> {
        sqlx::query!(
            "insert into swap_step (device_id, swap_id, step, how, why, who, passed_at)
             select device_id, id, $2, $3, $4, $5, $6 from swap where id = $1",
            swap.0,
            i32::try_from(step).unwrap_or(i32::MAX),
            passed.how.word(),
            passed.how.reason(),
            passed.who,
            passed.at.to_sqlx()
        )
        .execute(&mut **work)
        .await?;
        Ok(())
    }

    /// Ends a walk that is through: the swap was made.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn end_swap(
        work: &mut Work,
        swap: SwapId,
        _through: &Through,
        (became, movement, head): (Option<&SupplySeen>, Option<MovementId>, Option<HeadId>),
        (who, at): (&str, Timestamp),
    ) -> Result<()> {
        sqlx::query!(
            "update swap set ended_at = $2, ended_by = $3, became = $4, movement_id = $5, head_id = $6
             where id = $1 and ended_at is null",
            swap.0,
            at.to_sqlx() as _,
            who,
            became.map(Json) as _,
            movement.map(|movement| movement.0),
            head.map(|head| head.0)
        )
        .execute(&mut **work)
        .await?;
        Ok(())
    }

    /// Gives a walk up.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn give_swap_up(
        work: &mut Work,
        swap: SwapId,
        why: &Reason,
        (who, at): (&str, Timestamp),
    ) -> Result<()> {
        sqlx::query!(
            "update swap set ended_at = $2, ended_by = $3, given_up = $4 where id = $1 and ended_at is null",
            swap.0,
            at.to_sqlx() as _,
            who,
            why.text()
        )
        .execute(&mut **work)
        .await?;
        Ok(())
    }

    /// Keeps the picture of a swap, in the place of the one before.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn put_photo(
        work: &mut Work,
        swap: SwapId,
        (kind, octets): (&str, &[u8]),
        (who, at): (&str, Timestamp),
    ) -> Result<()> {
        sqlx::query!(
            "insert into swap_photo (device_id, swap_id, kind, octets, who, at)
             select device_id, id, $2, $3, $4, $5 from swap where id = $1
             on conflict (swap_id, device_id) do update set kind = excluded.kind, octets = excluded.octets,
                 who = excluded.who, at = excluded.at",
            swap.0,
            kind,
            octets,
            who,
            at.to_sqlx()
        )
        .execute(&mut **work)
        .await?;
        Ok(())
    }

    /// The picture of a swap: its type and its octets.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn photo(&self, swap: SwapId) -> Result<Option<(String, Vec<u8>)>> {
        let row = sqlx::query!("select kind, octets from swap_photo where swap_id = $1", swap.0)
            .fetch_optional(&self.pool)
            .await?;
        Ok(row.map(|row| (row.kind, row.octets)))
    }
}

async fn passed_steps(
    connection: &mut PgConnection,
    swaps: &[i64],
) -> Result<BTreeMap<SwapId, Vec<PassedStep>>> {
    let rows = sqlx::query!(
        "select swap_id, how, why, who, passed_at from swap_step where swap_id = any($1) order by swap_id, step",
        swaps
    )
    .fetch_all(connection)
    .await?;
    let mut passed: BTreeMap<SwapId, Vec<PassedStep>> = BTreeMap::new();
    for row in rows {
        let how = Passed::from_word(&row.how, row.why.as_deref());
        passed.entry(SwapId(row.swap_id)).or_default().push(PassedStep {
            how: how.ok_or(StoreError::Unknown { what: "step", value: row.how })?,
            who: row.who,
            at: row.passed_at.to_jiff(),
        });
    }
    Ok(passed)
}
