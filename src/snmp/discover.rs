//! Finds out who answers at many addresses, and which of them are printers, at no more than a rate of datagrams.
//!
//! All addresses are asked through one [`Engine`] and by one task: an address under way is a future in a list.
//! A device is asked what it calls itself and whether there is a printer in its tables, and nothing else. What
//! tells a printer is said by [`printers`]: a row of that type in hrDeviceTable (RFC 2790), or, failing that,
//! rows of the Printer MIB (RFC 3805).

use std::net::SocketAddr;
use std::sync::{Arc, Mutex};
use std::time::Duration;

use futures_util::StreamExt;
use futures_util::stream::FuturesUnordered;
use tokio::time::{Instant, sleep_until};
use tokio_util::sync::CancellationToken;

use super::credential::Credential;
use super::error::SnmpError;
use super::oid::Oid;
use super::pdu::{ErrorStatus, Pdu, Request, Version};
use super::pending::lock;
use super::printer_mib::{GENERAL, HR_DEVICE, SUPPLIES, SYSTEM, printers, snapshot};
use super::text;
use super::transport::{Engine, EngineOptions, Target, patience};
use super::value::Varbind;
use crate::domain::snapshot::Identity;

/// The most credentials that are tried at one address, one after the other.
pub const MOST_CREDENTIALS: usize = 5;
/// The most addresses under way.
const MOST_UNDER_WAY: usize = 1024;
/// The most rows of a device table that are looked through for a printer.
const MOST_DEVICES: usize = 64;
/// How many of those rows are asked for at once.
const ROWS_AT_ONCE: u32 = 16;
/// Version 3 may need two datagrams besides the question: to find the engine, and to set the clock by it.
const SECURE_BESIDES: u32 = 2;

/// How to search.
#[derive(Debug, Clone)]
pub struct Search {
    /// What to try at each address, in this order; no more than [`MOST_CREDENTIALS`] of them are.
    pub credentials: Vec<Arc<Credential>>,
    /// The most datagrams in a second.
    pub rate: u32,
    /// How long the first try waits for an answer. Each retry waits half as long again.
    pub timeout: Duration,
    /// How often an address is asked again.
    pub retries: u32,
}

/// What came of one address.
#[derive(Debug)]
pub struct Told {
    /// Which.
    pub address: SocketAddr,
    /// What came.
    pub outcome: Outcome,
}

/// What came of asking.
#[derive(Debug)]
pub enum Outcome {
    /// Nobody answered.
    Silent,
    /// The system did not send the question.
    Unsent(SnmpError),
    /// Somebody speaks SNMP there and lets none of these credentials read.
    Refused(SnmpError),
    /// Somebody answered.
    Heard(Box<Heard>),
}

/// Who answered.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Heard {
    /// Which of the credentials was the one, counted from 0.
    pub credential: usize,
    /// Who it says it is.
    pub identity: Identity,
    /// Whether there is a printer in it.
    pub is_printer: bool,
}

/// Asks at every address once, and hands each outcome to `told` as it comes. Ends early when `stop` says so;
/// what is under way is given up then.
///
/// # Errors
/// When there is no asynchronous runtime.
pub async fn search(
    addresses: impl IntoIterator<Item = SocketAddr>,
    search: &Search,
    stop: &CancellationToken,
    mut told: impl FnMut(Told),
) -> Result<(), SnmpError> {
    let rate = usize::try_from(search.rate.max(1)).unwrap_or(MOST_UNDER_WAY);
    // Where nobody answers, an address waits a few seconds: more would only wait for their turn.
    let window = rate.saturating_mul(4).clamp(16, MOST_UNDER_WAY);
    let asker = Asker {
        engine: Engine::start(&EngineOptions { max_in_flight: window })?,
        pacer: Pacer::new(search.rate, Instant::now()),
        search,
    };
    let mut addresses = addresses.into_iter();
    let mut under_way = FuturesUnordered::new();
    loop {
        while under_way.len() < window
            && let Some(address) = addresses.next()
        {
            under_way.push(asker.address(address));
        }
        tokio::select! {
            biased;
            () = stop.cancelled() => return Ok(()),
            one = under_way.next() => match one {
                Some(one) => told(one),
                None => return Ok(()),
            },
        }
    }
}

/// Lets datagrams out at even distances.
struct Pacer {
    every: Duration,
    next: Mutex<Instant>,
}

impl Pacer {
    fn new(rate: u32, now: Instant) -> Self {
        Self { every: Duration::from_secs(1) / rate.max(1), next: Mutex::new(now) }
    }

    /// Sets so many datagrams down as sent, and says when the first of them may go.
    fn reserve(&self, now: Instant, datagrams: u32) -> Instant {
        let mut next = lock(&self.next);
        let first = (*next).max(now);
        *next = first + self.every * datagrams;
        first
    }
}

/// Asks one address after the other.
struct Asker<'a> {
    engine: Engine,
    pacer: Pacer,
    search: &'a Search,
}

impl Asker<'_> {
    async fn address(&self, address: SocketAddr) -> Told {
        let mut outcome = Outcome::Silent;
        for (number, credential) in self.search.credentials.iter().take(MOST_CREDENTIALS).enumerate() {
            let one = One { asker: self, address, credential };
            match one.who().await {
                Ok((identity, is_printer)) => {
                    let heard = Heard { credential: number, identity, is_printer };
                    return Told { address, outcome: Outcome::Heard(Box::new(heard)) };
                }
                Err(fault @ (SnmpError::Send { .. } | SnmpError::Socket { .. })) => {
                    return Told { address, outcome: Outcome::Unsent(fault) };
                }
                Err(SnmpError::NoAnswer { .. } | SnmpError::Stopped { .. }) => {}
                Err(fault) => outcome = Outcome::Refused(fault),
            }
        }
        Told { address, outcome }
    }
}

