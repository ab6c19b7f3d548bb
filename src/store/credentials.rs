//! How devices are asked over SNMP.

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
    /// If the store cannot be reached.
    pub async fn credential(&self, id: i64) -> Result<Option<CredentialRow>> {
        self.one_credential(Some(id), None).await
    }

    /// Keeps a new credential under a name.
    ///
    /// # Errors
    /// [`StoreError::Taken`] if the name is in use.
    pub async fn add_credential(&self, name: &str, row: &CredentialRow) -> Result<i64> {
        let mut work = self.begin().await?;
        let id = insert(&mut work, name, row).await?;
        work.commit().await?;
        Ok(id)
    }

    /// Changes a kept credential. Devices that are asked with it are asked the new way from their next poll on.
    /// `false` if there is none of that number.
    ///
    /// # Errors
    /// [`StoreError::Taken`] if the name is in use.
    pub async fn change_credential(&self, id: i64, name: &str, row: &CredentialRow) -> Result<bool> {
        let (auth_protocol, auth_password) = row.auth.clone().unzip();
        let (privacy_protocol, privacy_password) = row.privacy.clone().unzip();
        let mut work = self.begin().await?;
        let done = sqlx::query!(
            "update credential set name = $2, version = $3, community = $4, user_name = $5, auth_protocol = $6,
                    auth_password = $7, privacy_protocol = $8, privacy_password = $9
             where id = $1",
            id,
            name,
            row.version,
            row.community,
            row.user_name,
            auth_protocol,
            auth_password,
            privacy_protocol,
            privacy_password,
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
    /// If the store cannot be reached.
    pub async fn credential_of(&self, device: DeviceId) -> Result<Option<CredentialRow>> {
        self.one_credential(None, Some(device)).await
    }

    async fn one_credential(
        &self,
        id: Option<i64>,
        device: Option<DeviceId>,
    ) -> Result<Option<CredentialRow>> {
        let row = sqlx::query!(
            "select version, community, user_name, auth_protocol, auth_password, privacy_protocol,
                    privacy_password
             from credential where id = coalesce($1, (select credential_id from device where id = $2))",
            id,
            device.map(|device| device.0)
        )
        .fetch_optional(&self.pool)
        .await?;
        Ok(row.map(|row| CredentialRow {
            version: row.version,
            community: row.community,
            user_name: row.user_name,
            auth: row.auth_protocol.zip(row.auth_password),
            privacy: row.privacy_protocol.zip(row.privacy_password),
        }))
    }
}

/// Keeps a credential and gives back its number: that of one that says the same, if there is one; else it is kept
/// under a name that tells its version and user, and no secret.
pub(super) async fn put(work: &mut Work, row: &CredentialRow) -> Result<i64> {
    let (auth_protocol, auth_password) = row.auth.clone().unzip();
    let (privacy_protocol, privacy_password) = row.privacy.clone().unzip();
    let known = sqlx::query_scalar!(
        "select id from credential
         where version = $1 and community is not distinct from $2 and user_name is not distinct from $3
           and auth_protocol is not distinct from $4 and auth_password is not distinct from $5
           and privacy_protocol is not distinct from $6 and privacy_password is not distinct from $7
         order by id limit 1",
        row.version,
        row.community,
        row.user_name,
        auth_protocol,
        auth_password,
        privacy_protocol,
        privacy_password,
    )
    .fetch_optional(&mut **work)
    .await?;
    if let Some(id) = known {
        return Ok(id);
    }
    let usual = row.usual_name();
    let names = sqlx::query_scalar!("select name from credential").fetch_all(&mut **work).await?;
    let numbered = std::iter::once(usual.clone()).chain((2..).map(|n| format!("{usual} ({n})")));
    let name = numbered.filter(|name| !names.contains(name)).take(1).collect::<String>();
    insert(work, &name, row).await
}

async fn insert(work: &mut Work, name: &str, row: &CredentialRow) -> Result<i64> {
    let (auth_protocol, auth_password) = row.auth.clone().unzip();
    let (privacy_protocol, privacy_password) = row.privacy.clone().unzip();
    sqlx::query_scalar!(
        "insert into credential (name, version, community, user_name, auth_protocol, auth_password,
                                 privacy_protocol, privacy_password)
         values ($1, $2, $3, $4, $5, $6, $7, $8) returning id",
        name,
        row.version,
        row.community,
        row.user_name,
        auth_protocol,
        auth_password,
        privacy_protocol,
        privacy_password,
    )
    .fetch_one(&mut **work)
    .await
    .map_err(|error| taken(error, name))
}

fn taken(error: sqlx::Error, name: &str) -> StoreError {
    if breaches(&error, "credential_name_key") {
        return StoreError::Taken(format!("another credential is called '{name}'; choose another name"));
    }
    error.into()
}
