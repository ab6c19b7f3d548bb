//! What is stored, brought up to the key in use: values from before they were sealed, and another key in place of one.

use jiff::Timestamp;
use tracing::warn;

use super::key::{Key, KeyId, KeyRing, Place, Stored, stored};
use super::{KeyFault, KeySource, file};
use crate::store::{Result, Store, StoreError, Work};

/// Whoever rotates holds this advisory lock, so that no two write the key file at the same time.
const ROTATING: i64 = 7_830_112_600;

/// The key that seals.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct InUse {
    /// Which one.
    pub id: KeyId,
    /// Where it was kept when it came into use.
    pub place: String,
    /// Since when.
    pub since: Timestamp,
}

/// How it stands with the secrets of a store.
#[derive(Debug, Clone)]
pub struct Sealing {
    /// The key that seals; `None` if none has come into use yet.
    pub in_use: Option<InUse>,
    /// The keys that are at hand, the newest first.
    pub held: Vec<KeyId>,
    /// Where they are, as in "the keys are …".
    pub whence: String,
    /// How many secrets are stored.
    pub secrets: usize,
    /// How many of them stand in the clear.
    pub clear: usize,
    /// Those that do not open: what they are and whose.
    pub lost: Vec<String>,
}

impl Sealing {
    /// What a person has to know and do, if there is something.
    #[must_use]
    pub fn trouble(&self) -> Option<String> {
        let key = self.in_use.as_ref().filter(|key| !self.held.contains(&key.id));
        let lost = match self.lost.split_first() {
            None => String::new(),
            Some((one, [])) => format!("the {one} does not open"),
            Some((one, more)) => format!("the {one} and {} more secrets do not open", more.len()),
        };
        match key {
            Some(key) => {
                let what = if lost.is_empty() { "no secret can be stored" } else { &lost };
                Some(format!(
                    "{what}: key {} is not {}; it was {} when it came into use. Put it back, or go on with a new one \
                     by `ullage secrets rotate --lost` and enter communities, passwords and web addresses again. All \
                     else goes on.",
                    key.id, self.whence, key.place
                ))
            }
            None if !lost.is_empty() => Some(format!(
                "{lost}: sealed with a key that is not {}, or changed since; enter what is lost again. All else goes on.",
                self.whence
            )),
            None if self.clear > 0 => Some(format!(
                "{} secrets stand in the store in the clear: there is no key {} to seal them with",
                self.clear, self.whence
            )),
            None => None,
        }
    }
}

/// What a rotation has done.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Rotated {
    /// The key that seals from now on.
    pub key: KeyId,
    /// How many secrets were sealed anew.
    pub sealed: usize,
    /// Those that did not open and stay as they were.
    pub lost: Vec<String>,
    /// Keys that were taken out of the key file.
    pub retired: Vec<KeyId>,
}

/// What came of sealing everything with one key.
#[derive(Debug, Default)]
struct Tally {
    sealed: usize,
    lost: Vec<String>,
}

/// A secret as it is stored.
struct Secret {
    place: Place,
    whose: String,
    value: Vec<u8>,
}

impl Store {
    /// The key that seals now. Nobody changes it before the transaction is over.
    pub(in crate::store) async fn sealer(&self, work: &mut Work) -> Result<Key> {
        let id = sqlx::query_scalar!("select key_id from seal_key for share").fetch_optional(&mut **work);
        match id.await? {
            Some(id) => Ok(self.keys.key(key_id(&id)?)?),
            None => Err(KeyFault::NoKey.into()),
        }
    }

    /// Brings a key into use if there is none, and seals what still stands in the clear. Where a key is not at hand,
    /// everything else goes on.
    pub(in crate::store) async fn settle(&self) -> Result<()> {
        let found = sqlx::query!(
            r#"select (select key_id from seal_key) as "key_id?",
                      exists (select from credential where '\x00'::bytea in
                                  (substring(community from 1 for 1), substring(auth_password from 1 for 1),
                                   substring(privacy_password from 1 for 1)))
                      or exists (select from recipient where substring(secret_address from 1 for 1) = '\x00'::bytea)
                          as "clear!""#
        )
        .fetch_one(&self.pool)
        .await?;
        if self.keys.source.is_none() || (found.key_id.is_some() && !found.clear) {
            return Ok(());
        }
        match self.bring_into_use().await {
            Err(StoreError::Keys(fault)) if fault.is_lack() => {
                warn!("{fault}");
                Ok(())
            }
            done => done,
        }
    }

