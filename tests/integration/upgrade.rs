//! A store of the first schema, with what the program of then had kept, becomes one of today; and a copy of a whole
//! room holds all of it.

#![allow(clippy::unwrap_used, reason = "a test may panic, its helpers too")]

use std::borrow::Cow;

use jiff::SignedDuration;
use sqlx::migrate::Migrator;
use sqlx::{ConnectOptions, Connection as _};
use ullage::cli::db::{self, DbCommand};
use ullage::demo::bring_in;
use ullage::domain::outlook::Present;
use ullage::domain::rules::Rules;
use ullage::store::cluster::{Cluster, ClusterOptions, ThrowawayDir};
use ullage::store::reach::StoreAt;
use ullage::store::{MIGRATOR, Store};
use ullage::usecase::ingest::ingest;
use ullage::usecase::keeping::tidy;

use crate::support::contents::{assert_same, contents};
use crate::support::database::keys;
use crate::support::loft::{Loft, moment};
use crate::support::said::{answered, present};

/// The first schema's migration.
const FIRST: i64 = 20_261_125_080_000;
/// What its program had kept of a machine: rows of every table that it filled.
const KEPT: &str = include_str!("../fixtures/first-schema.sql");

fn options(dir: &ThrowawayDir) -> ClusterOptions {
    let binaries = std::env::var_os("ULLAGE_TEST_BINARIES").map(Into::into);
    ClusterOptions { data_dir: dir.path().to_owned(), binaries, throwaway: true, allow_fetch: false }
}

#[tokio::test]
async fn a_store_of_the_first_schema_is_brought_up_and_goes_on() {
    let dir = ThrowawayDir::new().unwrap();
    let cluster = Cluster::start(options(&dir)).await.unwrap();
    let mut then = cluster.connect_options().connect().await.unwrap();
    let first: Vec<_> = MIGRATOR.iter().filter(|step| step.version <= FIRST).cloned().collect();
    assert_eq!(first.iter().filter(|step| step.migration_type.is_up_migration()).count(), 1);
    Migrator { migrations: Cow::Owned(first), ..Migrator::DEFAULT }.run(&mut then).await.unwrap();
    sqlx::raw_sql(KEPT).execute(&mut then).await.unwrap();
    then.close().await.unwrap();

    let store = Store::open(cluster.connect_options(), 2, keys()).await.unwrap();
    let bobbin = store.poll_targets().await.unwrap().remove(0);
    assert_eq!((&*bobbin.name, bobbin.last_poll_at), ("Bobbin", Some(present(4).now)));
    let before = contents(store.pool()).await;
    assert_eq!(before["reading"].len(), 5);
    assert_eq!(before["alert"].len(), 1);
    let parts: (i64, i64) = sqlx::query_as(
        "select (select count(*) from reading_2026_09), (select count(*) from poll_span_2026_09)",
    )
    .fetch_one(store.pool())
    .await
    .unwrap();
    assert_eq!(parts, (5, 1), "each month has its part");
    // What is kept is followed by today's program from the first reading on, and goes on from there.
    let polls = [answered(5, 4400, 8900)];
    ingest(&store, bobbin.id, "Bobbin", &polls, &present(5), &Rules::default()).await.unwrap();
    let after = contents(store.pool()).await;
    assert!(before["reading"].iter().all(|row| after["reading"].contains(row)), "nothing was lost");
    assert_eq!(after["reading"].len(), 7);
    assert_eq!(after["poll_span"].len(), 1, "the run of polls goes on");
    assert_eq!(before["alert"], after["alert"], "an alert of then stands as it stood");
    let used: f64 = sqlx::query_scalar(
        "select sum(used) from ledger_day join slot on slot.id = slot_id where supply_index = 1",
    )
    .fetch_one(store.pool())
    .await
    .unwrap();
    assert!((used - 60.0).abs() < 1e-6, "from 500 ml to 440 ml: {used}");
    store.close().await;
    cluster.stop().await.unwrap();
}

#[tokio::test]
async fn a_copy_of_a_room_holds_every_row_of_every_table() {
    let loft = Loft::brought_in(moment("2026-10-20T10:00"), 12).await;
    // Some months later all of it is packed, and one reading a day is left; then more comes.
    let zone = loft.service.zone.clone();
    let (now, later) = (moment("2026-10-20T10:00"), moment("2026-12-20T10:00"));
    tidy(&loft.service.store, 1, &Present { now: later, zone }, || true).await.unwrap();
    let next = now + SignedDuration::from_hours(24);
    bring_in(&loft.service, &loft.demo, (now, next), |_| {}, || true).await.unwrap();
    let before = contents(loft.service.store.pool()).await;
    assert!(before["reading_month"].len() == 4 && before["slot_base"].len() > 8);
    assert!(
        before["reading"].len() > 20 && before["reading_all"].len() > 100 && before["ledger_day"].len() > 50
    );
    let files = tempfile::tempdir().unwrap();
    let file = files.path().join("loft.dump");
    let server = StoreAt::Server(loft.database.url());
    db::run(DbCommand::Dump { out: Some(file.clone()) }, server).await.unwrap();
    let dir = ThrowawayDir::new().unwrap();
    db::run(DbCommand::Restore { file }, StoreAt::Managed(options(&dir))).await.unwrap();
    let cluster = Cluster::start(options(&dir)).await.unwrap();
    // The program of the copy finds a schema that it need not touch.
    let store = Store::open(cluster.connect_options(), 2, keys()).await.unwrap();
    assert_same(&before, &contents(store.pool()).await);
    store.close().await;
    cluster.stop().await.unwrap();
}
