//! What the set-up pages show and send, as plain data.

use super::{CredentialRow, CredentialSummary};
use crate::domain::outlook::Slot;
use crate::domain::reading::Level;
use crate::domain::snapshot::Identity;
use crate::usecase::discover::Found;

/// The page of all that is set up.
#[derive(Debug, Clone)]
pub struct SetupView {
    /// What the print room is called.
    pub room: String,
    /// Machines that are watched.
    pub machines: usize,
    /// Of those, the ones that have answered and whose last poll was answered.
    pub answering: usize,
    /// Of those, the ones that were not asked yet.
    pub waiting: usize,
    /// Credentials that are kept.
    pub credentials: usize,
    /// Parts in the catalogue.
    pub parts: usize,
    /// Those who are told of alerts.
    pub told: usize,
    /// People who come in by name.
    pub people: usize,
    /// The ranges that may be searched.
    pub ranges: Vec<String>,
    /// How often a device is polled of which nothing else is said, seconds.
    pub poll_every_s: u32,
    /// What is the matter with the secrets of the store, and what to do.
    pub trouble: Option<String>,
}

/// How a device is to be asked.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Way {
    /// With a kept credential, by its number.
    Kept(i64),
    /// With this one.
    New(CredentialRow),
}

/// A device that is asked before it is watched.
#[derive(Debug, Clone)]
pub struct TryRequest {
    /// Host name or address.
    pub host: String,
    /// UDP port.
    pub port: u16,
    /// How it is asked.
    pub way: Way,
}

/// What a device said when it was tried.
#[derive(Debug, Clone)]
pub struct TriedView {
    /// The number under which the trial is remembered for some minutes.
    pub trial: u64,
    /// The address, as people write it.
    pub address: String,
    /// Who it says it is.
    pub identity: Identity,
    /// Its supplies and their levels.
    pub supplies: Vec<(Slot, Level)>,
    /// A name that no other device has.
    pub name: String,
    /// How often it would be polled, seconds.
    pub poll_every_s: u32,
}

/// What people decide of a device that was tried.
#[derive(Debug, Clone)]
pub struct Chosen {
    /// What the print room calls it.
    pub name: String,
    /// Whom its ink is charged to.
    pub cost_centre: Option<String>,
    /// Seconds between polls.
    pub poll_every_s: u32,
}

/// What people decide of a device that is watched.
#[derive(Debug, Clone)]
pub struct DeviceChange {
    /// Host name or address.
    pub host: String,
    /// UDP port.
    pub port: u16,
    /// The number of the credential it is asked with.
    pub credential: i64,
    /// The rest.
    pub chosen: Chosen,
}

/// A credential as a form has it. Secrets that are not given stay as they are.
#[derive(Clone, Default)]
pub struct CredentialForm {
    /// What it is called.
    pub name: String,
    /// `v1`, `v2c` or `v3`.
    pub version: String,
    /// The community of v1 and v2c.
    pub community: Option<String>,
    /// The user of v3.
    pub user: Option<String>,
    /// How messages are signed, and the password.
    pub auth: (Option<String>, Option<String>),
    /// How they are encrypted, and the password.
    pub privacy: (Option<String>, Option<String>),
}

/// Where to search.
#[derive(Debug, Clone)]
pub struct SearchRequest {
    /// One of the ranges that may be searched, or a part of one.
    pub range: String,
    /// UDP port.
    pub port: u16,
    /// The numbers of the credentials to try in turn; none: version 2c with the community `public`.
    pub credentials: Vec<i64>,
}

/// The page of searches.
#[derive(Debug, Clone)]
pub struct SearchView {
    /// The ranges that may be searched.
    pub ranges: Vec<String>,
    /// The credentials that can be tried.
    pub credentials: Vec<CredentialSummary>,
    /// The search that is under way, or the last one.
    pub job: Option<JobView>,
}

/// A search that is under way, or over.
#[derive(Debug, Clone)]
pub struct JobView {
    /// What is searched.
    pub what: String,
    /// Whether it is under way.
    pub running: bool,
    /// Whether it was stopped before its end.
    pub stopped: bool,
    /// Addresses that are done.
    pub asked: usize,
    /// Addresses in all.
    pub total: usize,
    /// Questions that could not be sent, and why the first of them.
    pub unsent: Option<(usize, String)>,
    /// Who was found, by address.
    pub found: Vec<FoundLine>,
}

/// A device that was found.
#[derive(Debug, Clone)]
pub struct FoundLine {
    /// Who it is.
    pub found: Found,
    /// The name under which it is watched already.
    pub watched_as: Option<String>,
    /// A name that no other device has.
    pub name: String,
}

/// Why something is not done: the field of the form that it is about, and a sentence without its full stop.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Refusal {
    /// The field; empty if it is about none.
    pub field: &'static str,
    /// Why, and what would be right.
    pub why: String,
}

impl Refusal {
    /// About a field.
    #[must_use]
    pub fn new(field: &'static str, why: impl Into<String>) -> Self {
        Self { field, why: why.into() }
    }
}
