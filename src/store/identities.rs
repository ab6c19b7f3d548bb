//! Who people are at a provider that they come in by.

use jiff::Timestamp;
use jiff_sqlx::ToSqlx;

use super::people::role;
use super::{Result, Store, Work};
use crate::domain::access::Role;
use crate::domain::ids::PersonId;

/// Somebody as a sign-in by a provider finds them.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Known {
    /// Their number.
    pub person: PersonId,
    /// Their name here.
    pub name: String,
    /// What they may do.
    pub role: Role,
    /// Whether they may come in no longer.
    pub retired: bool,
    /// What the provider calls them, if it is known here.
    pub subject: Option<String>,
}

impl Store {
    /// Whoever a provider calls so, retired or not. Held until the end of the work.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn known_by_provider(work: &mut Work, issuer: &str, subject: &str) -> Result<Option<Known>> {
        let row = sqlx::query!(
            r#"select person.id, name, role, (retired_at is not null) as "retired!"
               from person_identity join person on person.id = person_id
               where issuer = $1 and subject = $2 for update of person"#,
            issuer,
            subject
        )
        .fetch_optional(&mut **work)
        .await?;
        row.map(|row| {
            Ok(Known {
                person: PersonId(row.id),
                name: row.name,
                role: role(&row.role)?,
                retired: row.retired,
                subject: Some(subject.to_owned()),
            })
        })
        .transpose()
    }

    /// Whoever may come in under a name, in whatever case, with what a provider calls them. Held until the end of the
    /// work.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn known_by_name(work: &mut Work, issuer: &str, name: &str) -> Result<Option<Known>> {
        let row = sqlx::query!(
            r#"select person.id, name, role, subject as "subject?"
               from person left join person_identity on person_id = person.id and issuer = $1
               where lower(name) = lower($2) and retired_at is null for update of person"#,
            issuer,
            name
        )
        .fetch_optional(&mut **work)
        .await?;
        row.map(|row| {
            Ok(Known {
                person: PersonId(row.id),
                name: row.name,
                role: role(&row.role)?,
                retired: false,
                subject: row.subject,
            })
        })
        .transpose()
    }

    /// Writes down what a provider calls somebody, in place of whom it was before.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn bind_identity(
        work: &mut Work,
        person: PersonId,
        (issuer, subject): (&str, &str),
        now: Timestamp,
    ) -> Result<()> {
        sqlx::query!(
            "insert into person_identity (issuer, subject, person_id, bound_at) values ($1, $2, $3, $4)
             on conflict (issuer, subject) do update set person_id = excluded.person_id, bound_at = excluded.bound_at",
            issuer,
            subject,
            person.0,
            now.to_sqlx() as _
        )
        .execute(&mut **work)
        .await?;
        Ok(())
    }

    /// Forgets what providers call somebody. `false` if nothing was known.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn forget_identities(work: &mut Work, person: PersonId) -> Result<bool> {
        let gone = sqlx::query!("delete from person_identity where person_id = $1", person.0)
            .execute(&mut **work)
            .await?;
        Ok(gone.rows_affected() > 0)
    }
}
