//! Version 3: which engine a device has, what its clock says, and what its reports mean (RFC 3414).

use std::collections::HashMap;
use std::net::SocketAddr;
use std::sync::{Arc, Mutex};

use tokio::sync::Semaphore;
use tokio::time::Instant;

use super::ask::{Question, RawPdu};
use super::ber::{
    self, BerError, COUNTER32, OBJECT_ID, REPORT, RawMessage, SEQUENCE, ScopedData, V3Message, Writer,
};
use super::credential::UsmUser;
use super::error::SnmpError;
use super::pdu::{PduKind, Version};
use super::pending::lock;
use super::transport::{Engine, Target, Verdict};
use super::usm_keys::{Closed, Keys, Masters};

/// The scalars that reports carry, 1.3.6.1.6.3.15.1.1 in octets: usmStats, RFC 3414 §5.
const USM_STATS: &[u8] = &[0x2b, 6, 1, 6, 3, 15, 1, 1];
/// How far a message may lag behind (RFC 3414 §2.2.3), seconds.
pub(super) const WINDOW: i64 = 150;
/// The boot counter at which an engine has run out of clock.
pub(super) const LAST_BOOT: i64 = 0x7fff_ffff;
/// How many engines and keys are remembered before all are forgotten and learnt again.
pub(super) const MOST_KEPT: usize = 32_768;
/// How many processors the making of keys may take at once.
const DERIVING: usize = 2;

/// An engine as it is known.
#[derive(Clone)]
pub(super) struct Known {
    engine_id: Arc<[u8]>,
    boots: i64,
    time: i64,
    read_at: Instant,
    /// A signed message came from it.
    proven: bool,
}

impl Known {
    /// Boots and time as its clock shows them `now`.
    pub(super) fn clock(&self, now: Instant) -> (i64, i64) {
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
    masters: Mutex<HashMap<UsmUser, Arc<Masters>>>,
    deriving: Semaphore,
}

/// What came of one exchange.
enum Outcome<T> {
    Answer(T),
    /// The clock was off; it is set now.
    ClockSet,
    /// The engine is not the one that was known.
    OtherEngine,
}

/// What a message turned out to be.
pub(super) enum Heard<'a> {
    /// The answer.
    Answer(RawPdu<'a>),
    /// The clock was off; it is set now.
    ClockSet,
    /// The engine is not the one that was known.
    OtherEngine,
    /// The device refuses the user, and asking again will not help.
    Refusal(Reason),
    /// Nothing that can be trusted: as good as none.
    Nothing,
    /// Signed, and nonsense.
    Broken(BerError),
}

/// What a report says.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Reason {
    UnsupportedSecurityLevel,
    NotInTimeWindow,
    UnknownUser,
    UnknownEngine,
    WrongDigest,
    Decryption,
    Other,
}

impl Reason {
    fn of(report: &RawPdu<'_>) -> Self {
        let arc = report.values.into_iter().find_map(|varbind| varbind.name.strip_prefix(USM_STATS)?.first());
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

    /// The number of its counter in usmStats.
    pub(super) fn counter(self) -> Option<u8> {
        match self {
            Self::UnsupportedSecurityLevel => Some(1),
            Self::NotInTimeWindow => Some(2),
            Self::UnknownUser => Some(3),
            Self::UnknownEngine => Some(4),
            Self::WrongDigest => Some(5),
            Self::Decryption => Some(6),
            Self::Other => None,
        }
    }

    /// As an error about a device.
    pub(super) fn error(self, address: SocketAddr, user: &UsmUser) -> SnmpError {
        let name = user.name().to_owned();
        match self {
            Self::UnknownUser => SnmpError::UnknownUser { address, user: name },
            Self::WrongDigest => SnmpError::WrongPasswordOrProtocol { address, user: name },
            Self::UnsupportedSecurityLevel => {
                SnmpError::UnsupportedSecurityLevel { address, user: name, level: user.level() }
            }
            Self::Decryption => SnmpError::Decryption { address, user: name },
            Self::NotInTimeWindow | Self::UnknownEngine | Self::Other => SnmpError::Clock { address },
        }
    }
}

impl Known {
    /// An engine by what one of its messages says.
    pub(super) fn of(engine_id: &[u8], (boots, time): (i64, i64), now: Instant) -> Self {
        Self {
            engine_id: engine_id.into(),
            boots: boots.clamp(0, LAST_BOOT),
            time: time.clamp(0, LAST_BOOT),
            read_at: now,
            proven: false,
        }
    }

