//! Version 3: traps, whose engine is their sender's, and informs, whose engine is ours (RFC 3414 §3.2).
//!
//! Both are taken apart by the security model that polls use, and not by snmp2: that cannot speak as the
//! engine that an inform is addressed to, and it takes an engine's clock from a message before it has looked at
//! the signature. An inform's sender first asks who we are and what our clock says; both come as reports.

use std::collections::HashMap;
use std::sync::Arc;

use sha2::{Digest, Sha256};
use tokio::time::Instant;

use super::super::ask::{Values, head};
use super::super::ber::{
    self, FLAG_AUTH, FLAG_PRIVACY, FLAG_REPORTABLE, OBJECT_ID, RESPONSE, RawMessage, RawNotification,
    SEQUENCE, ScopedData, USM, V3Message, decode_oid,
};
use super::super::credential::{Credential, UsmUser};
use super::super::transport::Engine;
use super::super::usm::{Known, LAST_BOOT, MOST_KEPT, Reason, WINDOW, write_report};
use super::super::usm_keys::{Closed, Envelope, Keys};
use super::{Form, Heard, MOST_VARBINDS, PRINTER_V2_ALERT, TRAP_OID};

/// An engine ID's beginning (RFC 3411 §5, SnmpEngineID): the first bit for this form, the enterprise that IANA
/// keeps for nobody, and 5 for octets of the engine's own choice.
const ENGINE_ID: [u8; 5] = [0x80, 0, 0, 0, 5];
/// How many octets of its own choice an engine ID has here.
const CHOSEN: usize = 12;

/// The engine that informs are addressed to.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Identity {
    engine_id: Box<[u8]>,
    boots: i64,
}

impl Identity {
    /// An engine whose ID is made from `seed`: the same at every start, and of no other program. `boots` has
    /// to be larger at every start: senders refuse an engine that goes back.
    #[must_use]
    pub fn new(seed: &[u8], boots: i64) -> Self {
        let chosen = Sha256::digest(seed);
        let engine_id = ENGINE_ID.iter().chain(chosen.iter().take(CHOSEN)).copied().collect();
        Self { engine_id, boots: boots.clamp(1, LAST_BOOT - 1) }
    }
}

/// Reads notifications of version 3.
pub(super) struct Secure {
    engine: Engine,
    identity: Identity,
    began: Instant,
    /// Users at our engine, for informs.
    ours: HashMap<UsmUser, Arc<Keys>>,
    /// Users at the engines of senders that have proven to be them.
    theirs: HashMap<(Box<[u8]>, UsmUser), Sender>,
    /// What was reported, by the number of the counter.
    reported: [u32; 6],
    clear: Vec<u8>,
}

/// A user at a sender's engine, and what its signed messages told of the engine's clock.
struct Sender {
    keys: Keys,
    clock: Option<Known>,
}

/// Why an inform is not taken, and the keys to sign that with, where it has to be signed.
struct Refusal(Reason, Option<Arc<Keys>>);

impl Form for Secure {
    fn hear(&mut self, datagram: &[u8], known: &[Arc<Credential>], now: Instant) -> Option<Heard> {
        let Ok(RawMessage::V3(message)) = ber::raw(datagram) else { return None };
        if message.security_model != USM {
            return None;
        }
        let users = known.iter().filter_map(|credential| match &**credential {
            Credential::V3(user) if user.name().as_bytes() == message.user => Some(user),
            _ => None,
        });
        if message.engine_id == &*self.identity.engine_id {
            let mut refusal = Refusal(Reason::UnknownUser, None);
            for user in users {
                match self.inform(datagram, &message, user, now)? {
                    Ok(heard) => return Some(heard),
                    Err(why) => refusal = why,
                }
            }
            return self.report(&message, &refusal, now);
        }
        if message.flags & FLAG_REPORTABLE != 0 {
            // Somebody looks for our engine, or took another for it.
            return self.report(&message, &Refusal(Reason::UnknownEngine, None), now);
        }
        users.into_iter().find_map(|user| self.trap(datagram, &message, user, now))
    }
}

impl Secure {
    pub(super) fn new(engine: Engine, identity: Identity) -> Self {
        Self {
            engine,
            identity,
            began: Instant::now(),
            ours: HashMap::new(),
            theirs: HashMap::new(),
            reported: [0; 6],
            clear: Vec::new(),
        }
    }

    /// Boots and time of our engine.
    fn clock(&self, now: Instant) -> (i64, i64) {
        let passed = now.saturating_duration_since(self.began).as_secs();
        (self.identity.boots, i64::try_from(passed).unwrap_or(LAST_BOOT).min(LAST_BOOT))
    }

    /// A trap. Its engine's clock is known from earlier ones, if there were any: the worst that an old message
    /// from before them can do is one poll too many.
    fn trap(
        &mut self,
        datagram: &[u8],
        message: &V3Message<'_>,
        user: &UsmUser,
        now: Instant,
    ) -> Option<Heard> {
        let name = (message.engine_id.into(), user.clone());
        let mut clear = std::mem::take(&mut self.clear);
        let heard = match self.theirs.get_mut(&name) {
            Some(sender) => sender.hear(datagram, message, &mut clear, now),
            None => {
                let keys = Keys::bind(&*self.engine.masters(user)?, user, message.engine_id);
                let mut sender = Sender { keys, clock: None };
                let heard = sender.hear(datagram, message, &mut clear, now);
                if heard.is_some() {
                    if self.theirs.len() >= MOST_KEPT {
                        self.theirs.clear();
                    }
                    self.theirs.insert(name, sender);
                }
                heard
            }
        };
        self.clear = clear;
        heard
    }

