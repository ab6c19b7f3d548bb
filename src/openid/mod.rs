//! Sign-in by a provider of OpenID Connect Core 1.0: the authorization code flow with PKCE (RFC 7636).
//!
//! A [`ticket`] ties the way out to the browser that took it, [`provider`] asks the provider, [`jws`] looks at its
//! signature, [`claims`] at what it says. Who that is here, and what they may do, is `usecase::access::openid`'s.

pub mod claims;
pub mod jws;
pub mod provider;
pub mod ticket;

use claims::Doubt;

/// Why nobody comes in by the provider.
#[derive(Debug, thiserror::Error)]
pub enum Fault {
    /// The browser carries nothing that was given to it for this, or it was used, or is too old.
    #[error("this sign-in is used up, too old, or was begun in another browser; begin again")]
    Stale,
    /// Too many are on their way in.
    #[error("too many people are coming in at this moment; try again in a minute")]
    Busy,
    /// The provider said no; an error code of RFC 6749 or of the provider's own.
    #[error("the provider did not let you in, and says {0}")]
    Refused(String),
    /// The provider does not answer, or not as it has to.
    #[error("the provider could not be asked; the log says why. Try again in a minute")]
    Unreachable(String),
    /// What it answered is not believed.
    #[error("what the provider says of you is not believed: {0}")]
    Doubted(#[from] Doubt),
    /// The system has no randomness to give.
    #[error(transparent)]
    Random(#[from] crate::usecase::access::NoRandomness),
}

impl Fault {
    /// The fault with what is for the log alone.
    #[must_use]
    pub fn in_full(&self) -> String {
        match self {
            Self::Unreachable(why) => format!("the provider could not be asked: {why}"),
            other => other.to_string(),
        }
    }
}
