//! What is watched and how it is asked: shown, changed, and brought in by the file.

pub mod view;

use std::collections::{BTreeMap, BTreeSet};

use jiff::Timestamp;

use super::discover::shown_address;
use crate::domain::ids::DeviceId;
pub use crate::store::credentials::{CredentialRow, CredentialSummary};
use crate::store::devices::{DeviceRow, NewDevice};
use crate::store::{Result, Store, StoreError, Work};

/// A device is polled no more often than this, seconds.
pub const LEAST_POLL_S: u32 = 10;
/// And no more seldom.
pub const MOST_POLL_S: u32 = 86_400;
/// No name is longer, letters.
pub const LONGEST_NAME: usize = 200;

/// A device that is watched, with what people decide of it.
#[derive(Debug, Clone)]
pub struct Watched {
    /// What is known of it.
    pub row: DeviceRow,
    /// The number of the credential that it is asked with.
    pub credential: i64,
    /// What that is called.
    pub credential_name: String,
}

impl Watched {
    /// The address as people write it.
    #[must_use]
    pub fn address(&self) -> String {
        shown_address(&self.row.host, self.row.port)
    }
}

/// The devices that are watched, by name.
///
/// # Errors
/// If the store cannot be reached.
pub async fn watched(store: &Store) -> Result<Vec<Watched>> {
    let mut asked = store.asked_with().await?;
    let devices = store.devices(None).await?.into_iter();
    let with = devices.filter_map(|row| {
        let (credential, credential_name) = asked.remove(&row.id)?;
        Some(Watched { row, credential, credential_name })
    });
    Ok(with.collect())
}

/// Which credential a device is asked with.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum AskedBy {
    /// One that is kept, by its name.
    Kept(String),
    /// This one.
    New(CredentialRow),
}

/// A row of a file of devices. What is not said is left as it is, or as it is by default.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DeviceEntry {
    /// The line of the file.
    pub line: u64,
    /// Host name or address.
    pub host: String,
    /// UDP port.
    pub port: u16,
    /// What the print room calls it.
    pub name: Option<String>,
    /// Whom its ink is charged to.
    pub cost_centre: Option<String>,
    /// Seconds between polls.
    pub poll_every_s: Option<u32>,
    /// How it is asked.
    pub asked_by: Option<AskedBy>,
}

/// What holds for devices of which nothing else is said.
#[derive(Debug, Clone)]
pub struct Usual {
    /// The print room's name and zone.
    pub site: (String, String),
    /// Seconds between polls.
    pub poll_every_s: u32,
}

/// What a row of a file came to.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Imported {
    /// The line of the file.
    pub line: u64,
    /// The device's name.
    pub name: String,
    /// Its address, as people write it.
    pub address: String,
    /// What becomes of it.
    pub change: Change,
}

/// What becomes of a device.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Change {
    /// It is watched from now on.
    Added,
    /// It was watched, and something of it is changed.
    Changed,
    /// All is as it was.
    Same,
}

/// A row that cannot be taken: its line, and why.
pub type Refused = (u64, String);

/// Brings a file of devices in, all of it or nothing: a device that is watched at a row's address is changed, any
/// other is added. A rehearsal goes through the same and keeps nothing. `check` says whether a credential can be
/// used.
///
/// # Errors
/// If the store cannot be reached; rows that cannot be taken are told inside.
pub async fn import(
    store: &Store,
    entries: &[DeviceEntry],
    usual: &Usual,
    (at, rehearsal): (Timestamp, bool),
    check: impl Fn(&CredentialRow) -> std::result::Result<(), String>,
) -> Result<std::result::Result<Vec<Imported>, Vec<Refused>>> {
    let known = watched(store).await?;
    let kept: BTreeMap<String, i64> =
        store.credentials().await?.into_iter().map(|one| (one.name, one.id)).collect();
    let mut refused = faults(entries, &known, &kept, check);
    if !refused.is_empty() {
        return Ok(Err(refused));
    }
    let site = store.put_site(&usual.site.0, &usual.site.1).await?;
    let mut work = store.begin().await?;
    let mut imported = Vec::with_capacity(entries.len());
    for entry in entries {
        let before = known.iter().find(|one| (&one.row.host, one.row.port) == (&entry.host, entry.port));
        match take((store, &mut work), entry, before, &kept, (site, usual, at)).await {
            Ok(one) => imported.push(one),
            Err(StoreError::Taken(why)) => {
                // The transaction is over with the first of these.
                refused.push((entry.line, why));
                return Ok(Err(refused));
            }
            Err(fault) => return Err(fault),
        }
    }
    if rehearsal {
        work.rollback().await?;
    } else {
        work.commit().await?;
    }
    Ok(Ok(imported))
}