    /// An inform. `None` if it is to be passed over in silence.
    fn inform(
        &mut self,
        datagram: &[u8],
        message: &V3Message<'_>,
        user: &UsmUser,
        now: Instant,
    ) -> Option<Result<Heard, Refusal>> {
        let keys = self.keys(user)?;
        let clock = self.clock(now);
        let level = message.flags & (FLAG_AUTH | FLAG_PRIVACY);
        if !is_enough(level, &keys) {
            return Some(Err(Refusal(Reason::UnsupportedSecurityLevel, None)));
        }
        let contents = match keys.unlock(datagram, message, &mut self.clear) {
            Ok((_, contents)) => contents,
            Err(Closed::NotOurs) => return Some(Err(Refusal(Reason::WrongDigest, None))),
            Err(Closed::Broken(_)) => return Some(Err(Refusal(Reason::Decryption, None))),
        };
        let timely = message.boots == clock.0 && (message.time - clock.1).abs() <= WINDOW;
        if level & FLAG_AUTH != 0 && !timely {
            return Some(Err(Refusal(Reason::NotInTimeWindow, Some(keys))));
        }
        let notification = ber::raw_notification(contents).ok().filter(|notification| notification.inform)?;
        let mut scoped = Vec::with_capacity(contents.len() + 4);
        head(&mut scoped, SEQUENCE, contents.len());
        let tag_at = scoped.len() + notification.tag_at;
        scoped.extend_from_slice(contents);
        *scoped.get_mut(tag_at)? = RESPONSE;
        let mut answer = Vec::with_capacity(datagram.len() + 64);
        keys.seal_scoped(&mut answer, clock, message.message_id, level, scoped);
        Some(Ok(Heard { printer_alert: is_printer_alert(notification.values), answer: Some(answer) }))
    }

    /// A user's keys at our engine. `None` if no poll has made any from its passwords yet.
    fn keys(&mut self, user: &UsmUser) -> Option<Arc<Keys>> {
        if let Some(keys) = self.ours.get(user) {
            return Some(Arc::clone(keys));
        }
        if self.ours.len() >= MOST_KEPT {
            self.ours.clear();
        }
        let keys = Keys::bind(&*self.engine.masters(user)?, user, &self.identity.engine_id);
        let keys = Arc::new(keys);
        self.ours.insert(user.clone(), Arc::clone(&keys));
        Some(keys)
    }

    /// Tells a sender why its message was not taken, if it wants to know.
    fn report(&mut self, message: &V3Message<'_>, refusal: &Refusal, now: Instant) -> Option<Heard> {
        let Refusal(reason, keys) = refusal;
        let counter = reason.counter()?;
        let count = self.reported.get_mut(usize::from(counter) - 1)?;
        *count = count.wrapping_add(1);
        let count = *count;
        if message.flags & FLAG_REPORTABLE == 0 {
            return None;
        }
        // The number of the request can be read only while that is not encrypted.
        let request_id = match message.data {
            ScopedData::Plain(contents) => ber::request_id(contents).unwrap_or(0),
            ScopedData::Encrypted(_) => 0,
        };
        let engine_id = &*self.identity.engine_id;
        let (boots, time) = self.clock(now);
        let scoped = write_report(engine_id, request_id, counter, count);
        let (id, user) = (message.message_id, message.user);
        let mut answer = Vec::with_capacity(160);
        match keys {
            Some(keys) => keys.seal_scoped(&mut answer, (boots, time), id, FLAG_AUTH, scoped),
            None => {
                let envelope = Envelope { engine_id, user, flags: 0, boots, time, id, salt: &[], mac: 0 };
                envelope.write(&mut answer, &scoped);
            }
        }
        Some(Heard { printer_alert: false, answer: Some(answer) })
    }
}

impl Sender {
    fn hear(
        &mut self,
        datagram: &[u8],
        message: &V3Message<'_>,
        clear: &mut Vec<u8>,
        now: Instant,
    ) -> Option<Heard> {
        let (level, contents) = self.keys.unlock(datagram, message, clear).ok()?;
        if !is_enough(level, &self.keys) {
            return None;
        }
        let RawNotification { inform: false, values, .. } = ber::raw_notification(contents).ok()? else {
            return None;
        };
        let clock = (message.boots, message.time);
        let first = || Known::of(message.engine_id, clock, now);
        if level & FLAG_AUTH != 0 && !self.clock.get_or_insert_with(first).is_timely(clock, now) {
            return None;
        }
        Some(Heard { printer_alert: is_printer_alert(values), answer: None })
    }
}

/// Whether a message is as secure as its user's have to be: signed if they can be, and not encrypted if they
/// cannot be. Nothing in a notification needs to be secret, so it need not be encrypted.
fn is_enough(level: u8, keys: &Keys) -> bool {
    level & FLAG_AUTH == keys.level() & FLAG_AUTH && level & !keys.level() == 0
}

fn is_printer_alert(values: Values<'_>) -> bool {
    let is = |octets: &[u8], arcs: &[u64]| {
        decode_oid(octets)
            .is_ok_and(|oid| oid.arcs().iter().map(|arc| u64::from(*arc)).eq(arcs.iter().copied()))
    };
    values.take(MOST_VARBINDS).any(|varbind| {
        varbind.tag == OBJECT_ID && is(varbind.name, TRAP_OID) && is(varbind.contents, PRINTER_V2_ALERT)
    })
}

#[cfg(test)]
mod tests;
