//! Polls that wait in the spool: brought in when the store takes them again, and told of until then.

use std::time::Duration;

use anyhow::Context;
use tracing::{error, info};

use super::{Running, Service};
use crate::domain::ids::DeviceId;
use crate::domain::poll::Poll;
use crate::jobs::Handle;
use crate::site::format::{count, moment};
use crate::spool::{Batch, Depth, Spool};
use crate::usecase::ingest::ingest;

/// How often it is seen whether the store takes what waits, in life.
const BRING_EVERY: Duration = Duration::from_secs(2);

impl Running {
    /// Brings polls in that wait, whenever the store takes them.
    pub fn start_bringing(&mut self, service: &Service) -> Option<Handle> {
        let spool = service.spool.clone()?;
        let bringing = service.clone();
        let work = move || {
            let (service, spool) = (bringing.clone(), spool.clone());
            async move { bring(&service, &spool).await }
        };
        Some(self.start_job(service, ("waiting polls", BRING_EVERY), work))
    }
}

/// Brings in what waits, oldest first, until nothing does.
///
/// # Errors
/// If the store or the disk fails; what is not in then comes the next time.
pub async fn bring(service: &Service, spool: &Spool) -> anyhow::Result<()> {
    let waited = spool.depth().polls;
    loop {
        let of = spool.clone();
        let Some(batch) = tokio::task::spawn_blocking(move || of.oldest()).await?? else { break };
        bring_batch(service, &batch).await?;
        let of = spool.clone();
        tokio::task::spawn_blocking(move || of.done(&batch)).await??;
        service.changes.tell();
    }
    if waited > 0 {
        info!(polls = waited, "polls that waited are in the store");
    }
    Ok(())
}

async fn bring_batch(service: &Service, batch: &Batch) -> anyhow::Result<()> {
    let mut machines: Vec<(DeviceId, &str, Vec<Poll>)> = Vec::new();
    for spooled in &batch.polls {
        match machines.iter_mut().find(|(device, ..)| *device == spooled.device) {
            Some((_, name, polls)) => {
                *name = &spooled.name;
                polls.push(spooled.poll.clone());
            }
            None => machines.push((spooled.device, &spooled.name, vec![spooled.poll.clone()])),
        }
    }
    for (device, name, polls) in machines {
        let present = service.present();
        match ingest(&service.store, device, name, &polls, &present, &service.rules).await {
            Ok(()) => {}
            Err(fault) if fault.may_pass() => {
                return Err(fault).with_context(|| format!("{} polls still wait", batch.polls.len()));
            }
            // What is refused for what it says would be refused for ever, and keep the rest waiting.
            Err(fault) => {
                error!(device = name, polls = polls.len(), "polls that waited could not be kept: {fault}");
            }
        }
    }
    Ok(())
}

/// What every page says while polls wait, or after some were lost.
pub(super) fn sentence(service: &Service) -> Option<String> {
    let depth = service.spool.as_ref()?.depth();
    let Depth { polls, since, dropped, damaged, refused, .. } = depth;
    let mut told = Vec::new();
    if let Some(since) = since {
        told.push(format!(
            "The store could not take what machines said: {} {} on the disk of this machine, the first from {}. \
             Figures are older than they look until they are in, which happens by itself.",
            count(polls),
            if polls == 1 { "poll waits" } else { "polls wait" },
            moment(since, &service.zone)
        ));
    }
    if dropped > 0 {
        told.push(format!(
            "There was no more room for waiting polls, and the {} oldest are lost.",
            count(dropped)
        ));
    }
    if refused > 0 {
        told.push(format!(
            "The disk of this machine could not take {} of them, which are lost.",
            count(refused)
        ));
    }
    if damaged > 0 {
        told.push(format!("Of {} files of waiting polls the end could not be read.", count(damaged)));
    }
    (!told.is_empty()).then(|| told.join(" "))
}
