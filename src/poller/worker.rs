//! Polls whoever is due, a bounded number at a time, for as long as the service lives.

use std::collections::{HashMap, HashSet};
use std::future::Future;
use std::sync::Arc;
use std::time::Duration;

use jiff::{SignedDuration, Timestamp};
use tokio::sync::mpsc;
use tokio::task::{Id, JoinError, JoinSet};
use tokio::time::Instant;
use tokio_util::sync::CancellationToken;
use tracing::{debug, error};

use super::hints::Callers;
use super::leases::Hold;
use super::probe::{Patience, ProbeError, find, probe_target};
use super::schedule::{Turn, due_at};
use super::sensors::Sensors;
use crate::clock::Clock;
use crate::domain::climate::{Climate, Report, SensorRow};
use crate::domain::ids::DeviceId;
use crate::domain::poll::Poll;
use crate::domain::snapshot::Snapshot;
use crate::snmp::credential::Credential;
use crate::snmp::sensors::read_sensors;
use crate::snmp::transport::{Engine, Target};

/// The list of devices is read again after this long.
const LIST_AGE: Duration = Duration::from_secs(5);
/// The schedule is never looked at more often than this.
const SHORTEST_TICK: Duration = Duration::from_millis(200);
/// A device whose poll panicked is left alone for this long, or the same fault would come round without end.
const PANIC_REST: Duration = Duration::from_secs(60);
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
    /// Somebody waits for what it says: it is polled now, however long it has rested.
    pub is_awaited: bool,
}

/// Where the poller gets its subjects, and where it hands over what they said.
pub trait Desk: Clone + Send + Sync + 'static {
    /// The devices to be watched.
    fn subjects(&self) -> impl Future<Output = anyhow::Result<Vec<Subject>>> + Send;

    /// How a device lets itself be read; `None` where nobody can say for now, so that it is not asked.
    fn credential(&self, device: DeviceId)
    -> impl Future<Output = anyhow::Result<Option<Credential>>> + Send;

    /// Holds a device for one poll; `None` where it is not this desk's to poll any more.
    fn hold(&self, _device: DeviceId) -> Option<Hold> {
        Some(Hold::for_ever())
    }

    /// Waits until it is worth asking for the subjects before their time.
    fn more(&self) -> impl Future<Output = ()> + Send {
        std::future::pending()
    }

    /// Hears how a poll went and how long it took.
    fn asked(&self, _answered: bool, _took: Duration) {}

    /// Takes a poll in.
    fn take(
        &self,
        device: DeviceId,
        name: &str,
        poll: Poll,
    ) -> impl Future<Output = anyhow::Result<()>> + Send;

    /// Takes in what a device's sensors say of the air.
    fn take_climate(
        &self,
        device: DeviceId,
        report: Report,
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
    /// Who may send notifications: whoever is polled.
    pub callers: Callers,
    /// Who was asked for sensors, and when.
    pub sensors: Sensors,
}

impl<D: Desk> Poller<D> {
    /// Polls until it is told to stop; polls that are under way then are finished first. A device that hints
    /// is polled at once, if it has rested.
    pub async fn run(self, mut hints: mpsc::Receiver<DeviceId>, stop: CancellationToken) {
        let mut hinted: HashSet<DeviceId> = HashSet::new();
        let mut polls = Polls::default();
        loop {
            let subjects = match self.desk.subjects().await {
                Ok(subjects) => {
                    let watched = subjects.iter().map(|subject| subject.turn.device).collect();
                    self.callers.retain(&watched);
                    self.sensors.retain(&watched);
                    subjects
                }
                Err(fault) => {
                    error!("the list of devices could not be read: {fault:#}");
                    Vec::new()
                }
            };
            let now = self.clock.now();
            let mut due: Vec<Subject> =
                subjects.into_iter().filter(|subject| is_due(subject, &hinted, now)).collect();
            hinted.clear();
            due.sort_by_key(|subject| (!subject.is_awaited, due_at(&subject.turn)));
            for subject in due {
                if polls.under_way() < self.in_flight && polls.may_start(subject.turn.device) {
                    polls.start(subject.turn.device, self.clone().poll(subject));
                }
            }
            tokio::select! {
                () = stop.cancelled() => break,
                () = tokio::time::sleep(self.clock.real(LIST_AGE).max(SHORTEST_TICK)) => {}
                Some(device) = hints.recv() => { hinted.insert(device); }
                () = self.desk.more() => {}
                () = polls.ended(), if polls.under_way() > 0 => {}
            }
            polls.end_those_that_did();
            while let Ok(device) = hints.try_recv() {
                hinted.insert(device);
            }
        }
        while polls.under_way() > 0 {
            polls.ended().await;
        }
    }

