//! A user's keys at one engine, and what is done with them: signing, encrypting, and the same backwards
//! (RFC 3414, RFC 3826, RFC 7860).
//!
//! Deriving keys from passwords takes milliseconds and is done once for each password ([`Masters`]);
//! binding them to an engine is one more hash.

use std::hash::{BuildHasher, RandomState};
use std::sync::atomic::{AtomicU64, Ordering};

use super::ask::{Question, RawPdu, head, integer, integer_length, octets, wrapped};
use super::ber::{
    self, BerError, FLAG_AUTH, FLAG_PRIVACY, FLAG_REPORTABLE, INTEGER, OCTET_STRING, SEQUENCE, ScopedData,
    USM, V3Message,
};
use super::credential::UsmUser;
use super::pdu::PduKind;
use super::usm_crypto::{Cipher, Signer, extend, localize, stretch};

/// The largest message that fits a UDP datagram over IPv4: what we say we can take.
const MAX_MESSAGE: i64 = 65_507;

/// A user's keys before they are bound to an engine. Making them takes some milliseconds: not for a thread
/// that serves others.
#[derive(Clone)]
pub(super) struct Masters {
    auth: Vec<u8>,
    privacy: Vec<u8>,
}

impl Masters {
    pub(super) fn derive(user: &UsmUser) -> Self {
        let Some((protocol, secret)) = user.auth() else {
            return Self { auth: Vec::new(), privacy: Vec::new() };
        };
        let auth = stretch(*protocol, secret.expose().as_bytes());
        let privacy = match user.privacy() {
            Some((_, other)) if other == secret => auth.clone(),
            Some((_, other)) => stretch(*protocol, other.expose().as_bytes()),
            None => Vec::new(),
        };
        Self { auth, privacy }
    }
}

/// A user's keys, bound to one engine.
pub(super) struct Keys {
    engine_id: Box<[u8]>,
    user: UsmUser,
    signer: Option<Signer>,
    cipher: Option<Cipher>,
    salt: AtomicU64,
}

/// A message that was opened.
#[derive(Debug)]
pub(super) struct Opened<'a> {
    /// Its signature was right.
    pub(super) signed: bool,
    /// What it says.
    pub(super) pdu: RawPdu<'a>,
    /// Its engine's boots and time.
    pub(super) clock: (i64, i64),
}

/// Why a message was not opened.
#[derive(Debug, PartialEq, Eq)]
pub(super) enum Closed {
    /// It is not from this engine for this user, or its signature is wrong: as good as none.
    NotOurs,
    /// It is, but can not be read.
    Broken(BerError),
}

impl Keys {
    /// Binds keys to an engine. Takes milliseconds where a key is extended by draft-reeder.
    pub(super) fn bind(masters: &Masters, user: &UsmUser, engine_id: &[u8]) -> Self {
        let signer = user
            .auth()
            .map(|(protocol, _)| Signer::new(*protocol, &localize(*protocol, &masters.auth, engine_id)));
        let cipher = user.auth().zip(user.privacy()).map(|((auth, _), (privacy, _))| {
            let first = localize(*auth, &masters.privacy, engine_id);
            Cipher::new(*privacy, &extend(*auth, *privacy, first, engine_id))
        });
        // Two runs of the program must not use the same salts.
        let salt = AtomicU64::new(RandomState::new().hash_one(engine_id));
        Self { engine_id: engine_id.into(), user: user.clone(), signer, cipher: cipher.flatten(), salt }
    }

    /// Derives and binds keys.
    #[cfg(test)]
    pub(super) fn derive(user: &UsmUser, engine_id: &[u8]) -> Self {
        Self::bind(&Masters::derive(user), user, engine_id)
    }

