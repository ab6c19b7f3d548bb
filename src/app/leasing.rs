//! The leases of the devices that this process polls: taken, renewed, shared out and given back.

use std::collections::{HashMap, HashSet};
use std::time::Duration;

use tokio::time::Instant;
use tokio_util::sync::CancellationToken;
use tracing::{info, warn};

use crate::config::sharing::{Scope, SharingSettings};
use crate::domain::ids::{DeviceId, RunId};
use crate::poller::leases::Leases;
use crate::poller::share::{Peer, Standing, share};
use crate::store::leases::{LeaseRow, NewPoller, PollerRow};
use crate::store::{Result, Store, StoreError};

/// Leases are looked after at least so often.
const LOOK_EVERY: Duration = Duration::from_secs(5);
/// The store has so long for a turn at most; after that it counts as away.
const PATIENCE: Duration = Duration::from_secs(20);
/// A process that ends waits no longer for its leases to be given back; they run out anyway.
const LEAVE: Duration = Duration::from_secs(3);
/// In a database of our own nobody else polls: its leases need not be renewed often, and the next service that has the
/// directory strikes them off.
const ALONE: Duration = Duration::from_mins(10);

/// How a process shares the devices.
#[derive(Debug, Clone)]
pub struct Sharing {
    says: NewPoller,
    length: Duration,
    /// The database is this process's own.
    has_all: bool,
}

impl Sharing {
    /// By the settings; `has_all` where the database is of our own, so that no other process polls.
    #[must_use]
    pub fn new(settings: &SharingSettings, has_all: bool) -> Self {
        let networks = settings.scope.networks.iter().map(ToString::to_string).collect();
        let says = NewPoller { name: settings.name.clone(), sites: settings.scope.sites.clone(), networks };
        Self { says, length: if has_all { ALONE } else { settings.lease }, has_all }
    }

    /// How often the leases are renewed.
    fn pace(&self) -> Duration {
        self.length / 4
    }

    /// By so much a lease ends earlier here than in the store.
    fn margin(&self) -> Duration {
        self.length / 10
    }
}

/// Looks after the leases of this process.
pub(super) struct Tending {
    store: Store,
    leases: Leases,
    sharing: Sharing,
    /// No devices are taken any more.
    stop: CancellationToken,
    /// When they were last renewed, if nothing has failed since.
    renewed: Option<Instant>,
    /// Since when nobody has a device, as far as this process has seen.
    free: HashMap<DeviceId, Instant>,
    /// Nobody else was at work when it was last looked.
    is_alone: bool,
    away: bool,
}

impl Tending {
    pub(super) fn new(store: Store, leases: Leases, sharing: Sharing, stop: CancellationToken) -> Self {
        let (renewed, free) = Default::default();
        Self { store, leases, sharing, stop, renewed, free, is_alone: false, away: false }
    }

    /// Goes on until the last poll is over, and gives everything back.
    pub(super) async fn run(mut self, polled: CancellationToken) {
        let pace = self.sharing.pace().min(LOOK_EVERY);
        // Two turns can fail before a lease is over.
        let patience = (self.sharing.length * 2 / 5).min(PATIENCE);
        let mut tick = tokio::time::interval(pace);
        tick.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
        let stop = self.stop.clone();
        let mut told = false;
        loop {
            tokio::select! {
                () = polled.cancelled() => break,
                () = stop.cancelled(), if !told => told = true,
                _ = tick.tick() => {}
            }
            let turn = tokio::time::timeout(patience, self.turn()).await;
            self.went(turn.unwrap_or(Err(StoreError::Slow(patience))));
        }
        if let Some(run) = self.leases.run() {
            self.leases.begin(None);
            let given = tokio::time::timeout(LEAVE, self.store.end_polling(run)).await;
            if !matches!(given, Ok(Ok(()))) {
                info!("the leases of machines could not be given back; they run out by themselves");
            }
        }
    }

