//! Who is let in: by password, by a link that is good once, by a token of a program.

mod key;
pub mod openid;
pub mod own;
mod password;
pub mod people;

use std::net::IpAddr;

use jiff::{SignedDuration, Timestamp};
use sha2::{Digest, Sha256};
use tracing::warn;

pub use key::{Key, NoRandomness};
pub use password::HashFault;

use crate::actor::{Actor, acting};
use crate::domain::access::{BadPassword, Limits, Password, Role, Tries};
use crate::domain::ids::PersonId;
use crate::store::{Store, StoreError};

/// How long a link is good.
pub const LINK_LASTS: SignedDuration = SignedDuration::from_hours(48);
/// Somebody is in so many times at once, and no more.
const VISITS_AT_ONCE: i64 = 64;
/// A visit is written down as seen no more often than this.
const SEEN_EVERY: SignedDuration = SignedDuration::from_mins(1);

/// What can go wrong that is nobody's fault.
#[derive(Debug, thiserror::Error)]
pub enum AccessError {
    /// The store.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// The hash of a password.
    #[error(transparent)]
    Hash(#[from] HashFault),
    /// Randomness.
    #[error(transparent)]
    Random(#[from] NoRandomness),
}

/// The result of such a call.
pub type Result<T> = std::result::Result<T, AccessError>;

/// Why somebody is not let in.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum NoEntry {
    /// Name and password do not belong together, or there is no such name: nobody is told which.
    Wrong,
    /// Too many have failed; so long until the next try.
    Slow(SignedDuration),
}

/// Somebody who is in.
#[derive(Debug, Clone)]
pub struct Visit {
    /// Its number.
    pub session: i64,
    /// Who acts.
    pub actor: Actor,
    /// What the browser carries from now on, if that has just changed.
    pub next: Option<Key>,
}

/// Where somebody comes in from.
#[derive(Debug, Clone, Default)]
pub struct Door {
    /// The address, if it tells people apart: not that of a proxy.
    pub address: Option<IpAddr>,
    /// What the browser says of itself.
    pub agent: String,
}

/// Lets somebody in by name and password, or says why not.
///
/// # Errors
/// If the store cannot be reached.
pub async fn enter(
    store: &Store,
    (name, password): (&str, Password),
    door: &Door,
    (limits, now): (Limits, Timestamp),
) -> Result<std::result::Result<Key, NoEntry>> {
    let name_key = format!("name {}", hexadecimal(&Sha256::digest(name.to_lowercase())));
    let mut keys = vec![(name_key, Tries::FREE_UNDER_A_NAME)];
    keys.extend(door.address.map(|address| (format!("address {address}"), Tries::FREE_FROM_AN_ADDRESS)));
    let mut tries = Vec::new();
    for (key, free) in keys {
        let so_far = store.tries(&key).await?;
        let wait = so_far.wait(free, now);
        if wait > SignedDuration::ZERO {
            return Ok(Err(NoEntry::Slow(wait)));
        }
        tries.push((key, so_far));
    }
    let found = store.person_named(name).await?;
    let hash = found.as_ref().and_then(|(_, _, hash)| hash.clone());
    let right = password::matches(password, hash).await?;
    let Some((person, ..)) = found.filter(|_| right) else {
        // What was typed is left out: people write their password into the wrong field.
        warn!(address = ?door.address, "somebody was not let in: name and password do not belong together");
        for (key, so_far) in tries {
            store.put_tries(&key, so_far.failed(now), now).await?;
        }
        return Ok(Err(NoEntry::Wrong));
    };
    // The failures of an address stay: one good name among many guesses excuses nothing.
    store.forget_tries(&tries[0].0).await?;
    Ok(Ok(begin(store, person, door, (limits, now)).await?))
}

/// Lets somebody in whom the server in front names; `None` if nobody of that name may come in.
///
/// # Errors
/// If the store cannot be reached.
pub async fn enter_by_front(
    store: &Store,
    name: &str,
    door: &Door,
    lasting: (Limits, Timestamp),
) -> Result<Option<Key>> {
    let Some((person, ..)) = store.person_named(name).await? else { return Ok(None) };
    Ok(Some(begin(store, person, door, lasting).await?))
}

/// Begins a visit, and throws away those that are over.
async fn begin(
    store: &Store,
    person: PersonId,
    door: &Door,
    (limits, now): (Limits, Timestamp),
) -> Result<Key> {
    let key = Key::fresh()?;
    let agent: String = door.agent.chars().filter(|c| !c.is_control()).take(200).collect();
    let before = |span| now.checked_sub(span).unwrap_or(Timestamp::MIN);
    let mut work = store.begin().await?;
    Store::sweep_sessions(&mut work, before(limits.at_most), before(limits.idle)).await?;
    Store::begin_session(&mut work, person, &key.hash(), &agent, now).await?;
    Store::end_crowded_sessions(&mut work, person, VISITS_AT_ONCE).await?;
    work.commit().await.map_err(StoreError::from)?;
    Ok(key)
}

/// Who is in by what a browser carries. Now and then it is given something new to carry.
///
/// # Errors
/// If the store cannot be reached.
pub async fn visit(store: &Store, held: &Key, (limits, now): (Limits, Timestamp)) -> Result<Option<Visit>> {
    let Some(found) = store.session(&held.hash()).await? else { return Ok(None) };
    let overdue = found.by_previous && now.duration_since(found.turned_at) >= Limits::GRACE;
    if overdue || !limits.last(found.begun_at, found.seen_at, now) {
        return Ok(None);
    }
    if now.duration_since(found.seen_at) >= SEEN_EVERY {
        store.touch_session(found.id, now).await?;
    }
    let mut next = None;
    if !found.by_previous && now.duration_since(found.turned_at) >= Limits::TURN {
        let fresh = Key::fresh()?;
        if store.turn_session(found.id, (&held.hash(), &fresh.hash()), now).await? {
            next = Some(fresh);
        }
    }
    let actor = Actor::person(found.person, &found.name, found.role).with_form_key(found.form_key);
    Ok(Some(Visit { session: found.id, actor, next }))
}

/// Who a program comes in for.
///
/// # Errors
/// If the store cannot be reached.
pub async fn program(store: &Store, token: &Key, now: Timestamp) -> Result<Option<Actor>> {
    let found = store.access_by_token(&token.hash(), now).await?;
    Ok(found.map(|(person, name, role)| Actor::person(person, &name, role)))
}

/// Why a password was not taken.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum NotChosen {
    /// The link is used up or too old.
    #[error("this link has been used or is too old; ask an administrator for another")]
    Stale,
    /// The first administrator needs a name.
    #[error("write a name of 80 letters or fewer")]
    Name,
    /// The name is in use.
    #[error("{0}")]
    Taken(String),
    /// The password is no good.
    #[error(transparent)]
    Password(#[from] BadPassword),
    /// The present password is another.
    #[error("this is not the password that you come in with now")]
    Old,
}

/// Takes the password that somebody chose by a link, and lets them in. `name` is for the first administrator, who has
/// none yet.
///
/// # Errors
/// If the store cannot be reached.
pub async fn choose_by_link(
    store: &Store,
    link: &Key,
    (name, password): (&str, &str),
    door: &Door,
    (limits, now): (Limits, Timestamp),
) -> Result<std::result::Result<Key, NotChosen>> {
    let Some(whose) = store.link(&link.hash(), now).await? else { return Ok(Err(NotChosen::Stale)) };
    let called = whose.as_ref().map_or(name.trim(), |(_, name)| name);
    if called.is_empty() || called.chars().count() > 80 {
        return Ok(Err(NotChosen::Name));
    }
    let password = match Password::chosen(password, called) {
        Ok(password) => password,
        Err(bad) => return Ok(Err(bad.into())),
    };
    let hash = password::hash(password).await?;
    // Whoever has the link is whoever it is for, and what they change is theirs.
    let actor = Actor::unnamed(&format!("{called}, by a link"));
    let person = whose.as_ref().map(|(person, _)| *person);
    let used = acting(actor, use_up(store, link, (person, called), (&hash, now)));
    match used.await? {
        Ok(person) => Ok(Ok(begin(store, person, door, (limits, now)).await?)),
        Err(refusal) => Ok(Err(refusal)),
    }
}

/// Uses a link up and sets the password, in one transaction.
async fn use_up(
    store: &Store,
    link: &Key,
    (whose, called): (Option<PersonId>, &str),
    (hash, now): (&str, Timestamp),
) -> Result<std::result::Result<PersonId, NotChosen>> {
    let mut work = store.begin().await?;
    if !Store::use_link(&mut work, &link.hash(), now).await? {
        return Ok(Err(NotChosen::Stale));
    }
    let person = match whose {
        Some(person) => person,
        None => match Store::add_person(&mut work, called, Role::Administrator, now).await {
            Ok(person) => person,
            Err(StoreError::Taken(why)) => return Ok(Err(NotChosen::Taken(why))),
            Err(fault) => return Err(fault.into()),
        },
    };
    Store::set_password(&mut work, person, hash).await?;
    // Whoever was in by the old password is out.
    Store::end_sessions(&mut work, person, None).await?;
    work.commit().await.map_err(StoreError::from)?;
    Ok(Ok(person))
}

/// Changes the password of somebody who is in; their other visits end.
///
/// # Errors
/// If the store cannot be reached.
pub async fn change_password(
    store: &Store,
    (person, name): (PersonId, &str),
    session: i64,
    (old, new): (Password, &str),
) -> Result<std::result::Result<(), NotChosen>> {
    let hash = store.person_named(name).await?.and_then(|(_, _, hash)| hash);
    if !password::matches(old, hash).await? {
        return Ok(Err(NotChosen::Old));
    }
    let chosen = match Password::chosen(new, name) {
        Ok(chosen) => chosen,
        Err(bad) => return Ok(Err(bad.into())),
    };
    let hash = password::hash(chosen).await?;
    let mut work = store.begin().await?;
    Store::set_password(&mut work, person, &hash).await?;
    Store::end_sessions(&mut work, person, Some(session)).await?;
    work.commit().await.map_err(StoreError::from)?;
    Ok(Ok(()))
}

fn hexadecimal(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}
