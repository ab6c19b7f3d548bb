//! A few counts over the whole store, for programs that watch the service.

use super::{Result, Store};
use crate::domain::alert::Rule;

/// How the room and the outbox stand.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Figures {
    /// Machines whose last poll was answered.
    pub answering: i64,
    /// Machines whose last poll was not, and that are not called dark.
    pub silent: i64,
    /// Machines that are called dark.
    pub dark: i64,
    /// Processes that poll.
    pub pollers: i64,
    /// Messages on their way.
    pub waiting: i64,
    /// Messages that were given up.
    pub given_up: i64,
}

impl Store {
    /// The counts as of now.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn figures(&self) -> Result<Figures> {
        Ok(sqlx::query_as!(
            Figures,
            r#"with watched as (
                   select fault is null and last_answer_at is not null as answers,
                          exists (select from alert where device_id = device.id and rule = $1
                                  and cleared_at is null) as dark
                   from device where retired_at is null
               )
               select count(*) filter (where answers and not dark) as "answering!",
                      count(*) filter (where not answers and not dark) as "silent!",
                      count(*) filter (where dark) as "dark!",
                      (select count(*) from poller where until > clock_timestamp()) as "pollers!",
                      (select count(*) from message where sent_at is null and given_up_at is null) as "waiting!",
                      (select count(*) from message where given_up_at is not null) as "given_up!"
               from watched"#,
            Rule::Dark.word()
        )
        .fetch_one(&self.pool)
        .await?)
    }

    /// Connections that are open, and how many of them nobody uses.
    #[must_use]
    pub fn connections(&self) -> (u64, u64) {
        (u64::from(self.pool.size()), self.pool.num_idle() as u64)
    }
}
