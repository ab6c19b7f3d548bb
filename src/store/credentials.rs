//! How devices are asked over SNMP.

use super::seal::{Key, KeyFault, Place};
use super::{Result, Store, StoreError, Work, breaches};
use crate::domain::ids::DeviceId;

/// A stored credential, as text. It is checked where it is turned into something that speaks SNMP.
#[derive(Clone, Default, PartialEq, Eq)]
pub struct CredentialRow {
    /// `v1`, `v2c` or `v3`.
    pub version: String,
    /// The community of v1 and v2c.
    pub community: Option<String>,
    /// The user of v3.
    pub user_name: Option<String>,
    /// Authentication protocol and password.
    pub auth: Option<(String, String)>,
    /// Privacy protocol and password.
    pub privacy: Option<(String, String)>,
}

impl std::fmt::Debug for CredentialRow {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "CredentialRow({}, …)", self.version)
    }
}

impl CredentialRow {
    /// What it is called unless somebody gives it a name: its version and user.
    #[must_use]
    pub fn usual_name(&self) -> String {
        match (self.version.as_str(), &self.user_name) {
            (_, Some(user)) => format!("Version 3, user {user}"),
            ("v1", None) => "Version 1".to_owned(),
            _ => "Version 2c".to_owned(),
        }
    }
}

/// A kept credential without what is secret about it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CredentialSummary {
    /// Its number.
    pub id: i64,
    /// What it is called.
    pub name: String,
    /// `v1`, `v2c` or `v3`.
    pub version: String,
    /// The user of v3.
    pub user_name: Option<String>,
    /// How the user's messages are signed.
    pub auth_protocol: Option<String>,
    /// How they are encrypted.
    pub privacy_protocol: Option<String>,
    /// How many devices that are watched are asked with it.
    pub devices: u32,
}

