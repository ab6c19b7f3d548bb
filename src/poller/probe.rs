//! One poll of one device: find its address, read its tables, make a snapshot of them.

use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;

use crate::domain::snapshot::Snapshot;
use crate::snmp::credential::Credential;
use crate::snmp::error::SnmpError;
use crate::snmp::printer_mib::{NotAPrinter, snapshot};
use crate::snmp::read_printer::read_printer;
use crate::snmp::transport::{Engine, Target};

/// Why a poll gave no snapshot.
#[derive(Debug, thiserror::Error)]
pub enum ProbeError {
    /// The name stands for no address.
    #[error(
        "'{host}' is no address that this machine can find ({why}); check the spelling, or write the number"
    )]
    NoAddress {
        /// The name as it was written.
        host: String,
        /// What the resolver said.
        why: String,
    },
    /// The device did not answer, or not so that it could be understood.
    #[error(transparent)]
    Snmp(#[from] SnmpError),
    /// It answered, and is no printer.
    #[error(transparent)]
    NotAPrinter(#[from] NotAPrinter),
}

/// How to ask.
#[derive(Debug, Clone, Copy)]
pub struct Patience {
    /// How long the first try waits for an answer.
    pub timeout: Duration,
    /// How often the device is asked again.
    pub retries: u32,
}

impl Patience {
    /// The device at an address, to be asked with this patience.
    pub(super) fn with(self, address: SocketAddr, credential: Arc<Credential>) -> Target {
        Target { address, credential, timeout: self.timeout, retries: self.retries }
    }
}

/// Polls a device once.
///
/// # Errors
/// Why there is no snapshot, as a sentence for a person.
pub async fn probe(
    engine: &Engine,
    (host, port): (&str, u16),
    credential: Arc<Credential>,
    patience: Patience,
) -> Result<Snapshot, ProbeError> {
    probe_at(engine, find(host, port).await?, credential, patience).await
}

/// Polls the device at an address once.
///
/// # Errors
/// Why there is no snapshot, as a sentence for a person.
pub async fn probe_at(
    engine: &Engine,
    address: SocketAddr,
    credential: Arc<Credential>,
    patience: Patience,
) -> Result<Snapshot, ProbeError> {
    probe_target(engine, &patience.with(address, credential)).await
}

/// Polls a device once.
pub(super) async fn probe_target(engine: &Engine, target: &Target) -> Result<Snapshot, ProbeError> {
    let printer = read_printer(engine, target).await?;
    Ok(snapshot(&printer.rows, printer.complete, None)?)
}

/// The first address that a name stands for, IPv4 before IPv6: few printers are reached by the latter alone.
pub(crate) async fn find(host: &str, port: u16) -> Result<SocketAddr, ProbeError> {
    if let Ok(ip) = host.parse() {
        return Ok(SocketAddr::new(ip, port));
    }
    let missing = |why: String| ProbeError::NoAddress { host: host.to_owned(), why };
    let found = tokio::net::lookup_host((host, port)).await.map_err(|error| missing(error.to_string()))?;
    let mut found: Vec<SocketAddr> = found.collect();
    found.sort_by_key(SocketAddr::is_ipv6);
    found.first().copied().ok_or_else(|| missing("the name has no address".to_owned()))
}
