//! A search for printers: what was asked for, checked, and handed to those who speak SNMP.

use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;

use tokio_util::sync::CancellationToken;

use super::credential;
use crate::config::DiscoverSettings;
use crate::config::ranges::{Range, RangeFault};
use crate::domain::snapshot::Identity;
use crate::snmp::discover::{Heard, MOST_CREDENTIALS, Outcome, Search, Told, search};
use crate::store::credentials::CredentialRow;
use crate::usecase::discover::{Found, FoundKind};

/// Why a search does not begin.
#[derive(Debug, thiserror::Error)]
pub enum SearchFault {
    /// What was to be searched may not be.
    #[error(transparent)]
    Range(#[from] RangeFault),
    /// A credential cannot be used.
    #[error("{0:#}")]
    Credential(anyhow::Error),
    /// Too many are to be tried.
    #[error("{0} ways to ask are too many: {MOST_CREDENTIALS} are tried at each address")]
    TooManyCredentials(usize),
}

/// What is to be searched, how, and by which settings.
#[derive(Debug, Clone)]
pub struct SearchPlan {
    addresses: Vec<SocketAddr>,
    search: Search,
}

/// How far a search has come.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Progress {
    /// Addresses that are done.
    pub asked: usize,
    /// Addresses in all.
    pub total: usize,
    /// Questions that this machine could not send, and why the first of them.
    pub unsent: Option<(usize, String)>,
}

impl SearchPlan {
    /// A search of whole ranges, at one port of each address, and of single addresses with ports of their own.
    ///
    /// # Errors
    /// What may not be searched or tried, and what to write where.
    pub fn new(
        (ranges, port): (&[Range], u16),
        single: &[SocketAddr],
        credentials: &[CredentialRow],
        settings: &DiscoverSettings,
    ) -> Result<Self, SearchFault> {
        let alone = single.iter().map(|address| Range::from(address.ip()));
        let all: Vec<Range> = ranges.iter().copied().chain(alone).collect();
        Range::check(&all, &settings.ranges)?;
        if credentials.len() > MOST_CREDENTIALS {
            return Err(SearchFault::TooManyCredentials(credentials.len()));
        }
        let credentials = credentials
            .iter()
            .map(|row| credential(row).map(Arc::new).map_err(SearchFault::Credential))
            .collect::<Result<_, _>>()?;
        let mut addresses: Vec<SocketAddr> = ranges
            .iter()
            .flat_map(Range::addresses)
            .map(|ip| SocketAddr::new(ip, port))
            .chain(single.iter().copied())
            .collect();
        addresses.sort_unstable();
        addresses.dedup();
        let (timeout, retries) = (Duration::from_secs(1), 1);
        Ok(Self { addresses, search: Search { credentials, rate: settings.rate, timeout, retries } })
    }

    /// With other patience: how long a first try waits, and how often an address is asked again.
    #[must_use]
    pub fn patience(mut self, timeout: Duration, retries: u32) -> Self {
        (self.search.timeout, self.search.retries) = (timeout, retries);
        self
    }

    /// How many addresses are asked.
    #[must_use]
    pub fn total(&self) -> usize {
        self.addresses.len()
    }

    /// Searches, and tells how far it has come with each address, and who was found where somebody was.
    ///
    /// # Errors
    /// When there is no asynchronous runtime.
    pub async fn run(
        self,
        stop: &CancellationToken,
        mut told: impl FnMut(&Progress, Option<Found>),
    ) -> anyhow::Result<Progress> {
        let mut progress = Progress { total: self.total(), ..Progress::default() };
        let take = |one: Told| {
            progress.asked += 1;
            if let Outcome::Unsent(fault) = &one.outcome {
                let (count, _) = progress.unsent.get_or_insert_with(|| (0, fault.to_string()));
                *count += 1;
            }
            told(&progress, found(one));
        };
        search(self.addresses, &self.search, stop, take).await?;
        Ok(progress)
    }
}

fn found(one: Told) -> Option<Found> {
    let (kind, identity, credential) = match one.outcome {
        Outcome::Silent | Outcome::Unsent(_) => return None,
        Outcome::Refused(fault) => (FoundKind::Refused(fault.to_string()), Identity::default(), 0),
        Outcome::Heard(heard) => {
            let Heard { credential, identity, is_printer } = *heard;
            (if is_printer { FoundKind::Printer } else { FoundKind::Other }, identity, credential)
        }
    };
    let (host, port) = (one.address.ip().to_string(), one.address.port());
    Some(Found { host, port, kind, identity, credential })
}