    /// What follows from how a turn went.
    fn went(&mut self, turn: Result<()>) {
        let Err(fault) = turn else {
            if std::mem::take(&mut self.away) {
                info!("machines are leased again");
            }
            self.leases.go_beyond(false);
            return;
        };
        self.renewed = None;
        let goes_on = fault.may_pass() && (self.sharing.has_all || self.is_alone);
        if !std::mem::replace(&mut self.away, true) {
            let then = if goes_on {
                "nobody else polls, so it is gone on with"
            } else {
                "machines are polled until the leases run out"
            };
            warn!("leases could not be renewed: {fault}; {then}");
        }
        self.leases.go_beyond(goes_on);
    }

    /// Renews the leases if it is time, takes devices, and lets some go.
    async fn turn(&mut self) -> Result<()> {
        let run = self.renew().await?;
        if self.stop.is_cancelled() {
            return self.let_go(run, &self.leases.all()).await;
        }
        let pollers = self.store.pollers().await?;
        self.is_alone = pollers.iter().all(|poller| poller.run == run);
        let peers: Vec<Peer> = pollers.into_iter().map(peer).collect();
        let devices: Vec<Standing> = self.store.leases().await?.into_iter().map(standing).collect();
        let overdue = self.overdue(&devices);
        let change = share(run, &peers, &devices, &overdue);
        if !change.take.is_empty() {
            let until = self.end();
            let got = self.store.take_leases(run, &change.take, self.sharing.length).await?;
            self.leases.add(&got, until);
        }
        self.let_go(run, &change.let_go).await
    }

    /// When leases that the store is asked for now end here.
    fn end(&self) -> Instant {
        Instant::now() + self.sharing.length - self.sharing.margin()
    }

    async fn renew(&mut self) -> Result<RunId> {
        let known = self.leases.run();
        if let Some(run) = known {
            let is_time = self.renewed.is_none_or(|at| at.elapsed() + LOOK_EVERY / 5 >= self.sharing.pace());
            if !is_time {
                return Ok(run);
            }
            let until = self.end();
            if let Some(devices) = self.store.renew_leases(run, self.sharing.length).await? {
                self.leases.renew(&devices, until);
                self.renewed = Some(Instant::now());
                return Ok(run);
            }
            warn!("this process was struck off the list of those that poll; it begins again");
        }
        let Sharing { says, length, has_all } = &self.sharing;
        // Whoever is struck off while it is at work is not the one that may strike off others.
        let run = self.store.begin_polling(says, *length, *has_all && known.is_none()).await?;
        self.leases.begin(Some(run));
        self.renewed = Some(Instant::now());
        Ok(run)
    }

    async fn let_go(&self, run: RunId, devices: &[DeviceId]) -> Result<()> {
        let gone = self.leases.let_go(devices);
        if gone.is_empty() { Ok(()) } else { self.store.let_go_leases(run, &gone).await }
    }

    /// The devices that nobody has had for twice as long as it takes to see that they are free.
    fn overdue(&mut self, devices: &[Standing]) -> HashSet<DeviceId> {
        let now = Instant::now();
        let mut free = HashMap::new();
        for one in devices.iter().filter(|one| one.holder.is_none()) {
            free.insert(one.device, self.free.get(&one.device).copied().unwrap_or(now));
        }
        self.free = free;
        let wait = 2 * self.sharing.pace().min(LOOK_EVERY);
        self.free.iter().filter(|(_, since)| now - **since >= wait).map(|(device, _)| *device).collect()
    }
}

fn peer(row: PollerRow) -> Peer {
    // A range that this version cannot read is another version's.
    let networks = row.says.networks.iter().filter_map(|range| range.parse().ok()).collect();
    Peer { run: row.run, scope: Scope { sites: row.says.sites, networks } }
}

fn standing(row: LeaseRow) -> Standing {
    Standing { device: row.device, site: row.site, host: row.host, holder: row.holder }
}
