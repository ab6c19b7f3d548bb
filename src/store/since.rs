//! What changed since a moment, counted.

use jiff::Timestamp;
use jiff_sqlx::ToSqlx;

use super::{Result, Store};

/// How much changed since a moment.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Since {
    /// The moment.
    pub at: Timestamp,
    /// Alerts of ours that opened, whether or not they have cleared again.
    pub opened: usize,
    /// Alerts of ours that cleared.
    pub cleared: usize,
    /// Units that went into machines that are watched.
    pub swaps: usize,
    /// Units that came onto the shelf.
    pub received: usize,
    /// Units that were issued from it.
    pub issued: usize,
    /// Machines that were added.
    pub added: usize,
}

impl Store {
    /// Counts what changed since a moment.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn since(&self, at: Timestamp) -> Result<Since> {
        let row = sqlx::query!(
            r#"select (select count(*) from alert where opened_at > $1) as "opened!",
                      (select count(*) from alert where cleared_at > $1) as "cleared!",
                      (select count(*) from install join slot on slot.id = slot_id join device on device.id = slot.device_id
                       where from_at > $1 and arrival <> 'found' and retired_at is null) as "swaps!",
                      (select coalesce(sum(quantity), 0) from movement where at > $1 and kind = 'received')
                          as "received!",
                      (select coalesce(-sum(quantity), 0) from movement where at > $1 and kind = 'issued')
                          as "issued!",
                      (select count(*) from device where added_at > $1 and retired_at is null) as "added!""#,
            at.to_sqlx() as _
        )
        .fetch_one(&self.pool)
        .await?;
        let count = |count: i64| usize::try_from(count).unwrap_or(0);
        Ok(Since {
            at,
            opened: count(row.opened),
            cleared: count(row.cleared),
            swaps: count(row.swaps),
            received: count(row.received),
            issued: count(row.issued),
            added: count(row.added),
        })
    }
}
