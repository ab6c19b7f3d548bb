//! People who may come in, and how entry fared.

use jiff::Timestamp;
use jiff_sqlx::ToSqlx;

use super::{Result, Store, StoreError, Work, breaches};
use crate::domain::access::{Role, Tries};
use crate::domain::ids::PersonId;

/// Somebody who may come in.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Person {
    /// Its number.
    pub id: PersonId,
    /// What they come in under.
    pub name: String,
    /// What they may do.
    pub role: Role,
    /// Whether they have chosen a password.
    pub has_password: bool,
    /// Since when they may come in.
    pub added_at: Timestamp,
    /// When they were last seen in a visit that has not been swept away.
    pub seen_at: Option<Timestamp>,
}

pub(super) fn role(word: &str) -> Result<Role> {
    Role::from_word(word).ok_or_else(|| StoreError::Unknown { what: "role", value: word.to_owned() })
}

impl Store {
    /// Whether anybody may come in under a name.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn has_people(&self) -> Result<bool> {
        Ok(sqlx::query_scalar!(r#"select exists (select 1 from person where retired_at is null) as "is!""#)
            .fetch_one(&self.pool)
            .await?)
    }

    /// Everybody who may come in, by name.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn people(&self) -> Result<Vec<Person>> {
        let rows = sqlx::query!(
            r#"select person.id, name, role, (password_hash is not null) as "has_password!", added_at,
                      max(session.seen_at) as seen_at
               from person left join session on session.person_id = person.id
               where retired_at is null group by person.id order by lower(name)"#
        )
        .fetch_all(&self.pool)
        .await?;
        rows.into_iter()
            .map(|row| {
                Ok(Person {
                    id: PersonId(row.id),
                    name: row.name,
                    role: role(&row.role)?,
                    has_password: row.has_password,
                    added_at: row.added_at.to_jiff(),
                    seen_at: row.seen_at.map(|at| at.to_jiff()),
                })
            })
            .collect()
    }

    /// Somebody by name, in whatever case, with the hash of the password.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn person_named(&self, name: &str) -> Result<Option<(PersonId, String, Option<String>)>> {
        let row = sqlx::query!(
            "select id, name, password_hash from person where lower(name) = lower($1) and retired_at is null",
            name
        )
        .fetch_optional(&self.pool)
        .await?;
        Ok(row.map(|row| (PersonId(row.id), row.name, row.password_hash)))
    }

    /// Lets somebody come in.
    ///
    /// # Errors
    /// [`StoreError::Taken`] if the name is in use.
    pub async fn add_person(work: &mut Work, name: &str, role: Role, now: Timestamp) -> Result<PersonId> {
        let added = sqlx::query_scalar!(
            "insert into person (name, role, added_at) values ($1, $2, $3) returning id",
            name,
            role.word(),
            now.to_sqlx() as _
        )
        .fetch_one(&mut **work)
        .await;
        match added {
            Ok(id) => Ok(PersonId(id)),
            Err(error) if breaches(&error, "person_name") => {
                Err(StoreError::Taken(format!("there is somebody named {name} already; choose another name")))
            }
            Err(error) => Err(error.into()),
        }
    }

    /// Somebody by number, held until the end of the work, with all administrators, so that the last of them is
    /// told for sure. Gives back the name, the role and how many administrators there are.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn hold_person(work: &mut Work, person: PersonId) -> Result<Option<(String, Role, usize)>> {
        let rows = sqlx::query!(
            "select id, name, role from person
             where retired_at is null and (id = $1 or role = 'administrator') order by id for update",
            person.0
        )
        .fetch_all(&mut **work)
        .await?;
        let administrators = rows.iter().filter(|row| row.role == "administrator").count();
        let one = rows.into_iter().find(|row| row.id == person.0);
        one.map(|row| Ok((row.name, role(&row.role)?, administrators))).transpose()
    }

    /// Gives somebody another role.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn set_role(work: &mut Work, person: PersonId, role: Role) -> Result<()> {
        sqlx::query!("update person set role = $2 where id = $1", person.0, role.word())
            .execute(&mut **work)
            .await?;
        Ok(())
    }

    /// Gives somebody another password.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn set_password(work: &mut Work, person: PersonId, hash: &str) -> Result<()> {
        sqlx::query!("update person set password_hash = $2 where id = $1", person.0, hash)
            .execute(&mut **work)
            .await?;
        Ok(())
    }

    /// Lets somebody come in no longer, by any way; what they did stays under their name.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn retire_person(work: &mut Work, person: PersonId, now: Timestamp) -> Result<()> {
        let now = now.to_sqlx();
        sqlx::query!("update person set retired_at = $2 where id = $1", person.0, now as _)
            .execute(&mut **work)
            .await?;
        sqlx::query!(
            "update access_token set revoked_at = $2 where person_id = $1 and revoked_at is null",
            person.0,
            now as _
        )
        .execute(&mut **work)
        .await?;
        sqlx::query!("delete from entry_link where person_id = $1", person.0).execute(&mut **work).await?;
        Self::end_sessions(work, person, None).await
    }

    /// Writes down a link by which somebody, or the first administrator, chooses a password. Links that they had
    /// before are void.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn put_link(
        work: &mut Work,
        hash: &[u8; 32],
        person: Option<PersonId>,
        (now, ends): (Timestamp, Timestamp),
    ) -> Result<()> {
        let person = person.map(|person| person.0);
        sqlx::query!(
            "delete from entry_link where person_id is not distinct from $1 or ends_at <= $2",
            person,
            now.to_sqlx() as _
        )
        .execute(&mut **work)
        .await?;
        sqlx::query!(
            "insert into entry_link (token_hash, person_id, made_at, ends_at) values ($1, $2, $3, $4)",
            &hash[..],
            person,
            now.to_sqlx() as _,
            ends.to_sqlx() as _
        )
        .execute(&mut **work)
        .await?;
        Ok(())
    }

    /// Whom a link is for, as long as it is good: the person and the name, or nobody yet.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn link(&self, hash: &[u8; 32], now: Timestamp) -> Result<Option<Option<(PersonId, String)>>> {
        let row = sqlx::query!(
            r#"select person_id as "person_id?", person.name as "name?" from entry_link
               left join person on person.id = person_id where token_hash = $1 and ends_at > $2"#,
            &hash[..],
            now.to_sqlx() as _
        )
        .fetch_optional(&self.pool)
        .await?;
        Ok(row.map(|row| row.person_id.map(PersonId).zip(row.name)))
    }

    /// Uses a link up. `false` if somebody else has, or it is too old.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn use_link(work: &mut Work, hash: &[u8; 32], now: Timestamp) -> Result<bool> {
        let gone = sqlx::query!(
            "delete from entry_link where token_hash = $1 and ends_at > $2",
            &hash[..],
            now.to_sqlx() as _
        )
        .execute(&mut **work)
        .await?;
        Ok(gone.rows_affected() > 0)
    }

    /// How entry fared under a key.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn tries(&self, key: &str) -> Result<Tries> {
        let row = sqlx::query!("select failures, last_at from entry_try where key = $1", key)
            .fetch_optional(&self.pool)
            .await?;
        Ok(row.map_or(Tries::default(), |row| Tries {
            failures: u32::try_from(row.failures).unwrap_or(0),
            last: Some(row.last_at.to_jiff()),
        }))
    }

    /// Writes down how entry fares under a key; what is long forgotten goes.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn put_tries(&self, key: &str, tries: Tries, now: Timestamp) -> Result<()> {
        let old = now.checked_sub(Tries::FORGOTTEN).unwrap_or(Timestamp::MIN);
        sqlx::query!("delete from entry_try where last_at < $1", old.to_sqlx() as _)
            .execute(&self.pool)
            .await?;
        sqlx::query!(
            "insert into entry_try (key, failures, last_at) values ($1, $2, $3)
             on conflict (key) do update set failures = excluded.failures, last_at = excluded.last_at",
            key,
            i32::try_from(tries.failures.max(1)).unwrap_or(i32::MAX),
            tries.last.unwrap_or(now).to_sqlx() as _
        )
        .execute(&self.pool)
        .await?;
        Ok(())
    }

    /// Forgets failures: somebody came in.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn forget_tries(&self, key: &str) -> Result<()> {
        sqlx::query!("delete from entry_try where key = $1", key).execute(&self.pool).await?;
        Ok(())
    }
}