    /// Makes sense of a message, and learns from it only what its signature vouches for.
    pub(super) fn hear<'a>(
        &mut self,
        keys: &Keys,
        datagram: &[u8],
        message: &V3Message<'a>,
        clear: &'a mut Vec<u8>,
        now: Instant,
    ) -> Heard<'a> {
        let opened = match keys.open(datagram, message, clear) {
            Ok(opened) => opened,
            Err(Closed::NotOurs) => return Heard::Nothing,
            Err(Closed::Broken(fault)) => return Heard::Broken(fault),
        };
        if opened.pdu.kind == PduKind::Report {
            return match Reason::of(&opened.pdu) {
                // Signed, and in answer to a number that nobody could foresee: it is fresh, so it may set
                // the clock back as well, which a device needs that lost its own.
                Reason::NotInTimeWindow if opened.signed => {
                    (self.boots, self.time, self.read_at) = (opened.clock.0, opened.clock.1, now);
                    self.proven = true;
                    Heard::ClockSet
                }
                Reason::NotInTimeWindow | Reason::UnknownEngine => Heard::OtherEngine,
                Reason::Other => Heard::Nothing,
                reason => Heard::Refusal(reason),
            };
        }
        if opened.signed && !self.is_timely(opened.clock, now) {
            return Heard::Nothing;
        }
        Heard::Answer(opened.pdu)
    }

    /// RFC 3414 §3.2 step 7b: whether a signed message is of now, and what it teaches about the clock.
    pub(super) fn is_timely(&mut self, (boots, time): (i64, i64), at: Instant) -> bool {
        let (known_boots, now) = self.clock(at);
        if boots == LAST_BOOT || boots < known_boots || (boots == known_boots && time < now - WINDOW) {
            return false;
        }
        self.proven = true;
        if boots > known_boots || time > now {
            (self.boots, self.time, self.read_at) = (boots, time, at);
        }
        true
    }

    /// The engine's octets.
    pub(super) fn engine_id(&self) -> &Arc<[u8]> {
        &self.engine_id
    }

    /// Whether a signed message came from it.
    pub(super) fn is_proven(&self) -> bool {
        self.proven
    }
}

impl Usm {
    pub(super) fn new() -> Self {
        Self {
            engines: Mutex::default(),
            keys: Mutex::default(),
            masters: Mutex::default(),
            deriving: Semaphore::new(DERIVING),
        }
    }

