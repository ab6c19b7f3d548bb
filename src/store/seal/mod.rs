//! Secrets are sealed before they are stored: the database, a dump, its log or a replica by themselves show none.
//!
//! `key` makes and opens sealed values, `file` keeps the keys, `keep` brings what is stored up to the key in use. The
//! row of `seal_key` names that key; whoever seals shares a lock on it, so that a rotation waits for them, and they for
//! it.

mod file;
mod keep;
mod key;

use std::path::PathBuf;
use std::sync::{Arc, OnceLock, PoisonError, RwLock};

use zeroize::Zeroizing;

pub use keep::{InUse, Rotated, Sealing};
pub use key::{Key, KeyId, KeyRing, Place};

use key::{Stored, stored};

/// Why a secret cannot be sealed or opened.
#[derive(Debug, thiserror::Error)]
pub enum KeyFault {
    /// It is sealed with a key that is not at hand.
    #[error(
        "what is sealed with key {id} does not open, since that key is not {held}: put it back there, or go on with a \
         new key by `ullage secrets rotate --lost` and enter what was sealed again"
    )]
    Missing {
        /// Which key.
        id: KeyId,
        /// Where it was looked for.
        held: String,
    },
    /// It was changed, or moved here from elsewhere.
    #[error("the {place} does not open: it was not sealed there, or was changed since; enter it again")]
    Broken {
        /// Where it stands.
        place: Place,
    },
    /// Others may read the keys.
    #[error(
        "{0} may be read by others (mode {mode:o}), and holds the keys of all secrets: close it with `chmod 600 {0}`",
        path.display()
    )]
    Open {
        /// The file.
        path: PathBuf,
        /// Its permissions.
        mode: u32,
    },
    /// A file of something else.
    #[error("{} is no key file: {what}", path.display())]
    NotKeys {
        /// The file.
        path: PathBuf,
        /// What is wrong with it.
        what: String,
    },
    /// The file system says no.
    #[error("cannot {doing} the key file {}: {error}; store.key_file can name another place", path.display())]
    File {
        /// What was tried.
        doing: &'static str,
        /// The file.
        path: PathBuf,
        /// Why not.
        error: std::io::Error,
    },
    /// There is no key in use.
    #[error("there is no key to seal secrets with: start the service once, or see `ullage secrets show`")]
    NoKey,
    /// Keys that are given can only be changed where they are given.
    #[error(
        "the keys are given as store.key, where only you can change them: put a new one first, as NEW,OLD (`ullage \
         secrets new-key` prints one), restart the service with it, then rotate again"
    )]
    Given,
    /// The system gives no randomness.
    #[error("the system gives no random bytes: {0}")]
    NoRandomness(getrandom::Error),
}

impl KeyFault {
    /// Whether it is only a key that is not there, and all but the secrets can go on.
    fn is_lack(&self) -> bool {
        matches!(self, Self::Missing { .. } | Self::Broken { .. } | Self::File { .. } | Self::NoKey)
    }
}

/// Where the keys are.
#[derive(Debug, Clone)]
pub enum KeySource {
    /// In a file, which is made when it is first needed.
    File(PathBuf),
    /// In the settings or the environment.
    Given(KeyRing),
}

impl KeySource {
    /// Where that is, as a sentence goes on: "the key is not …".
    #[must_use]
    pub fn held(&self) -> String {
        match self {
            Self::File(path) => format!("in {}", path.display()),
            Self::Given(_) => "among those of store.key".to_owned(),
        }
    }
}

/// The keys of a store that is open.
pub(super) struct Keys {
    source: Option<KeySource>,
    ring: RwLock<Option<Arc<KeyRing>>>,
    /// Signs forms where there is no key to make that secret from.
    spare: Zeroizing<[u8; 32]>,
    forms: OnceLock<Zeroizing<[u8; 32]>>,
}

impl std::fmt::Debug for Keys {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "Keys({:?})", self.source)
    }
}

impl Keys {
    /// Those of a source; none, if there is no source. A file that may not be read counts as none.
    pub(super) fn of(source: Option<KeySource>) -> Result<Self, KeyFault> {
        let mut spare = Zeroizing::new([0; 32]);
        getrandom::fill(&mut *spare).map_err(KeyFault::NoRandomness)?;
        let ring = match &source {
            Some(KeySource::File(path)) => match file::read(path) {
                Err(fault) if fault.is_lack() => None,
                read => read?,
            },
            Some(KeySource::Given(ring)) => Some(ring.clone()),
            None => None,
        };
        Ok(Self { source, ring: RwLock::new(ring.map(Arc::new)), spare, forms: OnceLock::new() })
    }

    fn ring(&self) -> Option<Arc<KeyRing>> {
        self.ring.read().unwrap_or_else(PoisonError::into_inner).clone()
    }

    fn hold(&self, ring: KeyRing) {
        *self.ring.write().unwrap_or_else(PoisonError::into_inner) = Some(Arc::new(ring));
    }

    fn held(&self) -> String {
        self.source.as_ref().map_or_else(|| "here".to_owned(), KeySource::held)
    }

    /// A key by its identity. One that was put into the file meanwhile is found.
    fn key(&self, id: KeyId) -> Result<Key, KeyFault> {
        let known = || self.ring().and_then(|ring| ring.key(id).cloned());
        if let Some(key) = known() {
            return Ok(key);
        }
        if let Some(KeySource::File(path)) = &self.source
            && let Some(ring) = file::read(path)?
        {
            self.hold(ring);
        }
        known().ok_or_else(|| KeyFault::Missing { id, held: self.held() })
    }