    async fn bring_into_use(&self) -> Result<()> {
        let mut work = self.begin().await?;
        let named = sqlx::query_scalar!("select key_id from seal_key").fetch_optional(&mut *work).await?;
        if named.is_none() {
            let first = self.keys.first()?.id();
            // Another program may do the same at this moment: then its key counts.
            sqlx::query!(
                "insert into seal_key (key_id, place) values ($1, $2) on conflict do nothing",
                first.octets(),
                self.keys_place()
            )
            .execute(&mut *work)
            .await?;
        }
        let key = self.locked(&mut work).await?;
        let key = self.keys.key(key)?;
        let tally = self.seal_anew(&mut work, &key).await?;
        work.commit().await?;
        if tally.sealed > 0 {
            self.wipe().await;
        }
        Ok(())
    }

    /// The key in use, held against everybody who seals.
    async fn locked(&self, work: &mut Work) -> Result<KeyId> {
        let id = sqlx::query_scalar!("select key_id from seal_key for update").fetch_optional(&mut **work);
        key_id(&id.await?.ok_or(KeyFault::NoKey)?)
    }

    /// Where the keys are, on which machine.
    fn keys_place(&self) -> String {
        let machine = rustix::system::uname();
        let machine = machine.nodename().to_string_lossy();
        match &self.keys.source {
            Some(KeySource::File(path)) => {
                let path = std::path::absolute(path).unwrap_or_else(|_| path.clone());
                format!("in {} on {machine}", path.display())
            }
            _ => format!("in the settings on {machine}"),
        }
    }

    /// How it stands with the secrets.
    ///
    /// # Errors
    /// If the store cannot be reached.
    pub async fn sealing(&self) -> Result<Sealing> {
        let mut work = self.begin().await?;
        let row =
            sqlx::query!("select key_id, place, since from seal_key").fetch_optional(&mut *work).await?;
        let in_use = row.map(|row| {
            Ok::<_, StoreError>(InUse {
                id: key_id(&row.key_id)?,
                place: row.place,
                since: row.since.to_jiff(),
            })
        });
        let in_use = in_use.transpose()?;
        let secrets = secrets(&mut work).await?;
        let is_clear = |secret: &&Secret| matches!(stored(&secret.value), Some(Stored::Clear(_)));
        let opens = |secret: &&Secret| self.keys.open(&secret.place, &secret.value).is_ok();
        Ok(Sealing {
            clear: secrets.iter().filter(is_clear).count(),
            lost: secrets.iter().filter(|secret| !opens(secret)).map(|secret| secret.whose.clone()).collect(),
            secrets: secrets.len(),
            // Opening has read what was put into the file since.
            held: self.keys.ring().map(|ring| ring.keys().map(Key::id).collect()).unwrap_or_default(),
            whence: self.keys.held(),
            in_use,
        })
    }

    /// Brings another key into use and seals every secret with it, in one transaction; the keys before it are then
    /// taken out of the key file. Whoever is killed in the middle leaves a file with all of them, so that everything
    /// opens. `lost`: go on although the key in use is not at hand; what it sealed stays as it is.
    ///
    /// # Errors
    /// If a key is missing, or cannot be written, or the store cannot be reached.
    pub async fn rotate(&self, lost: bool) -> Result<Rotated> {
        let mut guard = self.pool.begin().await?;
        sqlx::query!("select pg_advisory_xact_lock($1)", ROTATING).execute(&mut *guard).await?;
        let mut work = self.begin().await?;
        let named = self.locked(&mut work).await?;
        match self.keys.key(named) {
            Err(fault) if !(lost && fault.is_lack()) => return Err(fault.into()),
            _ => {}
        }
        let ring = self.next_ring(named)?;
        let key = ring.first().clone();
        let id = key.id();
        sqlx::query!(
            "update seal_key set key_id = $1, place = $2, since = now()",
            id.octets(),
            self.keys_place()
        )
        .execute(&mut *work)
        .await?;
        let tally = self.seal_anew(&mut work, &key).await?;
        work.commit().await?;
        let retired = self.retire(&ring)?;
        drop(guard);
        self.wipe().await;
        Ok(Rotated { key: id, sealed: tally.sealed, lost: tally.lost, retired })
    }

    /// The keys at hand with the one first that comes into use next: one that stands first already, put there by a
    /// person or by a rotation that was cut short, else a new one, which is on the disk before it seals anything.
    fn next_ring(&self, named: KeyId) -> Result<KeyRing> {
        let path = match &self.keys.source {
            Some(KeySource::File(path)) => path,
            Some(KeySource::Given(ring)) if ring.first().id() != named => return Ok(ring.clone()),
            Some(KeySource::Given(_)) => return Err(KeyFault::Given.into()),
            None => return Err(KeyFault::NoKey.into()),
        };
        let ring = match file::read(path)? {
            Some(ring) if ring.first().id() != named => ring,
            Some(ring) => {
                let ring = ring.with_first(Key::fresh()?);
                file::replace(path, &ring)?;
                ring
            }
            None => file::make(path)?,
        };
        self.keys.hold(ring.clone());
        Ok(ring)
    }

