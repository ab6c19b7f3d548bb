//! The demo as people start, stop, kill and start it again.

#![allow(clippy::unwrap_used, reason = "a test may panic, its helpers too")]

use std::collections::BTreeMap;
use std::fs;
use std::os::unix::process::ExitStatusExt;
use std::path::Path;

use jiff::{SignedDuration, Timestamp};
use mock_agent::{Room, Scenario};
use rustix::process::Signal;
use sqlx::{Connection as _, PgConnection};
use ullage::demo::{DemoRoom, Opening, bring_in, fill_shelf, kept_until, place_orders};
use ullage::store::cluster::{Connection, ThrowawayDir};
use ullage::store::orders::Which;

use crate::support::contents::{assert_same, contents};
use crate::support::http::get;
use crate::support::loft::{Loft, moment};
use crate::support::program::{Background, ullage};
use crate::support::wait_until;

/// Processes that work in a directory, or name it in their words.
fn working_in(dir: &Path) -> Vec<String> {
    let name = dir.display().to_string();
    let mut found = Vec::new();
    for entry in fs::read_dir("/proc").unwrap().flatten() {
        let pid = entry.file_name().to_string_lossy().into_owned();
        if !pid.bytes().all(|byte| byte.is_ascii_digit()) || pid == std::process::id().to_string() {
            continue;
        }
        let words = fs::read(entry.path().join("cmdline")).unwrap_or_default();
        let at = fs::read_link(entry.path().join("cwd")).unwrap_or_default();
        if String::from_utf8_lossy(&words).contains(&name) || at.starts_with(dir) {
            found.push(format!("{pid} {}", String::from_utf8_lossy(&words).replace('\0', " ")));
        }
    }
    found
}

/// Where a demo of this process keeps what it throws away.
fn thrown_away(pid: u32) -> Option<std::path::PathBuf> {
    let places = [std::path::PathBuf::from("/dev/shm"), std::env::temp_dir()];
    let wanted = format!("ullage-throwaway-{pid}-");
    let found = places.iter().flat_map(|place| fs::read_dir(place).into_iter().flatten().flatten());
    found
        .map(|entry| entry.path())
        .find(|path| path.file_name().is_some_and(|name| name.to_string_lossy().starts_with(&wanted)))
}

#[test]
fn a_demo_shows_its_room_and_leaves_nothing_behind() {
    let dir = tempfile::tempdir().unwrap();
    let words = ["demo", "--listen", "127.0.0.1:0", "--days", "15", "--speed", "600"];
    // Settings and databases of the surroundings are no business of a demo.
    let mut command = ullage(dir.path());
    command.args(words).env("DATABASE_URL", "postgres://nobody@127.0.0.1:1/x").env("ULLAGE_POLL_EVERY", "1m");
    let mut demo = Background::start(&mut command);
    let (address, took) = demo.address();
    let page = get(address, "/");
    assert_eq!(page.status, 200, "{}", page.body);
    assert!(page.body.contains("This is a demo"), "{}", page.body);
    for path in ["/machines", "/alerts", "/months", "/nothing"] {
        let page = get(address, path);
        assert!(
            (300..400).contains(&page.status) || page.body.contains("This is a demo"),
            "{path}: {}",
            page.body
        );
    }
    let kept = thrown_away(demo.pid()).expect("a directory while it runs");
    assert!(!working_in(&kept).is_empty(), "its database works in {}", kept.display());
    let (status, said) = demo.end(Signal::INT);
    assert_eq!((status.code(), said.as_str()), (Some(0), ""), "after {took:?}");
    assert!(!kept.exists(), "{} stays", kept.display());
    assert_eq!(working_in(&kept), Vec::<String>::new());
    assert_eq!(fs::read_dir(dir.path()).unwrap().count(), 0);
}

fn start(dir: &Path, kept: &Path) -> Background {
    let kept = kept.display().to_string();
    let words = ["demo", "--listen", "127.0.0.1:0", "--days", "15", "--speed", "3600", "--keep", &kept];
    Background::start(ullage(dir).args(words))
}

async fn ask(kept: &Path) -> PgConnection {
    PgConnection::connect(&Connection::of_running(kept).await.unwrap().url).await.unwrap()
}

/// How many machines have been polled, and the earliest of the last polls of those that answer: Selvage is dark
/// in the demo.
async fn polled(kept: &Path) -> (i64, Option<Timestamp>) {
    let mut db = ask(kept).await;
    let found: (i64, Option<String>) = sqlx::query_as(
        "select count(last_poll_at), to_json(min(coalesce(last_poll_at, added_at)))#>>'{}' from device
         where name <> 'Selvage'",
    )
    .fetch_one(&mut db)
    .await
    .unwrap();
    db.close().await.unwrap();
    (found.0, found.1.map(|at| at.parse().unwrap()))
}

