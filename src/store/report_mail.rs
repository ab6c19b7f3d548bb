//! Reports of months on their way by mail, with the files that go with them.

use std::collections::BTreeSet;

use jiff::Timestamp;
use jiff_sqlx::ToSqlx;

use super::{Result, Store, Work};
use crate::domain::month::Month;

/// A file that goes with a message.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Attached {
    /// What it is called.
    pub name: String,
    /// What it is (IANA).
    pub media_type: String,
    /// Its bytes.
    pub content: Vec<u8>,
}

/// A month's report that a message carries.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ReportSent {
    /// Which month.
    pub month: Month,
    /// Its files.
    pub files: Vec<Attached>,
}

impl Store {
    /// The addresses to which a month's report has been sent, or is on its way.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn report_sent_to(&self, month: Month) -> Result<BTreeSet<String>> {
        let addresses = sqlx::query_scalar!(
            r#"select address as "address!" from message where report_month = $1"#,
            month.first_day().to_sqlx() as _
        );
        Ok(addresses.fetch_all(&self.pool).await?.into_iter().collect())
    }

    /// Puts a month's report into the outbox for an address. `false` if it was put there before, and then nothing is
    /// changed: the month and the address are the key.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn send_report(&self, report: &ReportSent, address: &str, at: Timestamp) -> Result<bool> {
        let mut work = self.begin().await?;
        let made = sqlx::query_scalar!(
            "insert into message (address, report_month, made_at, due_at) values ($1, $2, $3, $3)
             on conflict (report_month, address) do nothing returning id",
            address,
            report.month.first_day().to_sqlx() as _,
            at.to_sqlx()
        );
        let Some(message) = made.fetch_optional(&mut *work).await? else { return Ok(false) };
        for (place, file) in (1_i16..).zip(&report.files) {
            sqlx::query!(
                "insert into message_file (message_id, place, name, media_type, content) values ($1, $2, $3, $4, $5)",
                message,
                place,
                file.name,
                file.media_type,
                file.content
            )
            .execute(&mut *work)
            .await?;
        }
        work.commit().await?;
        Ok(true)
    }
}

/// What goes with a message.
pub(super) async fn files(work: &mut Work, message: i64) -> Result<Vec<Attached>> {
    let rows = sqlx::query_as!(
        Attached,
        "select name, media_type, content from message_file where message_id = $1 order by place",
        message
    );
    Ok(rows.fetch_all(&mut **work).await?)
}
