//! Several processes poll on one database: each machine is one process's at a time, and moves on when that dies.

#![allow(clippy::unwrap_used, reason = "a test may panic, its helpers too")]

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::net::SocketAddr;
use std::path::Path;
use std::time::{Duration, Instant};

use mock_agent::AgentServer;
use rustix::process::{Pid, Signal, kill_process};
use ullage::app::{Running, Service, Sharing, StorePages};
use ullage::clock::Clock;
use ullage::config::{Config, Overrides};
use ullage::demo::{DemoRoom, Opening};
use ullage::domain::guide::walk::NotOn;
use ullage::domain::ids::SupplyIndex;
use ullage::domain::rules::Rules;
use ullage::site::source::Source;
use ullage::site::swap_source::SwapSource;
use ullage::spool::Spool;
use ullage::store::Store;
use ullage::store::cluster::{Cluster, ClusterOptions};
use ullage::store::leases::NewPoller;
use ullage::usecase::book::Note;
use ullage::usecase::ingest::ingest_for;
use ullage::usecase::swap::{At, Refusal};

use crate::kills::check;
use crate::support::database::{TestDatabase, keys};
use crate::support::http::get;
use crate::support::line::Lines;
use crate::support::loft::{config, crowd};
use crate::support::program::{Background, finish, said, ullage};
use crate::support::said::{answered, device, present};
use crate::support::wait_until;

/// As short as tests on a busy machine can bear.
const LEASE: &str = "6s";
/// Datagrams of one poll follow each other faster than this, and polls of one machine more slowly.
const APART: Duration = Duration::from_secs(1);

/// Machines behind slow lines, watched every other second.
struct Room {
    store: Store,
    lines: Lines,
    agents: AgentServer,
}

impl Room {
    async fn open(store: Store, times: usize) -> Self {
        let now = Clock::system().now();
        let opening = Opening::before(now, 0, &config().site.zone).unwrap();
        let demo = DemoRoom::open(&store, &crowd(times), opening).await.unwrap();
        // A minute a second: no faster, or a signed request would be out of its time when it arrives.
        let agents = demo.go_live(&store, &Clock::scaled(now, 60.0)).await.unwrap();
        let lines = Lines::to(agents.addresses(), Duration::from_millis(120)).await;
        for ((device, _), at) in demo.devices.iter().zip(lines.addresses()) {
            store.move_device(*device, "127.0.0.1", at.port()).await.unwrap();
        }
        // More often than anybody may in life.
        let often = "alter table device drop constraint device_poll_every_s_check; update device set poll_every_s = 2";
        sqlx::raw_sql(often).execute(store.pool()).await.unwrap();
        Self { store, lines, agents }
    }

    /// How many machines each process has that is at work.
    async fn shares(&self) -> BTreeMap<String, i64> {
        let rows: Vec<(String, i64)> = sqlx::query_as(
            "select name, count(device_id) from poller left join device_lease lease
                 on poller_id = poller.id and lease.until > clock_timestamp()
             where poller.until > clock_timestamp() group by name",
        )
        .fetch_all(self.store.pool())
        .await
        .unwrap();
        rows.into_iter().collect()
    }

    async fn wait_for_shares(&self, wanted: &[(&str, i64)]) {
        let wanted: BTreeMap<String, i64> = wanted.iter().map(|(name, n)| ((*name).to_owned(), *n)).collect();
        wait_until(&format!("{wanted:?}"), || async { (self.shares().await == wanted).then_some(()) }).await;
    }

    /// Waits until every machine was polled after this moment.
    async fn wait_for_polls(&self) {
        let from = Clock::system().now();
        let all = || async {
            let targets = self.store.poll_targets().await.unwrap();
            targets.iter().all(|target| target.last_poll_at.is_some_and(|at| at > from)).then_some(())
        };
        wait_until("every machine is polled again", all).await;
        eprintln!("every machine polled again after {}", Clock::system().now().duration_since(from));
    }

    /// Moments at which a machine was asked by two at once: one asks between two datagrams of another's poll.
    fn clashes(&self) -> Vec<(usize, SocketAddr, SocketAddr)> {
        let mut clashes = Vec::new();
        for place in 0..self.lines.addresses().len() {
            let heard = self.lines.heard(place);
            for (n, (at, from)) in heard.iter().enumerate() {
                let rest = &heard[n + 1..];
                let Some(next) = rest.iter().position(|(_, other)| other == from) else { continue };
                if next > 0 && rest[next].0.duration_since(*at) < APART {
                    clashes.push((place, *from, rest[0].1));
                }
            }
        }
        clashes
    }
}

