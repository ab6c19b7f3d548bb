//! Who is in: visits of people, and tokens of their programs.

use jiff::Timestamp;
use jiff_sqlx::ToSqlx;

use super::people::role;
use super::{Result, Store, Work};
use crate::domain::access::Role;
use crate::domain::ids::PersonId;

/// A visit.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Session {
    /// Its number.
    pub id: i64,
    /// Who is in.
    pub person: PersonId,
    /// Their name.
    pub name: String,
    /// What they may do.
    pub role: Role,
    /// When they came in.
    pub begun_at: Timestamp,
    /// When they last asked for something, to the minute.
    pub seen_at: Timestamp,
    /// When the browser was last given a new token.
    pub turned_at: Timestamp,
    /// What its forms are signed with. It is not stored.
    pub form_key: [u8; 32],
    /// Whether it was found by the token before that.
    pub by_previous: bool,
    /// What the browser says of itself.
    pub agent: String,
}

/// What a program comes in with.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct AccessToken {
    /// Its number.
    pub id: i64,
    /// What it is called.
    pub name: String,
    /// What it allows.
    pub role: Role,
    /// When it was made.
    pub made_at: Timestamp,
    /// When it ends.
    pub ends_at: Timestamp,
    /// When it was last used, to the minute.
    pub used_at: Option<Timestamp>,
}

