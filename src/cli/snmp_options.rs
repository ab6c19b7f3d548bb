//! How a device lets itself be read, as options of a command.

use clap::ValueEnum;

use crate::domain::secret::Secret;
use crate::store::credentials::CredentialRow;

/// The version of SNMP to speak.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub(super) enum SnmpVersion {
    /// Version 1, with a community
    V1,
    /// Version 2c, with a community
    V2c,
    /// Version 3, with a user
    V3,
}

/// Community or user, from options or the environment.
#[derive(Debug, Clone, clap::Args)]
pub(super) struct SnmpOptions {
    /// The version of SNMP [default: v2c, or v3 if a user is given]
    #[arg(long, value_enum)]
    snmp: Option<SnmpVersion>,
    /// The read community of versions 1 and 2c [default: public]
    #[arg(long, env = "ULLAGE_SNMP_COMMUNITY", hide_env_values = true)]
    community: Option<Secret>,
    /// The user of version 3
    #[arg(long, env = "ULLAGE_SNMP_USER")]
    user: Option<String>,
    /// How the user's messages are signed: md5, sha1, sha224, sha256, sha384 or sha512 [default: sha256]
    #[arg(long, value_name = "PROTOCOL", env = "ULLAGE_SNMP_AUTH_PROTOCOL")]
    auth_protocol: Option<String>,
    /// The password that signs; better given in the environment, where other users do not see it
    #[arg(long, value_name = "PASSWORD", env = "ULLAGE_SNMP_AUTH_PASSWORD", hide_env_values = true)]
    auth_password: Option<Secret>,
    /// How the user's messages are encrypted: des, aes128, aes192 or aes256, or aes192-reeder or
    /// aes256-reeder for devices that lengthen keys in that way [default: aes128]
    #[arg(long, value_name = "PROTOCOL", env = "ULLAGE_SNMP_PRIVACY_PROTOCOL")]
    privacy_protocol: Option<String>,
    /// The password that encrypts; better given in the environment
    #[arg(long, value_name = "PASSWORD", env = "ULLAGE_SNMP_PRIVACY_PASSWORD", hide_env_values = true)]
    privacy_password: Option<Secret>,
}

impl SnmpOptions {
    /// What the options say; a protocol without its password, or the other way round, is a fault.
    pub(super) fn row(&self) -> Result<CredentialRow, String> {
        let version =
            self.snmp.unwrap_or(if self.user.is_some() { SnmpVersion::V3 } else { SnmpVersion::V2c });
        if version != SnmpVersion::V3 {
            if self.user.is_some() {
                return Err("--user belongs to version 3: add --snmp v3, or leave the user out".to_owned());
            }
            let word = if version == SnmpVersion::V1 { "v1" } else { "v2c" };
            let community = self.community.as_ref().map_or("public", Secret::expose).to_owned();
            return Ok(CredentialRow {
                version: word.to_owned(),
                community: Some(community),
                ..CredentialRow::default()
            });
        }
        let Some(user) = self.user.clone() else {
            return Err("version 3 needs a user: add --user NAME".to_owned());
        };
        Ok(CredentialRow {
            version: "v3".to_owned(),
            user_name: Some(user),
            auth: pair("auth", self.auth_protocol.as_ref(), self.auth_password.as_ref(), "sha256")?,
            privacy: pair(
                "privacy",
                self.privacy_protocol.as_ref(),
                self.privacy_password.as_ref(),
                "aes128",
            )?,
            ..CredentialRow::default()
        })
    }
}

fn pair(
    which: &str,
    protocol: Option<&String>,
    password: Option<&Secret>,
    usual: &str,
) -> Result<Option<(String, String)>, String> {
    match (protocol, password) {
        (None, None) => Ok(None),
        (Some(_), None) => Err(format!("--{which}-protocol needs --{which}-password as well")),
        (protocol, Some(password)) => {
            Ok(Some((protocol.map_or(usual, String::as_str).to_owned(), password.expose().to_owned())))
        }
    }
}
