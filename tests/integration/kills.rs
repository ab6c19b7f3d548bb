//! The service, its database or both are killed at seeded moments while machines are polled, over and over. What was
//! committed stays, nothing counts twice, and the ledger is the one that the readings give when they are followed in
//! one go.
//!
//! `ULLAGE_KILLS` says how often (3 if nothing is said), `ULLAGE_KILL_SEED` which moments.

#![allow(clippy::unwrap_used, reason = "a test may panic, its helpers too")]

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};
use std::time::Duration;

use jiff::SignedDuration;
use mock_agent::AgentServer;
use rustix::process::{Pid, Signal, kill_process};
use sqlx::PgPool;
use ullage::clock::Clock;
use ullage::demo::{DemoRoom, Opening};
use ullage::domain::poll::Poll;
use ullage::domain::rules::Rules;
use ullage::store::Store;
use ullage::store::cluster::{Cluster, ClusterOptions, Connection};
use ullage::usecase::ingest::ingest;

use crate::support::chance::Chance;
use crate::support::contents::contents;
use crate::support::database::keys;
use crate::support::loft::{config, crowd};
use crate::support::program::{Background, ullage};
use crate::support::wait_until;

fn said(name: &str, usual: u64) -> u64 {
    std::env::var(name).ok().map_or(usual, |text| text.parse().expect("a whole number"))
}

fn serve(dir: &Path, data: &Path) -> Background {
    let mut command = ullage(dir);
    command.args(["serve", "--listen", "127.0.0.1:0", "--data-dir"]).arg(data);
    if let Some(binaries) = std::env::var_os("ULLAGE_TEST_BINARIES") {
        command.arg("--binaries").arg(binaries);
    }
    command.env("ULLAGE_SITE_TIME_ZONE", "Europe/Lisbon").env("ULLAGE_STORE_FETCH_POSTGRESQL", "false");
    Background::start(&mut command)
}

/// The database of a service. The file of one that was killed names a process that is gone, or is another by now.
fn postmaster(data: &Path, service: u32) -> Option<Pid> {
    let text = fs::read_to_string(data.join("pgdata/postmaster.pid")).ok()?;
    let pid: i32 = text.lines().next()?.trim().parse().ok()?;
    let status = fs::read_to_string(format!("/proc/{pid}/status")).ok()?;
    let parent = status.lines().find_map(|line| line.strip_prefix("PPid:"))?;
    (parent.trim() == service.to_string()).then(|| Pid::from_raw(pid)).flatten()
}

async fn pool(data: &Path) -> PgPool {
    let connection = Connection::of_running(data).await.unwrap();
    PgPool::connect(&connection.url).await.unwrap()
}

/// No life is longer, however slowly machines are asked.
const LIFE: Duration = Duration::from_secs(12);

/// Fewer days of use, of all supplies together, are nothing to compare.
const DAYS_OF_USE: i64 = 5;
/// Nor are fewer readings.
const READINGS: i64 = 41;

/// How many polls were kept.
const KEPT: &str = "select coalesce(sum(polls), 0)::bigint from poll_span";

type Row = (String, i32, String, i32);

/// Every reading: of which machine and supply, when, and what it said.
async fn readings(pool: &PgPool) -> BTreeSet<Row> {
    let rows: Vec<Row> = sqlx::query_as(
        "select name, supply_index, at::text, reading.level
         from reading_all reading join slot on slot.id = slot_id join device on device.id = slot.device_id",
    )
    .fetch_all(pool)
    .await
    .unwrap();
    rows.into_iter().collect()
}

async fn number(pool: &PgPool, sql: &'static str) -> i64 {
    sqlx::query_scalar(sql).fetch_one(pool).await.unwrap()
}

/// What can be said of a store at every moment, whatever was killed before.
pub(crate) async fn check(pool: &PgPool) {
    // A reading is kept where a slot changed: two alike in a row would be one that counted twice.
    let twice = "select count(*) from (
                     select (unit, max_capacity, level) = lag((unit, max_capacity, level)) over slots as same,
                            previous_at < lag(at) over slots as across
                     from reading_all window slots as (partition by slot_id order by at)) as row where same or across";
    assert_eq!(number(pool, twice).await, 0, "readings that count twice");
    let overlaps = "select count(*) from (
                        select started_at <= lag(ended_at) over (partition by device_id order by started_at) as over
                        from poll_span) as row where over";
    assert_eq!(number(pool, overlaps).await, 0, "runs of polls that overlap");
    // All that went from a unit is in the ledger, once.
    let unsettled = "select count(*) from install join lateral (
                         select coalesce(sum(used), 0) as used from ledger_day where install_id = install.id) as sum
                     on true where abs(start_left - end_left - used) > 1e-6 * greatest(1, start_left)
                     and end_left <= start_left";
    assert_eq!(number(pool, unsettled).await, 0, "units whose ledger does not add up");
    let behind = "select count(*) from reading_all join slot_track using (slot_id) where at > seen_at";
    assert_eq!(number(pool, behind).await, 0, "readings that were kept and not followed");
}

struct Room {
    dir: PathBuf,
    data: PathBuf,
    agents: AgentServer,
}

