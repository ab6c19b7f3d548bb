//! Who waits for an answer, and from whom.

use std::collections::HashMap;
use std::hash::{BuildHasher, RandomState};
use std::net::SocketAddr;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use tokio::sync::{OwnedSemaphorePermit, Semaphore, mpsc};

use super::ber::{self, BerError, RawMessage};
use super::pdu::Version;

/// Locks a mutex whose contents are whole whatever happened to a thread that held it.
pub(super) fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

struct Waiting {
    version: Version,
    /// One for each datagram sent: an answer to any of them will do.
    ids: Vec<i32>,
    reply: mpsc::Sender<Vec<u8>>,
    fault: Option<BerError>,
}

/// What was done with a datagram.
#[derive(Debug, PartialEq, Eq)]
pub(super) enum Delivery {
    /// Somebody waited for it.
    Taken,
    /// Nobody did: late, double, forged, or from another address.
    Unasked,
    /// It is no message.
    Malformed,
}

/// The requests under way: one for each address at most, which is what makes an answer without a readable
/// number still tell its own request that the device speaks nonsense.
pub(super) struct Pending {
    waiting: Mutex<HashMap<SocketAddr, Waiting>>,
    next: AtomicU64,
    secret: RandomState,
}

impl Pending {
    pub(super) fn new() -> Self {
        Self { waiting: Mutex::default(), next: AtomicU64::new(0), secret: RandomState::new() }
    }

    /// Begins to wait for answers from `address`. At most eight stand unread; more are dropped.
    pub(super) fn wait(&self, address: SocketAddr, version: Version) -> Waiter<'_> {
        let (reply, replies) = mpsc::channel(8);
        lock(&self.waiting).insert(address, Waiting { version, ids: Vec::new(), reply, fault: None });
        Waiter { pending: self, address, replies }
    }

    /// Hands a datagram to the one who waits for it.
    pub(super) fn deliver(&self, from: SocketAddr, datagram: &[u8]) -> Delivery {
        let (version, id, length) = match ber::raw(datagram) {
            Ok(RawMessage::Community { version, pdu, .. }) => (version, pdu.request_id, datagram.len()),
            Ok(RawMessage::V3(message)) => (Version::V3, message.message_id, message.length),
            Err(fault) => {
                if let Some(waiting) = lock(&self.waiting).get_mut(&from) {
                    waiting.fault = Some(fault);
                }
                return Delivery::Malformed;
            }
        };
        let waiting = lock(&self.waiting);
        let Some(waiting) = waiting.get(&from).filter(|w| w.version == version && w.ids.contains(&id)) else {
            return Delivery::Unasked;
        };
        let message = datagram.get(..length).unwrap_or_default().to_vec();
        if waiting.reply.try_send(message).is_ok() { Delivery::Taken } else { Delivery::Unasked }
    }

    /// A number that nobody outside can guess, so that nobody outside can answer for a device.
    fn id(&self) -> i32 {
        let count = self.next.fetch_add(1, Ordering::Relaxed);
        #[allow(clippy::cast_possible_truncation, reason = "31 bits are wanted")]
        let id = (self.secret.hash_one(count) & 0x7fff_ffff) as i32;
        id
    }
}

/// Waits for answers from one address until it is dropped.
pub(super) struct Waiter<'a> {
    pending: &'a Pending,
    address: SocketAddr,
    replies: mpsc::Receiver<Vec<u8>>,
}

impl Waiter<'_> {
    /// The number for one more datagram.
    pub(super) fn id(&self) -> i32 {
        let id = self.pending.id();
        if let Some(waiting) = lock(&self.pending.waiting).get_mut(&self.address) {
            waiting.ids.push(id);
        }
        id
    }

    /// The next answer to any of the datagrams sent; `None` never, while it waits.
    pub(super) async fn reply(&mut self) -> Option<Vec<u8>> {
        self.replies.recv().await
    }

    /// What the device sent that was no message, if it did.
    pub(super) fn fault(&self) -> Option<BerError> {
        lock(&self.pending.waiting).get_mut(&self.address).and_then(|waiting| waiting.fault.take())
    }
}

impl Drop for Waiter<'_> {
    fn drop(&mut self) {
        lock(&self.pending.waiting).remove(&self.address);
    }
}

/// One lane for each device, as wide as one request: the processors in devices are small.
#[derive(Default)]
pub(super) struct Lanes(Mutex<HashMap<SocketAddr, Arc<Semaphore>>>);

/// A device's lane, held.
pub(super) struct Lane<'a> {
    lanes: &'a Lanes,
    address: SocketAddr,
    permit: Option<OwnedSemaphorePermit>,
}

impl Lanes {
    /// Waits until nobody else asks this device. `None` when the lanes are closed.
    pub(super) async fn enter(&self, address: SocketAddr) -> Option<Lane<'_>> {
        let gate = {
            let mut lanes = lock(&self.0);
            Arc::clone(lanes.entry(address).or_insert_with(|| Arc::new(Semaphore::new(1))))
        };
        // Made before the wait, so that a lane is tidied up even when the wait is given up.
        let mut lane = Lane { lanes: self, address, permit: None };
        lane.permit = gate.acquire_owned().await.ok();
        lane.permit.is_some().then_some(lane)
    }

    #[cfg(test)]
    pub(super) fn len(&self) -> usize {
        lock(&self.0).len()
    }
}

impl Drop for Lane<'_> {
    fn drop(&mut self) {
        self.permit = None;
        let mut lanes = lock(&self.lanes.0);
        if lanes.get(&self.address).is_some_and(|gate| Arc::strong_count(gate) == 1) {
            lanes.remove(&self.address);
        }
    }
}
