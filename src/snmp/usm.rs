//! Version 3: which engine a device has, what its clock says, and what its reports mean (RFC 3414).

use std::collections::HashMap;
use std::net::SocketAddr;
use std::sync::{Arc, Mutex};

use tokio::sync::Semaphore;
use tokio::time::Instant;

use super::ber::{self, Message, ScopedData};
use super::credential::UsmUser;
use super::error::SnmpError;
use super::oid::Oid;
use super::pdu::{Pdu, PduKind, Request, Version};
use super::pending::{Reply, lock};
use super::transport::{Engine, Target, Verdict};
use super::usm_keys::{Closed, Keys, Opened};

/// The scalars that reports carry: usmStats, RFC 3414 §5.
const USM_STATS: Oid = Oid::constant(&[1, 3, 6, 1, 6, 3, 15, 1, 1]);
/// How far a message may lag behind (RFC 3414 §2.2.3), seconds.
const WINDOW: i64 = 150;
/// The boot counter at which an engine has run out of clock.
const LAST_BOOT: i64 = 0x7fff_ffff;
/// How many engines and keys are remembered before all are forgotten and learnt again.
const MOST_KEPT: usize = 32_768;
/// How many processors the making of keys may take at once.
const DERIVING: usize = 2;

/// An engine as it is known.
#[derive(Clone)]
struct Known {
    engine_id: Arc<[u8]>,
    boots: i64,
    time: i64,
    read_at: Instant,
    /// A signed message came from it.
    proven: bool,
}

impl Known {
    /// Boots and time as its clock shows them `now`.
    fn clock(&self, now: Instant) -> (i64, i64) {
        let passed = now.saturating_duration_since(self.read_at).as_secs();
        let passed = i64::try_from(passed).unwrap_or(i64::MAX);
        (self.boots, self.time.saturating_add(passed).min(LAST_BOOT))
    }
}

type KeyName = (Arc<[u8]>, UsmUser);

/// What is known of all engines, and the keys to them.
pub(super) struct Usm {
    engines: Mutex<HashMap<SocketAddr, Known>>,
    keys: Mutex<HashMap<KeyName, Arc<Keys>>>,
    deriving: Semaphore,
}

/// What came of one exchange.
enum Outcome {
    Answer(Pdu),
    /// The clock was off; it is set now.
    ClockSet,
    /// The engine is not the one that was known.
    OtherEngine,
}

/// What a report says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Reason {
    UnsupportedSecurityLevel,
    NotInTimeWindow,
    UnknownUser,
    UnknownEngine,
    WrongDigest,
    Decryption,
    Other,
}

impl Reason {
    fn of(report: &Pdu) -> Self {
        let arc = report.varbinds.iter().find_map(|varbind| varbind.oid.suffix(&USM_STATS)?.first());
        match arc {
            Some(1) => Self::UnsupportedSecurityLevel,
            Some(2) => Self::NotInTimeWindow,
            Some(3) => Self::UnknownUser,
            Some(4) => Self::UnknownEngine,
            Some(5) => Self::WrongDigest,
            Some(6) => Self::Decryption,
            _ => Self::Other,
        }
    }
}

impl Usm {
    pub(super) fn new() -> Self {
        Self { engines: Mutex::default(), keys: Mutex::default(), deriving: Semaphore::new(DERIVING) }
    }

    /// Asks a device as a user: finds its engine first if it is not known, sets the clock once if the
    /// device finds it wrong, and looks for another engine once if the device says that it has one.
    pub(super) async fn request(
        &self,
        engine: &Engine,
        target: &Target,
        user: &UsmUser,
        request: &Request,
    ) -> Result<Pdu, SnmpError> {
        let address = target.address;
        let (mut set, mut found) = (false, false);
        loop {
            let known = match self.known(address) {
                Some(known) => known,
                None => self.discover(engine, target).await?,
            };
            let keys = self.keys(address, user, &known.engine_id).await?;
            let outcome = engine
                .exchange(
                    target,
                    Version::V3,
                    |id| {
                        let clock =
                            self.known(address).unwrap_or_else(|| known.clone()).clock(Instant::now());
                        keys.seal(clock, id, request).map_err(|what| security(address, user, what))
                    },
                    |reply| self.judge(target, user, &keys, &reply),
                )
                .await;
            match outcome {
                Ok(Outcome::Answer(pdu)) => return Ok(pdu),
                Ok(Outcome::ClockSet) if !set => set = true,
                Ok(Outcome::ClockSet) => return Err(SnmpError::Clock { address }),
                Ok(Outcome::OtherEngine) if !found => {
                    found = true;
                    self.forget(address);
                }
                Ok(Outcome::OtherEngine) => {
                    return Err(SnmpError::Engine { address, what: "it says no to the one it just gave" });
                }
                Err(error) => return Err(self.silence(error, &known, target, user)),
            }
        }
    }

    /// After silence the engine is looked for anew next time: the device may have been exchanged. One that
    /// answered discovery, but never this user, most likely cannot decrypt what it is sent.
    fn silence(&self, error: SnmpError, known: &Known, target: &Target, user: &UsmUser) -> SnmpError {
        let SnmpError::NoAnswer { address, tries, .. } = error else { return error };
        self.forget(target.address);
        if known.proven || user.privacy().is_none() {
            return error;
        }
        SnmpError::SilentToUser { address, user: user.name().into(), tries }
    }