    /// Appends a message with this number, at this clock of the engine: as secure as the user can be, and to
    /// be answered by a report if it can not be understood.
    pub(super) fn seal(&self, out: &mut Vec<u8>, clock: (i64, i64), id: i32, question: &Question<'_>) {
        let mut data = Vec::with_capacity(question.list.len() + 64);
        let scoped = wrapped(self.engine_id.len()) + 2 + question.pdu_length(id);
        head(&mut data, SEQUENCE, scoped);
        octets(&mut data, &self.engine_id);
        octets(&mut data, &[]);
        question.write_pdu(&mut data, id);
        self.seal_scoped(out, clock, id, FLAG_REPORTABLE | self.level(), data);
    }

    /// Whether the user's messages are signed.
    pub(super) fn signs(&self) -> bool {
        self.signer.is_some()
    }

    /// The flags of a message as secure as the user can be.
    pub(super) fn level(&self) -> u8 {
        (if self.signer.is_some() { FLAG_AUTH } else { 0 })
            | (if self.cipher.is_some() { FLAG_PRIVACY } else { 0 })
    }

    /// Appends a message around a scoped PDU, signed and encrypted as its flags say.
    pub(super) fn seal_scoped(
        &self,
        out: &mut Vec<u8>,
        (boots, time): (i64, i64),
        id: i32,
        flags: u8,
        mut data: Vec<u8>,
    ) {
        let cipher = self.cipher.as_ref().filter(|_| flags & FLAG_PRIVACY != 0);
        let signer = self.signer.as_ref().filter(|_| flags & FLAG_AUTH != 0);
        let salt = cipher
            .map(|cipher| cipher.encrypt(boots, time, self.salt.fetch_add(1, Ordering::Relaxed), &mut data));
        let envelope = Envelope {
            engine_id: &self.engine_id,
            user: self.user.name().as_bytes(),
            flags,
            boots,
            time,
            id,
            salt: salt.as_ref().map_or(&[], |salt| salt),
            mac: signer.map_or(0, Signer::length),
        };
        let start = out.len();
        let mac_at = envelope.write(out, &data);
        if let Some(signer) = signer {
            let mac_at = mac_at - start;
            signer.sign(&mut out[start..], mac_at..mac_at + signer.length());
        }
    }

    /// Opens a message: checks that it is from this engine, for this user, signed as the user signs and,
    /// if it is a response, no less secure than the request. What was encrypted is decrypted into `clear`.
    ///
    /// An unsigned report comes through, with `signed` false: an agent that cannot sign (it does not know
    /// the user) has no other way to say so.
    pub(super) fn open<'a>(
        &self,
        datagram: &[u8],
        message: &V3Message<'a>,
        clear: &'a mut Vec<u8>,
    ) -> Result<Opened<'a>, Closed> {
        let (level, contents) = self.unlock(datagram, message, clear)?;
        let (signed, encrypted) = (level & FLAG_AUTH != 0, level & FLAG_PRIVACY != 0);
        // What is not signed may be from anybody: if it is broken, it is as good as none.
        let broken = |fault| if signed { Closed::Broken(fault) } else { Closed::NotOurs };
        let pdu = ber::raw_scoped(contents).map_err(broken)?;
        let secure_enough = match pdu.kind {
            PduKind::Report => true,
            PduKind::Response => {
                signed == self.signer.is_some()
                    && encrypted == self.cipher.is_some()
                    && message.engine_id == &*self.engine_id
                    && message.user == self.user.name().as_bytes()
            }
        };
        // A report may name no request (the agent could not read it); a response names its own.
        let fits = pdu.kind == PduKind::Report || pdu.request_id == message.message_id;
        if secure_enough && fits {
            Ok(Opened { signed, pdu, clock: (message.boots, message.time) })
        } else {
            Err(Closed::NotOurs)
        }
    }

    /// The contents of a message's scoped PDU, and how well they are secured: signed as this user signs at
    /// this engine, or not signed at all. What was encrypted is decrypted into `clear`.
    pub(super) fn unlock<'a>(
        &self,
        datagram: &[u8],
        message: &V3Message<'a>,
        clear: &'a mut Vec<u8>,
    ) -> Result<(u8, &'a [u8]), Closed> {
        let level = message.flags & (FLAG_AUTH | FLAG_PRIVACY);
        if message.security_model != USM {
            return Err(Closed::NotOurs);
        }
        if level & FLAG_AUTH != 0 && !self.is_signature(datagram, message) {
            return Err(Closed::NotOurs);
        }
        match (message.data, &self.cipher) {
            (ScopedData::Plain(contents), _) if level & FLAG_PRIVACY == 0 => Ok((level, contents)),
            (ScopedData::Encrypted(data), Some(cipher)) if level == FLAG_AUTH | FLAG_PRIVACY => {
                clear.clear();
                clear.extend_from_slice(data);
                let clock = (message.boots, message.time);
                cipher.decrypt(clock, message.salt, clear).ok_or(Closed::Broken(BerError::Value))?;
                Ok((level, ber::scoped_with_padding(clear).map_err(Closed::Broken)?))
            }
            _ => Err(Closed::NotOurs),
        }
    }

    fn is_signature(&self, datagram: &[u8], message: &V3Message<'_>) -> bool {
        let Some(signer) = &self.signer else { return false };
        if message.engine_id != &*self.engine_id
            || message.user != self.user.name().as_bytes()
            || message.mac.len() != signer.length()
            || !(0..=i64::from(i32::MAX)).contains(&message.boots)
            || !(0..=i64::from(i32::MAX)).contains(&message.time)
        {
            return false;
        }
        let end = message.mac_at + message.mac.len();
        let (Some(before), Some(behind)) =
            (datagram.get(..message.mac_at), datagram.get(end..message.length))
        else {
            return false;
        };
        signer.verify(&[before, &[0; 48][..message.mac.len()], behind], message.mac)
    }
}

