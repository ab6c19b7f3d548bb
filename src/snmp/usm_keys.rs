//! A user's keys at one engine, and what is done with them: the one file that knows the crate `snmp2`.
//!
//! Only its cryptography is used. What it is known to do wrong is kept out here: it derives keys afresh
//! on each call and panics on an empty password (keys are derived once, from passwords that
//! [`super::credential`] has checked); it takes a message's clock over before it has checked its signature
//! (each message gets a copy of the state, which is thrown away); it writes into the bytes it reads (it
//! gets a copy); and it ends a list of values at the first it does not know (we go on asking for more, and
//! refuse the answer when there was a gap).

use snmp2::v3::{Auth, AuthErrorKind, AuthProtocol as Signing, Cipher, KeyExtension, Security};
use snmp2::{MessageType, Varbinds};

use super::ber::{self, BerError, FLAG_AUTH, FLAG_PRIVACY, Message, ScopedData, USM, V3Message};
use super::credential::{AuthProtocol, PrivacyProtocol, UsmUser};
use super::pdu::{ErrorStatus, Pdu, PduKind, Request};
use super::value::{Value, Varbind};

/// The largest message size that the crate lets a device announce, though more is legal.
const LARGEST_ANNOUNCED: i64 = 65_507;

/// A user's keys, localized to one engine.
pub(super) struct Keys {
    engine_id: Vec<u8>,
    user: UsmUser,
    /// Signs and encrypts as far as the user does.
    full: Security,
    /// Signs only: reports come so, from users with privacy too.
    signing: Security,
}

/// A message that was opened.
#[derive(Debug)]
pub(super) struct Opened {
    /// Its signature was right.
    pub(super) signed: bool,
    /// What it says.
    pub(super) pdu: Pdu,
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
    /// The device announces something that can not be spoken with.
    Unspeakable(&'static str),
}

impl Keys {
    /// Makes the keys. Takes some milliseconds: not for a thread that serves others.
    pub(super) fn derive(user: &UsmUser, engine_id: &[u8]) -> Result<Self, String> {
        let password = user.auth().map_or(&[][..], |(_, secret)| secret.expose());
        let mut signing = Security::new(user.name().as_bytes(), password);
        signing = match user.auth() {
            None => signing.with_auth(Auth::NoAuthNoPriv),
            Some((protocol, _)) => {
                signing.with_auth(Auth::AuthNoPriv).with_auth_protocol(signing_protocol(*protocol))
            }
        };
        let mut full = signing.clone();
        if let Some((protocol, secret)) = user.privacy() {
            full = full
                .with_auth(Auth::AuthPriv {
                    cipher: cipher(*protocol),
                    privacy_password: secret.expose().to_vec(),
                })
                .with_key_extension_method(KeyExtension::Blumenthal);
        }
        Ok(Self {
            engine_id: engine_id.to_vec(),
            user: user.clone(),
            signing: signing.with_engine_id(engine_id).map_err(|error| error.to_string())?,
            full: full.with_engine_id(engine_id).map_err(|error| error.to_string())?,
        })
    }

    /// Puts a request into a message with this number, at this clock of the engine.
    pub(super) fn seal(
        &self,
        (boots, time): (i64, i64),
        id: i32,
        request: &Request,
    ) -> Result<Vec<u8>, String> {
        let (kind, first, second) = match *request {
            Request::Get { .. } => (MessageType::GetRequest, 0, 0),
            Request::GetNext { .. } => (MessageType::GetNextRequest, 0, 0),
            Request::GetBulk { non_repeaters, max_repetitions, .. } => {
                (MessageType::GetBulkRequest, non_repeaters, max_repetitions)
            }
        };
        let security = self.full.clone().with_engine_boots_and_time(boots, time);
        self.seal_pdu(&security, id, kind, (first, second), &ber::encode_names(request.oids()))
    }

