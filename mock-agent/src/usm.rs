//! The user-based security model (RFC 3414, 3826, 7860): keys, authentication and privacy.

use std::collections::HashMap;
use std::sync::{Mutex, OnceLock};

use aes::{Aes128, Aes192, Aes256};
use cbc::cipher::block_padding::NoPadding;
use cbc::cipher::{BlockDecryptMut, BlockEncryptMut, KeyIvInit};
use cfb_mode::cipher::AsyncStreamCipher;
use des::Des;
use hmac::{Hmac, Mac};
use md5::Md5;
use serde::Deserialize;
use sha1::Sha1;
use sha2::{Digest, Sha224, Sha256, Sha384, Sha512};

/// Authentication protocols.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Deserialize)]
pub enum Auth {
    /// HMAC-MD5-96 (RFC 3414).
    #[serde(rename = "md5")]
    Md5,
    /// HMAC-SHA-96 (RFC 3414).
    #[serde(rename = "sha-1")]
    Sha1,
    /// HMAC-128-SHA-224 (RFC 7860).
    #[serde(rename = "sha-224")]
    Sha224,
    /// HMAC-192-SHA-256 (RFC 7860).
    #[serde(rename = "sha-256")]
    Sha256,
    /// HMAC-256-SHA-384 (RFC 7860).
    #[serde(rename = "sha-384")]
    Sha384,
    /// HMAC-384-SHA-512 (RFC 7860).
    #[serde(rename = "sha-512")]
    Sha512,
}

/// Privacy protocols.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Deserialize)]
pub enum Privacy {
    /// CBC-DES (RFC 3414).
    #[serde(rename = "des")]
    Des,
    /// CFB128-AES-128 (RFC 3826).
    #[serde(rename = "aes-128")]
    Aes128,
    /// AES-192 with the key extension of draft-blumenthal-aes-usm.
    #[serde(rename = "aes-192")]
    Aes192,
    /// AES-256 with the key extension of draft-blumenthal-aes-usm.
    #[serde(rename = "aes-256")]
    Aes256,
}

/// A user of version 3.
#[derive(Debug, Clone, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct UserPlan {
    /// User name.
    pub name: String,
    /// How messages are authenticated; left out, they are not.
    pub auth: Option<Auth>,
    /// Password of the authentication, 8 characters or more.
    #[serde(default)]
    pub auth_password: String,
    /// How messages are encrypted; left out, they are not.
    pub privacy: Option<Privacy>,
    /// Password of the privacy, 8 characters or more.
    #[serde(default)]
    pub privacy_password: String,
}

impl UserPlan {
    pub(crate) fn check(&self) -> Result<(), &'static str> {
        if self.name.is_empty() || self.name.len() > 32 {
            return Err("the name must have 1 to 32 bytes");
        }
        if self.privacy.is_some() && self.auth.is_none() {
            return Err("privacy needs authentication too; add `auth` and `auth_password`");
        }
        // RFC 3414 section 11.2 wants passwords of eight characters at least.
        if self.auth.is_some() && self.auth_password.len() < 8 {
            return Err("`auth_password` must have 8 characters or more");
        }
        if self.privacy.is_some() && self.privacy_password.len() < 8 {
            return Err("`privacy_password` must have 8 characters or more");
        }
        Ok(())
    }

    /// The highest security level the user has: 0 none, 1 authenticated, 3 encrypted too.
    pub(crate) fn level(&self) -> u8 {
        u8::from(self.auth.is_some()) | (u8::from(self.privacy.is_some()) << 1)
    }
}

fn digest<D: Digest>(parts: &[&[u8]]) -> Vec<u8> {
    let mut hash = D::new();
    for part in parts {
        hash.update(part);
    }
    hash.finalize().to_vec()
}