    async fn poll(self, subject: Subject) {
        let Subject { turn, name, address, .. } = subject;
        let Some(hold) = self.desk.hold(turn.device) else { return };
        let mut answered = None;
        let outcome = match self.desk.credential(turn.device).await {
            Ok(None) => return,
            Ok(Some(credential)) => {
                let begun = Instant::now();
                let asked = tokio::select! {
                    biased;
                    () = hold.over() => None,
                    outcome = self.probe(turn.device, &address, Arc::new(credential)) => Some(outcome),
                };
                let Some(outcome) = asked else {
                    debug!(device = name, "a poll was broken off: the device is another process's to poll");
                    return;
                };
                self.desk.asked(outcome.is_ok(), begun.elapsed());
                let outcome = outcome.map_err(|fault| fault.to_string());
                outcome.map(|(snapshot, target)| {
                    answered = Some(target);
                    snapshot
                })
            }
            Err(fault) => Err(format!("{fault:#}")),
        };
        if let Err(fault) = &outcome {
            debug!(device = name, "poll failed: {fault}");
        }
        let poll = Poll { at: self.clock.now(), outcome };
        // Were this process stopped for a while, an answer of before would be kept as one of now.
        if hold.is_over() {
            return;
        }
        if let Err(fault) = self.desk.take(turn.device, &name, poll).await {
            error!(device = name, "a poll could not be kept: {fault:#}");
        }
        if let Some(target) = answered.filter(|_| self.sensors.is_due(turn.device, self.clock.now())) {
            self.ask_for_sensors((turn.device, &name), &target, &hold).await;
        }
    }

    /// Asks a device that has just answered for its sensors. They are no part of its poll: nothing waits for them, and
    /// whatever comes of it, the poll is kept.
    async fn ask_for_sensors(&self, (device, name): (DeviceId, &str), target: &Target, hold: &Hold) {
        let rows = tokio::select! {
            biased;
            () = hold.over() => return,
            rows = read_sensors(&self.engine, target) => rows,
        };
        let at = self.clock.now();
        self.sensors.note(device, at, rows.iter().any(SensorRow::is_of_air));
        let Some(climate) = Climate::of(&rows).filter(|_| !hold.is_over()) else { return };
        if let Err(fault) = self.desk.take_climate(device, Report { at, climate }).await {
            error!(device = name, "what its sensors say could not be kept: {fault:#}");
        }
    }

    async fn probe(
        &self,
        device: DeviceId,
        (host, port): &(String, u16),
        credential: Arc<Credential>,
    ) -> Result<(Snapshot, Target), ProbeError> {
        let address = find(host, *port).await?;
        self.callers.learn(device, address.ip(), Arc::clone(&credential));
        let target = self.patience.with(address, credential);
        Ok((probe_target(&self.engine, &target).await?, target))
    }
}

/// Whether a device is to be polled now: by the schedule, or because it hinted that it has something to say.
fn is_due(subject: &Subject, hinted: &HashSet<DeviceId>, now: Timestamp) -> bool {
    let has_rested = || subject.turn.last_poll_at.is_none_or(|last| now.duration_since(last) >= HINT_REST);
    subject.is_awaited
        || due_at(&subject.turn) <= now
        || (hinted.contains(&subject.turn.device) && has_rested())
}

/// The polls under way, at most one for each device. Whose a poll is stands beside its task, so that a poll
/// that panics frees its own device and no other.
#[derive(Default)]
struct Polls {
    tasks: JoinSet<()>,
    devices: HashMap<Id, DeviceId>,
    busy: HashSet<DeviceId>,
    resting: HashMap<DeviceId, Instant>,
}

impl Polls {
    fn under_way(&self) -> usize {
        self.busy.len()
    }

    fn may_start(&mut self, device: DeviceId) -> bool {
        self.resting.retain(|_, until| *until > Instant::now());
        !self.busy.contains(&device) && !self.resting.contains_key(&device)
    }

    fn start(&mut self, device: DeviceId, poll: impl Future<Output = ()> + Send + 'static) {
        let task = self.tasks.spawn(poll);
        self.devices.insert(task.id(), device);
        self.busy.insert(device);
    }

    /// Waits until a poll ends.
    async fn ended(&mut self) {
        if let Some(done) = self.tasks.join_next_with_id().await {
            self.end(done);
        }
    }

    /// Frees the devices of all polls that have ended.
    fn end_those_that_did(&mut self) {
        while let Some(done) = self.tasks.try_join_next_with_id() {
            self.end(done);
        }
    }

    fn end(&mut self, done: Result<(Id, ()), JoinError>) {
        let (task, fault) = match done {
            Ok((task, ())) => (task, None),
            Err(fault) => (fault.id(), Some(fault)),
        };
        let Some(device) = self.devices.remove(&task) else { return };
        self.busy.remove(&device);
        if let Some(fault) = fault {
            error!(%device, "a poll ended badly, and its device rests for {PANIC_REST:?}: {fault}");
            self.resting.insert(device, Instant::now() + PANIC_REST);
        }
    }
}

#[cfg(test)]
mod tests;
