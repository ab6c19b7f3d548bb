//! The devices that are this process's to poll, and until when: what the rest of the poller goes by.
//!
//! The store says whose a device is, by its own clock; this goes by the monotonic clock of the machine, from before the
//! store was asked, and ends a little earlier. So a process that cannot reach the store has stopped before another
//! begins.

use std::collections::{HashMap, HashSet};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use tokio::sync::{Notify, watch};
use tokio::time::Instant;

use crate::domain::ids::{DeviceId, RunId};

/// The leases of this process. Copies are the same ones.
#[derive(Debug, Clone)]
pub struct Leases(Arc<Inner>);

#[derive(Debug)]
struct Inner {
    state: Mutex<State>,
    /// Told of every change, for polls that are under way.
    changed: watch::Sender<()>,
    /// Rings when there are devices that were not there before.
    more: Notify,
}

#[derive(Debug, Default)]
struct State {
    run: Option<RunId>,
    held: HashMap<DeviceId, Lease>,
    beyond: bool,
}

#[derive(Debug)]
struct Lease {
    until: Instant,
    /// A poll that is under way has a copy: what is polled is not let go.
    sign: Arc<()>,
}

impl Default for Leases {
    fn default() -> Self {
        let (changed, _) = watch::channel(());
        Self(Arc::new(Inner { state: Mutex::default(), changed, more: Notify::new() }))
    }
}

impl Leases {
    fn state(&self) -> MutexGuard<'_, State> {
        self.0.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// This process's run, once the store has given it a number.
    #[must_use]
    pub fn run(&self) -> Option<RunId> {
        self.state().run
    }

    /// Begins as a new run, or ends without one: nothing of before is held.
    pub fn begin(&self, run: Option<RunId>) {
        *self.state() = State { run, ..State::default() };
        self.0.changed.send_replace(());
    }

    /// These are all that the store gives to this run, until then.
    pub fn renew(&self, devices: &[DeviceId], until: Instant) {
        let kept: HashSet<DeviceId> = devices.iter().copied().collect();
        self.state().held.retain(|device, _| kept.contains(device));
        self.add(devices, until);
    }

    /// These are given to this run as well, until then.
    pub fn add(&self, devices: &[DeviceId], until: Instant) {
        let mut is_more = false;
        {
            let mut state = self.state();
            for device in devices {
                let lease = state.held.entry(*device).or_insert_with(|| {
                    is_more = true;
                    Lease { until, sign: Arc::default() }
                });
                lease.until = until;
            }
        }
        self.0.changed.send_replace(());
        if is_more {
            self.ring();
        }
    }

    /// Lets go of these, but for those that are being polled. Returns which.
    #[must_use]
    pub fn let_go(&self, devices: &[DeviceId]) -> Vec<DeviceId> {
        let mut state = self.state();
        let rests = |lease: &Lease| Arc::strong_count(&lease.sign) == 1;
        let gone: Vec<DeviceId> =
            devices.iter().copied().filter(|device| state.held.get(device).is_some_and(rests)).collect();
        for device in &gone {
            state.held.remove(device);
        }
        gone
    }

    /// Goes on past the end of every lease, or no longer: the store is away, and nobody else polls.
    pub fn go_beyond(&self, beyond: bool) {
        self.state().beyond = beyond;
        self.0.changed.send_replace(());
    }

    /// All that are held, whether they have run out or not.
    #[must_use]
    pub fn all(&self) -> Vec<DeviceId> {
        self.state().held.keys().copied().collect()
    }

    /// How many are held and have not run out.
    #[must_use]
    pub fn count(&self) -> usize {
        let (state, now) = (self.state(), Instant::now());
        state.held.values().filter(|lease| state.beyond || now < lease.until).count()
    }

    /// Whether a device is this process's to poll now.
    #[must_use]
    pub fn holds(&self, device: DeviceId) -> bool {
        let state = self.state();
        state.held.get(&device).is_some_and(|lease| state.beyond || Instant::now() < lease.until)
    }

    /// Holds a device for one poll; `None` if it is not this process's to poll now.
    #[must_use]
    pub fn hold(&self, device: DeviceId) -> Option<(RunId, Hold)> {
        if !self.holds(device) {
            return None;
        }
        let state = self.state();
        let (run, sign) = (state.run?, Arc::clone(&state.held.get(&device)?.sign));
        drop(state);
        Some((run, Hold(Some(Held { leases: self.clone(), device, sign }))))
    }

    /// Has whoever waits for [`Leases::more`] look again.
    pub fn ring(&self) {
        self.0.more.notify_one();
    }