/// What stands around a scoped PDU.
pub(super) struct Envelope<'a> {
    pub(super) engine_id: &'a [u8],
    pub(super) user: &'a [u8],
    pub(super) flags: u8,
    pub(super) boots: i64,
    pub(super) time: i64,
    pub(super) id: i32,
    pub(super) salt: &'a [u8],
    /// How many octets the signature has.
    pub(super) mac: usize,
}

impl Envelope<'_> {
    /// Appends a message with room for its signature, and says where that is. `data` is a whole scoped PDU,
    /// or one that is encrypted, as the flags say.
    pub(super) fn write(&self, out: &mut Vec<u8>, data: &[u8]) -> usize {
        let encrypted = self.flags & FLAG_PRIVACY != 0;
        let header = [self.id.into(), MAX_MESSAGE, USM].map(integer_length).iter().sum::<usize>() + 3;
        let parameters = wrapped(self.engine_id.len())
            + integer_length(self.boots)
            + integer_length(self.time)
            + wrapped(self.user.len())
            + wrapped(self.mac)
            + wrapped(self.salt.len());
        let data_length = if encrypted { wrapped(data.len()) } else { data.len() };
        head(out, SEQUENCE, 3 + wrapped(header) + wrapped(wrapped(parameters)) + data_length);
        out.extend_from_slice(&[INTEGER, 1, 3]);
        head(out, SEQUENCE, header);
        integer(out, self.id.into());
        integer(out, MAX_MESSAGE);
        octets(out, &[self.flags]);
        integer(out, USM);
        head(out, OCTET_STRING, wrapped(parameters));
        head(out, SEQUENCE, parameters);
        octets(out, self.engine_id);
        integer(out, self.boots);
        integer(out, self.time);
        octets(out, self.user);
        head(out, OCTET_STRING, self.mac);
        let mac_at = out.len();
        out.resize(mac_at + self.mac, 0);
        octets(out, self.salt);
        if encrypted {
            octets(out, data);
        } else {
            out.extend_from_slice(data);
        }
        mac_at
    }
}

#[cfg(test)]
pub(super) mod tests;
