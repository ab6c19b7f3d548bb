//! Forms that were booked: one that is sent twice is booked once.

use jiff::{SignedDuration, Timestamp};
use jiff_sqlx::ToSqlx;

use super::{Result, Store, Work};

/// A form that was opened longer ago than this is not sent a second time by mistake.
const KEPT: SignedDuration = SignedDuration::from_hours(24 * 7);

impl Store {
    /// Takes a form's token, if nobody has: whoever sends the same form meanwhile waits for the end of the work.
    /// Gives back what the form led to before, if it was booked already.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn take_token(work: &mut Work, token: &str, now: Timestamp) -> Result<Option<i64>> {
        let taken = sqlx::query!(
            "insert into form_token (token, at) values ($1, $2) on conflict do nothing",
            token,
            now.to_sqlx() as _
        )
        .execute(&mut **work)
        .await?;
        if taken.rows_affected() > 0 {
            let old = now.checked_sub(KEPT).unwrap_or(Timestamp::MIN);
            sqlx::query!("delete from form_token where at < $1", old.to_sqlx() as _)
                .execute(&mut **work)
                .await?;
            return Ok(None);
        }
        let led_to = sqlx::query_scalar!("select led_to from form_token where token = $1", token)
            .fetch_optional(&mut **work)
            .await?;
        Ok(Some(led_to.flatten().unwrap_or(0)))
    }

    /// Writes down what a form led to.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn settle_token(work: &mut Work, token: &str, led_to: i64) -> Result<()> {
        sqlx::query!("update form_token set led_to = $2 where token = $1", token, led_to)
            .execute(&mut **work)
            .await?;
        Ok(())
    }
}
