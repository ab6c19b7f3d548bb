//! Version 3: asks a device as a user. Finds its engine, keeps its clock and its keys, and makes errors of
//! what its reports say (RFC 3414).

mod known;

use std::collections::HashMap;
use std::net::SocketAddr;
use std::sync::{Arc, Mutex};

use tokio::sync::Semaphore;
use tokio::time::Instant;

use super::ask::{Question, RawPdu};
use super::ber::{self, RawMessage};
use super::credential::UsmUser;
use super::error::SnmpError;
use super::pdu::Version;
use super::pending::lock;
use super::transport::{Engine, Target, Verdict};
use super::usm_keys::{Keys, Masters};
pub(super) use known::{Heard, Known, LAST_BOOT, Reason, WINDOW, discovered, write_report};

/// How many engines and keys are remembered before all are forgotten and learnt again.
pub(super) const MOST_KEPT: usize = 32_768;
/// How many processors the making of keys may take at once.
const DERIVING: usize = 2;

type KeyName = (Arc<[u8]>, UsmUser);

/// What is known of all engines, and the keys to them.
pub(super) struct Usm {
    engines: Mutex<HashMap<SocketAddr, Known>>,
    keys: Mutex<HashMap<KeyName, Arc<Keys>>>,
    masters: Mutex<HashMap<UsmUser, Arc<Masters>>>,
    deriving: Semaphore,
}

/// What an exchange keeps while it waits.
#[derive(Default)]
struct Hearing {
    /// What was decrypted.
    clear: Vec<u8>,
    /// What an unsigned report said.
    doubt: Option<Reason>,
}

/// What came of one exchange.
enum Outcome<T> {
    Answer(T),
    /// The clock was off; it is set now.
    ClockSet,
    /// The engine is not the one that was known.
    OtherEngine,
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
            let keys = self.keys(address, user, known.engine_id()).await?;
            let mut hearing = Hearing::default();
            let outcome = engine
                .exchange(
                    target,
                    Version::V3,
                    |id, out| {
                        let clock =
                            self.known(address).unwrap_or_else(|| known.clone()).clock(Instant::now());
                        keys.seal(out, clock, id, question);
                    },
                    |datagram| self.judge(address, user, &keys, datagram, &mut hearing, &mut take),
                )
                .await;
            let outcome = match (outcome, hearing.doubt) {
                // Nothing better came than the unsigned report: so it was true.
                (Err(SnmpError::NoAnswer { .. }), Some(reason)) => match reason.refusal(address, user) {
                    Some(refusal) => Err(refusal),
                    None => Ok(Outcome::OtherEngine),
                },
                (outcome, _) => outcome,
            };
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
        let proven = self.known(address).is_some_and(|now| now.is_proven()) || known.is_proven();
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
        hearing: &mut Hearing,
        take: &mut impl FnMut(&RawPdu<'_>, usize) -> Result<T, SnmpError>,
    ) -> Result<Verdict<Outcome<T>>, SnmpError> {
        let Ok(RawMessage::V3(message)) = ber::raw(datagram) else { return Ok(Verdict::Ignore) };
        let Some(mut known) = self.known(address) else { return Ok(Verdict::Ignore) };
        let heard = known.hear(keys, datagram, &message, &mut hearing.clear, Instant::now());
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
            Heard::Doubtful(reason) => {
                hearing.doubt = Some(reason);
                Ok(Verdict::Doubt)
            }
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

#[cfg(test)]
mod tests;
