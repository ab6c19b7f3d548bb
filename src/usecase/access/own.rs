//! What somebody who is in may do about their own visits and programs.

use jiff::{SignedDuration, Timestamp};

use super::{Key, Result};
use crate::domain::access::{Limits, Role};
use crate::domain::ids::PersonId;
use crate::store::sessions::{AccessToken, Session};
use crate::store::{Store, StoreError};

/// The longest that a program's token is good, in days.
pub const TOKEN_DAYS: u32 = 366;

/// Somebody's visits and the tokens of their programs.
#[derive(Debug, Clone)]
pub struct OwnView {
    /// Those that still last, the latest first.
    pub sessions: Vec<Session>,
    /// Those that are good, by name.
    pub tokens: Vec<AccessToken>,
}

/// What somebody does about them.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum OwnAct {
    /// Ends the visit of a number.
    EndVisit(i64),
    /// Makes a token for a program.
    MakeToken {
        /// What it is called.
        name: String,
        /// What it allows; never more than the person may.
        role: Role,
        /// How long it is good.
        days: u32,
    },
    /// Ends the token of a number.
    Revoke(i64),
}

/// The visits and tokens of somebody.
///
/// # Errors
/// If the store cannot be reached.
pub async fn own(store: &Store, person: PersonId, (limits, now): (Limits, Timestamp)) -> Result<OwnView> {
    let mut sessions = store.sessions_of(person).await?;
    sessions.retain(|session| limits.last(session.begun_at, session.seen_at, now));
    Ok(OwnView { sessions, tokens: store.access_tokens_of(person, now).await? })
}

/// Does it; gives back the key of a token that was made.
///
/// # Errors
/// If the store cannot be reached.
pub async fn act(
    store: &Store,
    (person, role): (PersonId, Role),
    act: &OwnAct,
    now: Timestamp,
) -> Result<Option<Key>> {
    match act {
        OwnAct::EndVisit(id) => store.end_session(person, *id).await.map(|_| ())?,
        OwnAct::Revoke(id) => store.revoke_access_token(person, *id, now).await.map(|_| ())?,
        OwnAct::MakeToken { name, role: wanted, days } => {
            let key = Key::fresh()?;
            let ends = now
                .checked_add(SignedDuration::from_hours(24 * i64::from(*days.min(&TOKEN_DAYS))))
                .unwrap_or(Timestamp::MAX);
            let mut work = store.begin().await?;
            let what = (&key.hash(), name.as_str(), role.min(*wanted));
            Store::add_access_token(&mut work, person, what, (now, ends)).await?;
            work.commit().await.map_err(StoreError::from)?;
            return Ok(Some(key));
        }
    }
    Ok(None)
}