impl Store {
    /// Begins a visit.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn begin_session(
        work: &mut Work,
        person: PersonId,
        hash: &[u8; 32],
        agent: &str,
        now: Timestamp,
    ) -> Result<()> {
        sqlx::query!(
            "insert into session (token_hash, person_id, begun_at, seen_at, turned_at, agent)
             values ($1, $2, $3, $3, $3, $4)",
            &hash[..],
            person.0,
            now.to_sqlx() as _,
            agent
        )
        .execute(&mut **work)
        .await?;
        Ok(())
    }

    /// The visit of a token, if somebody who may still come in is in by it.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn session(&self, hash: &[u8; 32]) -> Result<Option<Session>> {
        let row = sqlx::query!(
            r#"select session.id, person_id, name, role, begun_at, seen_at, turned_at, agent,
                      (token_hash <> $1) as "by_previous!"
               from session join person on person.id = person_id
               where (token_hash = $1 or previous_hash = $1) and retired_at is null"#,
            &hash[..]
        )
        .fetch_optional(&self.pool)
        .await?;
        row.map(|row| {
            Ok(Session {
                id: row.id,
                person: PersonId(row.person_id),
                name: row.name,
                role: role(&row.role)?,
                begun_at: row.begun_at.to_jiff(),
                seen_at: row.seen_at.to_jiff(),
                turned_at: row.turned_at.to_jiff(),
                form_key: self.keys.form_key(row.id, row.begun_at.to_jiff().as_microsecond()),
                by_previous: row.by_previous,
                agent: row.agent,
            })
        })
        .transpose()
    }

    /// The visits of somebody, the latest first.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn sessions_of(&self, person: PersonId) -> Result<Vec<Session>> {
        let rows = sqlx::query!(
            "select session.id, name, role, begun_at, seen_at, turned_at, agent
             from session join person on person.id = person_id where person_id = $1 order by seen_at desc",
            person.0
        )
        .fetch_all(&self.pool)
        .await?;
        rows.into_iter()
            .map(|row| {
                Ok(Session {
                    id: row.id,
                    person,
                    name: row.name,
                    role: role(&row.role)?,
                    begun_at: row.begun_at.to_jiff(),
                    seen_at: row.seen_at.to_jiff(),
                    turned_at: row.turned_at.to_jiff(),
                    form_key: [0; 32],
                    by_previous: false,
                    agent: row.agent,
                })
            })
            .collect()
    }

    /// Writes down that a visit goes on.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn touch_session(&self, id: i64, now: Timestamp) -> Result<()> {
        sqlx::query!("update session set seen_at = $2 where id = $1", id, now.to_sqlx() as _)
            .execute(&self.pool)
            .await?;
        Ok(())
    }

    /// Gives a visit another token in place of the one that is held. `false` if another request just did.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn turn_session(
        &self,
        id: i64,
        (held, next): (&[u8; 32], &[u8; 32]),
        now: Timestamp,
    ) -> Result<bool> {
        let done = sqlx::query!(
            "update session set previous_hash = token_hash, token_hash = $3, turned_at = $4
             where id = $1 and token_hash = $2",
            id,
            &held[..],
            &next[..],
            now.to_sqlx() as _
        )
        .execute(&self.pool)
        .await?;
        Ok(done.rows_affected() > 0)
    }

    /// Ends one visit of somebody. `false` if there is none of that number.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn end_session(&self, person: PersonId, id: i64) -> Result<bool> {
        let done = sqlx::query!("delete from session where id = $1 and person_id = $2", id, person.0)
            .execute(&self.pool)
            .await?;
        Ok(done.rows_affected() > 0)
    }

    /// Ends every visit of somebody but one.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn end_sessions(work: &mut Work, person: PersonId, but: Option<i64>) -> Result<()> {
        sqlx::query!("delete from session where person_id = $1 and id is distinct from $2", person.0, but)
            .execute(&mut **work)
            .await?;
        Ok(())
    }

    /// Throws away visits that began before one moment or were last seen before another.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn sweep_sessions(work: &mut Work, begun: Timestamp, seen: Timestamp) -> Result<()> {
        sqlx::query!(
            "delete from session where begun_at <= $1 or seen_at <= $2",
            begun.to_sqlx() as _,
            seen.to_sqlx() as _
        )
        .execute(&mut **work)
        .await?;
        Ok(())
    }

    /// Ends somebody's visits but the `most` that were seen last: a client that keeps no cookie begins one each time.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn end_crowded_sessions(work: &mut Work, person: PersonId, most: i64) -> Result<()> {
        sqlx::query!(
            "delete from session where person_id = $1 and id not in (
                 select id from session where person_id = $1 order by seen_at desc, id desc limit $2)",
            person.0,
            most
        )
        .execute(&mut **work)
        .await?;
        Ok(())
    }

    /// Makes a token for somebody's program.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn add_access_token(
        work: &mut Work,
        person: PersonId,
        (hash, name, role): (&[u8; 32], &str, Role),
        (now, ends): (Timestamp, Timestamp),
    ) -> Result<()> {
        sqlx::query!(
            "insert into access_token (token_hash, person_id, name, role, made_at, ends_at)
             values ($1, $2, $3, $4, $5, $6)",
            &hash[..],
            person.0,
            name,
            role.word(),
            now.to_sqlx() as _,
            ends.to_sqlx() as _
        )
        .execute(&mut **work)
        .await?;
        Ok(())
    }

    /// The tokens of somebody's programs that are still good.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn access_tokens_of(&self, person: PersonId, now: Timestamp) -> Result<Vec<AccessToken>> {
        let rows = sqlx::query!(
            "select id, name, role, made_at, ends_at, used_at from access_token
             where person_id = $1 and revoked_at is null and ends_at > $2 order by name, id",
            person.0,
            now.to_sqlx() as _
        )
        .fetch_all(&self.pool)
        .await?;
        rows.into_iter()
            .map(|row| {
                Ok(AccessToken {
                    id: row.id,
                    name: row.name,
                    role: role(&row.role)?,
                    made_at: row.made_at.to_jiff(),
                    ends_at: row.ends_at.to_jiff(),
                    used_at: row.used_at.map(|at| at.to_jiff()),
                })
            })
            .collect()
    }

    /// Who a program comes in for: the person, "person, token", and the lesser of both roles. Use is written down to
    /// the minute.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn access_by_token(
        &self,
        hash: &[u8; 32],
        now: Timestamp,
    ) -> Result<Option<(PersonId, String, Role)>> {
        let at = now.to_sqlx();
        let row = sqlx::query!(
            r#"select t.id, person_id, person.name || ', ' || t.name as "name!", t.role, person.role as own,
                      coalesce(used_at < $2::timestamptz - interval '1 minute', true) as "stale!"
               from access_token t join person on person.id = person_id
               where token_hash = $1 and revoked_at is null and ends_at > $2 and retired_at is null"#,
            &hash[..],
            at as _
        )
        .fetch_optional(&self.pool)
        .await?;
        let Some(row) = row else { return Ok(None) };
        if row.stale {
            sqlx::query!("update access_token set used_at = $2 where id = $1", row.id, at as _)
                .execute(&self.pool)
                .await?;
        }
        Ok(Some((PersonId(row.person_id), row.name, role(&row.role)?.min(role(&row.own)?))))
    }

    /// Ends a token of somebody's program. `false` if there is none of that number.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn revoke_access_token(&self, person: PersonId, id: i64, now: Timestamp) -> Result<bool> {
        let mut work = self.begin().await?;
        let done = sqlx::query!(
            "update access_token set revoked_at = $3 where id = $2 and person_id = $1 and revoked_at is null",
            person.0,
            id,
            now.to_sqlx() as _
        )
        .execute(&mut *work)
        .await?;
        work.commit().await?;
        Ok(done.rows_affected() > 0)
    }
}
