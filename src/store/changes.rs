//! What was changed, by whom. Triggers write it down; here it is read.

use jiff::Timestamp;

use super::{Result, Store};

/// One change that a person made.
#[derive(Debug, Clone, PartialEq)]
pub struct Change {
    /// Its number; later ones have greater numbers.
    pub id: i64,
    /// When, by the database's clock.
    pub at: Timestamp,
    /// Who made it.
    pub who: String,
    /// `added`, `changed` or `removed`.
    pub what: String,
    /// The kind of thing: the table that it lies in.
    pub subject: String,
    /// Which one.
    pub key: String,
    /// What was there before, of what changed. Secrets are hidden.
    pub was: Option<serde_json::Value>,
    /// What is there now.
    pub became: Option<serde_json::Value>,
}

impl Store {
    /// Changes before the one of a number, or the latest, the latest first.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn changes(&self, before: Option<i64>, at_most: i64) -> Result<Vec<Change>> {
        let rows = sqlx::query!(
            "select id, at, who, what, subject, key, was, became from change
             where $1::bigint is null or id < $1 order by id desc limit $2",
            before,
            at_most
        )
        .fetch_all(&self.pool)
        .await?;
        Ok(rows
            .into_iter()
            .map(|row| Change {
                id: row.id,
                at: row.at.to_jiff(),
                who: row.who,
                what: row.what,
                subject: row.subject,
                key: row.key,
                was: row.was,
                became: row.became,
            })
            .collect())
    }
}
