//! Polls whoever is due, a bounded number at a time, for as long as the service lives.

use std::collections::HashSet;
use std::future::Future;
use std::net::IpAddr;
use std::sync::Arc;
use std::time::Duration;

use jiff::{SignedDuration, Timestamp};
use tokio::sync::mpsc;
use tokio::task::JoinSet;
use tokio_util::sync::CancellationToken;
use tracing::{debug, error, warn};

use super::probe::{Patience, ProbeError, probe};
use super::schedule::{Turn, due_at};
use crate::clock::Clock;
use crate::domain::ids::DeviceId;
use crate::domain::poll::Poll;
use crate::snmp::credential::Credential;
use crate::snmp::transport::Engine;

/// The list of devices is read again after this long.
const LIST_AGE: Duration = Duration::from_secs(5);
/// The schedule is never looked at more often than this.
const SHORTEST_TICK: Duration = Duration::from_millis(200);

/// A device that was polled less than this long ago is not polled again for a hint.
const HINT_REST: SignedDuration = SignedDuration::from_secs(30);

/// A device as the poller sees it.
#[derive(Debug, Clone)]
pub struct Subject {
    /// When it is due.
    pub turn: Turn,
    /// Its name, for the log.
    pub name: String,
    /// Its host name or address, and its port.
    pub address: (String, u16),
}

/// Where the poller gets its subjects, and where it hands over what they said.
pub trait Desk: Clone + Send + Sync + 'static {
    /// The devices to be watched.
    fn subjects(&self) -> impl Future<Output = anyhow::Result<Vec<Subject>>> + Send;

    /// How a device lets itself be read.
    fn credential(&self, device: DeviceId) -> impl Future<Output = anyhow::Result<Credential>> + Send;

    /// Takes a poll in.
    fn take(
        &self,
        device: DeviceId,
        name: &str,
        poll: Poll,
    ) -> impl Future<Output = anyhow::Result<()>> + Send;
}

/// The poller.
#[derive(Clone)]
pub struct Poller<D> {
    /// Where subjects come from and polls go.
    pub desk: D,
    /// Who asks.
    pub engine: Engine,
    /// The present.
    pub clock: Clock,
    /// How to ask.
    pub patience: Patience,
    /// The most devices polled at the same moment.
    pub in_flight: usize,
}

impl<D: Desk> Poller<D> {
    /// Polls until it is told to stop; polls that are under way then are finished first. A device from whose
    /// address a hint comes is polled at once, if it has rested; hints from unknown addresses do nothing.
    pub async fn run(self, mut hints: mpsc::Receiver<IpAddr>, stop: CancellationToken) {
        let mut hinted: HashSet<IpAddr> = HashSet::new();
        let mut running: JoinSet<DeviceId> = JoinSet::new();
        let mut busy: HashSet<DeviceId> = HashSet::new();
        loop {
            let subjects = match self.desk.subjects().await {
                Ok(subjects) => subjects,
                Err(fault) => {
                    error!("the list of devices could not be read: {fault:#}");
                    Vec::new()
                }
            };
            let now = self.clock.now();
            let mut due: Vec<Subject> =
                subjects.into_iter().filter(|subject| is_due(subject, &hinted, now)).collect();
            hinted.clear();
            due.sort_by_key(|subject| due_at(&subject.turn));
            for subject in due {
                if busy.len() < self.in_flight && busy.insert(subject.turn.device) {
                    running.spawn(self.clone().poll(subject));
                }
            }
            tokio::select! {
                () = stop.cancelled() => break,
                () = tokio::time::sleep(self.clock.real(LIST_AGE).max(SHORTEST_TICK)) => {}
                Some(from) = hints.recv() => { hinted.insert(from); }
                Some(done) = running.join_next(), if !running.is_empty() => { finished(&mut busy, done); }
            }
            while let Some(done) = running.try_join_next() {
                finished(&mut busy, done);
            }
            while let Ok(from) = hints.try_recv() {
                hinted.insert(from);
            }
        }
        while running.join_next().await.is_some() {}
    }

    async fn poll(self, subject: Subject) -> DeviceId {
        let Subject { turn, name, address } = subject;
        let outcome = match self.desk.credential(turn.device).await {
            Ok(credential) => {
                let address = (address.0.as_str(), address.1);
                probe(&self.engine, address, Arc::new(credential), self.patience)
                    .await
                    .map_err(|fault: ProbeError| fault.to_string())
            }
            Err(fault) => Err(format!("{fault:#}")),
        };
        if let Err(fault) = &outcome {
            debug!(device = name, "poll failed: {fault}");
        }
        let poll = Poll { at: self.clock.now(), outcome };
        if let Err(fault) = self.desk.take(turn.device, &name, poll).await {
            error!(device = name, "a poll could not be kept: {fault:#}");
        }
        turn.device
    }
}

/// Whether a device is to be polled now: by the schedule, or because it hinted that it has something to say.
fn is_due(subject: &Subject, hinted: &HashSet<IpAddr>, now: Timestamp) -> bool {
    let has_hinted = || subject.address.0.parse().is_ok_and(|address: IpAddr| hinted.contains(&address));
    let has_rested = || subject.turn.last_poll_at.is_none_or(|last| now.duration_since(last) >= HINT_REST);
    due_at(&subject.turn) <= now || (has_hinted() && has_rested())
}

fn finished(busy: &mut HashSet<DeviceId>, done: Result<DeviceId, tokio::task::JoinError>) {
    match done {
        Ok(device) => {
            busy.remove(&device);
        }
        Err(fault) => {
            // A poll that panicked does not say whose it was; letting all go on is better than none.
            warn!("a poll ended badly: {fault}");
            busy.clear();
        }
    }
}
