//! The units that were in slots, and what people say of them: what a fall was, and where a unit came from.

use std::collections::BTreeMap;

use jiff::Timestamp;
use jiff_sqlx::ToSqlx;

use super::history::measure;
use super::{Result, Store, StoreError, Work};
use crate::domain::fitted::Issue;
use crate::domain::ids::{DeviceId, LotId, MovementId, PartId, SlotId};
use crate::domain::install::{Answer, Answered, Arrival, Install, Question};

impl Store {
    /// The units of a device's slots, or of all that are watched, earliest first by slot; only those last
    /// seen after `since`, if it is given.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn installs_in(
        work: &mut Work,
        device: Option<DeviceId>,
        since: Option<Timestamp>,
    ) -> Result<BTreeMap<SlotId, Vec<Install>>> {
        let rows = sqlx::query!(
            r#"select install.*, outlook.step as "step?"
             from install join slot on slot.id = slot_id join device on device.id = slot.device_id
             left join outlook on outlook.slot_id = slot.id
             where case when $1::bigint is null then retired_at is null else device.id = $1 end
               and ($2::timestamptz is null or to_at is null or to_at >= $2)
             order by install.slot_id, from_at"#,
            device.map(|device| device.0),
            since.map(ToSqlx::to_sqlx) as _
        )
        .fetch_all(&mut **work)
        .await?;
        let mut installs: BTreeMap<SlotId, Vec<Install>> = BTreeMap::new();
        for row in rows {
            installs.entry(SlotId(row.slot_id)).or_default().push(Install {
                from: row.from_at.to_jiff(),
                to: row.to_at.map(|at| at.to_jiff()),
                arrival: Arrival::from_word(&row.arrival)
                    .ok_or(StoreError::Unknown { what: "arrival", value: row.arrival })?,
                confidence: row.confidence,
                measure: measure(&row.measure)?,
                capacity: row.capacity,
                step: row.step.unwrap_or(0.0),
                start: row.start_left,
                end: row.end_left,
            });
        }
        Ok(installs)
    }

    /// What a person should explain, at a device or at all that are watched.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn questions_in(
        work: &mut Work,
        device: Option<DeviceId>,
    ) -> Result<BTreeMap<SlotId, Vec<Question>>> {
        let rows = sqlx::query!(
            "select question.* from question join slot on slot.id = slot_id join device on device.id = slot.device_id
             where case when $1::bigint is null then retired_at is null else device.id = $1 end
             order by slot_id, at",
            device.map(|device| device.0)
        )
        .fetch_all(&mut **work)
        .await?;
        let mut questions: BTreeMap<SlotId, Vec<Question>> = BTreeMap::new();
        for row in rows {
            questions.entry(SlotId(row.slot_id)).or_default().push(Question {
                at: row.at.to_jiff(),
                since: row.since_at.to_jiff(),
                from: row.from_left,
                to: row.to_left,
                measure: measure(&row.measure)?,
            });
        }
        Ok(questions)
    }

    /// What was answered at a device, latest first by slot.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn answers_in(work: &mut Work, device: DeviceId) -> Result<BTreeMap<SlotId, Vec<Answered>>> {
        let rows = sqlx::query!(
            "select answer.* from answer join slot on slot.id = slot_id where slot.device_id = $1
             order by slot_id, answer.at desc",
            device.0
        )
        .fetch_all(&mut **work)
        .await?;
        let mut answers: BTreeMap<SlotId, Vec<Answered>> = BTreeMap::new();
        for row in rows {
            answers.entry(SlotId(row.slot_id)).or_default().push(Answered {
                question: Question {
                    at: row.at.to_jiff(),
                    since: row.since_at.to_jiff(),
                    from: row.from_left,
                    to: row.to_left,
                    measure: measure(&row.measure)?,
                },
                answer: Answer::from_word(&row.verdict)
                    .ok_or(StoreError::Unknown { what: "answer", value: row.verdict })?,
                who: row.who,
                at: row.answered_at.to_jiff(),
            });
        }
        Ok(answers)
    }

    /// Keeps what a question's answer is, and has the slot followed from its first reading again.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn put_answer(work: &mut Work, slot: SlotId, answered: &Answered) -> Result<()> {
        let question = &answered.question;
        sqlx::query!(
            "insert into answer (device_id, slot_id, at, verdict, since_at, from_left, to_left, measure, who, answered_at)
             select device_id, id, $2, $3, $4, $5, $6, $7, $8, $9 from slot where id = $1
             on conflict (slot_id, at, device_id) do update set verdict = excluded.verdict, who = excluded.who,
                 answered_at = excluded.answered_at",
            slot.0,
            question.at.to_sqlx(),
            answered.answer.word(),
            question.since.to_sqlx(),
            question.from,
            question.to,
            question.measure.word(),
            answered.who,
            answered.at.to_sqlx()
        )
        .execute(&mut **work)
        .await?;
        Self::forget_watch(work, slot).await
    }

    /// Takes an answer back. `false` if there was none.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn drop_answer(work: &mut Work, slot: SlotId, at: Timestamp) -> Result<bool> {
        let dropped = sqlx::query!("delete from answer where slot_id = $1 and at = $2", slot.0, at.to_sqlx())
            .execute(&mut **work)
            .await?;
        Self::forget_watch(work, slot).await?;
        Ok(dropped.rows_affected() > 0)
    }

    /// The movements that brought units to a device's slots, or to all that are watched, earliest first by slot.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn issues_in(
        work: &mut Work,
        device: Option<DeviceId>,
        since: Option<Timestamp>,
    ) -> Result<BTreeMap<SlotId, Vec<Issue>>> {
        let rows = sqlx::query!(
            r#"select movement.id, movement.slot_id as "slot_id!", movement.at, part_id, lot_id, made_on, place
               from movement join lot on lot.id = lot_id join slot on slot.id = movement.slot_id
               join device on device.id = slot.device_id
               where movement.kind = 'issued' and ($2::timestamptz is null or movement.at >= $2)
                 and case when $1::bigint is null then retired_at is null else device.id = $1 end
               order by movement.slot_id, movement.at, movement.id"#,
            device.map(|device| device.0),
            since.map(ToSqlx::to_sqlx) as _
        )
        .fetch_all(&mut **work)
        .await?;
        let mut issues: BTreeMap<SlotId, Vec<Issue>> = BTreeMap::new();
        for row in rows {
            issues.entry(SlotId(row.slot_id)).or_default().push(Issue {
                movement: MovementId(row.id),
                slot: SlotId(row.slot_id),
                at: row.at.to_jiff(),
                part: PartId(row.part_id),
                lot: LotId(row.lot_id),
                made_on: row.made_on.to_jiff(),
                place: row.place,
            });
        }
        Ok(issues)
    }

    /// What people said of where units came from, by slot and the moment they were first seen.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn fitted_in(
        work: &mut Work,
        device: Option<DeviceId>,
    ) -> Result<BTreeMap<SlotId, BTreeMap<Timestamp, Option<MovementId>>>> {
        let rows = sqlx::query!(
            "select slot_id, from_at, movement_id from fitted join slot on slot.id = slot_id
             where $1::bigint is null or slot.device_id = $1",
            device.map(|device| device.0)
        )
        .fetch_all(&mut **work)
        .await?;
        let mut fitted: BTreeMap<SlotId, BTreeMap<Timestamp, Option<MovementId>>> = BTreeMap::new();
        for row in rows {
            let said = row.movement_id.map(MovementId);
            fitted.entry(SlotId(row.slot_id)).or_default().insert(row.from_at.to_jiff(), said);
        }
        Ok(fitted)
    }

    /// Keeps which movement brought a unit; none: it did not come from the shelf.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn put_fitted(
        work: &mut Work,
        (slot, from): (SlotId, Timestamp),
        movement: Option<MovementId>,
        who: &str,
        at: Timestamp,
    ) -> Result<()> {
        sqlx::query!(
            "insert into fitted (device_id, slot_id, from_at, movement_id, who, at)
             select device_id, id, $2, $3, $4, $5 from slot where id = $1
             on conflict (slot_id, from_at, device_id) do update set movement_id = excluded.movement_id,
                 who = excluded.who, at = excluded.at",
            slot.0,
            from.to_sqlx(),
            movement.map(|movement| movement.0),
            who,
            at.to_sqlx()
        )
        .execute(&mut **work)
        .await?;
        Ok(())
    }

    /// Takes back where a unit came from; the movement itself stands. `false` if nobody had said.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn drop_fitted(work: &mut Work, (slot, from): (SlotId, Timestamp)) -> Result<bool> {
        let dropped =
            sqlx::query!("delete from fitted where slot_id = $1 and from_at = $2", slot.0, from.to_sqlx())
                .execute(&mut **work)
                .await?;
        Ok(dropped.rows_affected() > 0)
    }
}
