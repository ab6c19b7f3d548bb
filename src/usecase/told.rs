//! Who is told of alerts, and what became of the messages: the page of that, and its forms.

use jiff::Timestamp;

use super::view::ToldView;
use crate::domain::alert::recipient::{Recipient, Route};
use crate::domain::ids::RecipientId;
use crate::store::{Result, Store, StoreError};

/// How many messages the page shows.
const MESSAGES: i64 = 100;

/// Why somebody is not told from now on.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum ToldRefused {
    /// The name is in use.
    #[error("{0}")]
    NameTaken(String),
    /// Nothing can be sent there.
    #[error("{0}")]
    Address(String),
    /// There is nobody of that number.
    #[error("they are told nothing any more: somebody removed them in the meantime")]
    NoSuchRecipient,
}

/// The page of those who are told.
///
/// # Errors
/// If the store cannot be reached.
pub async fn told(store: &Store, mail_is_set: bool, calls_are_signed: bool) -> Result<ToldView> {
    let devices = store.devices(None).await?.into_iter().map(|row| (row.id, row.name)).collect();
    Ok(ToldView {
        recipients: store.recipients().await?,
        devices,
        messages: store.messages(MESSAGES).await?,
        mail_is_set,
        calls_are_signed,
    })
}

/// Tells somebody from now on.
///
/// # Errors
/// If the store cannot be reached.
pub async fn add(
    store: &Store,
    recipient: &Recipient,
    now: Timestamp,
) -> Result<std::result::Result<RecipientId, ToldRefused>> {
    match store.add_recipient(recipient, now).await {
        Ok(id) => Ok(Ok(id)),
        Err(StoreError::Taken(text)) => Ok(Err(ToldRefused::NameTaken(text))),
        Err(StoreError::Keys(fault)) => Ok(Err(ToldRefused::Address(fault.to_string()))),
        Err(fault) => Err(fault),
    }
}

/// Adds a route to somebody's.
///
/// # Errors
/// If the store cannot be reached.
pub async fn add_route(
    store: &Store,
    id: RecipientId,
    route: Route,
) -> Result<std::result::Result<(), ToldRefused>> {
    Ok(if store.add_route(id, route).await? { Ok(()) } else { Err(ToldRefused::NoSuchRecipient) })
}