fn only(half: &str, dir: &Path, url: &str, name: &str) -> std::process::Command {
    let mut command = ullage(dir);
    command.args(["serve", "--only", half]).env("DATABASE_URL", url);
    command.env("ULLAGE_SITE_TIME_ZONE", "Europe/Lisbon").env("ULLAGE_POLL_LEASE", LEASE);
    command.env("ULLAGE_POLL_NAME", name).env("ULLAGE_POLL_SPOOL_DIR", dir.join(name));
    command
}

/// Three processes share a dozen machines; one is killed and then another, a fourth comes and goes.
#[tokio::test(flavor = "multi_thread")]
async fn machines_of_a_process_that_is_killed_move_on_and_none_is_ever_polled_by_two() {
    let database = TestDatabase::new().await;
    let room = Room::open(database.store().await, 3).await;
    let (dir, url) = (tempfile::tempdir().unwrap(), database.url());
    let poll = |name: &str| Background::start(&mut only("polls", dir.path(), &url, name));
    let first = poll("first");
    room.wait_for_shares(&[("first", 12)]).await;
    let (second, third) = (poll("second"), poll("third"));
    room.wait_for_shares(&[("first", 4), ("second", 4), ("third", 4)]).await;
    room.wait_for_polls().await;

    first.end(Signal::KILL);
    room.wait_for_polls().await;
    room.wait_for_shares(&[("second", 6), ("third", 6)]).await;
    third.end(Signal::KILL);
    room.wait_for_polls().await;
    room.wait_for_shares(&[("second", 12)]).await;

    let fourth = poll("fourth");
    room.wait_for_shares(&[("second", 6), ("fourth", 6)]).await;
    room.wait_for_polls().await;
    // Whoever ends as it should gives back what it has, at once.
    let (status, told) = fourth.end(Signal::TERM);
    assert_eq!((status.code(), told.as_str()), (Some(0), ""));
    assert_eq!(room.shares().await.get("fourth"), None);
    let left = "select count(*) from device_lease join poller on poller.id = poller_id where name = 'fourth'";
    let left: i64 = sqlx::query_scalar(left).fetch_one(room.store.pool()).await.unwrap();
    assert_eq!(left, 0);
    room.wait_for_polls().await;
    second.end(Signal::TERM);

    assert_eq!(room.clashes(), [], "machines that two asked at once");
    let askers: Vec<usize> = (0..12)
        .map(|place| {
            let mut from: Vec<SocketAddr> = room.lines.heard(place).iter().map(|(_, from)| *from).collect();
            from.sort();
            from.dedup();
            from.len()
        })
        .collect();
    assert!(askers.iter().all(|askers| *askers >= 2), "every machine has moved: {askers:?}");
    check(room.store.pool()).await;
    room.agents.stop().await;
}

/// A process that has only pages has a machine polled by whoever may, and its pages tell what that has kept.
#[tokio::test(flavor = "multi_thread")]
async fn pages_and_polls_are_two_processes() {
    let database = TestDatabase::new().await;
    let room = Room::open(database.store().await, 1).await;
    let (dir, url) = (tempfile::tempdir().unwrap(), database.url());
    let start = |half: &str, name: &str| {
        let mut process =
            Background::start(only(half, dir.path(), &url, name).args(["--listen", "127.0.0.1:0"]));
        let (address, _) = process.address();
        (process, address)
    };
    let ((polls, at), (pages, site)) = (start("polls", "loft-1"), start("pages", "none"));
    room.wait_for_shares(&[("loft-1", 4)]).await;
    room.wait_for_polls().await;

    for address in [at, site] {
        assert_eq!(get(address, "/healthz").body, "ok");
        assert_eq!(get(address, "/readyz").body, "ready\n");
        assert!(get(address, "/metrics").body.contains("\nullage_pollers 1\n"));
    }
    assert!(get(at, "/metrics").body.contains("\nullage_leases 4\n"));
    assert!(!get(site, "/metrics").body.contains("ullage_leases"));
    assert_eq!(get(at, "/machines").status, 404, "a process without pages has none");
    assert!(get(site, "/machines").body.contains("Bobbin 1"));

    // A page that needs to know now has the machine asked, by the process that has it and no other.
    let before = room.lines.heard(0).len();
    let service = Service::new(room.store.clone(), Clock::system(), &config());
    let bobbin = room.store.poll_targets().await.unwrap().remove(0);
    assert_eq!(bobbin.name, "Bobbin 1");
    let own = Note { who: "Ida".to_owned(), why: "from the annex".to_owned() };
    let place = (bobbin.id, At::Supply(SupplyIndex(1)));
    let begun = StorePages(service).begin_swap(place, None, own, None).await.unwrap();
    // At this hour it may be printing.
    assert!(matches!(begun, Ok(_) | Err(Refusal::NotOn(NotOn::Printing))), "{begun:?}");
    let heard = room.lines.heard(0);
    assert!(heard.len() > before);
    assert!(heard.iter().all(|(_, from)| *from == heard[0].1), "one process asks");
    let (asked, kept): (i64, i64) = sqlx::query_as(
        "select count(*), count(*) filter (where last_poll_at > asked_at)
         from device_ask join device on device.id = device_id where answered_at is not null",
    )
    .fetch_one(room.store.pool())
    .await
    .unwrap();
    assert_eq!((asked, kept), (1, 1), "it was answered, and what the machine said was kept");
    for process in [polls, pages] {
        let (status, told) = process.end(Signal::TERM);
        assert_eq!((status.code(), told.as_str()), (Some(0), ""));
    }
    room.agents.stop().await;
}

