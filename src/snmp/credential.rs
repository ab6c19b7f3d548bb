//! How a device lets itself be read: a community, or a user of the user-based security model.

use std::fmt;
use std::str::FromStr;

use super::pdu::Version;
pub use crate::domain::secret::Secret;

/// What is wrong with a credential, and what to write instead.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum CredentialError {
    /// The community is empty or too long.
    #[error(
        "a community has 1 to 255 octets, this has {0}: write the read community that is set in the device"
    )]
    Community(usize),
    /// The user name is empty or too long.
    #[error("an SNMPv3 user name has 1 to 32 octets, this has {0}: write the name that is set in the device")]
    UserName(usize),
    /// A password below the 8 octets that RFC 3414 §11.2 asks for; agents refuse it too.
    #[error(
        "the {which} password has {octets} octets, SNMPv3 asks for 8 at least: set a longer one in the device, then here"
    )]
    ShortPassword {
        /// `authentication` or `privacy`.
        which: &'static str,
        /// How long it is.
        octets: usize,
    },
    /// Privacy without authentication does not exist in SNMPv3.
    #[error(
        "privacy needs authentication: name an authentication protocol and its password as well, or leave the privacy out"
    )]
    PrivacyAlone,
    /// A protocol that is not known by this name.
    #[error("“{name}” is not a known {which} protocol: use one of {known}")]
    Protocol {
        /// `authentication` or `privacy`.
        which: &'static str,
        /// What was written.
        name: String,
        /// What can be written.
        known: &'static str,
    },
}

macro_rules! protocol {
    ($(#[$doc:meta])* $name:ident, $which:literal, $known:literal, { $($(#[$vdoc:meta])* $variant:ident = $word:literal),* $(,)? }) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
        pub enum $name {
            $($(#[$vdoc])* $variant,)*
        }

        impl $name {
            /// All of them, weakest first.
            pub const ALL: &'static [Self] = &[$(Self::$variant,)*];

            /// The word for it in settings.
            #[must_use]
            pub fn word(self) -> &'static str {
                match self { $(Self::$variant => $word,)* }
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str(self.word())
            }
        }

        impl FromStr for $name {
            type Err = CredentialError;

            fn from_str(text: &str) -> Result<Self, Self::Err> {
                let plain = |text: &str| -> String {
                    let letters = text.chars().filter(|c| !matches!(c, '-' | '_' | ' '));
                    letters.take(40).collect::<String>().to_ascii_lowercase()
                };
                let meant = plain(text);
                let known = Self::ALL.iter().find(|known| plain(known.word()) == meant);
                known.copied().ok_or_else(|| CredentialError::Protocol {
                    which: $which,
                    name: text.chars().take(40).collect(),
                    known: $known,
                })
            }
        }
    };
}

protocol!(
    /// How messages are signed.
    AuthProtocol, "authentication", "md5, sha1, sha224, sha256, sha384, sha512", {
        /// HMAC-MD5-96 (RFC 3414).
        Md5 = "md5",
        /// HMAC-SHA-96 (RFC 3414).
        Sha1 = "sha1",
        /// HMAC-SHA-224-128 (RFC 7860).
        Sha224 = "sha224",
        /// HMAC-SHA-256-192 (RFC 7860).
        Sha256 = "sha256",
        /// HMAC-SHA-384-256 (RFC 7860).
        Sha384 = "sha384",
        /// HMAC-SHA-512-384 (RFC 7860).
        Sha512 = "sha512",
    }
);

protocol!(
    /// How messages are encrypted. Where a key is too short for AES-192 or AES-256 it has to be lengthened,
    /// for which there are two ways in use and no RFC: see [`Extension`].
    PrivacyProtocol, "privacy", "des, aes128, aes192, aes256, aes192-reeder, aes256-reeder", {
        /// CBC-DES (RFC 3414).
        Des = "des",
        /// CFB128-AES-128 (RFC 3826).
        Aes128 = "aes128",
        /// CFB128-AES-192, keys lengthened as draft-blumenthal-aes-usm says.
        Aes192 = "aes192",
        /// CFB128-AES-256, keys lengthened as draft-blumenthal-aes-usm says.
        Aes256 = "aes256",
        /// CFB128-AES-192, keys lengthened as draft-reeder-snmpv3-usm-3desede says.
        Aes192Reeder = "aes192-reeder",
        /// CFB128-AES-256, keys lengthened as draft-reeder-snmpv3-usm-3desede says.
        Aes256Reeder = "aes256-reeder",
    }
);

/// How a key that is too short is lengthened.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Extension {
    /// By its hash: draft-blumenthal-aes-usm.
    Blumenthal,
    /// By taking it for a password: draft-reeder-snmpv3-usm-3desede.
    Reeder,
}

impl PrivacyProtocol {
    /// How long its key is, octets, and how a shorter one is lengthened.
    #[must_use]
    pub fn key(self) -> (usize, Extension) {
        match self {
            Self::Des | Self::Aes128 => (16, Extension::Blumenthal),
            Self::Aes192 => (24, Extension::Blumenthal),
            Self::Aes256 => (32, Extension::Blumenthal),
            Self::Aes192Reeder => (24, Extension::Reeder),
            Self::Aes256Reeder => (32, Extension::Reeder),
        }
    }
}

/// A user of the user-based security model (RFC 3414).
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub struct UsmUser {
    name: Box<str>,
    auth: Option<(AuthProtocol, Secret)>,
    privacy: Option<(PrivacyProtocol, Secret)>,
}

impl UsmUser {
    /// A user as set in the device. Neither protocol: noAuthNoPriv; only the first: authNoPriv; both: authPriv.
    ///
    /// # Errors
    /// Says what does not fit and what to write instead.
    pub fn new(
        name: &str,
        auth: Option<(AuthProtocol, Secret)>,
        privacy: Option<(PrivacyProtocol, Secret)>,
    ) -> Result<Self, CredentialError> {
        if name.is_empty() || name.len() > 32 {
            return Err(CredentialError::UserName(name.len()));
        }
        if privacy.is_some() && auth.is_none() {
            return Err(CredentialError::PrivacyAlone);
        }
        let long_enough = |which, secret: &Secret| match secret.expose().len() {
            8.. => Ok(()),
            octets => Err(CredentialError::ShortPassword { which, octets }),
        };
        if let Some((_, secret)) = &auth {
            long_enough("authentication", secret)?;
        }
        if let Some((_, secret)) = &privacy {
            long_enough("privacy", secret)?;
        }
        Ok(Self { name: name.into(), auth, privacy })
    }

    /// The user's name.
    #[must_use]
    pub fn name(&self) -> &str {
        &self.name
    }

    /// How messages are signed, and the password.
    #[must_use]
    pub fn auth(&self) -> Option<&(AuthProtocol, Secret)> {
        self.auth.as_ref()
    }

    /// How messages are encrypted, and the password.
    #[must_use]
    pub fn privacy(&self) -> Option<&(PrivacyProtocol, Secret)> {
        self.privacy.as_ref()
    }

    /// The standard's name for the security level.
    #[must_use]
    pub fn level(&self) -> &'static str {
        match (&self.auth, &self.privacy) {
            (None, _) => "noAuthNoPriv",
            (Some(_), None) => "authNoPriv",
            (Some(_), Some(_)) => "authPriv",
        }
    }
}

