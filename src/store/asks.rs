//! What processes tell each other through the database: that a page needs a device polled now, and that polls came in.

use std::time::Duration;

use sqlx::postgres::PgListener;
use sqlx::types::Json;

use super::{Result, Store, Work};
use crate::domain::ids::{AskId, DeviceId};
use crate::domain::poll::Poll;

/// Whoever polls listens to this.
const ASKED: &str = "ullage_asked";
/// Whoever serves pages listens to this.
const CAME: &str = "ullage_came";

/// What one listens for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum News {
    /// A page needs to know what a device says now.
    Asked,
    /// A poll was kept.
    Came,
}

/// Somebody who listens, on a connection of its own.
#[derive(Debug)]
pub struct Hearing(PgListener);

impl Hearing {
    /// Waits for news, or for the connection to be lost and made again: then there may have been some.
    ///
    /// # Errors
    /// If it cannot be made again.
    pub async fn next(&mut self) -> Result<()> {
        self.0.try_recv().await?;
        Ok(())
    }
}

impl Store {
    /// Listens for one kind of news from now on.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn hear(&self, news: News) -> Result<Hearing> {
        let mut listener = PgListener::connect_with(&self.pool).await?;
        let channel = match news {
            News::Asked => ASKED,
            News::Came => CAME,
        };
        listener.listen(channel).await?;
        Ok(Hearing(listener))
    }

    /// Asks whoever has a device to poll it now.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn ask(&self, device: DeviceId) -> Result<AskId> {
        let mut work = self.begin().await?;
        sqlx::query!("delete from device_ask where asked_at < clock_timestamp() - interval '10 minutes'")
            .execute(&mut *work)
            .await?;
        let ask =
            sqlx::query_scalar!("insert into device_ask (device_id) values ($1) returning id", device.0)
                .fetch_one(&mut *work)
                .await?;
        tell(&mut work, ASKED).await?;
        work.commit().await?;
        Ok(AskId(ask))
    }

    /// What is asked and not answered, no longer ago than that.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn open_asks(&self, within: Duration) -> Result<Vec<(DeviceId, AskId)>> {
        let rows = sqlx::query!(
            "select device_id, id from device_ask
             where answered_at is null and asked_at > clock_timestamp() - make_interval(secs => $1)",
            within.as_secs_f64()
        );
        let rows = rows.fetch_all(&self.pool).await?;
        Ok(rows.into_iter().map(|row| (DeviceId(row.device_id), AskId(row.id))).collect())
    }

    /// Answers with the poll that was made.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn answer_asks(&self, asks: &[AskId], poll: &Poll) -> Result<()> {
        let asks: Vec<i64> = asks.iter().map(|ask| ask.0).collect();
        sqlx::query!(
            "update device_ask set answer = $2, answered_at = clock_timestamp()
             where id = any($1) and answered_at is null",
            &asks,
            Json(poll) as _
        )
        .execute(&self.pool)
        .await?;
        Ok(())
    }

    /// The answer, once there is one.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn answer_to(&self, ask: AskId) -> Result<Option<Poll>> {
        let answer = sqlx::query_scalar!(
            r#"select answer as "answer: Json<Poll>" from device_ask where id = $1"#,
            ask.0
        );
        Ok(answer.fetch_optional(&self.pool).await?.flatten().map(|Json(poll)| poll))
    }

    /// Tells those who serve pages, with the commit, that a poll was kept.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn tell_of_poll(work: &mut Work) -> Result<()> {
        tell(work, CAME).await
    }
}

async fn tell(work: &mut Work, channel: &str) -> Result<()> {
    sqlx::query_scalar!(r#"select pg_notify($1, '')::text as "told""#, channel)
        .fetch_one(&mut **work)
        .await?;
    Ok(())
}