impl Room {
    /// Two dozen machines that live an hour a second and are polled every other second.
    async fn open(dir: &Path) -> Self {
        let data = dir.join("data");
        let mut service = serve(dir, &data);
        service.address();
        let pool = pool(&data).await;
        let store = Store::connect(pool.connect_options().as_ref().clone(), 2)
            .await
            .unwrap()
            .with_keys(keys())
            .unwrap();
        let now = Clock::system().now();
        let opening = Opening::before(now, 0, &config().site.zone).unwrap();
        let demo = DemoRoom::open(&store, &crowd(6), opening).await.unwrap();
        let agents = demo.go_live(&store, &Clock::scaled(now, 3600.0)).await.unwrap();
        // More often than anybody may in life.
        let often = "alter table device drop constraint device_poll_every_s_check; update device set poll_every_s = 2";
        sqlx::raw_sql(often).execute(&pool).await.unwrap();
        service.end(Signal::TERM);
        Self { dir: dir.to_owned(), data, agents }
    }

    /// One life of the service, up to a moment of its own.
    async fn live_and_die(&self, chance: &mut Chance, known: &mut BTreeSet<Row>) {
        let mut service = serve(&self.dir, &self.data);
        if chance.below(6) == 0 {
            // Before it has begun: while the database recovers, or the schema is looked at.
            wait_until("the database begins", || async { postmaster(&self.data, service.pid()) }).await;
        } else {
            service.address();
            let pool = pool(&self.data).await;
            let found = readings(&pool).await;
            let lost: Vec<&Row> = known.difference(&found).collect();
            assert!(lost.is_empty(), "committed and lost: {lost:?}");
            check(&pool).await;
            let until = self.agents.answered() + 1 + chance.below(180);
            // One life in four may end before anything was kept in it; a busy machine asks long before it keeps.
            let (early, before) = (chance.below(4) == 0, number(&pool, KEPT).await);
            let asked = wait_until("machines are asked", || async {
                let asked = self.agents.answered() >= until;
                (asked && (early || number(&pool, KEPT).await > before)).then_some(())
            });
            // A machine that is busy with other tests asks slowly: then this is the moment.
            let _ = tokio::time::timeout(LIFE, asked).await;
            *known = readings(&pool).await;
            pool.close().await;
        }
        let (whom, database) = (chance.below(3), postmaster(&self.data, service.pid()));
        eprintln!(
            "  {}: {}",
            service.pid(),
            ["the service", "the database", "both"][usize::try_from(whom).unwrap()]
        );
        match (whom, database) {
            (0, _) | (_, None) => drop(service.end(Signal::KILL)),
            (1, Some(database)) => {
                kill_process(database, Signal::KILL).unwrap();
                let (status, told) = service.ended();
                assert_eq!(status.code(), Some(1), "{told}");
            }
            (_, Some(database)) => {
                let _ = kill_process(database, Signal::KILL);
                service.end(Signal::KILL);
            }
        }
    }

    /// A last life that ends in peace, once there is enough to compare: how far the room gets between kills depends on
    /// the machine.
    async fn live_on(&self) {
        let mut service = serve(&self.dir, &self.data);
        service.address();
        let pool = pool(&self.data).await;
        wait_until("days of use are kept", || async {
            let used = number(&pool, "select count(*) from ledger_day").await >= DAYS_OF_USE;
            (used && number(&pool, "select count(*) from reading_all").await >= READINGS).then_some(())
        })
        .await;
        pool.close().await;
        service.end(Signal::TERM);
    }

    /// The ledger as it grew over all the kills, and as the readings give it when they are followed in one go.
    async fn settle(&self, known: &BTreeSet<Row>) {
        let options = ClusterOptions {
            data_dir: self.data.clone(),
            binaries: std::env::var_os("ULLAGE_TEST_BINARIES").map(Into::into),
            throwaway: false,
            allow_fetch: false,
        };
        let cluster = Cluster::start(options).await.unwrap();
        let store = Store::connect(cluster.connect_options(), 2).await.unwrap();
        assert!(known.is_subset(&readings(store.pool()).await));
        check(store.pool()).await;
        let grown = contents(store.pool()).await;
        sqlx::raw_sql("delete from slot_track").execute(store.pool()).await.unwrap();
        let zone = config().site.zone;
        for row in store.poll_targets().await.unwrap() {
            // A silence adds nothing, and has every slot of the machine followed from its first reading.
            let Some(last) = row.last_poll_at else { continue };
            let at = last + SignedDuration::from_secs(1);
            let present = ullage::domain::outlook::Present { now: at, zone: zone.clone() };
            let silence = [Poll { at, outcome: Err("it did not answer".to_owned()) }];
            ingest(&store, row.id, &row.name, &silence, &present, &Rules::default()).await.unwrap();
        }
        let whole = contents(store.pool()).await;
        for table in ["reading", "install", "ledger_day", "question"] {
            assert_eq!(grown[table], whole[table], "{table}");
        }
        store.close().await;
        cluster.stop().await.unwrap();
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn kills_at_any_moment_lose_nothing_and_double_nothing() {
    let (kills, seed) = (said("ULLAGE_KILLS", 3), said("ULLAGE_KILL_SEED", 20_261_126));
    let dir = tempfile::tempdir().unwrap();
    let room = Room::open(dir.path()).await;
    let (mut chance, mut known) = (Chance(seed), BTreeSet::new());
    for kill in 1..=kills {
        eprintln!("kill {kill} of {kills}, seed {seed}: {} readings so far", known.len());
        let life = room.live_and_die(&mut chance, &mut known);
        tokio::time::timeout(Duration::from_secs(120), life).await.expect("a life is over in two minutes");
    }
    assert!(!known.is_empty(), "something was kept before the last kill");
    room.live_on().await;
    room.settle(&known).await;
    room.agents.stop().await;
}