    /// Asks a device as a user: finds its engine first if it is not known, sets the clock once if the
    /// device finds it wrong, and looks for another engine once if the device says that it has one.
    pub(super) async fn ask<T>(
        &self,
        engine: &Engine,
        target: &Target,
        user: &UsmUser,
        question: &Question<'_>,
        mut take: impl FnMut(&RawPdu<'_>, usize) -> Result<T, SnmpError>,
    ) -> Result<T, SnmpError> {
        let address = target.address;
        let (mut set, mut found) = (false, false);
        loop {
            let known = match self.known(address) {
                Some(known) => known,
                None => self.discover(engine, target).await?,
            };
            let keys = self.keys(address, user, &known.engine_id).await?;
            let mut clear = Vec::new();
            let outcome = engine
                .exchange(
                    target,
                    Version::V3,
                    |id, out| {
                        let clock =
                            self.known(address).unwrap_or_else(|| known.clone()).clock(Instant::now());
                        keys.seal(out, clock, id, question);
                    },
                    |datagram| self.judge(address, user, &keys, datagram, &mut clear, &mut take),
                )
                .await;
            match outcome {
                Ok(Outcome::Answer(answer)) => return Ok(answer),
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
        let proven = self.known(address).is_some_and(|now| now.proven) || known.proven;
        self.forget(target.address);
        if proven || user.privacy().is_none() {
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
                |id, out| out.extend_from_slice(&ber::encode_empty_v3(id, &[])),
                |datagram| Ok(discovered(datagram, Instant::now()).map_or(Verdict::Ignore, Verdict::Done)),
            )
            .await?;
        let mut engines = lock(&self.engines);
        if engines.len() >= MOST_KEPT {
            engines.clear();
        }
        engines.insert(address, known.clone());
        Ok(known)
    }

    fn judge<T>(
        &self,
        address: SocketAddr,
        user: &UsmUser,
        keys: &Keys,
        datagram: &[u8],
        clear: &mut Vec<u8>,
        take: &mut impl FnMut(&RawPdu<'_>, usize) -> Result<T, SnmpError>,
    ) -> Result<Verdict<Outcome<T>>, SnmpError> {
        let Ok(RawMessage::V3(message)) = ber::raw(datagram) else { return Ok(Verdict::Ignore) };
        let Some(mut known) = self.known(address) else { return Ok(Verdict::Ignore) };
        let heard = known.hear(keys, datagram, &message, clear, Instant::now());
        if matches!(heard, Heard::Answer(_) | Heard::ClockSet)
            && let Some(kept) = lock(&self.engines).get_mut(&address)
        {
            *kept = known;
        }
        match heard {
            Heard::Answer(pdu) => take(&pdu, datagram.len()).map(Outcome::Answer).map(Verdict::Done),
            Heard::ClockSet => Ok(Verdict::Done(Outcome::ClockSet)),
            Heard::OtherEngine => Ok(Verdict::Done(Outcome::OtherEngine)),
            Heard::Refusal(reason) => Err(reason.error(address, user)),
            Heard::Nothing => Ok(Verdict::Ignore),
            Heard::Broken(source) => Err(SnmpError::Malformed { address, source }),
        }
    }

    /// A user's keys before they are bound to an engine, if a poll has made them.
    pub(super) fn masters(&self, user: &UsmUser) -> Option<Arc<Masters>> {
        lock(&self.masters).get(user).cloned()
    }

    fn known(&self, address: SocketAddr) -> Option<Known> {
        lock(&self.engines).get(&address).cloned()
    }

    fn forget(&self, address: SocketAddr) {
        lock(&self.engines).remove(&address);
    }

    pub(super) async fn keys(
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
        let known = self.masters(user);
        let (engine_id, of) = name.clone();
        let (masters, keys) = tokio::task::spawn_blocking(move || {
            let masters = known.unwrap_or_else(|| Arc::new(Masters::derive(&of)));
            let keys = Keys::bind(&masters, &of, &engine_id);
            (masters, keys)
        })
        .await
        .map_err(|_| SnmpError::Stopped { address })?;
        remember(&mut lock(&self.masters), user.clone(), masters);
        let keys = Arc::new(keys);
        remember(&mut lock(&self.keys), name, Arc::clone(&keys));
        Ok(keys)
    }
}

fn remember<K: std::hash::Hash + Eq, V>(kept: &mut HashMap<K, V>, name: K, value: V) {
    if kept.len() >= MOST_KEPT {
        kept.clear();
    }
    kept.insert(name, value);
}

/// The engine that a report names.
pub(super) fn discovered(datagram: &[u8], now: Instant) -> Option<Known> {
    let Ok(RawMessage::V3(message)) = ber::raw(datagram) else { return None };
    let ScopedData::Plain(contents) = message.data else { return None };
    let report = ber::raw_scoped(contents).ok()?;
    let named = report.kind == PduKind::Report && (1..=32).contains(&message.engine_id.len());
    named.then(|| Known::of(message.engine_id, (message.boots, message.time), now))
}

/// A scoped PDU with the report of a counter of usmStats.
pub(super) fn write_report(engine_id: &[u8], request_id: i32, counter: u8, count: u32) -> Vec<u8> {
    let mut scoped = Writer::new();
    scoped.tagged(SEQUENCE, |w| {
        w.tagged(REPORT, |w| {
            w.tagged(SEQUENCE, |w| {
                w.tagged(SEQUENCE, |w| {
                    w.tagged(COUNTER32, |w| w.number(count.into()));
                    w.tagged(OBJECT_ID, |w| {
                        w.raw(&[counter, 0]);
                        w.raw(USM_STATS);
                    });
                });
            });
            w.integer(0);
            w.integer(0);
            w.integer(request_id.into());
        });
        w.octets(&[]);
        w.octets(engine_id);
    });
    scoped.finish()
}

#[cfg(test)]
mod tests;
