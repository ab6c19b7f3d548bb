//! What opens a door: random, shown once, kept as a hash.

use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use sha2::{Digest, Sha256};

/// 32 random bytes that a browser, a program or a link carries.
#[derive(Clone, PartialEq, Eq)]
pub struct Key([u8; 32]);

/// The system has no randomness to give; nothing secret can be made.
#[derive(Debug, thiserror::Error)]
#[error("the system gives no random bytes: {0}")]
pub struct NoRandomness(getrandom::Error);

impl Key {
    /// A new one.
    ///
    /// # Errors
    /// If the system has no randomness to give.
    pub fn fresh() -> Result<Self, NoRandomness> {
        let mut bytes = [0; 32];
        getrandom::fill(&mut bytes).map_err(NoRandomness)?;
        Ok(Self(bytes))
    }

    /// From the letters that [`Key::letters`] gives.
    #[must_use]
    pub fn from_letters(letters: &str) -> Option<Self> {
        let bytes = URL_SAFE_NO_PAD.decode(letters).ok()?;
        bytes.try_into().ok().map(Self)
    }

    /// 43 letters that fit into an address and a cookie.
    #[must_use]
    pub fn letters(&self) -> String {
        URL_SAFE_NO_PAD.encode(self.0)
    }

    /// What is kept of it. It is long and random, so that a plain SHA-256 cannot be guessed back.
    #[must_use]
    pub fn hash(&self) -> [u8; 32] {
        Sha256::digest(self.0).into()
    }

    /// The bytes, where they are not kept as a hash: the salt of a password.
    #[must_use]
    pub fn bytes(&self) -> &[u8; 32] {
        &self.0
    }
}

impl std::fmt::Debug for Key {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Key(…)")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_key_comes_back_from_its_letters_and_is_never_shown() {
        let key = Key::fresh().unwrap();
        assert_eq!(Key::from_letters(&key.letters()).unwrap(), key);
        assert_eq!(key.letters().len(), 43);
        assert_ne!(Key::fresh().unwrap(), key);
        assert_eq!(format!("{key:?}"), "Key(…)");
        for other in ["", "x", &key.letters()[..42], &format!("{}A", key.letters())] {
            assert!(Key::from_letters(other).is_none(), "{other}");
        }
    }
}
