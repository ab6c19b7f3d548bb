//! Keys, and what they make of a secret.
//!
//! A sealed value is the octet 1, the key's identity (8 octets), the nonce (24) and the ciphertext with its tag, made
//! by XChaCha20-Poly1305 (draft-irtf-cfrg-xchacha-03; ChaCha20 and Poly1305 are RFC 8439). Nonces are random: with 192
//! bits none comes twice. Table, column and row are authenticated along with it, so that a value that was moved to
//! another place does not open there. A value that begins with the octet 0 is in the clear: it is from before values
//! were sealed.

use std::fmt;

use chacha20poly1305::aead::{Aead, KeyInit, Payload};
use chacha20poly1305::{XChaCha20Poly1305, XNonce};
use hmac::{Hmac, Mac};
use sha2::{Digest, Sha256};
use zeroize::Zeroizing;

use super::KeyFault;

/// The first octet of a value in the clear.
const CLEAR: u8 = 0;
/// The first octet of a sealed one.
const SEALED: u8 = 1;
/// Octets of a key.
const KEY: usize = 32;
/// Octets of a nonce.
const NONCE: usize = 24;

/// Which key: the first octets of a hash over it, by which it cannot be found.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct KeyId([u8; 8]);

impl KeyId {
    /// As it is stored.
    #[must_use]
    pub fn octets(&self) -> &[u8] {
        &self.0
    }

    /// From what is stored.
    #[must_use]
    pub fn from_octets(octets: &[u8]) -> Option<Self> {
        octets.try_into().ok().map(Self)
    }
}

impl fmt::Display for KeyId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.iter().try_for_each(|octet| write!(f, "{octet:02x}"))
    }
}

impl fmt::Debug for KeyId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "KeyId({self})")
    }
}

/// Where a sealed value stands. It opens nowhere else.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Place {
    /// The table.
    pub table: &'static str,
    /// Its column.
    pub column: &'static str,
    /// The row's number.
    pub row: i64,
}

impl fmt::Display for Place {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} of {} {}", self.column, self.table, self.row)
    }
}

/// A value as it is stored, taken apart.
pub(super) enum Stored<'a> {
    /// From before values were sealed.
    Clear(&'a [u8]),
    /// Sealed by a key.
    Sealed(KeyId),
}

/// What a stored value is; `None` if it is neither.
pub(super) fn stored(octets: &[u8]) -> Option<Stored<'_>> {
    match octets.split_first()? {
        (&CLEAR, rest) => Some(Stored::Clear(rest)),
        (&SEALED, rest) => Some(Stored::Sealed(KeyId(*rest.first_chunk()?))),
        _ => None,
    }
}

/// A key. Its octets are wiped from memory with it, and never shown.
#[derive(Clone)]
pub struct Key {
    id: KeyId,
    octets: Zeroizing<[u8; KEY]>,
}

impl fmt::Debug for Key {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "Key({})", self.id)
    }
}

impl Key {
    /// A new one.
    ///
    /// # Errors
    /// If the system has no randomness to give.
    pub fn fresh() -> Result<Self, KeyFault> {
        let mut octets = Zeroizing::new([0; KEY]);
        getrandom::fill(&mut *octets).map_err(KeyFault::NoRandomness)?;
        Ok(Self::of(octets))
    }

    fn of(octets: Zeroizing<[u8; KEY]>) -> Self {
        let hash = Sha256::new().chain_update("ullage key").chain_update(*octets).finalize();
        let mut id = [0; 8];
        id.copy_from_slice(&hash[..8]);
        Self { id: KeyId(id), octets }
    }

    /// From 64 hexadecimal digits.
    fn from_digits(digits: &str) -> Option<Self> {
        if digits.len() != 2 * KEY || !digits.bytes().all(|digit| digit.is_ascii_hexdigit()) {
            return None;
        }
        let mut octets = Zeroizing::new([0; KEY]);
        for (i, octet) in octets.iter_mut().enumerate() {
            *octet = u8::from_str_radix(digits.get(2 * i..2 * i + 2)?, 16).ok()?;
        }
        Some(Self::of(octets))
    }

    /// As 64 hexadecimal digits, for a key file or the environment and for nothing else.
    #[must_use]
    pub fn digits(&self) -> Zeroizing<String> {
        Zeroizing::new(self.octets.iter().map(|octet| format!("{octet:02x}")).collect())
    }

    /// Which one it is.
    #[must_use]
    pub fn id(&self) -> KeyId {
        self.id
    }