#[test]
fn half_of_a_service_needs_a_server_that_both_halves_reach() {
    let dir = tempfile::tempdir().unwrap();
    let told = said(&finish(ullage(dir.path()).args(["serve", "--only", "polls"])), &[]);
    assert!(told.starts_with("status 2\n") && told.contains("name the server in DATABASE_URL"), "{told}");
}

/// The store refuses a poll whose machine was taken from whoever made it, and takes one that nobody was in the way of.
#[tokio::test]
async fn a_poll_of_a_lease_that_was_lost_is_not_kept() {
    let database = TestDatabase::new().await;
    let store = database.store().await;
    let (bobbin, thimble) = (device(&store, "Bobbin").await, device(&store, "Thimble").await);
    let (minute, rules) = (Duration::from_secs(60), Rules::default());
    let says = |name: &str| NewPoller { name: name.to_owned(), ..NewPoller::default() };
    let one = store.begin_polling(&says("one"), minute, false).await.unwrap();
    let other = store.begin_polling(&says("other"), minute, false).await.unwrap();
    assert_eq!(store.take_leases(one, &[bobbin], minute).await.unwrap(), [bobbin]);
    assert_eq!(store.take_leases(other, &[bobbin, thimble], minute).await.unwrap(), [thimble]);
    let keep = async |n: i64, run| {
        let polls = [answered(n, 4000 - i32::try_from(n).unwrap(), 9000)];
        ingest_for(&store, bobbin, "Bobbin", &polls, &present(n), (&rules, Some(run))).await.unwrap()
    };
    assert!(keep(1, one).await && !keep(2, other).await);
    // It has run out, and nobody has come.
    let run_out = "update device_lease set until = clock_timestamp() - interval '1 second'";
    sqlx::raw_sql(run_out).execute(store.pool()).await.unwrap();
    assert!(keep(3, one).await);
    // While a poll is being kept nobody takes its machine, and whoever has it can renew.
    let mut work = store.begin().await.unwrap();
    assert!(Store::still_has(&mut work, one, bobbin).await.unwrap());
    assert_eq!(store.take_leases(other, &[bobbin], minute).await.unwrap(), []);
    assert_eq!(store.renew_leases(one, minute).await.unwrap(), Some(vec![bobbin]));
    work.rollback().await.unwrap();
    sqlx::raw_sql(run_out).execute(store.pool()).await.unwrap();
    assert_eq!(store.take_leases(other, &[bobbin], minute).await.unwrap(), [bobbin]);
    assert!(!keep(4, one).await && keep(5, other).await);
    assert_eq!(store.renew_leases(one, minute).await.unwrap(), Some(vec![]));
    let levels: Vec<i32> = sqlx::query_scalar(
        "select reading.level from reading join slot on slot.id = slot_id where supply_index = 1 order by at",
    )
    .fetch_all(store.pool())
    .await
    .unwrap();
    assert_eq!(levels, [3999, 3997, 3995]);
    store.end_polling(other).await.unwrap();
    assert_eq!(store.holder_of(bobbin).await.unwrap(), None);
    // In a database of our own whoever comes is the only one.
    let last = store.begin_polling(&says("last"), minute, true).await.unwrap();
    assert_eq!(store.renew_leases(one, minute).await.unwrap(), None);
    assert_eq!(store.pollers().await.unwrap().iter().map(|row| row.run).collect::<Vec<_>>(), [last]);
    let turn = store.turn_at("alerts").await.unwrap();
    assert!(turn.is_some() && store.turn_at("alerts").await.unwrap().is_none());
    drop(turn);
    wait_until("the turn is over", || async { store.turn_at("alerts").await.unwrap() }).await;
}

