//! How devices are asked over SNMP.

use super::{Result, Store, Work};
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

impl Store {
    /// The credential that a device is asked with.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn credential_of(&self, device: DeviceId) -> Result<Option<CredentialRow>> {
        let row = sqlx::query!(
            "select version, community, user_name, auth_protocol, auth_password, privacy_protocol,
                    privacy_password
             from credential join device on device.credential_id = credential.id
             where device.id = $1",
            device.0
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

/// Keeps a credential under a name, replacing the one that had it. Returns its number.
pub(super) async fn put(work: &mut Work, name: &str, row: &CredentialRow) -> Result<i64> {
    let (auth_protocol, auth_password) = row.auth.clone().unzip();
    let (privacy_protocol, privacy_password) = row.privacy.clone().unzip();
    Ok(sqlx::query_scalar!(
        "insert into credential (name, version, community, user_name, auth_protocol, auth_password,
                                 privacy_protocol, privacy_password)
         values ($1, $2, $3, $4, $5, $6, $7, $8)
         on conflict (name) do update set version = excluded.version, community = excluded.community,
             user_name = excluded.user_name, auth_protocol = excluded.auth_protocol,
             auth_password = excluded.auth_password, privacy_protocol = excluded.privacy_protocol,
             privacy_password = excluded.privacy_password
         returning id",
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
    .await?)
}
