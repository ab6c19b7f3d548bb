//! Listens for notifications, and passes on which devices may have something to say.
//!
//! Whoever is not known does not get past its address; whoever is may send only so much. A known device's
//! address can be forged, so that the most that a hint does is one poll a little early.

use std::collections::{HashMap, HashSet};
use std::net::IpAddr;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use tokio::net::UdpSocket;
use tokio::sync::mpsc;
use tokio::time::Instant;
use tokio_util::sync::CancellationToken;
use tracing::debug;

use crate::domain::ids::DeviceId;
use crate::snmp::credential::Credential;
use crate::snmp::notification::Listener;

/// Hints that wait to be looked at; more are dropped, since the schedule finds the same out later.
pub const WAITING: usize = 256;
/// No notification that the standards know is longer.
const DATAGRAM: usize = 8192;
/// How many datagrams an address may send at once. An inform of version 3 may take three.
const BURST: u32 = 32;
/// After this long it may send one more.
const REFILL: Duration = Duration::from_millis(500);

/// Who may send notifications: the devices that were asked so far, by the address that they were found at.
#[derive(Clone, Default)]
pub struct Callers(Arc<Mutex<HashMap<IpAddr, Caller>>>);

/// The devices at one address. There may be several: printers behind one print server.
#[derive(Default)]
struct Caller {
    devices: HashMap<DeviceId, Arc<Credential>>,
    allowance: Allowance,
}

impl Callers {
    /// Learns where a device is, and how it lets itself be read.
    pub fn learn(&self, device: DeviceId, address: IpAddr, credential: Arc<Credential>) {
        let mut callers = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let address = address.to_canonical();
        let known = callers.get(&address).and_then(|caller| caller.devices.get(&device));
        if known.is_none() {
            forget(&mut callers, |known| known != device);
        }
        callers.entry(address).or_default().devices.insert(device, credential);
    }

    /// Forgets the devices that are no longer watched.
    pub fn retain(&self, watched: &HashSet<DeviceId>) {
        let mut callers = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        if callers.values().any(|caller| caller.devices.keys().any(|device| !watched.contains(device))) {
            forget(&mut callers, |device| watched.contains(&device));
        }
    }

    /// The devices at an address, if there are any and it has not sent too much of late.
    fn admit(&self, address: IpAddr, now: Instant) -> Option<Vec<(DeviceId, Arc<Credential>)>> {
        let mut callers = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let caller = callers.get_mut(&address.to_canonical())?;
        caller.allowance.take(now).then(|| {
            caller.devices.iter().map(|(device, credential)| (*device, Arc::clone(credential))).collect()
        })
    }
}

fn forget(callers: &mut HashMap<IpAddr, Caller>, stays: impl Fn(DeviceId) -> bool) {
    callers.retain(|_, caller| {
        caller.devices.retain(|device, _| stays(*device));
        !caller.devices.is_empty()
    });
}

/// What an address may still send.
#[derive(Default)]
struct Allowance {
    /// How much it has sent that has not grown back yet.
    used: u32,
    since: Option<Instant>,
}

impl Allowance {
    /// Takes one, if there is one left.
    fn take(&mut self, now: Instant) -> bool {
        let since = *self.since.get_or_insert(now);
        let grown = now.saturating_duration_since(since).as_nanos() / REFILL.as_nanos();
        let grown = u32::try_from(grown).unwrap_or(u32::MAX);
        self.used = self.used.saturating_sub(grown);
        self.since = Some(since + REFILL.saturating_mul(grown.min(1 << 20)));
        if self.used == 0 {
            self.since = Some(now);
        }
        let may = self.used < BURST;
        self.used += u32::from(may);
        may
    }
}

/// Takes notifications from a socket until it is told to stop. Informs are acknowledged; whose alert is told of
/// is passed on.
pub async fn listen(
    socket: UdpSocket,
    callers: Callers,
    mut listener: Listener,
    hints: mpsc::Sender<DeviceId>,
    stop: CancellationToken,
) {
    let mut buffer = vec![0_u8; DATAGRAM];
    loop {
        let received = tokio::select! {
            () = stop.cancelled() => return,
            received = socket.recv_from(&mut buffer) => received,
        };
        // An error here tells of an earlier acknowledgement that nobody took; the socket goes on working.
        let Ok((length, from)) = received else { continue };
        let Some(devices) = callers.admit(from.ip(), Instant::now()) else {
            debug!(%from, "a notification was dropped: no device is known there, or it sends too many");
            continue;
        };
        let credentials: Vec<Arc<Credential>> =
            devices.iter().map(|(_, credential)| Arc::clone(credential)).collect();
        let Some(heard) = listener.hear(buffer.get(..length).unwrap_or_default(), &credentials) else {
            debug!(%from, "a notification was dropped: it is none, or nothing vouches for its sender");
            continue;
        };
        if let Some(answer) = heard.answer {
            let _ = socket.send_to(&answer, from).await;
        }
        for (device, _) in devices.iter().filter(|_| heard.printer_alert) {
            if hints.try_send(*device).is_err() {
                debug!(%from, "a notification was dropped: too many wait");
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn community() -> Arc<Credential> {
        Arc::new(Credential::v2c("public").unwrap())
    }

    fn at(last: u8) -> IpAddr {
        IpAddr::from([192, 0, 2, last])
    }

    fn admitted(callers: &Callers, last: u8) -> Vec<DeviceId> {
        let mut devices: Vec<DeviceId> =
            callers.admit(at(last), Instant::now()).into_iter().flatten().map(|(device, _)| device).collect();
        devices.sort_unstable();
        devices
    }

    #[test]
    fn only_known_devices_are_heard_and_only_where_they_are() {
        let callers = Callers::default();
        assert_eq!(admitted(&callers, 1), []);
        callers.learn(DeviceId(1), at(1), community());
        callers.learn(DeviceId(2), at(1), community());
        // An address of version 4 as a socket of version 6 shows it.
        callers.learn(DeviceId(3), IpAddr::from([0, 0, 0, 0, 0, 0xffff, 0xc000, 0x0203]), community());
        assert_eq!(admitted(&callers, 1), [DeviceId(1), DeviceId(2)]);
        assert_eq!(admitted(&callers, 3), [DeviceId(3)]);
        // It moved.
        callers.learn(DeviceId(2), at(2), community());
        assert_eq!((admitted(&callers, 1), admitted(&callers, 2)), (vec![DeviceId(1)], vec![DeviceId(2)]));
        callers.retain(&HashSet::from([DeviceId(2)]));
        assert_eq!((admitted(&callers, 1), admitted(&callers, 2)), (vec![], vec![DeviceId(2)]));
    }

    #[test]
    fn who_sends_too_much_waits_and_others_do_not() {
        let callers = Callers::default();
        callers.learn(DeviceId(1), at(1), community());
        callers.learn(DeviceId(2), at(2), community());
        let began = Instant::now();
        let taken =
            |last, after| (0..100).filter(|_| callers.admit(at(last), began + after).is_some()).count();
        assert_eq!(taken(1, Duration::ZERO), 32);
        assert_eq!(taken(2, Duration::ZERO), 32);
        assert_eq!(taken(1, REFILL * 3 / 2), 1);
        assert_eq!(taken(1, REFILL * 2), 1, "half of what grew was not lost");
        assert_eq!(taken(1, REFILL * 1_000), 32);
    }
}