    /// The crate makes a version 3 PDU only by reading one, so it is given an empty one to read, which is
    /// then filled in.
    fn seal_pdu(
        &self,
        security: &Security,
        id: i32,
        kind: MessageType,
        (first, second): (u32, u32),
        varbinds: &[u8],
    ) -> Result<Vec<u8>, String> {
        let empty = ber::encode_empty_v3(id, &self.engine_id);
        let mut plain = Security::new(b"", b"")
            .with_auth(Auth::NoAuthNoPriv)
            .with_engine_id(&self.engine_id)
            .map_err(|error| error.to_string())?;
        let mut pdu = snmp2::Pdu::from_bytes_with_security(&empty, Some(&mut plain))
            .map_err(|error| error.to_string())?;
        pdu.message_type = kind;
        pdu.req_id = id;
        pdu.error_status = first;
        pdu.error_index = second;
        pdu.varbinds = Varbinds::from_bytes(varbinds);
        pdu.to_bytes_with_security(Some(security)).map_err(|error| error.to_string())
    }

    /// Opens a message: checks that it is from this engine, for this user, signed as the user signs and,
    /// if it is a response, no less secure than the request.
    ///
    /// An unsigned report comes through, with `signed` false: an agent that cannot sign (it does not know
    /// the user) has no other way to say so.
    pub(super) fn open(&self, datagram: &[u8]) -> Result<Opened, Closed> {
        let message = match ber::decode(datagram) {
            Ok(Message::V3(message)) => message,
            Ok(Message::Community { .. }) | Err(_) => return Err(Closed::NotOurs),
        };
        if message.security_model != USM {
            return Err(Closed::NotOurs);
        }
        let clock = (message.boots, message.time);
        let signed = message.flags & FLAG_AUTH != 0;
        let pdu = if signed { self.open_signed(datagram, &message)? } else { open_plain(&message)? };
        let secure_enough = match pdu.kind {
            PduKind::Report => true,
            PduKind::Response => {
                signed == self.user.auth().is_some()
                    && (message.flags & FLAG_PRIVACY != 0) == self.user.privacy().is_some()
                    && message.engine_id == self.engine_id
                    && message.user == self.user.name().as_bytes()
            }
        };
        if secure_enough && pdu.request_id_fits(message.message_id) {
            Ok(Opened { signed, pdu, clock })
        } else {
            Err(Closed::NotOurs)
        }
    }