    /// Waits until there is more to poll than before.
    pub async fn more(&self) {
        self.0.more.notified().await;
    }
}

/// A device for the length of one poll.
#[derive(Debug)]
pub struct Hold(Option<Held>);

#[derive(Debug)]
struct Held {
    leases: Leases,
    device: DeviceId,
    sign: Arc<()>,
}

impl Hold {
    /// A hold on a device that nobody else ever polls.
    #[must_use]
    pub fn for_ever() -> Self {
        Self(None)
    }

    /// Whether the device is no longer this process's to poll.
    #[must_use]
    pub fn is_over(&self) -> bool {
        self.end().is_some_and(|end| end.is_none_or(|until| until <= Instant::now()))
    }

    /// Waits until it is over.
    pub async fn over(&self) {
        let Some(held) = &self.0 else { return std::future::pending().await };
        let mut changed = held.leases.0.changed.subscribe();
        loop {
            changed.borrow_and_update();
            let end = async {
                match self.end() {
                    None => std::future::pending().await,
                    Some(None) => {}
                    Some(Some(until)) => tokio::time::sleep_until(until).await,
                }
            };
            tokio::select! {
                biased;
                _ = changed.changed() => {}
                () = end => return,
            }
        }
    }

    /// Its end: `None` for none, `Some(None)` for one that has come.
    fn end(&self) -> Option<Option<Instant>> {
        let held = self.0.as_ref()?;
        let state = held.leases.state();
        // One that was lost and taken again is another: somebody may have polled in between.
        match state.held.get(&held.device).filter(|lease| Arc::ptr_eq(&lease.sign, &held.sign)) {
            None => Some(None),
            Some(_) if state.beyond => None,
            Some(lease) => Some(Some(lease.until)),
        }
    }
}

#[cfg(test)]
mod tests {
    use std::time::Duration;

    use super::*;

    const BOBBIN: DeviceId = DeviceId(1);
    const THIMBLE: DeviceId = DeviceId(2);

    fn held(devices: &[DeviceId], seconds: u64) -> Leases {
        let leases = Leases::default();
        leases.begin(Some(RunId(7)));
        leases.renew(devices, Instant::now() + Duration::from_secs(seconds));
        leases
    }

    #[tokio::test(start_paused = true)]
    async fn a_hold_ends_with_its_lease_and_goes_on_when_that_is_renewed() {
        let leases = held(&[BOBBIN, THIMBLE], 10);
        assert!(leases.hold(DeviceId(3)).is_none());
        let (run, hold) = leases.hold(BOBBIN).unwrap();
        assert_eq!((run, leases.count()), (RunId(7), 2));
        let began = Instant::now();
        tokio::select! {
            () = hold.over() => panic!("it was renewed"),
            () = async {
                tokio::time::sleep(Duration::from_secs(8)).await;
                leases.renew(&[BOBBIN], Instant::now() + Duration::from_secs(10));
                tokio::time::sleep(Duration::from_secs(8)).await;
            } => {}
        }
        assert!(!hold.is_over() && leases.hold(THIMBLE).is_none(), "the store gave Thimble to another");
        hold.over().await;
        assert_eq!(began.elapsed(), Duration::from_secs(18));
        assert!(hold.is_over() && leases.hold(BOBBIN).is_none() && leases.count() == 0);
    }

    #[tokio::test(start_paused = true)]
    async fn whoever_polls_alone_goes_on_past_the_end_for_as_long_as_that_holds() {
        let leases = held(&[BOBBIN], 10);
        let (_, hold) = leases.hold(BOBBIN).unwrap();
        leases.go_beyond(true);
        let waited = tokio::time::timeout(Duration::from_secs(1000), hold.over()).await;
        assert!(waited.is_err() && leases.holds(BOBBIN));
        leases.go_beyond(false);
        hold.over().await;
        assert!(!leases.holds(BOBBIN));
    }

    #[tokio::test(start_paused = true)]
    async fn what_is_being_polled_is_not_let_go_and_what_was_lost_stays_lost() {
        let leases = held(&[BOBBIN, THIMBLE], 10);
        let (_, hold) = leases.hold(BOBBIN).unwrap();
        assert_eq!(leases.let_go(&[BOBBIN, THIMBLE, DeviceId(3)]), [THIMBLE]);
        leases.renew(&[], Instant::now());
        leases.add(&[BOBBIN], Instant::now() + Duration::from_secs(10));
        assert!(hold.is_over(), "it is another lease by now");
        hold.over().await;
        assert_eq!(leases.let_go(&[BOBBIN]), [BOBBIN]);
    }
}
