//! Version 3 in a sweep: engines and keys that were learnt, and what a message of theirs leads to.

use std::collections::HashMap;
use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Instant;

use super::super::ask::Question;
use super::super::ber::{self, V3Message};
use super::super::credential::{Credential, UsmUser};
use super::super::error::SnmpError;
use super::super::usm::{Heard, Known, Reason, discovered};
use super::super::usm_keys::{Keys, Masters};
use super::place::{Effect, Place};

/// How many engines are remembered before all are forgotten and learnt again.
const MOST_KEPT: usize = 65_536;

/// What was learnt of engines. Keys are made where they are first needed: a sweep serves nobody else.
#[derive(Default)]
pub(super) struct Voices {
    engines: HashMap<SocketAddr, Engine>,
    masters: HashMap<UsmUser, Masters>,
    /// Simulated devices may share an engine; real ones do not.
    keys: HashMap<(Arc<[u8]>, UsmUser), Arc<Keys>>,
    clear: Vec<u8>,
}

/// An engine, and the keys of the user that was last used with it.
struct Engine {
    known: Known,
    credential: Arc<Credential>,
    keys: Arc<Keys>,
}

/// How a device is spoken to.
pub(super) enum Speech {
    /// By community.
    Open,
    /// By version 3, to an engine that is not known yet, or no longer.
    Discovering { renewed: bool },
    /// By version 3.
    Secure {
        known: Box<Known>,
        keys: Arc<Keys>,
        /// The clock was set once in this reading.
        set: bool,
        /// The engine was looked for anew in this reading.
        renewed: bool,
        /// What an unsigned report said to the present question, which nothing signed contradicts yet.
        doubt: Option<Reason>,
    },
}

impl Speech {
    pub(super) fn is_discovering(&self) -> bool {
        matches!(self, Self::Discovering { .. })
    }

    pub(super) fn seal(&self, out: &mut Vec<u8>, id: i32, question: &Question<'_>, now: Instant) {
        if let Self::Secure { known, keys, .. } = self {
            keys.seal(out, known.clock(now.into()), id, question);
        }
    }

    /// One that answered discovery, but never this user, most likely cannot decrypt what it is sent.
    pub(super) fn silence(&self, fault: SnmpError, credential: &Credential) -> SnmpError {
        match (self, credential, &fault) {
            (
                Self::Secure { known, .. },
                Credential::V3(user),
                SnmpError::NoAnswer { address, tries, .. },
            ) if !known.is_proven() && user.privacy().is_some() => {
                SnmpError::SilentToUser { address: *address, user: user.name().into(), tries: *tries }
            }
            _ => fault,
        }
    }
}

impl Voices {
    /// How to begin with a device.
    pub(super) fn begin(&mut self, address: SocketAddr, credential: &Arc<Credential>) -> Speech {
        if !matches!(**credential, Credential::V3(_)) {
            return Speech::Open;
        }
        match self.engines.get(&address) {
            Some(engine) if engine.credential == *credential => Speech::Secure {
                known: Box::new(engine.known.clone()),
                keys: Arc::clone(&engine.keys),
                set: false,
                renewed: false,
                doubt: None,
            },
            Some(Engine { known, .. }) => self.secure(address, known.clone(), credential, false),
            None => Speech::Discovering { renewed: false },
        }
    }

    fn secure(
        &mut self,
        address: SocketAddr,
        known: Known,
        credential: &Arc<Credential>,
        renewed: bool,
    ) -> Speech {
        let Credential::V3(user) = &**credential else { return Speech::Open };
        if self.keys.len() >= MOST_KEPT {
            self.keys.clear();
        }
        let masters = &mut self.masters;
        let name = (Arc::clone(known.engine_id()), user.clone());
        let keys = self.keys.entry(name).or_insert_with_key(|(engine_id, user)| {
            let masters = masters.entry(user.clone()).or_insert_with(|| Masters::derive(user));
            Arc::new(Keys::bind(masters, user, engine_id))
        });
        let keys = Arc::clone(keys);
        if self.engines.len() >= MOST_KEPT {
            self.engines.clear();
        }
        let engine =
            Engine { known: known.clone(), credential: Arc::clone(credential), keys: Arc::clone(&keys) };
        self.engines.insert(address, engine);
        Speech::Secure { known: Box::new(known), keys, set: false, renewed, doubt: None }
    }

    /// Appends a message that asks for an engine's name.
    pub(super) fn discover(&self, id: i32, out: &mut Vec<u8>) {
        out.extend_from_slice(&ber::encode_empty_v3(id, &[]));
    }

    /// Takes in a message of version 3.
    pub(super) fn hear(
        &mut self,
        place: &mut Place,
        datagram: &[u8],
        message: &V3Message<'_>,
        now: Instant,
    ) -> Effect {
        let address = place.address;
        let fail = |fault| Effect::Fail(Box::new(fault));
        let credential = Arc::clone(place.credential());
        let Credential::V3(user) = &*credential else { return Effect::Ignore };
        match place.speech() {
            Speech::Open => return Effect::Ignore,
            Speech::Discovering { renewed } => {
                let renewed = *renewed;
                let Some(known) = discovered(datagram, now.into()) else { return Effect::Ignore };
                *place.speech() = self.secure(address, known, &credential, renewed);
                return Effect::Ask;
            }
            Speech::Secure { .. } => {}
        }
        let mut clear = std::mem::take(&mut self.clear);
        let Speech::Secure { known, keys, set, doubt, .. } = place.speech() else { return Effect::Ignore };
        let keys = Arc::clone(keys);
        let before = known.state();
        let heard = known.hear(&keys, datagram, message, &mut clear, now.into());
        // Most answers teach nothing new: then the engine need not be looked for among thousands.
        if matches!(heard, Heard::Answer(_) | Heard::ClockSet)
            && known.state() != before
            && let Some(engine) = self.engines.get_mut(&address)
        {
            engine.known.clone_from(known);
        }
        let effect = match heard {
            Heard::Answer(pdu) => {
                *doubt = None;
                place.absorb(&pdu, datagram.len())
            }
            Heard::ClockSet if !*set => {
                (*set, *doubt) = (true, None);
                Effect::Ask
            }
            Heard::ClockSet => fail(SnmpError::Clock { address }),
            Heard::OtherEngine => self.look_again(place),
            Heard::Refusal(reason) => fail(reason.error(address, user)),
            Heard::Doubtful(reason) => {
                *doubt = Some(reason);
                Effect::Ignore
            }
            Heard::Nothing => Effect::Ignore,
            Heard::Broken(source) => fail(SnmpError::Malformed { address, source }),
        };
        self.clear = clear;
        effect
    }

    /// At the end of a try: what the unsigned report leads to that came instead of an answer.
    pub(super) fn believe(&mut self, place: &mut Place) -> Option<Effect> {
        let Speech::Secure { doubt, .. } = place.speech() else { return None };
        let reason = doubt.take()?;
        let credential = Arc::clone(place.credential());
        let Credential::V3(user) = &*credential else { return None };
        Some(match reason.refusal(place.address, user) {
            Some(refusal) => Effect::Fail(Box::new(refusal)),
            None => self.look_again(place),
        })
    }

    /// Looks for a device's engine anew, once in a reading.
    fn look_again(&mut self, place: &mut Place) -> Effect {
        let address = place.address;
        if matches!(place.speech(), Speech::Secure { renewed: true, .. }) {
            let what = "it says no to the one it just gave";
            return Effect::Fail(Box::new(SnmpError::Engine { address, what }));
        }
        self.engines.remove(&address);
        *place.speech() = Speech::Discovering { renewed: true };
        Effect::Ask
    }
}