    /// RFC 3414 §4: an empty message to nobody, which an engine answers with a report that names it. Its
    /// clock is taken for a first guess; the device will say so if it is wrong.
    async fn discover(&self, engine: &Engine, target: &Target) -> Result<Known, SnmpError> {
        let address = target.address;
        let known = engine
            .exchange(
                target,
                Version::V3,
                |id| Ok(ber::encode_empty_v3(id, &[])),
                |reply| Ok(discovered(&reply).map_or(Verdict::Ignore, Verdict::Done)),
            )
            .await?;
        let mut engines = lock(&self.engines);
        if engines.len() >= MOST_KEPT {
            engines.clear();
        }
        engines.insert(address, known.clone());
        Ok(known)
    }

    fn judge(
        &self,
        target: &Target,
        user: &UsmUser,
        keys: &Keys,
        reply: &Reply,
    ) -> Result<Verdict<Outcome>, SnmpError> {
        let address = target.address;
        let Reply::Datagram(datagram) = reply else { return Ok(Verdict::Ignore) };
        let opened = match keys.open(datagram) {
            Ok(opened) => opened,
            Err(Closed::NotOurs) => return Ok(Verdict::Ignore),
            Err(Closed::Broken(source)) => return Err(SnmpError::Malformed { address, source }),
            Err(Closed::Unspeakable(what)) => return Err(SnmpError::Unfitting { address, what }),
        };
        if opened.pdu.kind == PduKind::Report {
            return self.report(address, user, &opened);
        }
        if opened.signed && !self.timely(address, opened.clock) {
            return Ok(Verdict::Ignore);
        }
        Ok(Verdict::Done(Outcome::Answer(opened.pdu)))
    }

    fn report(
        &self,
        address: SocketAddr,
        user: &UsmUser,
        opened: &Opened,
    ) -> Result<Verdict<Outcome>, SnmpError> {
        let name = || user.name().to_owned();
        match Reason::of(&opened.pdu) {
            // Signed, and in answer to a number that nobody could foresee: it is fresh, so it may set the
            // clock back as well, which a device needs that lost its own.
            Reason::NotInTimeWindow if opened.signed => {
                self.set_clock(address, opened.clock);
                Ok(Verdict::Done(Outcome::ClockSet))
            }
            Reason::NotInTimeWindow | Reason::UnknownEngine => Ok(Verdict::Done(Outcome::OtherEngine)),
            Reason::UnknownUser => Err(SnmpError::UnknownUser { address, user: name() }),
            Reason::WrongDigest => Err(SnmpError::WrongPasswordOrProtocol { address, user: name() }),
            Reason::UnsupportedSecurityLevel => {
                Err(SnmpError::UnsupportedSecurityLevel { address, user: name(), level: user.level() })
            }
            Reason::Decryption => Err(SnmpError::Decryption { address, user: name() }),
            Reason::Other => Ok(Verdict::Ignore),
        }
    }

    /// RFC 3414 §3.2 step 7b: whether a signed message is of now, and what it teaches about the clock.
    fn timely(&self, address: SocketAddr, (boots, time): (i64, i64)) -> bool {
        let mut engines = lock(&self.engines);
        let Some(known) = engines.get_mut(&address) else { return true };
        let (known_boots, now) = known.clock(Instant::now());
        if boots == LAST_BOOT || boots < known_boots || (boots == known_boots && time < now - WINDOW) {
            return false;
        }
        known.proven = true;
        if boots > known_boots || time > now {
            (known.boots, known.time, known.read_at) = (boots, time, Instant::now());
        }
        true
    }

    fn set_clock(&self, address: SocketAddr, (boots, time): (i64, i64)) {
        if let Some(known) = lock(&self.engines).get_mut(&address) {
            (known.boots, known.time, known.read_at) = (boots, time, Instant::now());
            known.proven = true;
        }
    }

    fn known(&self, address: SocketAddr) -> Option<Known> {
        lock(&self.engines).get(&address).cloned()
    }

    fn forget(&self, address: SocketAddr) {
        lock(&self.engines).remove(&address);
    }

    async fn keys(
        &self,
        address: SocketAddr,
        user: &UsmUser,
        engine_id: &Arc<[u8]>,
    ) -> Result<Arc<Keys>, SnmpError> {
        let name = (Arc::clone(engine_id), user.clone());
        if let Some(keys) = lock(&self.keys).get(&name) {
            return Ok(Arc::clone(keys));
        }
        let _turn = self.deriving.acquire().await.map_err(|_| SnmpError::Stopped { address })?;
        let (engine_id, of) = name.clone();
        let keys = tokio::task::spawn_blocking(move || Keys::derive(&of, &engine_id))
            .await
            .map_err(|_| SnmpError::Stopped { address })?
            .map_err(|what| security(address, user, what))?;
        let keys = Arc::new(keys);
        let mut kept = lock(&self.keys);
        if kept.len() >= MOST_KEPT {
            kept.clear();
        }
        kept.insert(name, Arc::clone(&keys));
        Ok(keys)
    }
}

fn security(address: SocketAddr, user: &UsmUser, what: String) -> SnmpError {
    SnmpError::Security { address, user: user.name().into(), what }
}

/// The engine that a report names.
fn discovered(reply: &Reply) -> Option<Known> {
    let Reply::Datagram(datagram) = reply else { return None };
    let Ok(Message::V3(message)) = ber::decode(datagram) else { return None };
    let ScopedData::Plain(contents) = message.data else { return None };
    let report = ber::decode_scoped(contents).ok()?;
    let named = report.kind == PduKind::Report && (1..=32).contains(&message.engine_id.len());
    named.then(|| Known {
        engine_id: message.engine_id.into(),
        boots: message.boots.clamp(0, LAST_BOOT),
        time: message.time.clamp(0, LAST_BOOT),
        read_at: Instant::now(),
        proven: false,
    })
}

#[cfg(test)]
mod tests;
