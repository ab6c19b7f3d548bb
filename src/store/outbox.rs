//! What is to be told: notices, written down with the change that they tell of, and the messages that carry them.
//!
//! A message's turn is moved on before each try. A program that is killed in the middle leaves a message whose turn
//! comes again; one that another program is just sending is passed over.

use jiff::{SignedDuration, Timestamp};
use jiff_sqlx::ToSqlx;

use super::alert_life::{grade, rule, subject};
use super::recipients::{channel, secret_address};
use super::report_mail::{ReportSent, files};
use super::{Result, Store, StoreError, Work};
use crate::domain::alert::recipient::{Channel, Notice, NoticeKind};
use crate::domain::alert::{Grade, Rule, Subject};
use crate::domain::ids::{AlertId, MessageId, RecipientId};
use crate::domain::month::Month;
use crate::domain::secret::Secret;

/// A message whose turn it is, with all that it says.
#[derive(Debug, Clone)]
pub struct Due {
    /// Its identity.
    pub id: MessageId,
    /// The key that every try carries.
    pub key: String,
    /// By which way.
    pub channel: Channel,
    /// To whom, or why the address does not open.
    pub address: std::result::Result<Secret, String>,
    /// Tries so far, with the one that is about to be made.
    pub attempts: u32,
    /// When it was put together.
    pub made_at: Timestamp,
    /// What it says, the gravest first.
    pub items: Vec<Item>,
    /// The month's report that it carries instead, if it does.
    pub report: Option<ReportSent>,
}

/// One thing that a message says.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Item {
    /// Why it is told.
    pub kind: NoticeKind,
    /// When that was so.
    pub at: Timestamp,
    /// Which alert.
    pub alert: AlertId,
    /// Its rule.
    pub rule: Rule,
    /// How grave it is.
    pub grade: Grade,
    /// What it is about.
    pub subject: Subject,
    /// What was the case.
    pub summary: String,
    /// When it opened.
    pub opened_at: Timestamp,
    /// The device's name.
    pub device_name: Option<String>,
    /// The part's number.
    pub part_number: Option<String>,
}

/// A message as a page shows it.
#[derive(Debug, Clone)]
pub struct MessageRow {
    /// Its identity.
    pub id: MessageId,
    /// To whom, by name.
    pub recipient: String,
    /// By which way.
    pub channel: Channel,
    /// What it tells of, in one line.
    pub summary: String,
    /// When it was put together.
    pub made_at: Timestamp,
    /// When it is tried next.
    pub due_at: Timestamp,
    /// Tries so far.
    pub attempts: u32,
    /// What went wrong at the last try, if it did.
    pub fault: Option<String>,
    /// When it had been handed over.
    pub sent_at: Option<Timestamp>,
    /// When it was given up.
    pub given_up_at: Option<Timestamp>,
}