/// A poller in this process, over a database that can be killed.
struct Alone {
    room: Room,
    service: Service,
    running: Running,
    cluster: Cluster,
    data: tempfile::TempDir,
}

impl Alone {
    async fn begin() -> Self {
        let data = tempfile::tempdir().unwrap();
        let binaries = std::env::var_os("ULLAGE_TEST_BINARIES").map(Into::into);
        let (data_dir, throwaway) = (data.path().join("data"), false);
        let cluster = ClusterOptions { data_dir, binaries, throwaway, allow_fetch: false };
        let cluster = Cluster::start(cluster).await.unwrap();
        Store::open(cluster.connect_options(), 1, keys()).await.unwrap().close().await;
        let patience = Duration::from_millis(300);
        let store = Store::connect_within(cluster.connect_options(), 12, patience).await.unwrap();
        let store = store.with_keys(keys()).unwrap();
        let room = Room::open(store.clone(), 1).await;
        let said = |name: &str| (name == "ULLAGE_POLL_LEASE").then(|| LEASE.to_owned());
        let config = Config::parse("", &said, &Overrides::default()).unwrap();
        let mut service = Service::new(store, Clock::system(), &config);
        service.spool = Some(Spool::open(&data.path().join("spool"), 1_000_000).unwrap());
        let mut running = Running::new();
        let sharing = Sharing::new(&config.sharing, false);
        running.start_sharing_poller(&service, &config.poll, None, sharing).unwrap();
        room.wait_for_polls().await;
        Self { room, service, running, cluster, data }
    }

    /// Kills the database.
    fn kill(&self) -> Instant {
        let pid = fs::read_to_string(self.data.path().join("data/pgdata/postmaster.pid")).unwrap();
        let pid = Pid::from_raw(pid.lines().next().unwrap().trim().parse().unwrap()).unwrap();
        kill_process(pid, Signal::KILL).unwrap();
        Instant::now()
    }

    fn last_asked(&self) -> Instant {
        (0..4).filter_map(|place| self.room.lines.heard(place).last().map(|(at, _)| *at)).max().unwrap()
    }

    async fn end(self) {
        self.running.drain().await;
        self.cluster.ended().await;
        self.room.agents.stop().await;
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn who_polls_alone_goes_on_without_the_store_and_who_shares_stops_with_its_leases() {
    let lease = Duration::from_secs(6);
    let alone = Alone::begin().await;
    let killed = alone.kill();
    let spool = alone.service.spool.clone().unwrap();
    wait_until("it goes on past its leases, and what machines say waits", || async {
        (alone.last_asked() > killed + 2 * lease && spool.depth().polls >= 4).then_some(())
    })
    .await;
    drop(spool);
    alone.end().await;

    let shared = Alone::begin().await;
    // Another that is there for a site that has no machines.
    let other =
        NewPoller { name: "annex".to_owned(), sites: vec!["Annex".to_owned()], ..NewPoller::default() };
    shared.room.store.begin_polling(&other, Duration::from_secs(600), false).await.unwrap();
    let mut renewals = BTreeSet::new();
    while renewals.len() < 3 {
        // By the second renewal it has seen the other.
        let sql = "select until::text from poller where name <> 'annex'";
        renewals.insert(
            wait_until("it renews its leases", || async {
                let until: String =
                    sqlx::query_scalar(sql).fetch_one(shared.room.store.pool()).await.unwrap();
                (!renewals.contains(&until)).then_some(until)
            })
            .await,
        );
    }
    let killed = shared.kill();
    let metrics = StorePages(shared.service.clone());
    wait_until("its leases run out", || async {
        metrics.metrics().await.unwrap().contains("\nullage_leases 0\n").then_some(())
    })
    .await;
    // A datagram that was on its way comes a little later.
    assert!(shared.last_asked() < killed + lease, "{:?} after the end", shared.last_asked() - killed);
    shared.end().await;
}