/// Every row that cannot be taken.
fn faults(
    entries: &[DeviceEntry],
    known: &[Watched],
    kept: &BTreeMap<String, i64>,
    check: impl Fn(&CredentialRow) -> std::result::Result<(), String>,
) -> Vec<Refused> {
    let mut refused = Vec::new();
    let mut addresses: BTreeMap<(&str, u16), u64> = BTreeMap::new();
    let mut names: BTreeMap<String, u64> = BTreeMap::new();
    let of_file: BTreeSet<(&str, u16)> =
        entries.iter().map(|entry| (entry.host.as_str(), entry.port)).collect();
    let staying = known.iter().filter(|one| !of_file.contains(&(one.row.host.as_str(), one.row.port)));
    let staying: BTreeSet<&str> = staying.map(|one| one.row.name.as_str()).collect();
    for entry in entries {
        let mut fault = |what: String| refused.push((entry.line, what));
        let address = shown_address(&entry.host, entry.port);
        if let Some(line) = addresses.insert((&entry.host, entry.port), entry.line) {
            fault(format!("{address} stands on line {line} too"));
        }
        let before = known.iter().find(|one| (&one.row.host, one.row.port) == (&entry.host, entry.port));
        let name = entry.name.clone().or_else(|| before.map(|one| one.row.name.clone())).unwrap_or(address);
        if staying.contains(name.as_str()) {
            fault(format!("a device named '{name}' is watched at another address; choose another name"));
        }
        if let Some(line) = names.insert(name.clone(), entry.line) {
            fault(format!("the name '{name}' stands on line {line} too"));
        }
        match &entry.asked_by {
            Some(AskedBy::Kept(name)) if !kept.contains_key(name) => fault(format!(
                "no credential is called '{name}': set it up first, or write version and community in its place"
            )),
            Some(AskedBy::New(row)) => check(row).err().into_iter().for_each(fault),
            Some(AskedBy::Kept(_)) | None => {}
        }
    }
    refused
}

async fn take(
    (store, work): (&Store, &mut Work),
    entry: &DeviceEntry,
    before: Option<&Watched>,
    kept: &BTreeMap<String, i64>,
    (site, usual, at): (i64, &Usual, Timestamp),
) -> Result<Imported> {
    let address = shown_address(&entry.host, entry.port);
    let old = before.map(|one| &one.row);
    let name =
        entry.name.clone().or_else(|| old.map(|row| row.name.clone())).unwrap_or_else(|| address.clone());
    let device = NewDevice {
        name: name.clone(),
        host: entry.host.clone(),
        port: entry.port,
        cost_centre: entry.cost_centre.clone().or_else(|| old.and_then(|row| row.cost_centre.clone())),
        poll_every_s: entry.poll_every_s.or(old.map(|row| row.poll_every_s)).unwrap_or(usual.poll_every_s),
    };
    let credential = match (&entry.asked_by, before) {
        (Some(AskedBy::Kept(name)), _) => kept.get(name).copied().unwrap_or_default(),
        (Some(AskedBy::New(row)), _) => store.keep_credential(work, row).await?,
        (None, Some(before)) => before.credential,
        (None, None) => store.keep_credential(work, &public()).await?,
    };
    let change = match before {
        None => {
            Store::insert_device(work, site, credential, &device, at).await?;
            Change::Added
        }
        Some(before) if is_as(before, &device, credential) => Change::Same,
        Some(before) => {
            Store::change_device(work, before.row.id, &device, credential).await?;
            Change::Changed
        }
    };
    Ok(Imported { line: entry.line, name, address, change })
}

fn is_as(before: &Watched, device: &NewDevice, credential: i64) -> bool {
    let row = &before.row;
    let old = (&row.name, &row.cost_centre, row.poll_every_s, before.credential);
    old == (&device.name, &device.cost_centre, device.poll_every_s, credential)
}

/// How a device is asked of which nothing is said: version 2c with the community `public`.
#[must_use]
pub fn public() -> CredentialRow {
    CredentialRow {
        version: "v2c".to_owned(),
        community: Some("public".to_owned()),
        ..CredentialRow::default()
    }
}

/// Changes what people decide of a device.
///
/// # Errors
/// If the store cannot be reached; a name or address that another device has is told inside.
pub async fn change(
    store: &Store,
    id: DeviceId,
    device: &NewDevice,
    credential: i64,
) -> Result<std::result::Result<bool, String>> {
    let mut work = store.begin().await?;
    match Store::change_device(&mut work, id, device, credential).await {
        Ok(found) => {
            work.commit().await?;
            Ok(Ok(found))
        }
        Err(StoreError::Taken(why)) => Ok(Err(why)),
        Err(fault) => Err(fault),
    }
}
