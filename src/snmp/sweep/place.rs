//! A device under way.

use std::net::SocketAddr;
use std::sync::Arc;
use std::time::{Duration, Instant};

use super::super::ask::{Question, RawPdu};
use super::super::ber::RawMessage;
use super::super::credential::Credential;
use super::super::error::SnmpError;
use super::super::pdu::{ErrorStatus, PduKind, Version};
use super::super::plan::{Next, Reading};
use super::super::transport::not_allowed;
use super::SweepTarget;
use super::voice::{Speech, Voices};

/// Where a device waits for its answer.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Lane {
    /// Among those that are expected to answer.
    Window = 0,
    /// Among those that kept silent.
    Silent = 1,
}

/// What an answer, or silence, leads to.
#[derive(Debug)]
pub(super) enum Effect {
    /// Nothing: it was none.
    Ignore,
    /// Another question.
    Ask,
    /// The reading is over.
    Done,
    /// The reading failed.
    Fail(Box<SnmpError>),
}

impl PartialEq for Effect {
    fn eq(&self, other: &Self) -> bool {
        std::mem::discriminant(self) == std::mem::discriminant(other)
    }
}

/// A device under way.
pub(super) struct Place {
    pub(super) number: usize,
    pub(super) address: SocketAddr,
    pub(super) version: Version,
    pub(super) lane: Lane,
    /// It did not answer the last time.
    pub(super) was_silent: bool,
    pub(super) id: i32,
    /// How many datagrams of the present question were sent.
    pub(super) attempt: u32,
    pub(super) reading: Reading,
    credential: Arc<Credential>,
    speech: Speech,
}

impl Place {
    pub(super) fn new(number: usize, target: SweepTarget, voices: &mut Voices, now: Duration) -> Self {
        let SweepTarget { address, credential, warm, silent } = target;
        let version = credential.version();
        Self {
            number,
            address,
            version,
            lane: if silent { Lane::Silent } else { Lane::Window },
            was_silent: silent,
            id: 0,
            attempt: 0,
            reading: Reading::new(version, warm, now),
            speech: voices.begin(address, &credential),
            credential,
        }
    }

    /// Appends the datagram that asks what is to be asked now.
    pub(super) fn write(&mut self, voices: &mut Voices, list: &mut Vec<u8>, out: &mut Vec<u8>) {
        if let Credential::V1 { community } | Credential::V2c { community } = &*self.credential {
            let (verb, names) = self.reading.question(list);
            Question { verb, list, names }.write(out, self.version, community.expose().as_bytes(), self.id);
        } else if self.speech.is_discovering() {
            voices.discover(self.id, out);
        } else {
            let (verb, names) = self.reading.question(list);
            let question = Question { verb, list, names };
            self.speech.seal(out, self.id, &question, Instant::now());
        }
    }

    /// Takes in a message that came for this place.
    pub(super) fn take(
        &mut self,
        voices: &mut Voices,
        message: &RawMessage<'_>,
        datagram: &[u8],
        now: Instant,
    ) -> Effect {
        match message {
            RawMessage::Community { pdu, .. } if pdu.kind == PduKind::Response => {
                self.absorb(pdu, datagram.len())
            }
            RawMessage::Community { .. } => Effect::Ignore,
            RawMessage::V3(message) => voices.hear(self, datagram, message, now),
        }
    }

    /// Takes in an answer that is known to be one.
    pub(super) fn absorb(&mut self, pdu: &RawPdu<'_>, octets: usize) -> Effect {
        if pdu.status == ErrorStatus::AuthorizationError {
            return Effect::Fail(Box::new(not_allowed(self.address, &self.credential, pdu.status)));
        }
        match self.reading.answer(pdu, octets) {
            Ok(Next::Ask) => Effect::Ask,
            Ok(Next::Done) => Effect::Done,
            Err(fault) => Effect::Fail(Box::new(fault.error(self.address))),
        }
    }

    /// Takes in that no try was answered.
    pub(super) fn silent(&mut self, timeout: Duration) -> Effect {
        match self.reading.silent() {
            Ok(_) => Effect::Ask,
            Err(_) => {
                let (address, tries) = (self.address, self.attempt);
                let waited = (0..tries).map(|attempt| super::patience(timeout, attempt)).sum();
                let fault = SnmpError::NoAnswer { address, tries, waited };
                Effect::Fail(Box::new(self.speech.silence(fault, &self.credential)))
            }
        }
    }

    pub(super) fn speech(&mut self) -> &mut Speech {
        &mut self.speech
    }

    pub(super) fn credential(&self) -> &Arc<Credential> {
        &self.credential
    }
}