    /// Seals a secret for its place.
    pub(super) fn seal(&self, place: &Place, secret: &[u8]) -> Result<Vec<u8>, KeyFault> {
        let mut nonce = [0; NONCE];
        getrandom::fill(&mut nonce).map_err(KeyFault::NoRandomness)?;
        let mut value = vec![SEALED];
        value.extend(self.id.0);
        value.extend(nonce);
        let payload = Payload { msg: secret, aad: &bound(place) };
        // The cipher refuses only what is longer than 256 GiB.
        let sealed = self.cipher().encrypt(&XNonce::from(nonce), payload);
        value.extend(sealed.map_err(|_| KeyFault::Broken { place: *place })?);
        Ok(value)
    }

    /// Opens what [`Key::seal`] made, in the same place.
    pub(super) fn open(&self, place: &Place, value: &[u8]) -> Result<Zeroizing<Vec<u8>>, KeyFault> {
        let parts = value.get(1 + self.id.0.len()..).and_then(|rest| rest.split_first_chunk::<NONCE>());
        let broken = KeyFault::Broken { place: *place };
        let Some((nonce, sealed)) = parts else { return Err(broken) };
        let payload = Payload { msg: sealed, aad: &bound(place) };
        self.cipher().decrypt(&XNonce::from(*nonce), payload).map(Zeroizing::new).map_err(|_| broken)
    }

    fn cipher(&self) -> XChaCha20Poly1305 {
        XChaCha20Poly1305::new((&*self.octets).into())
    }

    /// Another secret that is made from the key for one purpose, by HMAC-SHA256.
    pub(super) fn derived(&self, purpose: &str) -> Zeroizing<[u8; 32]> {
        Zeroizing::new(mac(&self.octets, &[purpose.as_bytes()]))
    }
}

/// The HMAC-SHA256 (RFC 2104) of some parts, one after the other.
pub(super) fn mac(key: &[u8; 32], parts: &[&[u8]]) -> [u8; 32] {
    let Ok(mac) = Hmac::<Sha256>::new_from_slice(key) else {
        // HMAC takes keys of every length.
        return [0; 32];
    };
    parts.iter().fold(mac, |mac, part| mac.chain_update(part)).finalize().into_bytes().into()
}

/// What is authenticated along with a value: no table or column has a zero in its name.
fn bound(place: &Place) -> Vec<u8> {
    let mut octets = vec![SEALED];
    for name in [place.table, place.column] {
        octets.extend(name.as_bytes());
        octets.push(0);
    }
    octets.extend(place.row.to_be_bytes());
    octets
}

/// The keys that are at hand: the first is the newest.
#[derive(Debug, Clone)]
pub struct KeyRing {
    first: Key,
    older: Vec<Key>,
}

impl KeyRing {
    /// A ring of a single key.
    #[must_use]
    pub fn of(first: Key) -> Self {
        Self { first, older: Vec::new() }
    }

    /// The keys of a text: 64 hexadecimal digits each, in lines or with commas between them, the newest first. What
    /// follows a `#` in a line is passed over.
    ///
    /// # Errors
    /// What is wrong, without any of the text.
    pub fn parse(text: &str) -> Result<Self, String> {
        let mut keys = Vec::new();
        for (line, text) in (1..).zip(text.lines()) {
            let text = text.split('#').next().unwrap_or_default();
            for word in text.split([',', ' ', '\t', '\r']).filter(|word| !word.is_empty()) {
                let key = Key::from_digits(word);
                keys.push(
                    key.ok_or_else(|| format!("line {line} holds no key: one is 64 hexadecimal digits"))?,
                );
            }
        }
        let mut keys = keys.into_iter();
        let first = keys.next().ok_or("it holds no key: write one, 64 hexadecimal digits")?;
        Ok(Self { first, older: keys.collect() })
    }

    /// The newest.
    #[must_use]
    pub fn first(&self) -> &Key {
        &self.first
    }

    /// All, the newest first.
    pub fn keys(&self) -> impl Iterator<Item = &Key> {
        std::iter::once(&self.first).chain(&self.older)
    }

    /// One of them.
    #[must_use]
    pub fn key(&self, id: KeyId) -> Option<&Key> {
        self.keys().find(|key| key.id == id)
    }

    /// With a newer one before all others.
    pub(super) fn with_first(&self, first: Key) -> Self {
        Self { first, older: self.keys().cloned().collect() }
    }

