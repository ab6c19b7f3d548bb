//! Who may come in, and what they may do: an administrator says.

use jiff::Timestamp;

use super::{Key, LINK_LASTS, Result};
use crate::domain::access::Role;
use crate::domain::ids::PersonId;
use crate::store::{Store, StoreError};

/// Why something about a person is not done.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Refusal {
    /// The name is empty or too long.
    #[error("write a name of 80 letters or fewer")]
    Name,
    /// The name is in use.
    #[error("{0}")]
    Taken(String),
    /// Nobody of that number may come in.
    #[error("there is nobody of that number; they may have been retired")]
    Nobody,
    /// Nobody would be left who may say who comes in.
    #[error("{0} is the only administrator; make somebody else one first")]
    Last(String),
}

/// Lets somebody in from now on, by a link that is good once.
///
/// # Errors
/// If the store cannot be reached.
pub async fn add(
    store: &Store,
    name: &str,
    role: Role,
    now: Timestamp,
) -> Result<std::result::Result<Key, Refusal>> {
    let name = name.trim();
    if name.is_empty() || name.chars().count() > 80 {
        return Ok(Err(Refusal::Name));
    }
    let key = Key::fresh()?;
    let mut work = store.begin().await?;
    let person = match Store::add_person(&mut work, name, role, now).await {
        Ok(person) => person,
        Err(StoreError::Taken(why)) => return Ok(Err(Refusal::Taken(why))),
        Err(fault) => return Err(fault.into()),
    };
    Store::put_link(&mut work, &key.hash(), Some(person), until(now)).await?;
    work.commit().await.map_err(StoreError::from)?;
    Ok(Ok(key))
}

/// Makes the link by which the first administrator comes in, unless somebody may come in already.
///
/// # Errors
/// If the store cannot be reached.
pub async fn first_link(store: &Store, now: Timestamp) -> Result<Option<Key>> {
    if store.has_people().await? {
        return Ok(None);
    }
    let key = Key::fresh()?;
    let mut work = store.begin().await?;
    Store::put_link(&mut work, &key.hash(), None, until(now)).await?;
    work.commit().await.map_err(StoreError::from)?;
    Ok(Some(key))
}

/// Makes a link by which somebody chooses another password. Until they do, the present one is good.
///
/// # Errors
/// If the store cannot be reached.
pub async fn link(
    store: &Store,
    person: PersonId,
    now: Timestamp,
) -> Result<std::result::Result<(String, Key), Refusal>> {
    let key = Key::fresh()?;
    let mut work = store.begin().await?;
    let Some((name, ..)) = Store::hold_person(&mut work, person).await? else {
        return Ok(Err(Refusal::Nobody));
    };
    Store::put_link(&mut work, &key.hash(), Some(person), until(now)).await?;
    work.commit().await.map_err(StoreError::from)?;
    Ok(Ok((name, key)))
}

/// Gives somebody another role. There is always an administrator. Their visits go on, with the new role from the
/// next request on.
///
/// # Errors
/// If the store cannot be reached.
pub async fn change_role(
    store: &Store,
    person: PersonId,
    role: Role,
) -> Result<std::result::Result<String, Refusal>> {
    let mut work = store.begin().await?;
    let name = match hold(&mut work, person, role < Role::Administrator).await? {
        Ok(name) => name,
        Err(refusal) => return Ok(Err(refusal)),
    };
    Store::set_role(&mut work, person, role).await?;
    work.commit().await.map_err(StoreError::from)?;
    Ok(Ok(name))
}

/// Lets somebody in no longer; their visits, tokens and links end at once.
///
/// # Errors
/// If the store cannot be reached.
pub async fn retire(
    store: &Store,
    person: PersonId,
    now: Timestamp,
) -> Result<std::result::Result<String, Refusal>> {
    let mut work = store.begin().await?;
    let name = match hold(&mut work, person, true).await? {
        Ok(name) => name,
        Err(refusal) => return Ok(Err(refusal)),
    };
    Store::retire_person(&mut work, person, now).await?;
    work.commit().await.map_err(StoreError::from)?;
    Ok(Ok(name))
}

/// The name of somebody, held; refused where an administrator goes and no other is left.
async fn hold(
    work: &mut crate::store::Work,
    person: PersonId,
    goes: bool,
) -> Result<std::result::Result<String, Refusal>> {
    Ok(match Store::hold_person(work, person).await? {
        None => Err(Refusal::Nobody),
        Some((name, Role::Administrator, 1)) if goes => Err(Refusal::Last(name)),
        Some((name, ..)) => Ok(name),
    })
}

fn until(now: Timestamp) -> (Timestamp, Timestamp) {
    (now, now.checked_add(LINK_LASTS).unwrap_or(Timestamp::MAX))
}
