//! One socket for many devices: sends requests, matches answers by number and source address, waits no
//! longer than the deadline, and asks again.
//!
//! There is no task and no socket for a device. Each device is asked one thing at a time, and all of them
//! together no more than [`EngineOptions::max_in_flight`]. For one pass over a long list of devices there is
//! [`super::sweep`], which shares the codec and the plans with this.

use std::io;
use std::net::SocketAddr;
use std::os::fd::AsFd;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use tokio::io::Interest;
use tokio::net::UdpSocket;
use tokio::sync::Semaphore;
use tokio::task::AbortHandle;
use tokio::time::{Instant, sleep, timeout_at};

use super::ask::{self, Question, RawPdu};
use super::batch::{self, Arrivals};
use super::ber::{self, RawMessage};
use super::credential::{Credential, Secret, UsmUser};
use super::error::SnmpError;
use super::pdu::{ErrorStatus, Pdu, PduKind, Request, Version};
use super::pending::{Delivery, Lanes, Pending, lock};
use super::plans::Plans;
use super::usm::Usm;
use super::usm_keys::Masters;

/// How much longer each retry waits than the try before it.
const BACK_OFF: f64 = 1.5;
/// How many times the first deadline the last one may be.
const MOST_BACK_OFF: f64 = 4.0;
/// No try waits longer than this, whatever is asked for.
const LONGEST_WAIT: Duration = Duration::from_secs(3_600);

/// A device and how to read it.
#[derive(Debug, Clone)]
pub struct Target {
    /// Where its agent listens.
    pub address: SocketAddr,
    /// How it lets itself be read.
    pub credential: Arc<Credential>,
    /// How long the first try waits for an answer. Each retry waits half as long again, up to four times this.
    pub timeout: Duration,
    /// How often it is asked again.
    pub retries: u32,
}

/// How the engine is set up.
#[derive(Debug, Clone)]
pub struct EngineOptions {
    /// The most devices that are asked at the same moment. More wait their turn. Answers that come all at
    /// once have to fit the socket's receive buffer: a usual one holds some 90 answers of 1,472 octets; a
    /// larger one is asked for.
    pub max_in_flight: usize,
}

impl Default for EngineOptions {
    fn default() -> Self {
        Self { max_in_flight: 64 }
    }
}

/// What went over the wire since the engine was started.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct EngineStats {
    /// Datagrams sent.
    pub sent: u64,
    /// Datagrams received.
    pub received: u64,
    /// Of those, the ones that nobody waited for: late, double, forged, or from another address.
    pub unasked: u64,
    /// Of those, the ones that were no SNMP message.
    pub malformed: u64,
}

/// Asks devices. Cheap to clone; the clones share their sockets, and close them with the last one.
#[derive(Clone)]
pub struct Engine(Arc<Inner>);

struct Inner {
    sockets: Mutex<Sockets>,
    shared: Arc<Shared>,
    slots: Semaphore,
    lanes: Lanes,
    usm: Usm,
    plans: Plans,
    began: Instant,
}

/// What the receiving task has in common with the engine.
struct Shared {
    pending: Pending,
    sent: AtomicU64,
    received: AtomicU64,
    unasked: AtomicU64,
    malformed: AtomicU64,
}

#[derive(Default)]
struct Sockets {
    v4: Option<Open>,
    v6: Option<Open>,
}

struct Open {
    socket: Arc<UdpSocket>,
    receiver: AbortHandle,
}

impl Drop for Open {
    fn drop(&mut self) {
        self.receiver.abort();
    }
}

/// What the one who waits makes of a reply.
pub(super) enum Verdict<T> {
    /// This was it.
    Done(T),
    /// It was not; wait on.
    Ignore,
    /// It may be all that will come: wait on until this try is over, but do not ask again.
    Doubt,
}

impl Engine {
    /// Sets up an engine. Sockets are opened when the first device of an address family is asked.
    ///
    /// # Errors
    /// When there is no asynchronous runtime to receive on.
    pub fn start(options: &EngineOptions) -> Result<Self, SnmpError> {
        tokio::runtime::Handle::try_current()
            .map_err(|missing| SnmpError::Socket { source: io::Error::other(missing.to_string()) })?;
        Ok(Self(Arc::new(Inner {
            sockets: Mutex::default(),
            shared: Arc::new(Shared {
                pending: Pending::new(),
                sent: AtomicU64::new(0),
                received: AtomicU64::new(0),
                unasked: AtomicU64::new(0),
                malformed: AtomicU64::new(0),
            }),
            slots: Semaphore::new(options.max_in_flight.clamp(1, Semaphore::MAX_PERMITS)),
            lanes: Lanes::default(),
            usm: Usm::new(),
            plans: Plans::default(),
            began: Instant::now(),
        })))
    }