    /// Takes all keys but the newest out of the key file.
    fn retire(&self, ring: &KeyRing) -> Result<Vec<KeyId>> {
        let Some(KeySource::File(path)) = &self.keys.source else { return Ok(Vec::new()) };
        let retired: Vec<KeyId> = ring.keys().skip(1).map(Key::id).collect();
        if !retired.is_empty() {
            let ring = ring.without(&retired);
            file::replace(path, &ring)?;
            self.keys.hold(ring);
        }
        Ok(retired)
    }

    /// Seals every secret with a key, as far as it opens. Whoever seals waits meanwhile: they share the lock that this
    /// transaction holds.
    async fn seal_anew(&self, work: &mut Work, key: &Key) -> Result<Tally> {
        // What is sealed stays the same, so that this is no person's change of it.
        sqlx::query_scalar!("select set_config('ullage.who', '', true)").fetch_one(&mut **work).await?;
        let mut tally = Tally::default();
        let all = secrets(work).await?;
        for row in all.chunk_by(|a, b| (a.place.table, a.place.row) == (b.place.table, b.place.row)) {
            let mut anew = Vec::new();
            for Secret { place, whose, value } in row {
                if matches!(stored(value), Some(Stored::Sealed(id)) if id == key.id()) {
                    continue;
                }
                match self.keys.open(place, value) {
                    Ok(secret) => anew.push((*place, key.seal(place, secret.as_bytes())?)),
                    Err(fault) if fault.is_lack() => tally.lost.push(whose.clone()),
                    Err(fault) => return Err(fault.into()),
                }
            }
            tally.sealed += anew.len();
            put(work, &anew).await?;
        }
        Ok(tally)
    }

    /// Writes the tables anew, so that what stood in them before is in none of their files. It is in the database's log
    /// for a while all the same.
    async fn wipe(&self) {
        let wiped = async {
            sqlx::query!("vacuum full credential").execute(&self.pool).await?;
            sqlx::query!("vacuum full recipient").execute(&self.pool).await?;
            sqlx::query!("vacuum full session").execute(&self.pool).await
        };
        if let Err(fault) = wiped.await {
            warn!(
                "what was sealed anew may stand in the tables' files as it was before, until they are vacuumed: {fault}"
            );
        }
    }
}

/// Every secret that is stored, those of a row together.
async fn secrets(work: &mut Work) -> Result<Vec<Secret>> {
    let mut secrets = Vec::new();
    let rows = sqlx::query!(
        "select id, name, community, auth_password, privacy_password from credential order by id"
    );
    for row in rows.fetch_all(&mut **work).await? {
        for (column, what, value) in [
            ("community", "community", row.community),
            ("auth_password", "authentication password", row.auth_password),
            ("privacy_password", "privacy password", row.privacy_password),
        ] {
            let place = Place { table: "credential", column, row: row.id };
            let whose = format!("{what} of credential '{}'", row.name);
            secrets.extend(value.map(|value| Secret { place, whose, value }));
        }
    }
    let rows = sqlx::query!(
        r#"select id, name, secret_address as "value!" from recipient where secret_address is not null order by id"#
    );
    for row in rows.fetch_all(&mut **work).await? {
        let place = Place { table: "recipient", column: "secret_address", row: row.id };
        let whose = format!("web address of '{}'", row.name);
        secrets.push(Secret { place, whose, value: row.value });
    }
    Ok(secrets)
}

/// Puts values of one row in their places, together: the database refuses a row that still holds any in the clear.
async fn put(work: &mut Work, anew: &[(Place, Vec<u8>)]) -> Result<()> {
    let Some((Place { table, row, .. }, first)) = anew.first() else { return Ok(()) };
    if *table == "recipient" {
        sqlx::query!("update recipient set secret_address = $2 where id = $1", row, first)
            .execute(&mut **work)
            .await?;
        return Ok(());
    }
    let value =
        |column| anew.iter().find(|(place, _)| place.column == column).map(|(_, value)| value.as_slice());
    sqlx::query!(
        "update credential set community = coalesce($2, community), auth_password = coalesce($3, auth_password),
                privacy_password = coalesce($4, privacy_password)
         where id = $1",
        row,
        value("community"),
        value("auth_password"),
        value("privacy_password"),
    )
    .execute(&mut **work)
    .await?;
    Ok(())
}

fn key_id(octets: &[u8]) -> Result<KeyId> {
    let unknown = || StoreError::Unknown { what: "key", value: format!("{} octets", octets.len()) };
    KeyId::from_octets(octets).ok_or_else(unknown)
}
