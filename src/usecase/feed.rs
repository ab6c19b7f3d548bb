//! The feeds of tasks and alerts, and the secret in their addresses. It is shown once, when it is made; kept is its
//! SHA-256.

use jiff::Timestamp;
use sha2::{Digest, Sha256};

use crate::store::{Result, Store};

/// Makes a new secret, which takes the place of the one before it.
///
/// # Errors
/// If the store cannot be reached.
pub async fn renew(store: &Store, now: Timestamp) -> Result<String> {
    let secret = store.fresh_secret().await?;
    store.save_feed(&Sha256::digest(secret.as_bytes()), now).await?;
    Ok(secret)
}

/// Since when the feeds can be opened; `None` while they cannot.
///
/// # Errors
/// If the store cannot be reached.
pub async fn open_since(store: &Store) -> Result<Option<Timestamp>> {
    Ok(store.feed().await?.map(|(_, made_at)| made_at))
}

/// Whether a secret opens the feeds.
///
/// # Errors
/// If the store cannot be reached.
pub async fn opens(store: &Store, secret: &str) -> Result<bool> {
    let kept = store.feed().await?.map(|(digest, _)| digest);
    Ok(fits(kept.as_deref(), secret))
}

/// Takes as long whatever is asked with, and whether there is a secret or not.
fn fits(kept: Option<&[u8]>, secret: &str) -> bool {
    let asked = Sha256::digest(secret.as_bytes());
    let against = kept.unwrap_or(&[0; 32]);
    let differ = asked.iter().zip(against).fold(0, |differ, (a, b)| differ | (a ^ b));
    (differ == 0) & kept.is_some() & (against.len() == asked.len())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_the_secret_itself_fits_and_nothing_does_while_there_is_none() {
        let kept = Sha256::digest(b"beeswax and thread");
        assert!(fits(Some(&kept), "beeswax and thread"));
        for other in ["", "beeswax and threa", "beeswax and thread ", "Beeswax and thread"] {
            assert!(!fits(Some(&kept), other), "{other}");
            assert!(!fits(None, other), "{other}");
        }
        assert!(!fits(Some(&[]), "beeswax and thread") && !fits(Some(&kept[..31]), "beeswax and thread"));
    }
}