    /// The newest key; a file is made if there is none.
    fn first(&self) -> Result<Key, KeyFault> {
        if let Some(ring) = self.ring() {
            return Ok(ring.first().clone());
        }
        let Some(KeySource::File(path)) = &self.source else { return Err(KeyFault::NoKey) };
        let ring = file::make(path)?;
        let first = ring.first().clone();
        self.hold(ring);
        Ok(first)
    }

    /// Opens a stored value.
    pub(super) fn open(&self, place: &Place, value: &[u8]) -> Result<String, KeyFault> {
        let octets = match stored(value) {
            Some(Stored::Clear(octets)) => Zeroizing::new(octets.to_vec()),
            Some(Stored::Sealed(id)) => self.key(id)?.open(place, value)?,
            None => return Err(KeyFault::Broken { place: *place }),
        };
        let text = std::str::from_utf8(&octets).map_err(|_| KeyFault::Broken { place: *place })?;
        Ok(text.to_owned())
    }

    /// A stored value for a secret: the one that is there, if it says the same and is sealed with this key.
    pub(super) fn seal(
        &self,
        key: &Key,
        place: &Place,
        (old, new): (Option<&[u8]>, &str),
    ) -> Result<Vec<u8>, KeyFault> {
        if let Some(old) = old
            && matches!(stored(old), Some(Stored::Sealed(id)) if id == key.id())
            && self.open(place, old).is_ok_and(|said| said == new)
        {
            return Ok(old.to_vec());
        }
        key.seal(place, new.as_bytes())
    }

    /// What the forms of a visit are signed with. It is made from the newest key that was there at the start, so that
    /// no row of the database is worth anything for it; without a key, forms are good until the next start.
    pub(super) fn form_key(&self, visit: i64, begun: i64) -> [u8; 32] {
        let forms = self.forms.get_or_init(|| match self.ring() {
            Some(ring) => ring.first().derived("ullage forms"),
            None => self.spare.clone(),
        });
        key::mac(forms, &[&visit.to_be_bytes(), &begun.to_be_bytes()])
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const LOFT: Place = Place { table: "credential", column: "community", row: 7 };

    fn given(ring: &KeyRing) -> Keys {
        Keys::of(Some(KeySource::Given(ring.clone()))).unwrap()
    }

    #[test]
    fn what_is_said_again_stays_as_it_was_sealed() {
        let old = KeyRing::of(Key::fresh().unwrap());
        let keys = given(&old.with_first(Key::fresh().unwrap()));
        let sealed = keys.seal(old.first(), &LOFT, (None, "velvet-curtain")).unwrap();
        let again = keys.seal(old.first(), &LOFT, (Some(&sealed), "velvet-curtain")).unwrap();
        assert_eq!(again, sealed);
        assert_ne!(keys.seal(old.first(), &LOFT, (Some(&sealed), "velvet")).unwrap(), sealed);
        let newest = keys.first().unwrap();
        let anew = keys.seal(&newest, &LOFT, (Some(&sealed), "velvet-curtain")).unwrap();
        assert_ne!(anew, sealed, "another key");
        for value in [&sealed, &anew, &b"\0velvet-curtain".to_vec()] {
            assert_eq!(keys.open(&LOFT, value).unwrap(), "velvet-curtain");
        }
        for value in [&b""[..], b"\x01", b"\x02velvet", b"\0\xff"] {
            assert!(matches!(keys.open(&LOFT, value), Err(KeyFault::Broken { .. })), "{value:?}");
        }
    }

    #[test]
    fn a_key_that_is_put_into_the_file_later_is_found_and_one_that_is_not_is_named() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("secrets.key");
        let keys = Keys::of(Some(KeySource::File(path.clone()))).unwrap();
        let other = KeyRing::of(Key::fresh().unwrap());
        let sealed = other.first().seal(&LOFT, b"velvet-curtain").unwrap();
        let fault = keys.open(&LOFT, &sealed).unwrap_err().to_string();
        assert!(fault.contains(&other.first().id().to_string()) && fault.contains("secrets.key"), "{fault}");
        let first = keys.first().unwrap();
        assert!(keys.open(&LOFT, &sealed).is_err());
        file::replace(&path, &other.with_first(first)).unwrap();
        assert_eq!(keys.open(&LOFT, &sealed).unwrap(), "velvet-curtain");
    }

    #[test]
    fn forms_of_visits_are_signed_by_the_key_and_shown_to_nobody() {
        let ring = KeyRing::of(Key::fresh().unwrap());
        let (one, other) = (given(&ring), given(&ring));
        assert_eq!(
            one.form_key(3, 9),
            other.form_key(3, 9),
            "two services agree, and a restart changes nothing"
        );
        assert_ne!(one.form_key(3, 9), one.form_key(4, 9));
        assert_ne!(one.form_key(3, 9), one.form_key(3, 8));
        let without = Keys::of(None).unwrap();
        assert_eq!(without.form_key(3, 9), without.form_key(3, 9));
        assert_ne!(without.form_key(3, 9), Keys::of(None).unwrap().form_key(3, 9));
        assert!(!format!("{one:?}").contains(&ring.first().digits()[..8]));
    }
}