impl Store {
    /// The kept credentials by name, without what is secret about them.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn credentials(&self) -> Result<Vec<CredentialSummary>> {
        let rows = sqlx::query!(
            r#"select id, name, version, user_name, auth_protocol, privacy_protocol,
                      (select count(*) from device where credential_id = credential.id and retired_at is null)
                          as "devices!"
               from credential order by name"#
        )
        .fetch_all(&self.pool)
        .await?;
        Ok(rows
            .into_iter()
            .map(|row| CredentialSummary {
                id: row.id,
                name: row.name,
                version: row.version,
                user_name: row.user_name,
                auth_protocol: row.auth_protocol,
                privacy_protocol: row.privacy_protocol,
                devices: u32::try_from(row.devices).unwrap_or(u32::MAX),
            })
            .collect())
    }

    /// A kept credential by its number.
    ///
    /// # Errors
    /// If the store cannot be reached, or what is secret about it does not open.
    pub async fn credential(&self, id: i64) -> Result<Option<CredentialRow>> {
        let kept = self.one_credential(Some(id), None).await?;
        Ok(kept.map(|kept| self.opened(&kept)).transpose()?)
    }

    /// The same, without what does not open: whoever changes it enters that again.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn credential_to_change(&self, id: i64) -> Result<Option<CredentialRow>> {
        let kept = self.one_credential(Some(id), None).await?;
        let without = |kept: &Kept| CredentialRow {
            version: kept.version.clone(),
            user_name: kept.user_name.clone(),
            ..CredentialRow::default()
        };
        Ok(kept.map(|kept| self.opened(&kept).unwrap_or_else(|_| without(&kept))))
    }

    /// Keeps a new credential under a name.
    ///
    /// # Errors
    /// [`StoreError::Taken`] if the name is in use, [`StoreError::Keys`] if there is no key to seal it with.
    pub async fn add_credential(&self, name: &str, row: &CredentialRow) -> Result<i64> {
        let mut work = self.begin().await?;
        let id = self.insert_credential(&mut work, name, row).await?;
        work.commit().await?;
        Ok(id)
    }

    /// Changes a kept credential. Devices that are asked with it are asked the new way from their next poll on.
    /// `false` if there is none of that number.
    ///
    /// # Errors
    /// [`StoreError::Taken`] if the name is in use, [`StoreError::Keys`] if there is no key to seal it with.
    pub async fn change_credential(&self, id: i64, name: &str, row: &CredentialRow) -> Result<bool> {
        let mut work = self.begin().await?;
        let key = self.sealer(&mut work).await?;
        let Some(old) = kept(&mut work, id).await? else { return Ok(false) };
        let Secrets { community, auth, privacy } = self.sealed(&key, id, Some(&old), row)?;
        let done = sqlx::query!(
            "update credential set name = $2, version = $3, community = $4, user_name = $5, auth_protocol = $6,
                    auth_password = $7, privacy_protocol = $8, privacy_password = $9
             where id = $1",
            id,
            name,
            row.version,
            community,
            row.user_name,
            row.auth.as_ref().map(|(protocol, _)| protocol),
            auth,
            row.privacy.as_ref().map(|(protocol, _)| protocol),
            privacy,
        )
        .execute(&mut *work)
        .await
        .map_err(|error| taken(error, name))?;
        work.commit().await?;
        Ok(done.rows_affected() > 0)
    }

    /// Throws a credential away that no device is or was asked with; those that are retired count too, since
    /// their history is kept. `false` if there is such a device, or no such credential.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn remove_credential(&self, id: i64) -> Result<bool> {
        let mut work = self.begin().await?;
        let done = sqlx::query!(
            "delete from credential where id = $1 and not exists
                 (select from device where credential_id = credential.id)",
            id
        )
        .execute(&mut *work)
        .await?;
        work.commit().await?;
        Ok(done.rows_affected() > 0)
    }

    /// The credential that a device is asked with.
    ///
    /// # Errors
    /// If the store cannot be reached, or what is secret about it does not open.
    pub async fn credential_of(&self, device: DeviceId) -> Result<Option<CredentialRow>> {
        let kept = self.one_credential(None, Some(device)).await?;
        Ok(kept.map(|kept| self.opened(&kept)).transpose()?)
    }

    async fn one_credential(&self, id: Option<i64>, device: Option<DeviceId>) -> Result<Option<Kept>> {
        Ok(sqlx::query_as!(
            Kept,
            "select id, version, community, user_name, auth_protocol, auth_password, privacy_protocol,
                    privacy_password
             from credential where id = coalesce($1, (select credential_id from device where id = $2))",
            id,
            device.map(|device| device.0)
        )
        .fetch_optional(&self.pool)
        .await?)
    }

    /// Keeps a credential and gives back its number: that of one that says the same, if there is one; else it is kept
    /// under a name that tells its version and user, and no secret.
    ///
    /// # Errors
    /// If the store cannot be reached; [`StoreError::Keys`] if there is no key to seal it with.
    pub async fn keep_credential(&self, work: &mut Work, row: &CredentialRow) -> Result<i64> {
        let known = sqlx::query_as!(
            Kept,
            "select id, version, community, user_name, auth_protocol, auth_password, privacy_protocol,
                    privacy_password
             from credential
             where version = $1 and user_name is not distinct from $2 and auth_protocol is not distinct from $3
               and privacy_protocol is not distinct from $4
             order by id",
            row.version,
            row.user_name,
            row.auth.as_ref().map(|(protocol, _)| protocol),
            row.privacy.as_ref().map(|(protocol, _)| protocol),
        )
        .fetch_all(&mut **work)
        .await?;
        // The same secret is sealed to something else each time, so that only what was opened can be compared.
        let says_the_same = |kept: &&Kept| self.opened(kept).is_ok_and(|known| known == *row);
        if let Some(kept) = known.iter().find(says_the_same) {
            return Ok(kept.id);
        }
        let usual = row.usual_name();
        let names = sqlx::query_scalar!("select name from credential").fetch_all(&mut **work).await?;
        let numbered = std::iter::once(usual.clone()).chain((2..).map(|n| format!("{usual} ({n})")));
        let name = numbered.filter(|name| !names.contains(name)).take(1).collect::<String>();
        self.insert_credential(work, &name, row).await
    }

    async fn insert_credential(&self, work: &mut Work, name: &str, row: &CredentialRow) -> Result<i64> {
        let key = self.sealer(work).await?;
        // What is sealed is bound to the row, whose number has to be known first.
        let id = sqlx::query_scalar!(
            r#"select nextval(pg_get_serial_sequence('credential', 'id')::regclass) as "id!""#
        );
        let id = id.fetch_one(&mut **work).await?;
        let Secrets { community, auth, privacy } = self.sealed(&key, id, None, row)?;
        sqlx::query_scalar!(
            "insert into credential (id, name, version, community, user_name, auth_protocol, auth_password,
                                     privacy_protocol, privacy_password)
             overriding system value
             values ($1, $2, $3, $4, $5, $6, $7, $8, $9) returning id",
            id,
            name,
            row.version,
            community,
            row.user_name,
            row.auth.as_ref().map(|(protocol, _)| protocol),
            auth,
            row.privacy.as_ref().map(|(protocol, _)| protocol),
            privacy,
        )
        .fetch_one(&mut **work)
        .await
        .map_err(|error| taken(error, name))
    }

    /// What is kept, with its secrets opened.
    fn opened(&self, kept: &Kept) -> std::result::Result<CredentialRow, KeyFault> {
        let open = |column, value: &Option<Vec<u8>>| {
            value.as_ref().map(|value| self.keys.open(&place(column, kept.id), value)).transpose()
        };
        let auth = open("auth_password", &kept.auth_password)?;
        let privacy = open("privacy_password", &kept.privacy_password)?;
        Ok(CredentialRow {
            version: kept.version.clone(),
            community: open("community", &kept.community)?,
            user_name: kept.user_name.clone(),
            auth: kept.auth_protocol.clone().zip(auth),
            privacy: kept.privacy_protocol.clone().zip(privacy),
        })
    }

    /// The secrets of a credential, sealed for its row; those that are as they were keep what they were sealed to.
    fn sealed(
        &self,
        key: &Key,
        id: i64,
        old: Option<&Kept>,
        row: &CredentialRow,
    ) -> std::result::Result<Secrets, KeyFault> {
        let seal = |column, old: Option<&Option<Vec<u8>>>, new: Option<&String>| {
            let old = old.and_then(Option::as_deref);
            new.map(|new| self.keys.seal(key, &place(column, id), (old, new))).transpose()
        };
        let (auth, privacy) = (row.auth.as_ref(), row.privacy.as_ref());
        Ok(Secrets {
            community: seal("community", old.map(|old| &old.community), row.community.as_ref())?,
            auth: seal("auth_password", old.map(|old| &old.auth_password), auth.map(|(_, secret)| secret))?,
            privacy: seal(
                "privacy_password",
                old.map(|old| &old.privacy_password),
                privacy.map(|(_, secret)| secret),
            )?,
        })
    }
}

/// A credential as it is stored.
struct Kept {
    id: i64,
    version: String,
    community: Option<Vec<u8>>,
    user_name: Option<String>,
    auth_protocol: Option<String>,
    auth_password: Option<Vec<u8>>,
    privacy_protocol: Option<String>,
    privacy_password: Option<Vec<u8>>,
}

/// What is secret about a credential, sealed.
struct Secrets {
    community: Option<Vec<u8>>,
    auth: Option<Vec<u8>>,
    privacy: Option<Vec<u8>>,
}

fn place(column: &'static str, row: i64) -> Place {
    Place { table: "credential", column, row }
}

async fn kept(work: &mut Work, id: i64) -> Result<Option<Kept>> {
    Ok(sqlx::query_as!(
        Kept,
        "select id, version, community, user_name, auth_protocol, auth_password, privacy_protocol, privacy_password
         from credential where id = $1 for update",
        id
    )
    .fetch_optional(&mut **work)
    .await?)
}

fn taken(error: sqlx::Error, name: &str) -> StoreError {
    if breaches(&error, "credential_name_key") {
        return StoreError::Taken(format!("another credential is called '{name}'; choose another name"));
    }
    error.into()
}
