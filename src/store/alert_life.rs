//! The life of alerts of ours: what stands, what opens, what clears. What is done twice changes nothing.

use jiff::Timestamp;
use jiff_sqlx::ToSqlx;

use super::{Result, Store, StoreError, Work};
use crate::domain::alert::life::{Standing, Stands, Waiting};
use crate::domain::alert::{Grade, Rule, Subject};
use crate::domain::ids::{AlertId, DeviceId, PartId, SlotId};

/// A rule from its stored word.
pub(super) fn rule(stored: &str) -> Result<Rule> {
    Rule::from_word(stored).ok_or_else(|| StoreError::Unknown { what: "rule", value: stored.to_owned() })
}

/// A severity from its stored word.
pub(super) fn grade(stored: &str) -> Result<Grade> {
    Grade::from_word(stored).ok_or_else(|| StoreError::Unknown { what: "severity", value: stored.to_owned() })
}

/// What an alert is about, from its columns.
pub(super) fn subject(
    device: Option<i64>,
    slot: Option<i64>,
    part: Option<i64>,
    head: Option<i32>,
) -> Result<Subject> {
    let place = head.map(u8::try_from).transpose();
    Ok(match (device.map(DeviceId), slot.map(SlotId), part, place) {
        (Some(device), Some(slot), None, Ok(None)) => Subject::Slot(device, slot),
        (Some(device), None, None, Ok(Some(place))) => Subject::Head(device, place),
        (Some(device), None, None, Ok(None)) => Subject::Device(device),
        (None, None, Some(part), Ok(None)) => Subject::Part(PartId(part)),
        _ => {
            let value = format!("device {device:?}, slot {slot:?}, part {part:?}, head {head:?}");
            return Err(StoreError::Unknown { what: "subject of an alert", value });
        }
    })
}

/// The columns of what an alert is about: device, slot, part, head.
pub(super) fn columns(subject: Subject) -> (Option<i64>, Option<i64>, Option<i64>, Option<i32>) {
    let device = subject.device().map(|device| device.0);
    match subject {
        Subject::Device(_) => (device, None, None, None),
        Subject::Slot(_, slot) => (device, Some(slot.0), None, None),
        Subject::Head(_, place) => (device, None, None, Some(i32::from(place))),
        Subject::Part(part) => (None, None, Some(part.0), None),
    }
}

/// An alert that is to open.
#[derive(Debug, Clone, Copy)]
pub struct Opening<'a> {
    /// Which rule.
    pub rule: Rule,
    /// How grave.
    pub grade: Grade,
    /// What it is about.
    pub subject: Subject,
    /// When the rule was crossed.
    pub at: Timestamp,
    /// What is the case.
    pub summary: &'a str,
    /// It follows from another that is open.
    pub folded: bool,
}

impl Store {
    /// Everything that stands at one device or, without one, everywhere.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn stands(work: &mut Work, device: Option<DeviceId>) -> Result<Stands> {
        let rows = sqlx::query!(
            r#"select id as "id?", rule as "rule!", device_id, slot_id, part_id, head_place,
                      opened_at as "since!", folded as "folded!"
               from alert where cleared_at is null and ($1::bigint is null or device_id = $1)
               union all
               select null, rule, device_id, slot_id, part_id, head_place, since_at, false
               from alert_waiting where $1::bigint is null or device_id = $1
               order by 1"#,
            device.map(|id| id.0)
        )
        .fetch_all(&mut **work)
        .await?;
        let mut stands = Stands::default();
        for row in rows {
            let (rule, since) = (rule(&row.rule)?, row.since.to_jiff());
            let subject = subject(row.device_id, row.slot_id, row.part_id, row.head_place)?;
            match row.id {
                Some(id) => stands.open.push(Standing {
                    id: AlertId(id),
                    rule,
                    subject,
                    opened_at: since,
                    folded: row.folded,
                }),
                None => stands.waiting.push(Waiting { rule, subject, since }),
            }
        }
        Ok(stands)
    }

    /// Opens an alert; `None` if it is open already.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn open_alert(work: &mut Work, opening: &Opening<'_>) -> Result<Option<AlertId>> {
        let (device, slot, part, head) = columns(opening.subject);
        let id = sqlx::query_scalar!(
            "insert into alert (rule, device_id, slot_id, part_id, head_place, severity, opened_at, summary, folded)
             values ($1, $2, $3, $4, $5, $6, $7, $8, $9)
             on conflict (rule, coalesce(device_id, 0), coalesce(slot_id, 0), coalesce(part_id, 0),
                          coalesce(head_place, 0)) where cleared_at is null do nothing
             returning id",
            opening.rule.word(),
            device,
            slot,
            part,
            head,
            opening.grade.word(),
            opening.at.to_sqlx(),
            opening.summary,
            opening.folded
        )
        .fetch_optional(&mut **work)
        .await?;
        Ok(id.map(AlertId))
    }

    /// Lets an alert that followed from another come to the fore; `false` if it had cleared.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn unfold_alert(work: &mut Work, id: AlertId) -> Result<bool> {
        let done = sqlx::query!(
            "update alert set folded = false where id = $1 and folded and cleared_at is null",
            id.0
        );
        Ok(done.execute(&mut **work).await?.rows_affected() > 0)
    }

    /// Clears an alert; `None` if it is not open.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn clear_alert(
        work: &mut Work,
        rule: Rule,
        subject: Subject,
        at: Timestamp,
    ) -> Result<Option<AlertId>> {
        let (device, slot, part, head) = columns(subject);
        let id = sqlx::query_scalar!(
            "update alert set cleared_at = greatest($6, opened_at)
             where rule = $1 and device_id is not distinct from $2 and slot_id is not distinct from $3
               and part_id is not distinct from $4 and head_place is not distinct from $5 and cleared_at is null
             returning id",
            rule.word(),
            device,
            slot,
            part,
            head,
            at.to_sqlx()
        )
        .fetch_optional(&mut **work)
        .await?;
        Ok(id.map(AlertId))
    }

    /// Writes down since when a rule is crossed without an alert; whoever was first stays.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn begin_waiting(
        work: &mut Work,
        rule: Rule,
        subject: Subject,
        since: Timestamp,
    ) -> Result<()> {
        let (device, slot, part, head) = columns(subject);
        sqlx::query!(
            "insert into alert_waiting (rule, device_id, slot_id, part_id, head_place, since_at)
             values ($1, $2, $3, $4, $5, $6) on conflict do nothing",
            rule.word(),
            device,
            slot,
            part,
            head,
            since.to_sqlx()
        )
        .execute(&mut **work)
        .await?;
        Ok(())
    }

    /// Forgets that a rule was crossed.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn end_waiting(work: &mut Work, rule: Rule, subject: Subject) -> Result<()> {
        let (device, slot, part, head) = columns(subject);
        sqlx::query!(
            "delete from alert_waiting
             where rule = $1 and device_id is not distinct from $2 and slot_id is not distinct from $3
               and part_id is not distinct from $4 and head_place is not distinct from $5",
            rule.word(),
            device,
            slot,
            part,
            head
        )
        .execute(&mut **work)
        .await?;
        Ok(())
    }

    /// Locks a device for the length of the transaction, as a poll does; `false` if it is no longer watched.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn lock_device(work: &mut Work, device: DeviceId) -> Result<bool> {
        let found = sqlx::query_scalar!(
            "select id from device where id = $1 and retired_at is null for update",
            device.0
        );
        Ok(found.fetch_optional(&mut **work).await?.is_some())
    }
}