/// Waits until all history is in and machines have been polled live for an hour of the demo's time.
async fn live(kept: &Path, address: std::net::SocketAddr) -> Timestamp {
    wait_until("the history is in", || async {
        (!get(address, "/").body.contains("Its past is being brought in")).then_some(())
    })
    .await;
    let (_, begun) = polled(kept).await;
    wait_until("live polls", || async {
        polled(kept).await.1.filter(|at| at.duration_since(begun.unwrap()) > SignedDuration::from_hours(1))
    })
    .await
}

#[tokio::test(flavor = "multi_thread")]
async fn a_kept_demo_goes_on_after_being_stopped_and_after_being_killed() {
    let (dir, top) = (tempfile::tempdir().unwrap(), ThrowawayDir::new().unwrap());
    let kept = top.path().join("kept");
    let mut first = start(dir.path(), &kept);
    first.address();
    // Stopped while the first of its machines has its past and others may not have.
    wait_until("a machine's past is in", || async { (polled(&kept).await.0 > 0).then_some(()) }).await;
    let (status, said) = first.end(Signal::INT);
    assert_eq!((status.code(), said.as_str()), (Some(0), ""));
    assert_eq!(working_in(&kept), Vec::<String>::new());

    let mut second = start(dir.path(), &kept);
    let (address, _) = second.address();
    live(&kept, address).await;
    let (status, _) = second.end(Signal::KILL);
    assert_eq!(status.signal(), Some(9));

    let mut third = start(dir.path(), &kept);
    let (address, _) = third.address();
    let until = live(&kept, address).await;
    nothing_is_doubled_or_missing(&kept).await;
    swaps_are_those_that_happened(&kept, until).await;
    let (status, said) = third.end(Signal::INT);
    // It may have met the database of the killed one, and says so; in words, without a terminal's colours.
    let met = said.is_empty() || said.lines().count() == 1 && said.contains("left behind");
    assert!(status.success() && met && !said.contains('\u{1b}'), "{status}: {said}");
    assert_eq!(working_in(&kept), Vec::<String>::new());
    assert!(kept.join("demo.json").exists(), "what is kept stays");
}

async fn nothing_is_doubled_or_missing(kept: &Path) {
    let mut db = ask(kept).await;
    let devices: i64 = sqlx::query_scalar("select count(*) from device").fetch_one(&mut db).await.unwrap();
    assert_eq!(devices, 6);
    let doubled: i64 = sqlx::query_scalar(
        "select count(*) from (
             select (level, max_capacity, unit) = lag((level, max_capacity, unit))
                        over (partition by slot_id order by at) as same from reading_all) pairs where same",
    )
    .fetch_one(&mut db)
    .await
    .unwrap();
    assert_eq!(doubled, 0, "a reading is a change");
    // All but the one that is dark answer every quarter of an hour, whatever became of the service.
    let holes: Vec<(String, String, String)> = sqlx::query_as(
        "select name, before::text, started_at::text from (
             select name, started_at, lag(ended_at) over (partition by device_id order by started_at) as before
             from poll_span join device on device.id = device_id) spans
         where started_at <= before
            or name <> 'Selvage' and started_at - coalesce(before, started_at) > interval '6 hours'",
    )
    .fetch_all(&mut db)
    .await
    .unwrap();
    assert!(holes.is_empty(), "spans overlap or leave holes: {holes:?}");
    let late: Vec<String> = sqlx::query_scalar(
        "select name from device join poll_span on device_id = device.id
         group by name, added_at having min(started_at) > added_at + interval '1 hour'",
    )
    .fetch_all(&mut db)
    .await
    .unwrap();
    assert!(late.is_empty(), "the first days are missing: {late:?}");
    db.close().await.unwrap();
}

/// The room of the demo, played once more from its beginning, knows what was swapped.
async fn swaps_are_those_that_happened(kept: &Path, until: Timestamp) {
    let opening: Opening = serde_json::from_slice(&fs::read(kept.join("demo.json")).unwrap()).unwrap();
    let mut room = Room::new(&Scenario::vellmoor(), opening.opened, opening.phase_day);
    room.advance_to(until);
    // A swap is believed once it has lasted; the last hour is too young to be compared.
    let settled = until - SignedDuration::from_hours(1);
    let mut really: BTreeMap<(String, i32), usize> = BTreeMap::new();
    for swap in room.truth().swaps.iter().filter(|swap| swap.at < settled) {
        *really.entry((swap.printer_name.clone(), i32::try_from(swap.supply).unwrap())).or_default() += 1;
    }
    let mut db = ask(kept).await;
    let rows: Vec<(String, i32)> = sqlx::query_as(
        "select name, supply_index from install join slot on slot.id = slot_id
         join device on device.id = slot.device_id where arrival <> 'found' and from_at < $1::timestamptz",
    )
    .bind(settled.to_string())
    .fetch_all(&mut db)
    .await
    .unwrap();
    let mut found: BTreeMap<(String, i32), usize> = BTreeMap::new();
    for place in rows {
        *found.entry(place).or_default() += 1;
    }
    assert!(!really.is_empty());
    assert_eq!(found, really);
    db.close().await.unwrap();
}

