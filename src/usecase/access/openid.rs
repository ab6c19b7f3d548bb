//! Who somebody is here whom a provider of OpenID Connect names, and what they may do.
//!
//! A provider's name for somebody may change hands; what it calls them itself, the subject, does not. So a name counts
//! once, when somebody first comes in by it, and the subject from then on.

use jiff::Timestamp;
use serde_json::Value;
use tracing::warn;

use super::{Door, Key, Result, begin};
use crate::actor::{Actor, acting};
use crate::config::openid::{OpenIdSettings, claim};
use crate::domain::access::{Limits, Role};
use crate::domain::ids::PersonId;
use crate::openid::provider::Somebody;
use crate::store::identities::Known;
use crate::store::{Store, StoreError, Work};

/// Why somebody whom the provider names is not let in.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum NotLetIn {
    /// The provider does not say what they are called.
    #[error("the provider does not say what you are called: its answer holds no {0} that can be used")]
    Nameless(String),
    /// Nobody of the name comes in here.
    #[error(
        "the provider says that you are “{0}”, and nobody of that name comes in here; an administrator can add it"
    )]
    Nobody(String),
    /// Somebody else at the provider comes in under the name.
    #[error(
        "the provider says that you are “{0}”, and somebody else of its people comes in under that name; an \
         administrator can have it forgotten who that was"
    )]
    Another(String),
    /// They were let in once.
    #[error("{0} comes in here no longer; an administrator can change that")]
    Retired(String),
    /// Nothing that the provider says gives a role.
    #[error("the provider says that you are “{0}”, and nothing that lets you in here")]
    Roleless(String),
    /// Nobody would be left who may say who comes in.
    #[error(
        "by what the provider says {0} would be {1}, and is the only administrator here; make somebody else one first"
    )]
    Last(String, Role),
}

/// Lets somebody in whom the provider names, or says why not.
///
/// # Errors
/// If the store cannot be reached.
pub async fn enter_by_provider(
    store: &Store,
    settings: &OpenIdSettings,
    somebody: &Somebody,
    door: &Door,
    (limits, now): (Limits, Timestamp),
) -> Result<std::result::Result<Key, NotLetIn>> {
    let named = name_of(settings, somebody);
    let shown = named.clone().unwrap_or_else(|_| "somebody".to_owned());
    // What is changed by coming in is theirs, as with a link.
    let actor = Actor::unnamed(&format!("{shown}, by OpenID Connect"));
    match acting(actor, admit(store, settings, somebody, (named, now))).await? {
        Ok(person) => Ok(Ok(begin(store, person, door, (limits, now)).await?)),
        Err(refusal) => {
            warn!(address = ?door.address, "somebody was not let in by the provider: {refusal}");
            Ok(Err(refusal))
        }
    }
}

/// Who it is, bound, with the role that they have from now on; in one transaction.
async fn admit(
    store: &Store,
    settings: &OpenIdSettings,
    somebody: &Somebody,
    (named, now): (std::result::Result<String, NotLetIn>, Timestamp),
) -> Result<std::result::Result<PersonId, NotLetIn>> {
    let mut work = store.begin().await?;
    let known = Store::known_by_provider(&mut work, &settings.issuer, &somebody.subject).await?;
    let person = match known.filter(|known| !known.retired) {
        Some(known) => given_role(&mut work, settings, somebody, known).await?,
        None => match named {
            Ok(name) => first_time(&mut work, settings, somebody, (&name, now)).await?,
            Err(nameless) => Err(nameless),
        },
    };
    if person.is_ok() {
        work.commit().await.map_err(StoreError::from)?;
    }
    Ok(person)
}

/// Somebody whom the provider names for the first time, or again after they were retired.
async fn first_time(
    work: &mut Work,
    settings: &OpenIdSettings,
    somebody: &Somebody,
    (name, now): (&str, Timestamp),
) -> Result<std::result::Result<PersonId, NotLetIn>> {
    let identity = (settings.issuer.as_str(), somebody.subject.as_str());
    let was = Store::known_by_provider(work, identity.0, identity.1).await?;
    let person = match (Store::known_by_name(work, identity.0, name).await?, &settings.roles) {
        (Some(known), _) if known.subject.is_some() => return Ok(Err(NotLetIn::Another(name.to_owned()))),
        (Some(known), _) => match given_role(work, settings, somebody, known).await? {
            Ok(person) => person,
            Err(refusal) => return Ok(Err(refusal)),
        },
        // Whoever was retired here stays out, whatever the provider says.
        (None, _) if was.is_some() => return Ok(Err(NotLetIn::Retired(name.to_owned()))),
        (None, None) => return Ok(Err(NotLetIn::Nobody(name.to_owned()))),
        (None, Some(roles)) => match roles.role(&somebody.claims) {
            None => return Ok(Err(NotLetIn::Roleless(name.to_owned()))),
            Some(role) => match Store::add_person(work, name, role, now).await {
                Ok(person) => person,
                Err(StoreError::Taken(_)) => return Ok(Err(NotLetIn::Another(name.to_owned()))),
                Err(fault) => return Err(fault.into()),
            },
        },
    };
    Store::bind_identity(work, person, identity, now).await?;
    Ok(Ok(person))
}

/// Gives somebody the role that the provider's word comes to, where it has one.
async fn given_role(
    work: &mut Work,
    settings: &OpenIdSettings,
    somebody: &Somebody,
    known: Known,
) -> Result<std::result::Result<PersonId, NotLetIn>> {
    let Some(roles) = &settings.roles else { return Ok(Ok(known.person)) };
    let Some(role) = roles.role(&somebody.claims) else { return Ok(Err(NotLetIn::Roleless(known.name))) };
    if role == known.role {
        return Ok(Ok(known.person));
    }
    if let Some((name, Role::Administrator, 1)) = Store::hold_person(work, known.person).await? {
        return Ok(Err(NotLetIn::Last(name, role)));
    }
    Store::set_role(work, known.person, role).await?;
    Ok(Ok(known.person))
}

/// What the provider calls somebody. An address counts only if the provider has made sure of it (Core 1.0, 5.1).
fn name_of(settings: &OpenIdSettings, somebody: &Somebody) -> std::result::Result<String, NotLetIn> {
    let is_address = settings.name_claim == "email";
    let sure = !is_address || somebody.claims.get("email_verified") == Some(&Value::Bool(true));
    let name = claim(&somebody.claims, &settings.name_claim).and_then(Value::as_str).map(str::trim);
    let fits = |name: &&str| (1..=80).contains(&name.chars().count()) && !name.contains(char::is_control);
    name.filter(|_| sure)
        .filter(fits)
        .map(str::to_owned)
        .ok_or_else(|| NotLetIn::Nameless(settings.name_claim.clone()))
}

/// Forgets what the provider calls somebody, so that whoever it names so next is them. `false` if nothing was known.
///
/// # Errors
/// If the store cannot be reached.
pub async fn forget(store: &Store, person: PersonId) -> Result<bool> {
    let mut work = store.begin().await?;
    let known = Store::forget_identities(&mut work, person).await?;
    Store::end_sessions(&mut work, person, None).await?;
    work.commit().await.map_err(StoreError::from)?;
    Ok(known)
}