/// Hashes the password, repeated to a mebibyte (RFC 3414 section A.2).
fn stretch<D: Digest>(password: &[u8]) -> Vec<u8> {
    const MEBIBYTE: usize = 1_048_576;
    if password.is_empty() {
        return digest::<D>(&[]);
    }
    // A block of whole repetitions keeps the number of hash calls small.
    let block: Vec<u8> = password.repeat(4096_usize.div_ceil(password.len()));
    let mut hash = D::new();
    let mut left = MEBIBYTE;
    while left > 0 {
        let count = left.min(block.len());
        hash.update(&block[..count]);
        left -= count;
    }
    hash.finalize().to_vec()
}

macro_rules! sign {
    ($hash:ty, $key:expr, $message:expr) => {
        match <Hmac<$hash> as Mac>::new_from_slice($key) {
            Ok(mut mac) => {
                mac.update($message);
                mac.finalize().into_bytes().to_vec()
            }
            // HMAC takes keys of every length; the library's signature allows for others.
            Err(_) => Vec::new(),
        }
    };
}

impl Auth {
    /// The word for it, as in a scenario.
    pub fn word(self) -> &'static str {
        match self {
            Self::Md5 => "md5",
            Self::Sha1 => "sha-1",
            Self::Sha224 => "sha-224",
            Self::Sha256 => "sha-256",
            Self::Sha384 => "sha-384",
            Self::Sha512 => "sha-512",
        }
    }

    /// Bytes of a message's authentication parameters.
    pub fn mac_length(self) -> usize {
        match self {
            Self::Md5 | Self::Sha1 => 12,
            Self::Sha224 => 16,
            Self::Sha256 => 24,
            Self::Sha384 => 32,
            Self::Sha512 => 48,
        }
    }

    fn hash(self, parts: &[&[u8]]) -> Vec<u8> {
        match self {
            Self::Md5 => digest::<Md5>(parts),
            Self::Sha1 => digest::<Sha1>(parts),
            Self::Sha224 => digest::<Sha224>(parts),
            Self::Sha256 => digest::<Sha256>(parts),
            Self::Sha384 => digest::<Sha384>(parts),
            Self::Sha512 => digest::<Sha512>(parts),
        }
    }

    /// The key of a password before it is bound to an engine (Ku); kept, because it costs milliseconds.
    pub fn password_key(self, password: &str) -> Vec<u8> {
        type Keys = HashMap<(Auth, String), Vec<u8>>;
        static KEYS: OnceLock<Mutex<Keys>> = OnceLock::new();
        let keys = KEYS.get_or_init(Mutex::default);
        let name = (self, password.to_owned());
        if let Some(key) = keys.lock().ok().and_then(|keys| keys.get(&name).cloned()) {
            return key;
        }
        let bytes = password.as_bytes();
        let key = match self {
            Self::Md5 => stretch::<Md5>(bytes),
            Self::Sha1 => stretch::<Sha1>(bytes),
            Self::Sha224 => stretch::<Sha224>(bytes),
            Self::Sha256 => stretch::<Sha256>(bytes),
            Self::Sha384 => stretch::<Sha384>(bytes),
            Self::Sha512 => stretch::<Sha512>(bytes),
        };
        if let Ok(mut keys) = keys.lock() {
            keys.insert(name, key.clone());
        }
        key
    }

    /// The key of a password at one engine (Kul, RFC 3414 section 2.6).
    pub fn localized_key(self, password: &str, engine_id: &[u8]) -> Vec<u8> {
        let key = self.password_key(password);
        self.hash(&[&key, engine_id, &key])
    }

    /// The authentication parameters of a message in which they are all zero.
    pub fn sign(self, key: &[u8], message: &[u8]) -> Vec<u8> {
        let mut mac = match self {
            Self::Md5 => sign!(Md5, key, message),
            Self::Sha1 => sign!(Sha1, key, message),
            Self::Sha224 => sign!(Sha224, key, message),
            Self::Sha256 => sign!(Sha256, key, message),
            Self::Sha384 => sign!(Sha384, key, message),
            Self::Sha512 => sign!(Sha512, key, message),
        };
        mac.truncate(self.mac_length());
        mac
    }
}

