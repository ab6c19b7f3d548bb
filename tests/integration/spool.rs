//! Polls that the store cannot take: they wait on the disk and come in once, with their times, whatever was killed.

#![allow(clippy::unwrap_used, reason = "a test may panic, its helpers too")]

use std::fs;
use std::path::Path;
use std::time::Duration;

use jiff::tz::TimeZone;
use rustix::process::{Pid, Signal, kill_process};
use ullage::app::{Service, StoreDesk, bring};
use ullage::clock::Clock;
use ullage::config::{Config, Overrides};
use ullage::domain::ids::DeviceId;
use ullage::domain::poll::Poll;
use ullage::poller::worker::Desk;
use ullage::spool::Spool;
use ullage::store::Store;
use ullage::store::cluster::{Cluster, ClusterOptions};

use crate::support::contents::{assert_same, contents};
use crate::support::database::{TestDatabase, keys};
use crate::support::said::{answered, at, device, silent};

const MEGABYTE: u64 = 1_000_000;
/// A store that is away is waited for this long; in life it is longer.
const PATIENCE: Duration = Duration::from_millis(300);

async fn cluster(dir: &Path) -> Cluster {
    let binaries = std::env::var_os("ULLAGE_TEST_BINARIES").map(Into::into);
    let options = ClusterOptions { data_dir: dir.to_owned(), binaries, throwaway: false, allow_fetch: false };
    Cluster::start(options).await.unwrap()
}

fn service(store: &Store, spool: Option<&Path>) -> Service {
    let zone = |name: &str| (name == "ULLAGE_SITE_TIME_ZONE").then(|| "Europe/Lisbon".to_owned());
    let config = Config::parse("", &zone, &Overrides::default()).unwrap();
    // The moment stands still enough: no test lives through a day.
    let mut service = Service::new(store.clone(), Clock::scaled(at(40), 1e-9), &config);
    assert_eq!(service.zone, TimeZone::get("Europe/Lisbon").unwrap());
    service.spool = spool.map(|dir| Spool::open(dir, MEGABYTE).unwrap());
    service
}

async fn take(desk: &StoreDesk, device: DeviceId, polls: &[Poll]) {
    for poll in polls {
        desk.take(device, "Bobbin", poll.clone()).await.unwrap();
    }
}

/// What Bobbin says in a day: a fall, a silence, a swap.
fn a_day() -> Vec<Poll> {
    let level = |n: i64| 4000 - 20 * i32::try_from(n).unwrap() + if n > 25 { 1200 } else { 0 };
    (1..40).map(|n| if (9..12).contains(&n) { silent(n) } else { answered(n, level(n), 9000) }).collect()
}

/// The database is killed in the middle of a day, and the service with it before the database is back.
#[tokio::test]
async fn polls_taken_while_the_database_is_dead_come_in_once_with_their_times() {
    let polls = a_day();
    let unbroken = TestDatabase::new().await;
    let store = unbroken.store().await;
    let bobbin = device(&store, "Bobbin").await;
    take(&StoreDesk::new(service(&store, None)), bobbin, &polls).await;
    let whole = contents(store.pool()).await;
    assert!(whole["reading"].len() > 30 && whole["install"].len() > 2);

    let dir = tempfile::tempdir().unwrap();
    let (data, spool) = (dir.path().join("data"), dir.path().join("spool"));
    let first = cluster(&data).await;
    Store::open(first.connect_options(), 1, keys()).await.unwrap().close().await;
    let store = Store::connect_within(first.connect_options(), 3, PATIENCE).await.unwrap();
    let store = store.with_keys(keys()).unwrap();
    let bobbin = device(&store, "Bobbin").await;
    let desk = StoreDesk::new(service(&store, Some(&spool)));
    let (before, rest) = polls.split_at(5);
    let (during, after) = rest.split_at(20);
    take(&desk, bobbin, before).await;
    assert_eq!(desk.subjects().await.unwrap().len(), 1);
    assert!(desk.credential(bobbin).await.unwrap().is_some());

    let postmaster = fs::read_to_string(data.join("pgdata/postmaster.pid")).unwrap();
    let postmaster = Pid::from_raw(postmaster.lines().next().unwrap().trim().parse().unwrap()).unwrap();
    kill_process(postmaster, Signal::KILL).unwrap();
    first.ended().await;
    take(&desk, bobbin, &during[..10]).await;
    let subjects = desk.subjects().await.unwrap();
    assert_eq!(subjects[0].turn.last_poll_at, Some(during[9].at), "the schedule goes on without the store");
    assert_eq!(subjects[0].turn.failures, 0);
    assert!(desk.credential(bobbin).await.unwrap().is_some(), "it is still known how to ask");
    drop((desk, first));

    // The service comes back before the database does, and has to find what waits.
    let restarted = service(&store, Some(&spool));
    let held = restarted.spool.clone().unwrap();
    assert_eq!((held.depth().polls, held.depth().since), (10, Some(during[0].at)));
    assert!(bring(&restarted, &held).await.is_err());
    assert_eq!(held.depth().polls, 10, "nothing leaves before it is in the store");
    let desk = StoreDesk::new(restarted.clone());
    take(&desk, bobbin, &during[10..]).await;

    let second = cluster(&data).await;
    // As long as any waits, a new one goes behind it.
    take(&desk, bobbin, &after[..1]).await;
    assert_eq!(held.depth().polls, 21);
    let batch = held.oldest().unwrap().unwrap();
    // Killed between the commit and the end of the file, the same comes again.
    let (half, _) = batch.polls.split_at(7);
    for spooled in half {
        let present = restarted.present();
        let polls = [spooled.poll.clone()];
        ullage::usecase::ingest::ingest(&store, bobbin, "Bobbin", &polls, &present, &restarted.rules)
            .await
            .unwrap();
    }
    bring(&restarted, &held).await.unwrap();
    assert!(held.is_empty());
    take(&desk, bobbin, &after[1..]).await;
    assert!(held.is_empty());
    assert_same(&whole, &contents(store.pool()).await);
    store.close().await;
    second.stop().await.unwrap();
}

/// What a store refuses for what it says is not tried for ever, and the machines behind it are not kept waiting.
#[tokio::test]
async fn what_can_never_be_taken_keeps_nobody_waiting() {
    let database = TestDatabase::new().await;
    let store = database.store().await;
    let bobbin = device(&store, "Bobbin").await;
    let thimble = device(&store, "Thimble").await;
    sqlx::raw_sql("alter table reading add constraint planted check (level <> 4711)")
        .execute(store.pool())
        .await
        .unwrap();
    let dir = tempfile::tempdir().unwrap();
    let service = service(&store, Some(dir.path()));
    let spool = service.spool.clone().unwrap();
    for (device, poll) in [(bobbin, answered(1, 4711, 9000)), (thimble, answered(1, 4000, 9000))] {
        spool.put(&ullage::spool::Spooled { device, name: "Bobbin".to_owned(), poll }).unwrap();
    }
    bring(&service, &spool).await.unwrap();
    assert!(spool.is_empty());
    let readings: Vec<i64> =
        sqlx::query_scalar("select distinct device_id from slot").fetch_all(store.pool()).await.unwrap();
    assert_eq!(readings, [thimble.0]);
}
