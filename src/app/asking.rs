//! What a page asks of whoever polls a device, and what processes hear from each other through the store.

use std::time::Duration;

use anyhow::Context;
use tokio_util::sync::CancellationToken;
use tracing::debug;

use super::{Running, Service};
use crate::domain::ids::DeviceId;
use crate::domain::snapshot::Snapshot;
use crate::poller::leases::Leases;
use crate::store::asks::News;
use crate::store::{Result, Store};

/// A page waits no longer for a poll; its form has twenty seconds in all.
pub(super) const PATIENCE: Duration = Duration::from_secs(15);
/// How often it is seen whether the answer is there.
const LOOK_EVERY: Duration = Duration::from_millis(100);
/// After so long it is tried again to listen.
const LISTEN_AGAIN: Duration = Duration::from_secs(5);

/// Has whoever holds a device poll it now, and says what came of it: the outer `None` where nobody holds it, the inner
/// where no answer came in time.
pub(super) async fn ask_holder(
    store: &Store,
    device: DeviceId,
) -> Result<Option<Option<std::result::Result<Snapshot, String>>>> {
    if store.holder_of(device).await?.is_none() {
        return Ok(None);
    }
    let ask = store.ask(device).await?;
    let answer = async {
        let mut tick = tokio::time::interval(LOOK_EVERY);
        loop {
            tick.tick().await;
            if let Some(poll) = store.answer_to(ask).await? {
                return Ok(poll.outcome);
            }
        }
    };
    match tokio::time::timeout(PATIENCE, answer).await {
        Ok(answer) => answer.map(|outcome| Some(Some(outcome))),
        Err(_) => Ok(Some(None)),
    }
}

impl Running {
    /// Tells pages that are kept open what other processes have kept.
    pub fn start_hearing(&mut self, service: &Service) {
        let (store, changes) = (service.store.clone(), service.changes.clone());
        let stop = self.stop_signal();
        self.spawn("news", async move { hear(&store, News::Came, &stop, || changes.tell()).await });
    }
}

/// Has the poller look again when a page asks.
pub(super) async fn hear_asks(store: Store, leases: Leases, stop: CancellationToken) {
    hear(&store, News::Asked, &stop, || leases.ring()).await;
}

/// Calls `told` for each piece of news until it is told to stop. What is missed while the store is away is found out
/// by whoever looks the next time.
async fn hear(store: &Store, news: News, stop: &CancellationToken, told: impl Fn()) {
    let listen = async {
        loop {
            let fault = match store.hear(news).await {
                Ok(mut hearing) => loop {
                    match hearing.next().await {
                        Ok(()) => told(),
                        Err(fault) => break fault,
                    }
                },
                Err(fault) => fault,
            };
            debug!(?news, "nothing is heard from other processes: {fault}");
            tokio::time::sleep(LISTEN_AGAIN).await;
        }
    };
    tokio::select! {
        () = stop.cancelled() => {}
        () = listen => {}
    }
}

/// Sees to it that two processes do not count days in different zones.
///
/// # Errors
/// If the site is known in another zone, or the store cannot be reached.
pub async fn see_to_the_zone(store: &Store, site: &str, zone: &str) -> anyhow::Result<()> {
    let known = store.site_zone(site).await.context("the site's time zone could not be looked up")?;
    if let Some(known) = known.filter(|known| known != zone) {
        anyhow::bail!(
            "site.time_zone: this process would count days in {zone}, and the pages of {site} do in {known}; give \
             every process the same settings file"
        );
    }
    Ok(())
}
