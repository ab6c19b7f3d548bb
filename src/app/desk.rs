//! Between the poller and the store: who is to be asked and how, and what they said.
//!
//! While the store is away, the desk goes by what it said last, and polls wait in the spool. As long as any waits
//! there, new ones go behind it, or the store would pass over those of the same device that are older.

use std::collections::HashMap;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

use anyhow::Context;
use jiff::Timestamp;
use tracing::{debug, info, warn};

use super::{Service, asking};
use crate::domain::climate::Report;
use crate::domain::ids::{AskId, DeviceId, RunId};
use crate::domain::poll::Poll;
use crate::poller::leases::{Hold, Leases};
use crate::poller::schedule::Turn;
use crate::poller::worker::{Desk, Subject};
use crate::snmp::credential::{Credential, Secret, UsmUser};
use crate::spool::{Spool, Spooled};
use crate::store::credentials::CredentialRow;
use crate::store::{self, StoreError};
use crate::usecase::ingest::{ingest_climate, ingest_for};

/// The store has so long for one thing; after that it counts as away. Polls of thousands of rows take a second.
const PATIENCE: Duration = Duration::from_secs(20);

/// The poller's desk over the store.
#[derive(Clone)]
pub struct StoreDesk {
    service: Service,
    /// The devices that are this process's, where others poll as well.
    leases: Option<Leases>,
    memory: Arc<Mutex<Memory>>,
}

/// What the store said last, for as long as it says nothing.
#[derive(Default)]
struct Memory {
    subjects: Vec<Subject>,
    credentials: HashMap<DeviceId, Credential>,
    /// The last poll of each device that waits, with its failures in a row: the schedule goes by it.
    waiting: HashMap<DeviceId, (Timestamp, u32)>,
    /// What pages ask, and wait for.
    asks: Vec<(DeviceId, AskId)>,
    /// Polls under way: for which run, and what they answer.
    under_way: HashMap<DeviceId, (RunId, Vec<AskId>)>,
    away: bool,
}

impl StoreDesk {
    /// A desk over a service's store, of whose devices it has all.
    #[must_use]
    pub fn new(service: Service) -> Self {
        Self { service, leases: None, memory: Arc::default() }
    }

    /// The same, for the devices that are leased.
    #[must_use]
    pub fn leasing(self, leases: Leases) -> Self {
        Self { leases: Some(leases), ..self }
    }

    fn memory(&self) -> MutexGuard<'_, Memory> {
        self.memory.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// The store's answer, or `None` where it is away and there is a spool to make up for it.
    async fn ask<T>(&self, answer: impl Future<Output = store::Result<T>>) -> store::Result<Option<T>> {
        let answer = tokio::time::timeout(PATIENCE, answer).await;
        let answer = answer.unwrap_or(Err(StoreError::Slow(PATIENCE)));
        let away = answer.as_ref().err().filter(|fault| fault.may_pass()).map(ToString::to_string);
        let was_away = std::mem::replace(&mut self.memory().away, away.is_some());
        match (&away, was_away) {
            (Some(fault), false) => warn!("{fault}; it is gone on with what it said last"),
            (None, true) => info!("the store answers again"),
            _ => {}
        }
        match answer {
            Err(_) if away.is_some() && self.service.spool.is_some() => Ok(None),
            answer => answer.map(Some),
        }
    }

    /// Answers those who wait for a poll. One who hears nothing has to ask again.
    async fn answer(&self, asks: &[AskId], poll: &Poll) {
        if asks.is_empty() {
            return;
        }
        if let Err(fault) = self.ask(self.service.store.answer_asks(asks, poll)).await {
            warn!("a page was not told what a machine says: {fault}");
        }
    }

    /// Puts a poll into the spool.
    async fn keep(&self, spool: &Spool, spooled: Spooled) -> anyhow::Result<()> {
        let (device, at, failed) = (spooled.device, spooled.poll.at, spooled.poll.outcome.is_err());
        {
            let mut memory = self.memory();
            let before = memory.waiting.get(&device).map(|(_, failures)| *failures);
            let known = memory.subjects.iter().find(|subject| subject.turn.device == device);
            let before = before.or(known.map(|subject| subject.turn.failures)).unwrap_or(0);
            memory.waiting.insert(device, (at, if failed { before.saturating_add(1) } else { 0 }));
        }
        let spool = spool.clone();
        tokio::task::spawn_blocking(move || spool.put(&spooled)).await??;
        Ok(())
    }
}