    /// Without those that a rotation has retired. The first one stays in any case.
    pub(super) fn without(&self, retired: &[KeyId]) -> Self {
        let older = self.older.iter().filter(|key| !retired.contains(&key.id)).cloned().collect();
        Self { first: self.first.clone(), older }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const LOFT: Place = Place { table: "credential", column: "community", row: 7 };

    fn counted(from: u8) -> Key {
        Key::of(Zeroizing::new(std::array::from_fn(|i| from + u8::try_from(i).unwrap())))
    }

    #[test]
    fn a_secret_opens_with_its_key_in_its_place_and_nowhere_else() {
        let key = counted(3);
        let sealed = key.seal(&LOFT, b"velvet-curtain").unwrap();
        assert_eq!(key.open(&LOFT, &sealed).unwrap().as_slice(), b"velvet-curtain");
        assert!(matches!(stored(&sealed), Some(Stored::Sealed(id)) if id == key.id()));
        assert_ne!(key.seal(&LOFT, b"velvet-curtain").unwrap(), sealed, "no two are alike");
        for elsewhere in [
            Place { row: 8, ..LOFT },
            Place { column: "auth_password", ..LOFT },
            Place { table: "recipient", ..LOFT },
            Place { table: "credentialc", column: "ommunity", ..LOFT },
        ] {
            assert!(key.open(&elsewhere, &sealed).is_err(), "{elsewhere}");
        }
        assert!(counted(4).open(&LOFT, &sealed).is_err());
        for i in 9..sealed.len() {
            let mut spoilt = sealed.clone();
            spoilt[i] ^= 1;
            assert!(key.open(&LOFT, &spoilt).is_err(), "octet {i}");
            assert!(key.open(&LOFT, &sealed[..i]).is_err(), "cut to {i}");
        }
    }

    /// draft-irtf-cfrg-xchacha-03, appendix A.3.1.
    #[test]
    fn the_cipher_is_the_one_of_the_draft() {
        let hex = |text: &str| -> Vec<u8> {
            (0..text.len() / 2).map(|i| u8::from_str_radix(&text[2 * i..2 * i + 2], 16).unwrap()).collect()
        };
        let plain =
            b"Ladies and Gentlemen of the class of '99: If I could offer you only one tip for the future, \
                      sunscreen would be it.";
        let nonce: [u8; NONCE] = std::array::from_fn(|i| 0x40 + u8::try_from(i).unwrap());
        let payload = Payload { msg: plain, aad: &hex("50515253c0c1c2c3c4c5c6c7") };
        let sealed = counted(0x80).cipher().encrypt(&XNonce::from(nonce), payload).unwrap();
        let text = "bd6d179d3e83d43b9576579493c0e939572a1700252bfaccbed2902c21396cbb731c7f1b0b4aa6440bf3a82f4eda7e39\
                    ae64c6708c54c216cb96b72e1213b4522f8c9ba40db5d945b11b69b982c1bb9e3f3fac2bc369488f76b2383565d3fff9\
                    21f9664c97637da9768812f615c68b13b52ec0875924c1c7987947deafd8780acf49";
        assert_eq!(sealed, hex(text));
    }

    #[test]
    fn a_text_of_keys_is_read_and_a_fault_shows_none_of_it() {
        let (new, old) = (counted(1), counted(2));
        let text = format!("# keys\n\n{}  # the newest\n{}\n", *new.digits(), *old.digits());
        let ring = KeyRing::parse(&text).unwrap();
        assert_eq!(ring.keys().map(Key::id).collect::<Vec<_>>(), [new.id(), old.id()]);
        let ring = KeyRing::parse(&format!("{},{}", *old.digits(), *new.digits())).unwrap();
        assert_eq!(ring.first().id(), old.id());
        assert!(ring.key(new.id()).is_some() && ring.key(counted(9).id()).is_none());
        assert_eq!(ring.without(&[new.id(), old.id()]).keys().count(), 1);
        assert!(KeyRing::parse("# none\n").is_err());
        let fault = KeyRing::parse(&format!("\n{}x\n", *new.digits())).unwrap_err();
        assert!(fault.contains("line 2") && !fault.contains(&new.digits()[..8]), "{fault}");
        for other in ["é", "+f"] {
            assert!(KeyRing::parse(&other.repeat(32)).is_err(), "{other}");
        }
        assert!(!format!("{ring:?}").contains(&new.digits()[..8]));
    }
}