impl Store {
    /// Writes down what is to be told of an alert, with the change that it tells of.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn add_notices(
        work: &mut Work,
        alert: AlertId,
        at: Timestamp,
        notices: &[Notice],
    ) -> Result<()> {
        for notice in notices {
            sqlx::query!(
                "insert into notice (alert_id, recipient_id, kind, at, due_at) values ($1, $2, $3, $4, $5)
                 on conflict do nothing",
                alert.0,
                notice.recipient.0,
                notice.kind.word(),
                at.to_sqlx(),
                notice.due_at.to_sqlx()
            )
            .execute(&mut **work)
            .await?;
        }
        Ok(())
    }

    /// Drops what is not on its way yet of some kinds, because it has become pointless.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn drop_notices(
        work: &mut Work,
        alert: AlertId,
        kinds: &[NoticeKind],
        at: Timestamp,
    ) -> Result<()> {
        let kinds: Vec<String> = kinds.iter().map(|kind| kind.word().to_owned()).collect();
        sqlx::query!(
            "update notice set dropped_at = $3
             where alert_id = $1 and kind = any($2) and message_id is null and dropped_at is null",
            alert.0,
            &kinds,
            at.to_sqlx()
        )
        .execute(&mut **work)
        .await?;
        Ok(())
    }

    /// To whom a message about an alert is on its way, or has come.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn told_of(work: &mut Work, alert: AlertId) -> Result<Vec<RecipientId>> {
        let ids = sqlx::query_scalar!(
            "select distinct recipient_id from notice where alert_id = $1 and message_id is not null",
            alert.0
        );
        Ok(ids.fetch_all(&mut **work).await?.into_iter().map(RecipientId).collect())
    }

    /// Puts what is due into messages: for a program one each; for a person one for all that is due, and none
    /// within `apart` of the last. Returns how many.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn bundle(&self, now: Timestamp, apart: SignedDuration) -> Result<u64> {
        let mut work = self.begin().await?;
        // Two at once would each see no mail yet, and make one.
        if !Self::has_turn(&mut work, "bundle").await? {
            return Ok(0);
        }
        let since = now.checked_sub(apart).unwrap_or(Timestamp::MIN);
        let due = sqlx::query!(
            "select notice.id, recipient_id, channel
             from notice join recipient on recipient.id = recipient_id
             where due_at <= $1 and message_id is null and dropped_at is null and removed_at is null
               and (channel = 'webhook' or not exists
                    (select from message where message.recipient_id = recipient.id and made_at > $2))
             order by recipient_id, notice.id for update of notice skip locked",
            now.to_sqlx(),
            since.to_sqlx()
        )
        .fetch_all(&mut *work)
        .await?;
        let mut made = 0;
        let same = |a: &i64, b: &i64, channel: &str| a == b && channel == "mail";
        for bundle in due.chunk_by(|a, b| same(&a.recipient_id, &b.recipient_id, &a.channel)) {
            let Some(first) = bundle.first() else { continue };
            let ids: Vec<i64> = bundle.iter().map(|notice| notice.id).collect();
            sqlx::query!(
                "with made as (insert into message (recipient_id, made_at, due_at) values ($1, $2, $2) returning id)
                 update notice set message_id = made.id from made where notice.id = any($3)",
                first.recipient_id,
                now.to_sqlx(),
                &ids
            )
            .execute(&mut *work)
            .await?;
            made += 1;
        }
        work.commit().await?;
        Ok(made)
    }

    /// Takes the message whose turn has come first, and moves its turn on to `next` for its number of tries.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn take_due(&self, now: Timestamp, next: impl Fn(u32) -> Timestamp) -> Result<Option<Due>> {
        let mut work = self.begin().await?;
        let row = sqlx::query!(
            "select message.id, key::text as \"key!\", coalesce(channel, 'mail') as \"channel!\",
                    coalesce(message.address, recipient.address) as \"address!\", secret_address, recipient_id,
                    attempts, made_at, report_month
             from message left join recipient on recipient.id = recipient_id
             where sent_at is null and given_up_at is null and due_at <= $1
             order by due_at, message.id limit 1 for update of message skip locked",
            now.to_sqlx()
        )
        .fetch_optional(&mut *work)
        .await?;
        let Some(row) = row else { return Ok(None) };
        let attempts = u32::try_from(row.attempts).unwrap_or(0).saturating_add(1);
        sqlx::query!(
            "update message set attempts = attempts + 1, due_at = $2 where id = $1",
            row.id,
            next(attempts).to_sqlx()
        )
        .execute(&mut *work)
        .await?;
        let address = match row.secret_address.zip(row.recipient_id) {
            Some((sealed, recipient)) => {
                let opened = self.keys.open(&secret_address(recipient), &sealed);
                opened.map(Secret::new).map_err(|fault| fault.to_string())
            }
            None => Ok(Secret::new(row.address)),
        };
        let items = items(&mut work, row.id).await?;
        let report = match row.report_month {
            Some(day) => {
                Some(ReportSent { month: Month::of(day.to_jiff()), files: files(&mut work, row.id).await? })
            }
            None => None,
        };
        work.commit().await?;
        Ok(Some(Due {
            id: MessageId(row.id),
            key: row.key,
            channel: channel(&row.channel)?,
            address,
            attempts,
            made_at: row.made_at.to_jiff(),
            items,
            report,
        }))
    }

    /// Writes down that a message has been handed over, and that its alerts are told.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn mark_sent(&self, id: MessageId, at: Timestamp) -> Result<()> {
        let mut work = self.begin().await?;
        sqlx::query!(
            "update message set sent_at = $2, fault = null, given_up_at = null where id = $1",
            id.0,
            at.to_sqlx()
        )
        .execute(&mut *work)
        .await?;
        sqlx::query!(
            "update alert set told_at = coalesce(told_at, $2)
             where id in (select alert_id from notice where message_id = $1)",
            id.0,
            at.to_sqlx() as _
        )
        .execute(&mut *work)
        .await?;
        work.commit().await?;
        Ok(())
    }

    /// Writes down what went wrong with a message, and whether it is given up.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn mark_failed(&self, id: MessageId, fault: &str, given_up: Option<Timestamp>) -> Result<()> {
        sqlx::query!(
            "update message set fault = $2, given_up_at = $3 where id = $1 and sent_at is null",
            id.0,
            fault,
            given_up.map(ToSqlx::to_sqlx) as _
        )
        .execute(&self.pool)
        .await?;
        Ok(())
    }

    /// Gives a message that was not handed over its turn at once. `false` if there is none of that number.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn try_again(&self, id: MessageId, now: Timestamp) -> Result<bool> {
        let done = sqlx::query!(
            "update message set given_up_at = null, attempts = 0, due_at = $2
             where id = $1 and sent_at is null
               and (recipient_id is null or recipient_id in (select id from recipient where removed_at is null))",
            id.0,
            now.to_sqlx()
        );
        Ok(done.execute(&self.pool).await?.rows_affected() > 0)
    }

    /// The latest messages: those given up first, then those on their way, then those that were handed over.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn messages(&self, limit: i64) -> Result<Vec<MessageRow>> {
        let rows = sqlx::query!(
            r#"select message.id, coalesce(name, message.address) as "name!", coalesce(channel, 'mail') as "channel!",
                      report_month, message.made_at, message.due_at, attempts, fault, sent_at,
                      given_up_at,
                      (select count(*) from notice where message_id = message.id) as "items!",
                      (select summary from notice join alert on alert.id = alert_id
                       where message_id = message.id order by notice.id limit 1) as "summary?"
               from message left join recipient on recipient.id = recipient_id
               order by case when given_up_at is not null then 0 when sent_at is null then 1 else 2 end,
                        made_at desc, message.id desc
               limit $1"#,
            limit
        )
        .fetch_all(&self.pool)
        .await?;
        rows.into_iter()
            .map(|row| {
                let report = row.report_month.map(|day| Month::of(day.to_jiff()).report_title());
                let first = report.or(row.summary).unwrap_or_default();
                let more = row.items.saturating_sub(1);
                let summary = if more > 0 { format!("{first}, and {more} more") } else { first };
                Ok(MessageRow {
                    id: MessageId(row.id),
                    recipient: row.name,
                    channel: channel(&row.channel)?,
                    summary,
                    made_at: row.made_at.to_jiff(),
                    due_at: row.due_at.to_jiff(),
                    attempts: u32::try_from(row.attempts).unwrap_or(0),
                    fault: row.fault,
                    sent_at: row.sent_at.map(|at| at.to_jiff()),
                    given_up_at: row.given_up_at.map(|at| at.to_jiff()),
                })
            })
            .collect()
    }
}