    fn open_signed(&self, datagram: &[u8], message: &V3Message<'_>) -> Result<Pdu, Closed> {
        if self.user.auth().is_none() || message.engine_id != self.engine_id {
            return Err(Closed::NotOurs);
        }
        if message.max_size > LARGEST_ANNOUNCED {
            return Err(Closed::Unspeakable(
                "it announces messages of more than 65,507 octets, which is legal but not yet understood",
            ));
        }
        if message.boots <= 0 {
            return Err(Closed::Unspeakable("its boot counter is 0, which RFC 3414 does not allow"));
        }
        let copy = datagram[..message.length].to_vec();
        let encrypted = message.flags & FLAG_PRIVACY != 0;
        let security = if encrypted { &self.full } else { &self.signing };
        // Given the message's own clock the crate checks the signature and leaves the clock to us.
        let mut security = security.clone().with_engine_boots_and_time(message.boots, message.time);
        let opened = match snmp2::Pdu::from_bytes_with_security(&copy, Some(&mut security)) {
            Ok(opened) => opened,
            Err(snmp2::Error::AuthFailure(kind)) if is_forgery(&kind) => return Err(Closed::NotOurs),
            // A signature of another length than the protocol's.
            Err(snmp2::Error::ValueOutOfRange) => return Err(Closed::NotOurs),
            Err(_) => return Err(Closed::Broken(BerError::Value)),
        };
        match message.data {
            ScopedData::Plain(contents) => ber::decode_scoped(contents).map_err(Closed::Broken),
            ScopedData::Encrypted(octets) => convert(&opened, octets.len()).map_err(Closed::Broken),
        }
    }
}

impl Pdu {
    /// A report may name no request (the agent could not read it); a response names its own.
    fn request_id_fits(&self, message_id: i32) -> bool {
        self.kind == PduKind::Report || self.request_id == message_id
    }
}

fn open_plain(message: &V3Message<'_>) -> Result<Pdu, Closed> {
    match message.data {
        // What is not signed may be from anybody: if it is broken, it is as good as none.
        ScopedData::Plain(contents) => ber::decode_scoped(contents).map_err(|_| Closed::NotOurs),
        ScopedData::Encrypted(_) => Err(Closed::NotOurs),
    }
}

fn is_forgery(kind: &AuthErrorKind) -> bool {
    matches!(
        kind,
        AuthErrorKind::SignatureMismatch
            | AuthErrorKind::UsernameMismatch
            | AuthErrorKind::EngineIdMismatch
            | AuthErrorKind::NotAuthenticated
    )
}

/// The crate's PDU as ours. Its list ends at a value it does not know, but goes on behind it when asked
/// again: `octets` says how often asking can bring anything.
fn convert(opened: &snmp2::Pdu<'_>, octets: usize) -> Result<Pdu, BerError> {
    let kind = match opened.message_type {
        MessageType::Response => PduKind::Response,
        MessageType::Report => PduKind::Report,
        _ => return Err(BerError::Tag { expected: "a response", found: 0 }),
    };
    let mut list = opened.varbinds.clone();
    let mut varbinds = Vec::new();
    let mut gap = false;
    for _ in 0..octets {
        match list.next() {
            Some(_) if gap => return Err(BerError::Value),
            Some((oid, value)) => varbinds
                .push(Varbind { oid: ber::decode_oid(oid.as_bytes())?, value: convert_value(&value)? }),
            None => gap = true,
        }
    }
    Ok(Pdu {
        kind,
        request_id: opened.req_id,
        status: ErrorStatus::from_number(opened.error_status.into()),
        error_index: opened.error_index,
        varbinds,
    })
}

fn convert_value(value: &snmp2::Value<'_>) -> Result<Value, BerError> {
    Ok(match value {
        snmp2::Value::Integer(number) => Value::Integer(*number),
        snmp2::Value::OctetString(octets) => Value::OctetString((*octets).into()),
        snmp2::Value::ObjectIdentifier(oid) => Value::ObjectId(ber::decode_oid(oid.as_bytes())?),
        snmp2::Value::IpAddress(octets) => Value::IpAddress(*octets),
        snmp2::Value::Counter32(number) => Value::Counter32(*number),
        snmp2::Value::Unsigned32(number) => Value::Gauge32(*number),
        snmp2::Value::Timeticks(number) => Value::TimeTicks(*number),
        snmp2::Value::Opaque(octets) => Value::Opaque((*octets).into()),
        snmp2::Value::Counter64(number) => Value::Counter64(*number),
        snmp2::Value::Null => Value::Null,
        snmp2::Value::NoSuchObject => Value::NoSuchObject,
        snmp2::Value::NoSuchInstance => Value::NoSuchInstance,
        snmp2::Value::EndOfMibView => Value::EndOfMibView,
        _ => return Err(BerError::Value),
    })
}

fn signing_protocol(protocol: AuthProtocol) -> Signing {
    match protocol {
        AuthProtocol::Md5 => Signing::Md5,
        AuthProtocol::Sha1 => Signing::Sha1,
        AuthProtocol::Sha224 => Signing::Sha224,
        AuthProtocol::Sha256 => Signing::Sha256,
        AuthProtocol::Sha384 => Signing::Sha384,
        AuthProtocol::Sha512 => Signing::Sha512,
    }
}

fn cipher(protocol: PrivacyProtocol) -> Cipher {
    match protocol {
        PrivacyProtocol::Des => Cipher::Des,
        PrivacyProtocol::Aes128 => Cipher::Aes128,
        PrivacyProtocol::Aes192 => Cipher::Aes192,
        PrivacyProtocol::Aes256 => Cipher::Aes256,
    }
}

#[cfg(test)]
pub(super) mod tests;
