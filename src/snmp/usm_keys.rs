//! A user's keys at one engine, and what is done with them: signing, encrypting, and the same backwards
//! (RFC 3414, RFC 3826, RFC 7860).
//!
//! Deriving keys from passwords takes milliseconds and is done once for each password ([`Masters`]);
//! binding them to an engine is one more hash. Signing keys are kept as hash states that the key has gone
//! through already, and ciphers with their key schedules, so that a message costs no more than its octets.

use std::hash::{BuildHasher, RandomState};
use std::sync::atomic::{AtomicU64, Ordering};

use aes::{Aes128, Aes192, Aes256};
use cfb_mode::cipher::block_padding::NoPadding;
use cfb_mode::cipher::{
    AsyncStreamCipher, BlockDecryptMut, BlockEncryptMut, InnerIvInit, KeyInit, KeyIvInit,
};
use des::Des;
use hmac::{Hmac, Mac};
use md5::Md5;
use sha1::Sha1;
use sha2::{Digest, Sha224, Sha256, Sha384, Sha512};

use super::ask::{Question, RawPdu, head, integer, integer_length, octets, wrapped};
use super::ber::{
    self, BerError, FLAG_AUTH, FLAG_PRIVACY, FLAG_REPORTABLE, INTEGER, OCTET_STRING, SEQUENCE, ScopedData,
    USM, V3Message,
};
use super::credential::{AuthProtocol, Extension, PrivacyProtocol, UsmUser};
use super::pdu::PduKind;

