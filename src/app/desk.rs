//! Between the poller and the store: who is to be asked and how, and what they said.

use std::time::Duration;

use anyhow::Context;

use super::Service;
use crate::domain::ids::DeviceId;
use crate::domain::poll::Poll;
use crate::poller::schedule::Turn;
use crate::poller::worker::{Desk, Subject};
use crate::snmp::credential::{Credential, Secret, UsmUser};
use crate::store::credentials::CredentialRow;
use crate::usecase::ingest::ingest;

/// The poller's desk over the store.
#[derive(Clone)]
pub struct StoreDesk(pub Service);

impl Desk for StoreDesk {
    async fn subjects(&self) -> anyhow::Result<Vec<Subject>> {
        let targets = self.0.store.poll_targets().await?;
        let subject = |target: crate::store::devices::PollTarget| Subject {
            turn: Turn {
                device: target.id,
                every: Duration::from_secs(u64::from(target.poll_every_s)),
                last_poll_at: target.last_poll_at,
                failures: target.failures,
            },
            name: target.name,
            address: (target.host, target.port),
        };
        Ok(targets.into_iter().map(subject).collect())
    }

    async fn credential(&self, device: DeviceId) -> anyhow::Result<Credential> {
        let row = self.0.store.credential_of(device).await?;
        credential(&row.context("the device is no longer watched")?)
    }

    async fn take(&self, device: DeviceId, name: &str, poll: Poll) -> anyhow::Result<()> {
        let present = self.0.present();
        ingest(&self.0.store, device, name, &[poll], &present, &self.0.rules).await?;
        self.0.changes.tell();
        Ok(())
    }
}

/// A stored credential as one that speaks SNMP.
///
/// # Errors
/// What does not fit, and what to write instead.
pub fn credential(row: &CredentialRow) -> anyhow::Result<Credential> {
    let community = row.community.as_deref().unwrap_or_default();
    Ok(match row.version.as_str() {
        "v1" => Credential::v1(community)?,
        "v2c" => Credential::v2c(community)?,
        _ => {
            let auth = match &row.auth {
                Some((protocol, password)) => Some((protocol.parse()?, Secret::new(password.as_str()))),
                None => None,
            };
            let privacy = match &row.privacy {
                Some((protocol, password)) => Some((protocol.parse()?, Secret::new(password.as_str()))),
                None => None,
            };
            Credential::V3(UsmUser::new(row.user_name.as_deref().unwrap_or_default(), auth, privacy)?)
        }
    })
}