impl Desk for StoreDesk {
    async fn subjects(&self) -> anyhow::Result<Vec<Subject>> {
        let targets = self.ask(self.service.store.poll_targets()).await?;
        let subject = |target: store::devices::PollTarget| Subject {
            turn: Turn {
                device: target.id,
                every: Duration::from_secs(u64::from(target.poll_every_s)),
                last_poll_at: target.last_poll_at,
                failures: target.failures,
            },
            name: target.name,
            address: (target.host, target.port),
            is_awaited: false,
        };
        let asks = match self.leases {
            Some(_) => self.ask(self.service.store.open_asks(asking::PATIENCE)).await?,
            None => None,
        };
        let mut memory = self.memory();
        if let Some(targets) = targets {
            memory.subjects = targets.into_iter().map(subject).collect();
        }
        memory.asks = asks.unwrap_or_default();
        let mut subjects = memory.subjects.clone();
        if let Some(leases) = &self.leases {
            subjects.retain(|subject| leases.holds(subject.turn.device));
            for subject in &mut subjects {
                subject.is_awaited = memory.asks.iter().any(|(device, _)| *device == subject.turn.device);
            }
        }
        for turn in subjects.iter_mut().map(|subject| &mut subject.turn) {
            match memory.waiting.get(&turn.device) {
                Some((at, failures)) if turn.last_poll_at.is_none_or(|last| last < *at) => {
                    (turn.last_poll_at, turn.failures) = (Some(*at), *failures);
                }
                _ => drop(memory.waiting.remove(&turn.device)),
            }
        }
        let Service { hands, clock, zone, .. } = &self.service;
        let asked = subjects.iter().filter_map(|subject| subject.turn.last_poll_at);
        hands.look((clock.now(), Instant::now()), asked, zone);
        Ok(subjects)
    }

    async fn credential(&self, device: DeviceId) -> anyhow::Result<Option<Credential>> {
        let Some(row) = self.ask(self.service.store.credential_of(device)).await? else {
            return Ok(self.memory().credentials.get(&device).cloned());
        };
        let known = credential(&row.context("the device is no longer watched")?)?;
        self.memory().credentials.insert(device, known.clone());
        Ok(Some(known))
    }

    fn hold(&self, device: DeviceId) -> Option<Hold> {
        let Some(leases) = &self.leases else { return Some(Hold::for_ever()) };
        let (run, hold) = leases.hold(device)?;
        let mut memory = self.memory();
        let asks = memory.asks.iter().filter(|(asked, _)| *asked == device).map(|(_, ask)| *ask).collect();
        memory.under_way.insert(device, (run, asks));
        Some(hold)
    }

    async fn more(&self) {
        match &self.leases {
            Some(leases) => leases.more().await,
            None => std::future::pending().await,
        }
    }

    fn asked(&self, answered: bool, took: Duration) {
        self.service.gauges.polled(answered, took);
    }

    async fn take(&self, device: DeviceId, name: &str, poll: Poll) -> anyhow::Result<()> {
        let service = &self.service;
        let (run, asks) = self.memory().under_way.remove(&device).unzip();
        let asks = asks.unwrap_or_default();
        let polls = [poll];
        if service.spool.as_ref().is_none_or(Spool::is_empty) {
            let (present, by) = (service.present(), (&service.rules, run));
            let taken = ingest_for(&service.store, device, name, &polls, &present, by);
            if let Some(is_ours) = self.ask(taken).await? {
                if !is_ours {
                    debug!(device = name, "a poll was not kept: the device is another process's to poll");
                    return Ok(());
                }
                service.changes.tell();
                self.answer(&asks, &polls[0]).await;
                return Ok(());
            }
        }
        let (Some(spool), [poll]) = (&service.spool, polls) else { return Ok(()) };
        if !asks.is_empty() {
            let waits = "what machines said before still waits for the store; try again in a moment";
            self.answer(&asks, &Poll { at: poll.at, outcome: Err(waits.to_owned()) }).await;
        }
        self.keep(spool, Spooled { device, name: name.to_owned(), poll }).await
    }

    async fn take_climate(&self, device: DeviceId, report: Report) -> anyhow::Result<()> {
        // Only the newest counts. What the store cannot take now need not wait for it: the next is there in an hour.
        if self.ask(ingest_climate(&self.service.store, device, &report)).await?.is_some() {
            self.service.changes.tell();
        }
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