/// The largest message that fits a UDP datagram over IPv4: what we say we can take.
const MAX_MESSAGE: i64 = 65_507;
/// A password is repeated until it is this long (RFC 3414 §A.2).
const STRETCHED: usize = 1 << 20;
/// A privacy salt's octets.
const SALT: usize = 8;

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
        let auth = stretch(*protocol, secret.expose());
        let privacy = match user.privacy() {
            Some((_, other)) if other == secret => auth.clone(),
            Some((_, other)) => stretch(*protocol, other.expose()),
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

    /// Appends a message with this number, at this clock of the engine.
    pub(super) fn seal(
        &self,
        out: &mut Vec<u8>,
        (boots, time): (i64, i64),
        id: i32,
        question: &Question<'_>,
    ) {
        let mut data = Vec::with_capacity(question.list.len() + 64);
        let scoped = wrapped(self.engine_id.len()) + 2 + question.pdu_length(id);
        head(&mut data, SEQUENCE, scoped);
        octets(&mut data, &self.engine_id);
        octets(&mut data, &[]);
        question.write_pdu(&mut data, id);
        let mut salt: &[u8] = &[];
        let salted;
        if let Some(cipher) = &self.cipher {
            salted = cipher.encrypt(boots, time, self.salt.fetch_add(1, Ordering::Relaxed), &mut data);
            salt = &salted;
        }
        let message = Envelope { boots, time, id, salt, mac: self.signer.as_ref().map_or(0, Signer::length) };
        let start = out.len();
        let mac_at = self.write(out, &message, &data);
        if let Some(signer) = &self.signer {
            let mac = signer.sign(&[&out[start..]]);
            if let Some(place) = out.get_mut(mac_at..mac_at + mac.len()) {
                place.copy_from_slice(&mac);
            }
        }
    }

    /// Writes a message with room for its signature, and says where that is.
    fn write(&self, out: &mut Vec<u8>, message: &Envelope<'_>, data: &[u8]) -> usize {
        let name = self.user.name().as_bytes();
        let flags = FLAG_REPORTABLE
            | if self.signer.is_some() { FLAG_AUTH } else { 0 }
            | if self.cipher.is_some() { FLAG_PRIVACY } else { 0 };
        let header = [message.id.into(), MAX_MESSAGE, USM].map(integer_length).iter().sum::<usize>() + 3;
        let parameters = wrapped(self.engine_id.len())
            + integer_length(message.boots)
            + integer_length(message.time)
            + wrapped(name.len())
            + wrapped(message.mac)
            + wrapped(message.salt.len());
        let data_length = if self.cipher.is_some() { wrapped(data.len()) } else { data.len() };
        head(out, SEQUENCE, 3 + wrapped(header) + wrapped(wrapped(parameters)) + data_length);
        out.extend_from_slice(&[INTEGER, 1, 3]);
        head(out, SEQUENCE, header);
        integer(out, message.id.into());
        integer(out, MAX_MESSAGE);
        octets(out, &[flags]);
        integer(out, USM);
        head(out, OCTET_STRING, wrapped(parameters));
        head(out, SEQUENCE, parameters);
        octets(out, &self.engine_id);
        integer(out, message.boots);
        integer(out, message.time);
        octets(out, name);
        head(out, OCTET_STRING, message.mac);
        let mac_at = out.len();
        out.resize(mac_at + message.mac, 0);
        octets(out, message.salt);
        if self.cipher.is_some() {
            octets(out, data);
        } else {
            out.extend_from_slice(data);
        }
        mac_at
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
        if message.security_model != USM {
            return Err(Closed::NotOurs);
        }
        let signed = message.flags & FLAG_AUTH != 0;
        let encrypted = message.flags & FLAG_PRIVACY != 0;
        if signed && !self.is_signature(datagram, message) {
            return Err(Closed::NotOurs);
        }
        // What is not signed may be from anybody: if it is broken, it is as good as none.
        let broken = |fault| if signed { Closed::Broken(fault) } else { Closed::NotOurs };
        let pdu = match (message.data, &self.cipher) {
            (ScopedData::Plain(contents), _) if !encrypted => ber::raw_scoped(contents).map_err(broken)?,
            (ScopedData::Encrypted(data), Some(cipher)) if signed && encrypted => {
                clear.clear();
                clear.extend_from_slice(data);
                let clock = (message.boots, message.time);
                cipher.decrypt(clock, message.salt, clear).ok_or(Closed::Broken(BerError::Value))?;
                ber::raw_scoped_with_padding(clear).map_err(Closed::Broken)?
            }
            _ => return Err(Closed::NotOurs),
        };
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
struct Envelope<'a> {
    boots: i64,
    time: i64,
    id: i32,
    salt: &'a [u8],
    mac: usize,
}

/// Does the same with the hash of any protocol.
macro_rules! with_hash {
    ($protocol:expr, $hash:ident => $body:expr) => {
        match $protocol {
            AuthProtocol::Md5 => {
                type $hash = Md5;
                $body
            }
            AuthProtocol::Sha1 => {
                type $hash = Sha1;
                $body
            }
            AuthProtocol::Sha224 => {
                type $hash = Sha224;
                $body
            }
            AuthProtocol::Sha256 => {
                type $hash = Sha256;
                $body
            }
            AuthProtocol::Sha384 => {
                type $hash = Sha384;
                $body
            }
            AuthProtocol::Sha512 => {
                type $hash = Sha512;
                $body
            }
        }
    };
}

fn hash(protocol: AuthProtocol, parts: &[&[u8]]) -> Vec<u8> {
    with_hash!(protocol, H => {
        let mut hash = H::new();
        parts.iter().for_each(|part| hash.update(part));
        hash.finalize().to_vec()
    })
}

/// RFC 3414 §A.2: the hash of a password that is repeated to a mebibyte.
fn stretch(protocol: AuthProtocol, password: &[u8]) -> Vec<u8> {
    if password.is_empty() {
        // No credential has one, and there is nothing to repeat.
        return hash(protocol, &[]);
    }
    let block = password.repeat(4_096_usize.div_ceil(password.len()));
    with_hash!(protocol, H => {
        let mut hash = H::new();
        let mut left = STRETCHED;
        while left > 0 {
            let now = left.min(block.len());
            hash.update(&block[..now]);
            left -= now;
        }
        hash.finalize().to_vec()
    })
}

/// RFC 3414 §2.6.
fn localize(protocol: AuthProtocol, master: &[u8], engine_id: &[u8]) -> Vec<u8> {
    hash(protocol, &[master, engine_id, master])
}

/// Makes a key as long as its cipher needs.
fn extend(auth: AuthProtocol, privacy: PrivacyProtocol, mut key: Vec<u8>, engine_id: &[u8]) -> Vec<u8> {
    let (wanted, extension) = privacy.key();
    let mut last = key.clone();
    while key.len() < wanted {
        last = match extension {
            // draft-blumenthal-aes-usm §3.1.2.1: the hash of all there is.
            Extension::Blumenthal => hash(auth, &[&key]),
            // draft-reeder-snmpv3-usm-3desede §2.1: the last part, taken for a password.
            Extension::Reeder => localize(auth, &stretch(auth, &last), engine_id),
        };
        key.extend_from_slice(&last);
    }
    key.truncate(wanted);
    key
}

/// A hash that a signing key has gone through.
enum Signer {
    Md5(Hmac<Md5>),
    Sha1(Hmac<Sha1>),
    Sha224(Hmac<Sha224>),
    Sha256(Hmac<Sha256>),
    Sha384(Hmac<Sha384>),
    Sha512(Hmac<Sha512>),
}

/// Does the same with any signer's hash.
macro_rules! with_signer {
    ($signer:expr, $mac:ident => $body:expr) => {
        match $signer {
            Signer::Md5($mac) => $body,
            Signer::Sha1($mac) => $body,
            Signer::Sha224($mac) => $body,
            Signer::Sha256($mac) => $body,
            Signer::Sha384($mac) => $body,
            Signer::Sha512($mac) => $body,
        }
    };
}

impl Signer {
    fn new(protocol: AuthProtocol, key: &[u8]) -> Self {
        /// A hash that this key has gone through. Keys are digests, which no hash's block is shorter than.
        fn keyed<M: Mac + KeyInit>(key: &[u8]) -> M {
            <M as Mac>::new_from_slice(key).unwrap_or_else(|_| <M as Mac>::new(&Default::default()))
        }
        match protocol {
            AuthProtocol::Md5 => Self::Md5(keyed(key)),
            AuthProtocol::Sha1 => Self::Sha1(keyed(key)),
            AuthProtocol::Sha224 => Self::Sha224(keyed(key)),
            AuthProtocol::Sha256 => Self::Sha256(keyed(key)),
            AuthProtocol::Sha384 => Self::Sha384(keyed(key)),
            AuthProtocol::Sha512 => Self::Sha512(keyed(key)),
        }
    }

    /// How many octets of the signature a message carries.
    fn length(&self) -> usize {
        match self {
            Self::Md5(_) | Self::Sha1(_) => 12,
            Self::Sha224(_) => 16,
            Self::Sha256(_) => 24,
            Self::Sha384(_) => 32,
            Self::Sha512(_) => 48,
        }
    }

    fn sign(&self, parts: &[&[u8]]) -> Vec<u8> {
        with_signer!(self, mac => {
            let mut mac = mac.clone();
            parts.iter().for_each(|part| mac.update(part));
            mac.finalize().into_bytes()[..self.length()].to_vec()
        })
    }

    fn verify(&self, parts: &[&[u8]], signature: &[u8]) -> bool {
        with_signer!(self, mac => {
            let mut mac = mac.clone();
            parts.iter().for_each(|part| mac.update(part));
            mac.verify_truncated_left(signature).is_ok()
        })
    }
}

/// A cipher with its key.
enum Cipher {
    /// The cipher's key, and what its salts are mixed with (RFC 3414 §8.1.1.1).
    Des([u8; 8], [u8; 8]),
    Aes128(Aes128),
    Aes192(Aes192),
    Aes256(Aes256),
}

impl Cipher {
    /// `None` only for a key of another length than the cipher's.
    fn new(protocol: PrivacyProtocol, key: &[u8]) -> Option<Self> {
        match protocol {
            PrivacyProtocol::Des => {
                let (first, second) = key.get(..16)?.split_at(8);
                Some(Self::Des(first.try_into().ok()?, second.try_into().ok()?))
            }
            PrivacyProtocol::Aes128 => Aes128::new_from_slice(key).ok().map(Self::Aes128),
            PrivacyProtocol::Aes192 | PrivacyProtocol::Aes192Reeder => {
                Aes192::new_from_slice(key).ok().map(Self::Aes192)
            }
            PrivacyProtocol::Aes256 | PrivacyProtocol::Aes256Reeder => {
                Aes256::new_from_slice(key).ok().map(Self::Aes256)
            }
        }
    }

    /// Encrypts in place, padding where the cipher works in blocks, and gives back the salt.
    fn encrypt(&self, boots: i64, time: i64, count: u64, data: &mut Vec<u8>) -> [u8; SALT] {
        #[allow(
            clippy::cast_possible_truncation,
            clippy::cast_sign_loss,
            reason = "32 bits of each are wanted"
        )]
        let salt = match self {
            Self::Des(..) => (u64::from(boots as u32) << 32 | (count & 0xffff_ffff)).to_be_bytes(),
            _ => count.to_be_bytes(),
        };
        let iv = aes_iv((boots, time), salt);
        match self {
            Self::Des(key, mix) => {
                data.resize(data.len().next_multiple_of(8), 0);
                let length = data.len();
                let cipher = cbc::Encryptor::<Des>::new(key.into(), &des_iv(*mix, salt).into());
                // Whole blocks need no padding, the only thing that could fail here.
                let _ = cipher.encrypt_padded_mut::<NoPadding>(data, length);
            }
            Self::Aes128(key) => cfb_mode::Encryptor::inner_iv_init(key, &iv.into()).encrypt(data),
            Self::Aes192(key) => cfb_mode::Encryptor::inner_iv_init(key, &iv.into()).encrypt(data),
            Self::Aes256(key) => cfb_mode::Encryptor::inner_iv_init(key, &iv.into()).encrypt(data),
        }
        salt
    }

    /// Decrypts in place. `None` when salt or length cannot be right.
    fn decrypt(&self, clock: (i64, i64), salt: &[u8], data: &mut [u8]) -> Option<()> {
        let salt: [u8; SALT] = salt.try_into().ok()?;
        let iv = aes_iv(clock, salt);
        match self {
            Self::Des(key, mix) => {
                let cipher = cbc::Decryptor::<Des>::new(key.into(), &des_iv(*mix, salt).into());
                cipher.decrypt_padded_mut::<NoPadding>(data).ok()?;
            }
            Self::Aes128(key) => cfb_mode::Decryptor::inner_iv_init(key, &iv.into()).decrypt(data),
            Self::Aes192(key) => cfb_mode::Decryptor::inner_iv_init(key, &iv.into()).decrypt(data),
            Self::Aes256(key) => cfb_mode::Decryptor::inner_iv_init(key, &iv.into()).decrypt(data),
        }
        Some(())
    }
}

/// RFC 3826 §3.1.2.1: boots, time and salt.
#[allow(
    clippy::cast_possible_truncation,
    clippy::cast_sign_loss,
    reason = "both have 31 bits, checked before"
)]
fn aes_iv((boots, time): (i64, i64), salt: [u8; SALT]) -> [u8; 16] {
    let mut iv = [0; 16];
    iv[..4].copy_from_slice(&(boots as u32).to_be_bytes());
    iv[4..8].copy_from_slice(&(time as u32).to_be_bytes());
    iv[8..].copy_from_slice(&salt);
    iv
}

fn des_iv(mix: [u8; 8], salt: [u8; SALT]) -> [u8; 8] {
    (u64::from_be_bytes(mix) ^ u64::from_be_bytes(salt)).to_be_bytes()
}

#[cfg(test)]
pub(super) mod tests;