    /// Asks a device, and gives back its response, with its error status unless that is
    /// authorizationError.
    ///
    /// # Errors
    /// When no answer came, when it can not be understood, or when the device refused the user or community.
    pub async fn request(&self, target: &Target, request: &Request) -> Result<Pdu, SnmpError> {
        let address = target.address;
        if target.credential.version() == Version::V1 && matches!(request, Request::GetBulk { .. }) {
            return Err(SnmpError::NoBulkInV1 { address });
        }
        let list = ask::names(request.oids());
        let question = Question { verb: ask::verb(request), list: &list, names: request.oids().len() };
        let pdu = self
            .ask(target, &question, |pdu, _| {
                pdu.owned().map_err(|source| SnmpError::Malformed { address, source })
            })
            .await?;
        fits(&pdu, &question, address)?;
        Ok(pdu)
    }

    /// Asks a device, and gives its response, whatever its error status unless that is authorizationError,
    /// to `take`, with the octets of its datagram.
    ///
    /// # Errors
    /// When no answer came, when it can not be understood, when the device refused the user or community,
    /// and what `take` says.
    pub(super) async fn ask<T>(
        &self,
        target: &Target,
        question: &Question<'_>,
        mut take: impl FnMut(&RawPdu<'_>, usize) -> Result<T, SnmpError>,
    ) -> Result<T, SnmpError> {
        let address = target.address;
        // The lane first: one who waits for a busy device must not hold a place that another could use.
        let _lane = self.0.lanes.enter(address).await.ok_or(SnmpError::Stopped { address })?;
        let _slot = self.0.slots.acquire().await.map_err(|_| SnmpError::Stopped { address })?;
        let take = |pdu: &RawPdu<'_>, octets: usize| match pdu.status {
            ErrorStatus::AuthorizationError => Err(not_allowed(address, &target.credential, pdu.status)),
            _ => take(pdu, octets),
        };
        match &*target.credential {
            Credential::V1 { community } => {
                self.by_community(target, Version::V1, community, question, take).await
            }
            Credential::V2c { community } => {
                self.by_community(target, Version::V2c, community, question, take).await
            }
            Credential::V3(user) => self.0.usm.ask(self, target, user, question, take).await,
        }
    }

    /// What is remembered of devices.
    pub(super) fn plans(&self) -> &Plans {
        &self.0.plans
    }

    /// A user's keys before they are bound to an engine, if a poll has made them.
    pub(super) fn masters(&self, user: &UsmUser) -> Option<Arc<Masters>> {
        self.0.usm.masters(user)
    }

    /// How long this engine has been at work.
    pub(super) fn age(&self) -> Duration {
        self.0.began.elapsed()
    }

    /// What went over the wire so far.
    #[must_use]
    pub fn stats(&self) -> EngineStats {
        let shared = &self.0.shared;
        let read = |counter: &AtomicU64| counter.load(Ordering::Relaxed);
        EngineStats {
            sent: read(&shared.sent),
            received: read(&shared.received),
            unasked: read(&shared.unasked),
            malformed: read(&shared.malformed),
        }
    }