/// A service that was killed between two machines' histories has one further than the other.
#[tokio::test(flavor = "multi_thread")]
async fn a_history_that_broke_off_is_brought_in_whole() {
    let two = |scenario: &mut Scenario| scenario.printers.truncate(2);
    let now = moment("2026-10-20T10:00");
    let whole = Loft::open_with(now, 0, 1.0, two).await;
    bring_in(&whole.service, &whole.demo, (whole.opened, now), |_| {}, || true).await.unwrap();

    let mut broken = Loft::open_with(now, 0, 1.0, two).await;
    let store = broken.service.store.clone();
    let devices = broken.demo.devices.split_off(1);
    let six = moment("2026-10-20T06:00");
    bring_in(&broken.service, &broken.demo, (broken.opened, six), |_| {}, || true).await.unwrap();
    assert_eq!(kept_until(&store, broken.opened).await.unwrap(), (broken.opened, six));

    let opening = Opening { opened: broken.opened, phase_day: 0 };
    broken.demo = DemoRoom::open(&store, &broken.scenario, opening).await.unwrap();
    assert_eq!(broken.demo.devices[1..], devices, "the same machines");
    let (from, _) = kept_until(&store, broken.opened).await.unwrap();
    bring_in(&broken.service, &broken.demo, (from, now), |_| {}, || true).await.unwrap();
    assert_same(&contents(whole.service.store.pool()).await, &contents(store.pool()).await);
}

/// Ports are given out anew at every start, and one machine may get what was another's.
#[tokio::test(flavor = "multi_thread")]
async fn machines_of_a_kept_demo_may_get_each_others_ports() {
    let now = moment("2026-10-20T10:00");
    let mut loft = Loft::open_with(now, 0, 1.0, |scenario| scenario.printers.truncate(2)).await;
    let store = loft.service.store.clone();
    let [bobbin, thimble] = [0, 1].map(|place: usize| loft.demo.devices[place].0);
    store.move_device(bobbin, "127.0.0.1", 40_001).await.unwrap();
    store.move_device(thimble, "127.0.0.1", 40_002).await.unwrap();
    let opening = Opening { opened: loft.opened, phase_day: 0 };
    loft.demo = DemoRoom::open(&store, &loft.scenario, opening).await.unwrap();
    store.move_device(bobbin, "127.0.0.1", 40_002).await.unwrap();
    store.move_device(thimble, "127.0.0.1", 40_001).await.unwrap();
    let ports: Vec<u16> = store.poll_targets().await.unwrap().iter().map(|target| target.port).collect();
    assert_eq!(ports, [40_002, 40_001]);
}

/// A demo shows orders in every state that lasts, whether its history reaches back to all of them or not; and the same
/// lies on its shelf either way.
#[tokio::test]
async fn a_demo_has_ordered_what_came() {
    let now = moment("2026-10-20T10:00");
    let mut shelves = Vec::new();
    for (days, wanted) in [
        (120, ["draft", "partly_received", "received", "received"].as_slice()),
        (15, &["draft", "partly_received"]),
        (2, &["draft"]),
    ] {
        let loft = Loft::open(now, days, 1.0).await;
        let (store, zone) = (&loft.service.store, &loft.service.zone);
        let practice = &loft.service.rules.practice;
        for _ in 0..2 {
            // A kept demo that is started again orders nothing again.
            fill_shelf(store, &Scenario::vellmoor(), (loft.opened, now), zone).await.unwrap();
            place_orders(store, (loft.opened, now), zone, practice).await.unwrap();
        }
        let orders = store.orders(Which::Newest(60)).await.unwrap();
        assert_eq!(orders.iter().map(|order| order.state.word()).collect::<Vec<_>>(), wanted, "{days} days");
        let stocks = store.stocks(None).await.unwrap();
        shelves
            .push(stocks.iter().map(|stock| (stock.part.number.clone(), stock.units())).collect::<Vec<_>>());
        let took = store.deliveries().await.unwrap();
        assert_eq!(took.len(), if days == 120 { 5 } else { usize::from(days == 15) }, "{took:?}");
    }
    assert!(shelves.iter().all(|shelf| *shelf == shelves[0]), "{shelves:?}");
}