/// One address with one credential.
struct One<'a> {
    asker: &'a Asker<'a>,
    address: SocketAddr,
    credential: &'a Arc<Credential>,
}

impl One<'_> {
    /// Who answers here, and whether there is a printer in it.
    async fn who(&self) -> Result<(Identity, bool), SnmpError> {
        let device_type = HR_DEVICE.child(&[2]);
        let first = [
            SYSTEM.child(&[1]),
            SYSTEM.child(&[5]),
            SYSTEM.child(&[6]),
            device_type.clone(),
            GENERAL.child(&[1]),
            SUPPLIES.child(&[9]),
        ];
        let mut rows = self.first_rows(&first).await?;
        if printers(&rows).is_empty() {
            self.more_devices(&device_type, &mut rows).await?;
        }
        let Some(device) = printers(&rows).first().copied() else { return Ok((host(&rows), false)) };
        let index = u32::try_from(device).unwrap_or(0);
        let about = [HR_DEVICE.child(&[3, index]), GENERAL.child(&[16, index]), GENERAL.child(&[17, index])];
        rows.extend(self.ask(about.to_vec(), |oids| Request::Get { oids }).await?);
        Ok(match snapshot(&rows, true, Some(device)) {
            Ok(snapshot) => (snapshot.identity, true),
            Err(_) => (host(&rows), false),
        })
    }

    /// The first row of each column that has one.
    async fn first_rows(&self, columns: &[Oid]) -> Result<Vec<Varbind>, SnmpError> {
        let mut rows = self.ask(columns.to_vec(), |oids| Request::GetNext { oids }).await?;
        rows.retain(|row| row.value.is_present() && columns.iter().any(|column| row.oid.starts_with(column)));
        Ok(rows)
    }

    /// Looks through the device table, whose first row is no printer, until one is.
    async fn more_devices(&self, column: &Oid, rows: &mut Vec<Varbind>) -> Result<(), SnmpError> {
        let bulk = self.credential.version() != Version::V1;
        let mut last = rows.iter().map(|row| &row.oid).filter(|oid| oid.starts_with(column)).max().cloned();
        let mut seen = 0;
        while let Some(from) = last.take()
            && seen < MOST_DEVICES
        {
            let request = |oids| match bulk {
                true => Request::GetBulk { non_repeaters: 0, max_repetitions: ROWS_AT_ONCE, oids },
                false => Request::GetNext { oids },
            };
            let mut more = self.ask(vec![from.clone()], request).await?;
            // A device that goes in circles is left alone.
            more.retain(|row| row.value.is_present() && row.oid.starts_with(column) && row.oid > from);
            seen += more.len();
            last = more.iter().map(|row| &row.oid).max().cloned();
            rows.extend(more);
            if !printers(rows).is_empty() {
                break;
            }
        }
        Ok(())
    }

    /// Asks for names, and leaves out those that the device fails on.
    async fn ask(
        &self,
        names: Vec<Oid>,
        request: impl Fn(Vec<Oid>) -> Request,
    ) -> Result<Vec<Varbind>, SnmpError> {
        let mut found = Vec::new();
        let mut left = vec![names];
        while let Some(mut names) = left.pop() {
            let pdu = self.patiently(&request(names.clone())).await?;
            if pdu.status == ErrorStatus::NoError {
                found.extend(pdu.varbinds);
                continue;
            }
            // Version 1 gives nothing at all where one is missing.
            let about = usize::try_from(pdu.error_index).ok().and_then(|index| index.checked_sub(1));
            match about.filter(|at| *at < names.len() && pdu.status != ErrorStatus::TooBig) {
                Some(at) => _ = names.remove(at),
                None if names.len() > 1 => left.push(names.split_off(names.len() / 2)),
                None => names.clear(),
            }
            if !names.is_empty() {
                left.push(names);
            }
        }
        Ok(found)
    }

    /// Asks, and asks again where nothing comes, in the turn of the rate.
    async fn patiently(&self, request: &Request) -> Result<Pdu, SnmpError> {
        let Asker { engine, pacer, search } = self.asker;
        let secure = self.credential.version() == Version::V3;
        let mut attempt = 0;
        loop {
            sleep_until(pacer.reserve(Instant::now(), 1)).await;
            let target = Target {
                address: self.address,
                credential: Arc::clone(self.credential),
                timeout: patience(search.timeout, attempt),
                retries: 0,
            };
            let answer = engine.request(&target, request).await;
            let silent = matches!(answer, Err(SnmpError::NoAnswer { .. }));
            if secure && !silent {
                pacer.reserve(Instant::now(), SECURE_BESIDES);
            }
            if !silent || attempt >= search.retries {
                return answer;
            }
            attempt += 1;
        }
    }
}

/// What a device that is no printer says of itself.
fn host(rows: &[Varbind]) -> Identity {
    let scalar = |arc: u32| {
        let name = SYSTEM.child(&[arc, 0]);
        let octets = rows.iter().find(|row| row.oid == name)?.value.as_octets()?;
        Some(text::decode(octets, None)).filter(|text| !text.is_empty())
    };
    Identity { description: scalar(1), system_name: scalar(5), location: scalar(6), ..Identity::default() }
}

#[cfg(test)]
mod tests;