impl Privacy {
    /// The word for it, as in a scenario.
    pub fn word(self) -> &'static str {
        match self {
            Self::Des => "des",
            Self::Aes128 => "aes-128",
            Self::Aes192 => "aes-192",
            Self::Aes256 => "aes-256",
        }
    }

    fn key_length(self) -> usize {
        match self {
            Self::Des | Self::Aes128 => 16,
            Self::Aes192 => 24,
            Self::Aes256 => 32,
        }
    }

    /// The privacy key of a password at one engine, extended where the hash is too short (each time by
    /// the hash of all there is: draft-blumenthal-aes-usm).
    pub fn localized_key(self, auth: Auth, password: &str, engine_id: &[u8]) -> Vec<u8> {
        let mut key = auth.localized_key(password, engine_id);
        while key.len() < self.key_length() {
            let more = auth.hash(&[&key]);
            key.extend(more);
        }
        key.truncate(self.key_length());
        key
    }

    /// Encrypts a scoped PDU; `counter` makes the salt unique.
    pub fn encrypt(
        self,
        key: &[u8],
        boots: u32,
        time: u32,
        counter: u64,
        plain: &[u8],
    ) -> (Vec<u8>, Vec<u8>) {
        let mut data = plain.to_vec();
        let salt = match self {
            Self::Des => [boots.to_be_bytes(), (counter as u32).to_be_bytes()].concat(),
            _ => counter.to_be_bytes().to_vec(),
        };
        if self == Self::Des {
            data.resize(plain.len().next_multiple_of(8), 0);
            let length = data.len();
            if let Some(iv) = des_iv(key, &salt)
                && let Ok(cipher) = cbc::Encryptor::<Des>::new_from_slices(&key[..8], &iv)
            {
                // NoPadding fails only on a length that is no multiple of eight.
                let _ = cipher.encrypt_padded_mut::<NoPadding>(&mut data, length);
            }
        } else {
            self.aes(key, boots, time, &salt, &mut data, true);
        }
        (data, salt)
    }

    /// Decrypts a scoped PDU; `None` when the salt or the length cannot be right.
    pub fn decrypt(self, key: &[u8], boots: u32, time: u32, salt: &[u8], data: &[u8]) -> Option<Vec<u8>> {
        if salt.len() != 8 {
            return None;
        }
        let mut data = data.to_vec();
        if self == Self::Des {
            let iv = des_iv(key, salt)?;
            let cipher = cbc::Decryptor::<Des>::new_from_slices(key.get(..8)?, &iv).ok()?;
            cipher.decrypt_padded_mut::<NoPadding>(&mut data).ok()?;
        } else {
            self.aes(key, boots, time, salt, &mut data, false);
        }
        Some(data)
    }

    fn aes(self, key: &[u8], boots: u32, time: u32, salt: &[u8], data: &mut [u8], encrypt: bool) {
        let iv = [&boots.to_be_bytes(), &time.to_be_bytes(), salt].concat();
        macro_rules! run {
            ($cipher:ty) => {
                if encrypt {
                    if let Ok(cipher) = cfb_mode::Encryptor::<$cipher>::new_from_slices(key, &iv) {
                        cipher.encrypt(data);
                    }
                } else if let Ok(cipher) = cfb_mode::Decryptor::<$cipher>::new_from_slices(key, &iv) {
                    cipher.decrypt(data);
                }
            };
        }
        match self {
            Self::Des => (),
            Self::Aes128 => run!(Aes128),
            Self::Aes192 => run!(Aes192),
            Self::Aes256 => run!(Aes256),
        }
    }
}

/// The second half of a DES key, mixed with the salt (RFC 3414 section 8.1.1.1).
fn des_iv(key: &[u8], salt: &[u8]) -> Option<Vec<u8>> {
    let before = key.get(8..16)?;
    Some(before.iter().zip(salt).map(|(a, b)| a ^ b).collect())
}

#[cfg(test)]
#[path = "usm_tests.rs"]
mod tests;
