//! Between the door and the provider that people may come in by.

use tracing::{error, warn};

use super::StorePages;
use crate::config::openid::OpenIdSettings;
use crate::openid::Fault;
use crate::openid::provider::{Provider, Returned};
use crate::openid::ticket::Tickets;
use crate::site::access_source::{NotIn, ProviderDoor};
use crate::site::source::SourceError;
use crate::usecase::access::openid::enter_by_provider;
use crate::usecase::access::{Door, Key};

/// The provider, and who is on the way there.
#[derive(Debug)]
pub(super) struct OpenId {
    provider: Provider,
    tickets: Tickets,
}

impl OpenId {
    /// By the settings; nothing, and told in the log, where the system has no randomness to give.
    pub(super) fn new(settings: OpenIdSettings) -> Option<Self> {
        match Tickets::new() {
            Ok(tickets) => Some(Self { provider: Provider::new(settings), tickets }),
            Err(fault) => {
                error!("nobody can come in by the provider: {fault}");
                None
            }
        }
    }

    fn door(&self) -> ProviderDoor {
        let OpenIdSettings { label, pages, .. } = self.provider.settings();
        ProviderDoor { label: label.clone(), pages: pages.clone() }
    }
}

impl StorePages {
    pub(super) fn provider_door(&self) -> Option<ProviderDoor> {
        self.0.door.openid.as_ref().map(OpenId::door)
    }

    /// Where a browser is sent to, and what it carries.
    pub(super) async fn way_to_provider(&self, then: &str) -> Result<(String, String), Fault> {
        let Some(OpenId { provider, tickets }) = &self.0.door.openid else { return Err(Fault::Stale) };
        let (ticket, carried) = tickets.issue(then, self.0.clock.now())?;
        let there = provider.way_out(&ticket).await.inspect_err(|fault| warn!("{}", fault.in_full()))?;
        Ok((there, carried))
    }

    pub(super) async fn way_from_provider(
        &self,
        carried: &str,
        returned: &Returned,
        door: &Door,
    ) -> Result<Result<(Key, String), NotIn>, SourceError> {
        let Some(OpenId { provider, tickets }) = &self.0.door.openid else {
            return Ok(Err(Fault::Stale.into()));
        };
        let now = self.0.clock.now();
        let asked = async {
            let ticket = tickets.redeem(carried, &returned.state, now)?;
            let somebody = provider.somebody(&ticket, returned, now).await?;
            Ok::<_, Fault>((somebody, ticket.then))
        };
        let (somebody, then) = match asked.await {
            Ok(found) => found,
            Err(fault) => {
                warn!(address = ?door.address, "somebody did not come in by the provider: {}", fault.in_full());
                return Ok(Err(fault.into()));
            }
        };
        let came = enter_by_provider(&self.0.store, provider.settings(), &somebody, door, self.0.lasting());
        let came = came.await.map_err(SourceError::new)?;
        Ok(came.map(|key| (key, then)).map_err(NotIn::from))
    }
}
