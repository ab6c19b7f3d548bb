//! Passwords are kept as argon2id, with a salt each.
//!
//! 19 MiB, two passes, one lane: the least that the OWASP Password Storage Cheat Sheet names for argon2id, and what
//! the crate takes by itself. At most two are worked out at once, off the threads that serve pages, so that a flood
//! of entries costs a few cores' worth of time and 38 MiB at most.

use argon2::Argon2;
use argon2::password_hash::{PasswordHash, PasswordHasher as _, PasswordVerifier as _, SaltString};
use tokio::sync::Semaphore;

use super::Key;
use crate::domain::access::Password;

static TURNS: Semaphore = Semaphore::const_new(2);

/// A hash of nobody's password: it is compared with where there is no such person, so that the answer takes as long.
const NOBODYS: &str =
    "$argon2id$v=19$m=19456,t=2,p=1$bm9ib2R5IGlzIGhvbWU$Qwyrb0UdGTR+Q8UTa4yAaLtULkZUQKVWAXfqNbMNFz4";

/// Something about a hash failed that is nobody's fault.
#[derive(Debug, thiserror::Error)]
#[error("a password could not be worked out: {0}")]
pub struct HashFault(String);

/// The hash of a password, as a PHC string.
///
/// # Errors
/// If the system has no randomness or no memory to give.
pub(super) async fn hash(password: Password) -> Result<String, HashFault> {
    let key = Key::fresh().map_err(|fault| HashFault(fault.to_string()))?;
    let salt = SaltString::encode_b64(&key.bytes()[..16]).map_err(|fault| HashFault(fault.to_string()))?;
    apart(move || {
        let made = Argon2::default().hash_password(password.letters().as_bytes(), &salt);
        made.map(|hash| hash.to_string()).map_err(|fault| HashFault(fault.to_string()))
    })
    .await?
}

/// Whether a password is the one of a hash. Where there is no hash it takes as long, and is not.
///
/// # Errors
/// If the hash cannot be read.
pub(super) async fn matches(password: Password, hash: Option<String>) -> Result<bool, HashFault> {
    apart(move || {
        let known = hash.is_some();
        let text = hash.unwrap_or_else(|| NOBODYS.to_owned());
        let hash = PasswordHash::new(&text).map_err(|fault| HashFault(fault.to_string()))?;
        let same = Argon2::default().verify_password(password.letters().as_bytes(), &hash).is_ok();
        Ok(same && known)
    })
    .await?
}

async fn apart<T: Send + 'static>(work: impl FnOnce() -> T + Send + 'static) -> Result<T, HashFault> {
    let _turn = TURNS.acquire().await.map_err(|fault| HashFault(fault.to_string()))?;
    tokio::task::spawn_blocking(work).await.map_err(|fault| HashFault(fault.to_string()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    async fn a_password_matches_its_hash_alone() {
        let typed = Password::typed;
        let made = hash(typed("four ink wells and a cask")).await.unwrap();
        assert!(made.starts_with("$argon2id$v=19$m=19456,t=2,p=1$"), "{made}");
        assert!(matches(typed("four ink wells and a cask"), Some(made.clone())).await.unwrap());
        assert!(!matches(typed("four ink wells and a task"), Some(made.clone())).await.unwrap());
        assert!(!matches(typed("nobody"), None).await.unwrap());
        assert_ne!(hash(typed("four ink wells and a cask")).await.unwrap(), made);
        assert!(PasswordHash::new(NOBODYS).is_ok());
    }
}
