//! Machines behind a line that loses a fifth of all datagrams each way, doubles some, and lets some overtake others.
//! Whatever comes through is true to the unit, and the ledger is the one that a whole line gives.
//!
//! The line is a part of the test, by seed: the kernel's own (`netem`) is not to be had on every machine.

#![allow(clippy::unwrap_used, reason = "a test may panic, its helpers too")]

use std::collections::BTreeMap;
use std::net::SocketAddr;
use std::sync::{Arc, Mutex};
use std::time::Duration;

use jiff::{SignedDuration, Timestamp};
use mock_agent::{AgentServer, Bind};
use ullage::app::credential;
use ullage::demo::{DemoRoom, Opening};
use ullage::domain::outlook::Present;
use ullage::domain::poll::Poll;
use ullage::domain::rules::Rules;
use ullage::domain::snapshot::Snapshot;
use ullage::poller::probe::{Patience, probe_at};
use ullage::snmp::credential::Credential;
use ullage::snmp::transport::{Engine, EngineOptions};
use ullage::store::Store;
use ullage::usecase::ingest::ingest;

use crate::kills::check;
use crate::support::database::TestDatabase;
use crate::support::line::Lines;
use crate::support::loft::{config, crowd, moment};

/// Hours between two polls, and how many there are.
const EVERY: SignedDuration = SignedDuration::from_hours(2);
const POLLS: i32 = 40;
/// More than any machine of this room uses of one ink from a poll to the next, in its measure.
const TWO_HOURS_OF_WORK: f64 = 15.0;
/// Short, for a line that takes 40 ms at most; a device is asked five times in all.
const PATIENCE: Patience = Patience { timeout: Duration::from_millis(100), retries: 4 };

/// All machines at once: what each said, or why nothing.
async fn ask(
    engine: &Engine,
    places: &[SocketAddr],
    credentials: &[Arc<Credential>],
) -> Vec<Result<Snapshot, String>> {
    let asked = places.iter().zip(credentials).map(|(place, credential)| {
        let (engine, place, credential) = (engine.clone(), *place, Arc::clone(credential));
        tokio::spawn(async move { probe_at(&engine, place, credential, PATIENCE).await })
    });
    let mut said = Vec::new();
    for asked in asked.collect::<Vec<_>>() {
        said.push(asked.await.unwrap().map_err(|fault| fault.to_string()));
    }
    said
}

/// A store with the machines of a room, and what was said of them so far.
struct Watched {
    demo: DemoRoom,
    store: Store,
    _database: TestDatabase,
}

impl Watched {
    async fn open(now: Timestamp) -> Self {
        let database = TestDatabase::new().await;
        let store = database.store().await;
        let opening = Opening::before(now, 0, &config().site.zone).unwrap();
        let demo = DemoRoom::open(&store, &crowd(2), opening).await.unwrap();
        Self { demo, store, _database: database }
    }

    async fn credentials(&self) -> Vec<Arc<Credential>> {
        let mut credentials = Vec::new();
        for (device, _) in &self.demo.devices {
            let row = self.store.credential_of(*device).await.unwrap().unwrap();
            credentials.push(Arc::new(credential(&row).unwrap()));
        }
        credentials
    }

    async fn keep(&self, at: Timestamp, said: Vec<Result<Snapshot, String>>) {
        let present = Present { now: at, zone: config().site.zone };
        for ((device, name), outcome) in self.demo.devices.iter().zip(said) {
            let poll = Poll { at, outcome };
            ingest(&self.store, *device, name, &[poll], &present, &Rules::default()).await.unwrap();
        }
    }

    /// What went from each supply, in its measure, and how many units were put in.
    async fn used(&self) -> BTreeMap<String, (f64, f64, i64)> {
        let rows: Vec<(String, f64, f64, i64)> = sqlx::query_as(
            "select device.name || ', ' || supply_index, coalesce(sum(used), 0), max(outlook.step),
                    (select count(*) from install where install.slot_id = slot.id)
             from slot join device on device.id = slot.device_id join outlook on outlook.slot_id = slot.id
             left join ledger_day days on days.slot_id = slot.id
             group by device.name, slot.id, supply_index",
        )
        .fetch_all(self.store.pool())
        .await
        .unwrap();
        rows.into_iter().map(|(name, used, step, units)| (name, (used, step, units))).collect()
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn over_a_bad_line_comes_nothing_false_and_the_ledger_stays_right() {
    let mut at = moment("2026-10-20T10:00");
    let (whole, bad) = (Watched::open(at).await, Watched::open(at).await);
    let clock = Arc::new(Mutex::new(at));
    let now = {
        let clock = Arc::clone(&clock);
        move || *clock.lock().unwrap()
    };
    let agents =
        AgentServer::start(Arc::clone(&whole.demo.room), Arc::new(now), Bind::AnyPort).await.unwrap();
    let lines = Lines::bad(agents.addresses(), 20_261_126).await;
    let credentials = whole.credentials().await;
    let engine = |_| Engine::start(&EngineOptions::default()).unwrap();
    let (over_whole, over_bad) = (engine(0), engine(1));
    let (mut answered, mut silent) = (0, 0);
    for _ in 0..POLLS {
        at = at.checked_add(EVERY).unwrap();
        *clock.lock().unwrap() = at;
        let truth = ask(&over_whole, agents.addresses(), &credentials).await;
        let heard = ask(&over_bad, &lines.addresses(), &credentials).await;
        for (truth, heard) in truth.iter().zip(&heard) {
            let truth = truth.as_ref().expect("a whole line brings an answer");
            match heard {
                Ok(heard) => {
                    assert_eq!(heard.supplies, truth.supplies);
                    answered += 1;
                }
                Err(_) => silent += 1,
            }
        }
        whole.keep(at, truth).await;
        bad.keep(at, heard).await;
    }
    at = at.checked_add(EVERY).unwrap();
    *clock.lock().unwrap() = at;
    // The line has become a whole one.
    for watched in [&whole, &bad] {
        watched.keep(at, ask(&over_whole, agents.addresses(), &credentials).await).await;
    }
    let stats = over_bad.stats();
    eprintln!("{answered} polls answered, {silent} not; {} datagrams lost; {stats:?}", lines.lost());
    assert!(lines.lost() * 6 > stats.sent, "a fifth each way is lost");
    assert!(stats.unasked > 0, "some answers come late, or twice");
    assert!(answered > silent * 4, "most polls come through all the same");
    check(bad.store.pool()).await;
    let (wanted, found) = (whole.used().await, bad.used().await);
    assert_eq!(wanted.len(), found.len());
    let mut swaps = 0;
    for (supply, (used, step, units)) in &wanted {
        let (found, _, found_units) = found[supply];
        // A lost poll may have been the last one before a swap: then up to two hours of work are not seen.
        let slack = if *units > 1 { TWO_HOURS_OF_WORK } else { *step };
        assert!((found - used).abs() <= slack, "{supply}: {used} went, {found} was found");
        assert_eq!(found_units, *units, "{supply}: units");
        swaps += units - 1;
    }
    assert!(swaps > 0, "something was swapped");
    agents.stop().await;
}
