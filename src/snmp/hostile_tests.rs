//! Agents that break every rule, one test each: through the live poller's engine and through a sweep.
//!
//! The device behind each is whole and honest; what goes wrong happens to its answers.

use std::sync::Arc;
use std::time::Duration;

use super::ber::{self, RESPONSE, RawMessage};
use super::credential::Credential;
use super::error::SnmpError;
use super::pdu::{ErrorStatus, Version};
use super::plan::tests::{Device, Odd};
use super::plan::{Outcome, Partial};
use super::printer_mib::{self as mib, snapshot};
use super::read_printer::read_printer;
use super::sweep::{SweepOptions, SweepTarget, Sweeper, Swept};
use super::testing::{Act, Agent, Asked};
use super::transport::{Engine, EngineOptions, EngineStats, Target};
use super::value::{Value, Varbind};
use crate::domain::snapshot::Snapshot;

/// A device whose answers go through `treat`, which gets the request, as it is and as it came, and its answer.
async fn spoiling(
    mut device: Device,
    mut treat: impl FnMut(&Asked, &[u8], Vec<u8>) -> Vec<Act> + Send + 'static,
) -> Agent {
    let mut number = 0;
    Agent::raw(move |datagram| {
        let Some(asked) = Asked::parse(datagram, number) else { return vec![] };
        number += 1;
        device.answer(datagram).map_or_else(Vec::new, |answer| treat(&asked, datagram, answer))
    })
    .await
}

/// A device whose answers are its own.
async fn plain(device: Device) -> Agent {
    spoiling(device, |_, _, answer| vec![Act::Send(answer)]).await
}

/// A device with another serial number: what it says must never be taken for the other's.
fn liar() -> Device {
    let mut liar = Device::new(4);
    liar.table.insert(mib::GENERAL.child(&[17, 1]), Value::OctetString(b"LIAR".as_slice().into()));
    liar
}

/// The same message under another number.
fn renumbered(mut answer: Vec<u8>, id: i32) -> Vec<u8> {
    // The number stands behind the tag of the response and its length, as two octets and its own.
    let at = answer.iter().position(|octet| *octet == RESPONSE).unwrap();
    let head = if answer[at + 1] & 0x80 == 0 { 2 } else { 2 + usize::from(answer[at + 1] & 0x7f) };
    let last = at + head + 1 + usize::from(answer[at + head + 1]);
    assert_eq!(answer[at + head], 0x02);
    answer[last] ^= 1;
    let Ok(RawMessage::Community { pdu, .. }) = ber::raw(&answer) else { panic!() };
    assert_eq!(pdu.request_id, id ^ 1);
    answer
}

/// What an agent was seen as.
struct Seen {
    snapshot: Result<Snapshot, SnmpError>,
    stats: EngineStats,
}

impl Seen {
    fn whole(&self) -> &Snapshot {
        self.snapshot.as_ref().unwrap()
    }
}

fn options() -> SweepOptions {
    SweepOptions {
        timeout: Duration::from_millis(100),
        retries: 4,
        keep_rows: true,
        ..SweepOptions::default()
    }
}

/// Reads an agent through the live poller's engine.
async fn polled(agent: &Agent, credential: &Credential) -> Seen {
    let engine = Engine::start(&EngineOptions::default()).unwrap();
    let mut target = agent.target_by(credential.clone());
    (target.timeout, target.retries) = (options().timeout, options().retries);
    let read = read_printer(&engine, &target).await;
    let snapshot = read.map(|read| snapshot(&read.rows, read.complete, None).unwrap());
    Seen { snapshot, stats: engine.stats() }
}

/// Sweeps agents, and gives back what came of each with the order in which they were done.
async fn swept(
    agents: &[&Agent],
    credential: &Credential,
    options: SweepOptions,
) -> (Vec<Swept>, Vec<usize>, EngineStats) {
    let credential = Arc::new(credential.clone());
    let targets: Vec<SweepTarget> = agents
        .iter()
        .map(|agent| SweepTarget {
            address: agent.address,
            credential: Arc::clone(&credential),
            warm: None,
            silent: false,
        })
        .collect();
    tokio::task::spawn_blocking(move || {
        let mut sweeper = Sweeper::new(options);
        let mut outcomes: Vec<Option<Swept>> = Vec::new();
        outcomes.resize_with(targets.len(), || None);
        let mut order = Vec::new();
        let mut done = |at: usize, swept| {
            assert!(outcomes[at].replace(swept).is_none(), "{at} came twice");
            order.push(at);
        };
        sweeper.sweep(targets, &mut done).unwrap();
        (outcomes.into_iter().map(Option::unwrap).collect(), order, sweeper.stats())
    })
    .await
    .unwrap()
}

fn seen(outcome: &Outcome) -> Snapshot {
    snapshot(&outcome.varbinds().unwrap(), outcome.is_complete(), None).unwrap()
}

/// Reads two agents of one kind, one in either way.
async fn both(make: impl AsyncFn() -> Agent, version: Version) -> [Seen; 2] {
    let credential = match version {
        Version::V1 => Credential::v1("loft").unwrap(),
        _ => Credential::v2c("loft").unwrap(),
    };
    let first = polled(&make().await, &credential).await;
    let (mut outcomes, _, stats) = swept(&[&make().await], &credential, options()).await;
    let snapshot = outcomes.remove(0).map(|(outcome, _)| seen(&outcome));
    [first, Seen { snapshot, stats }]
}

/// Both ways see all of a device of four supplies.
async fn both_see_the_truth(make: impl AsyncFn() -> Agent) -> [Seen; 2] {
    let both = both(make, Version::V2c).await;
    for seen in &both {
        assert_eq!(*seen.whole(), Device::new(4).truth());
    }
    both
}

mod datagrams;
mod neighbours;
mod tables;