/// How a device lets itself be read.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub enum Credential {
    /// SNMPv1 with a community.
    V1 {
        /// The read community.
        community: Secret,
    },
    /// SNMPv2c with a community.
    V2c {
        /// The read community.
        community: Secret,
    },
    /// SNMPv3 with a user.
    V3(UsmUser),
}

impl Credential {
    /// SNMPv1 with a community.
    ///
    /// # Errors
    /// When the community is empty or longer than 255 octets.
    pub fn v1(community: &str) -> Result<Self, CredentialError> {
        checked_community(community).map(|community| Self::V1 { community })
    }

    /// SNMPv2c with a community.
    ///
    /// # Errors
    /// When the community is empty or longer than 255 octets.
    pub fn v2c(community: &str) -> Result<Self, CredentialError> {
        checked_community(community).map(|community| Self::V2c { community })
    }

    /// The version of SNMP to speak.
    #[must_use]
    pub fn version(&self) -> Version {
        match self {
            Self::V1 { .. } => Version::V1,
            Self::V2c { .. } => Version::V2c,
            Self::V3(_) => Version::V3,
        }
    }
}

fn checked_community(community: &str) -> Result<Secret, CredentialError> {
    match community.len() {
        1..=255 => Ok(Secret::new(community)),
        octets => Err(CredentialError::Community(octets)),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_secret_is_not_printed() {
        let user = UsmUser::new(
            "loft",
            Some((AuthProtocol::Sha256, Secret::new("velvet-curtain"))),
            Some((PrivacyProtocol::Aes128, Secret::new("painted-forest"))),
        )
        .unwrap();
        let shown = format!("{:?} {:?}", Credential::V3(user), Credential::v2c("backstage").unwrap());
        for secret in ["velvet", "painted", "backstage"] {
            assert!(!shown.contains(secret), "{shown}");
        }
    }

    #[test]
    fn what_cannot_work_is_refused_with_a_reason() {
        let auth = |text: &str| Some((AuthProtocol::Sha1, Secret::new(text)));
        let privacy = |text: &str| Some((PrivacyProtocol::Des, Secret::new(text)));
        let refused = |name: &str, a, p| UsmUser::new(name, a, p).unwrap_err();
        assert_eq!(refused("", None, None), CredentialError::UserName(0));
        assert_eq!(refused(&"x".repeat(33), None, None), CredentialError::UserName(33));
        assert_eq!(
            refused("loft", auth(""), None),
            CredentialError::ShortPassword { which: "authentication", octets: 0 }
        );
        assert_eq!(
            refused("loft", auth("12345678"), privacy("1234567")),
            CredentialError::ShortPassword { which: "privacy", octets: 7 }
        );
        assert_eq!(refused("loft", None, privacy("12345678")), CredentialError::PrivacyAlone);
        assert_eq!(Credential::v2c("").unwrap_err(), CredentialError::Community(0));
    }

    #[test]
    fn protocols_read_back_by_their_word_however_they_are_written() {
        for protocol in AuthProtocol::ALL {
            assert_eq!(protocol.word().parse::<AuthProtocol>().unwrap(), *protocol);
        }
        for protocol in PrivacyProtocol::ALL {
            assert_eq!(protocol.word().parse::<PrivacyProtocol>().unwrap(), *protocol);
        }
        assert_eq!("SHA-256".parse::<AuthProtocol>().unwrap(), AuthProtocol::Sha256);
        assert_eq!("AES_128".parse::<PrivacyProtocol>().unwrap(), PrivacyProtocol::Aes128);
        let said = "rot13".parse::<PrivacyProtocol>().unwrap_err().to_string();
        assert!(said.contains("aes256"), "{said}");
    }
}