    async fn by_community<T>(
        &self,
        target: &Target,
        version: Version,
        community: &Secret,
        question: &Question<'_>,
        mut take: impl FnMut(&RawPdu<'_>, usize) -> Result<T, SnmpError>,
    ) -> Result<T, SnmpError> {
        self.exchange(
            target,
            version,
            |id, out| question.write(out, version, community.expose().as_bytes(), id),
            |datagram| match ber::raw(datagram) {
                Ok(RawMessage::Community { pdu, .. }) if pdu.kind == PduKind::Response => {
                    take(&pdu, datagram.len()).map(Verdict::Done)
                }
                _ => Ok(Verdict::Ignore),
            },
        )
        .await
    }

    /// Sends what `write` makes, again after each deadline, until `judge` is content with a reply.
    pub(super) async fn exchange<T>(
        &self,
        target: &Target,
        version: Version,
        mut write: impl FnMut(i32, &mut Vec<u8>),
        mut judge: impl FnMut(&[u8]) -> Result<Verdict<T>, SnmpError>,
    ) -> Result<T, SnmpError> {
        let address = target.address;
        let socket = self.socket(address)?;
        let shared = &self.0.shared;
        let mut waiter = shared.pending.wait(address, version);
        let started = Instant::now();
        let mut datagram = Vec::with_capacity(1_024);
        let tries = target.retries.saturating_add(1);
        let mut doubt = false;
        for attempt in 0..tries {
            if doubt {
                break;
            }
            datagram.clear();
            write(waiter.id(), &mut datagram);
            let deadline = Instant::now() + patience(target.timeout, attempt);
            socket.send_to(&datagram, address).await.map_err(|source| SnmpError::Send { address, source })?;
            shared.sent.fetch_add(1, Ordering::Relaxed);
            while let Ok(reply) = timeout_at(deadline, waiter.reply()).await {
                match judge(&reply.ok_or(SnmpError::Stopped { address })?)? {
                    Verdict::Done(done) => return Ok(done),
                    Verdict::Ignore => {}
                    Verdict::Doubt => doubt = true,
                }
            }
        }
        Err(match waiter.fault() {
            Some(source) => SnmpError::Malformed { address, source },
            None => SnmpError::NoAnswer { address, tries, waited: started.elapsed() },
        })
    }

    fn socket(&self, address: SocketAddr) -> Result<Arc<UdpSocket>, SnmpError> {
        let mut sockets = lock(&self.0.sockets);
        let slot = if address.is_ipv6() { &mut sockets.v6 } else { &mut sockets.v4 };
        if let Some(open) = slot {
            return Ok(Arc::clone(&open.socket));
        }
        let socket = batch::open(address.is_ipv6()).and_then(|(socket, _)| UdpSocket::from_std(socket));
        let socket = Arc::new(socket.map_err(|source| SnmpError::Socket { source })?);
        let receiver = tokio::spawn(receive(Arc::clone(&socket), Arc::clone(&self.0.shared))).abort_handle();
        *slot = Some(Open { socket: Arc::clone(&socket), receiver });
        Ok(socket)
    }

    /// Makes a user's keys as a poll does.
    #[cfg(test)]
    pub(super) async fn make_masters(&self, user: &UsmUser) {
        let nobody = SocketAddr::from(([127, 0, 0, 1], 161));
        self.0.usm.keys(nobody, user, &Arc::from([])).await.map(drop).unwrap();
    }

    #[cfg(test)]
    pub(super) fn busy_lanes(&self) -> usize {
        self.0.lanes.len()
    }
}

/// Takes what comes, by the batch, and hands it to those who wait.
async fn receive(socket: Arc<UdpSocket>, shared: Arc<Shared>) {
    let mut arrivals = Arrivals::new();
    loop {
        match socket.async_io(Interest::READABLE, || arrivals.receive(socket.as_fd())).await {
            Ok(came) => {
                shared.received.fetch_add(came as u64, Ordering::Relaxed);
                for (from, datagram) in (0..came).filter_map(|at| arrivals.get(at)) {
                    match shared.pending.deliver(from, datagram) {
                        Delivery::Taken => {}
                        Delivery::Unasked => _ = shared.unasked.fetch_add(1, Ordering::Relaxed),
                        Delivery::Malformed => _ = shared.malformed.fetch_add(1, Ordering::Relaxed),
                    }
                }
            }
            Err(error) => {
                // What a network says about one device (unreachable, refused) is no reason to stop hearing
                // the others; the pause keeps a lasting fault from taking a whole processor.
                tracing::warn!(%error, "the SNMP socket could not receive");
                sleep(Duration::from_millis(20)).await;
            }
        }
    }
}

pub(super) fn patience(timeout: Duration, attempt: u32) -> Duration {
    let longer = BACK_OFF.powi(attempt.min(16).cast_signed()).min(MOST_BACK_OFF);
    Duration::try_from_secs_f64(timeout.as_secs_f64() * longer).unwrap_or(LONGEST_WAIT).min(LONGEST_WAIT)
}

/// Access is refused by view and by level (RFC 3415): a user with privacy in the device, but not here, is the
/// usual cause.
pub(super) fn not_allowed(address: SocketAddr, credential: &Credential, status: ErrorStatus) -> SnmpError {
    match credential {
        Credential::V3(user) => {
            SnmpError::UnsupportedSecurityLevel { address, user: user.name().into(), level: user.level() }
        }
        Credential::V1 { .. } | Credential::V2c { .. } => SnmpError::Agent { address, status, oid: None },
    }
}

/// Whether a response has as many values as were asked for.
fn fits(pdu: &Pdu, question: &Question<'_>, address: SocketAddr) -> Result<(), SnmpError> {
    let came = pdu.varbinds.len();
    let fits = match question.most() {
        _ if pdu.status != ErrorStatus::NoError => true,
        (most, true) => came <= most,
        (most, false) => came == most,
    };
    if fits {
        Ok(())
    } else {
        Err(SnmpError::Unfitting { address, what: "there are more or fewer values than names" })
    }
}

#[cfg(test)]
mod tests;