async fn items(work: &mut Work, message: i64) -> Result<Vec<Item>> {
    let rows = sqlx::query!(
        r#"select notice.kind, at, alert_id, rule, severity, alert.device_id, slot_id, alert.part_id, head_place,
                  summary, opened_at, device.name as "device_name?", part.number as "part_number?"
           from notice join alert on alert.id = alert_id left join device on device.id = alert.device_id
                left join part on part.id = alert.part_id
           where message_id = $1 order by notice.id"#,
        message
    )
    .fetch_all(&mut **work)
    .await?;
    let mut items: Vec<Item> = rows
        .into_iter()
        .map(|row| {
            let unknown = || StoreError::Unknown { what: "kind of notice", value: row.kind.clone() };
            Ok(Item {
                kind: NoticeKind::from_word(&row.kind).ok_or_else(unknown)?,
                at: row.at.to_jiff(),
                alert: AlertId(row.alert_id),
                rule: rule(&row.rule)?,
                grade: grade(&row.severity)?,
                subject: subject(row.device_id, row.slot_id, row.part_id, row.head_place)?,
                summary: row.summary,
                opened_at: row.opened_at.to_jiff(),
                device_name: row.device_name,
                part_number: row.part_number,
            })
        })
        .collect::<Result<_>>()?;
    items.sort_by_key(|item| std::cmp::Reverse(item.grade));
    Ok(items)
}
