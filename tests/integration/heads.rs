//! Print heads: their commands on the built program, and the ink through them, held to what really went.

#![allow(clippy::unwrap_used, reason = "a test may panic, its helpers too")]

use std::path::Path;

use jiff::civil::{Date, date};
use mock_agent::PrinterTruth;
use ullage::demo::bring_in;
use ullage::domain::ids::DeviceId;
use ullage::domain::plumbing::{Plumbing, Position};
use ullage::domain::rules::Rules;
use ullage::store::Store;
use ullage::store::heads::{HeadRow, Heads};
use ullage::usecase::book::{Note, import_parts};
use ullage::usecase::heads::{Entry, Refusal, register, replace, write_plumbing};
use ullage::usecase::ingest::ingest;

use crate::support::database::TestDatabase;
use crate::support::loft::{Loft, moment};
use crate::support::program::transcript;
use crate::support::said::{INK, answered, device, present};

const DAYS: u32 = 32;

fn note() -> Note {
    Note { who: "print room".to_owned(), why: String::new() }
}

fn place(number: i32) -> Position {
    Position::new(number).unwrap()
}

fn entry(position: i32, in_on: Date) -> Entry {
    Entry {
        position: place(position),
        part: None,
        in_on,
        out_on: None,
        warranty_until: None,
        limit_ml: None,
        before_ml: 0.0,
    }
}

async fn rows(store: &Store, device: DeviceId) -> Vec<HeadRow> {
    store.heads(Heads::Device(device)).await.unwrap()
}

fn ml(rows: &[HeadRow], position: i32) -> f64 {
    let row = rows.iter().find(|row| row.head.position == place(position) && row.head.out_on.is_none());
    row.unwrap().outlook.as_ref().unwrap().ml.unwrap()
}

/// Millilitres of ink in the ledger of a machine, where a unit of what is told in percent holds 300 ml.
async fn ink_ml(store: &Store, device: DeviceId) -> f64 {
    sqlx::query_scalar(
        "select sum(used * case measure when 'percent' then 3.0 else 1.0 end)
         from ledger_day join install on install.id = install_id join slot on slot.id = ledger_day.slot_id
         where slot.device_id = $1 and slot.kind = 6",
    )
    .bind(device.0)
    .fetch_one(store.pool())
    .await
    .unwrap()
}

/// A room with heads in every place from the first day on, whose parts hold 300 ml.
async fn room_with_heads() -> Loft {
    let now = moment("2026-04-01T10:00");
    let loft = Loft::open(now, DAYS, f64::MIN_POSITIVE).await;
    let parts = "number,kind,capacity,unit\nVO-C-300,cartridge,300,ml\n";
    let parts = ullage::report::shelf_csv::read_parts(parts.as_bytes()).unwrap();
    import_parts(&loft.service.store, &parts).await.unwrap();
    let first = loft.demo.lock().truth().first_day;
    for ((device, _), plan) in loft.demo.devices.iter().zip(&loft.scenario.printers) {
        for position in 1..=2 * plan.inks.len().div_ceil(2) {
            let entry = entry(i32::try_from(position).unwrap(), first);
            register(&loft.service.store, *device, &entry, &note(), &loft.service.present())
                .await
                .unwrap()
                .unwrap();
        }
    }
    bring_in(&loft.service, &loft.demo, (loft.opened, now), |_| {}, || true).await.unwrap();
    loft
}

#[tokio::test(flavor = "multi_thread")]
async fn ink_through_heads_is_what_really_went_and_adds_up_to_the_ink_of_all_colours() {
    let loft = room_with_heads().await;
    let store = &loft.service.store;
    let present = loft.service.present();
    let truth = loft.demo.lock().truth().clone();
    let (bobbin, _) = loft.demo.devices[0];
    // Three colours have no usual map, and nothing is counted until one is written.
    let unmapped = rows(store, bobbin).await;
    assert!(unmapped.iter().all(|row| row.outlook.as_ref().unwrap().ml.is_none()), "{unmapped:?}");
    let map: Plumbing = "1: Cyan, Magenta\n2: Yellow\n3: Cyan, Magenta\n4: Yellow".parse().unwrap();
    write_plumbing(store, bobbin, Some(&map), &present).await.unwrap().unwrap();
    for ((device, name), printer) in loft.demo.devices.iter().zip(&truth.printers) {
        let rows = rows(store, *device).await;
        assert_eq!(rows.len(), printer.heads.len(), "{name}");
        let heads: f64 = (1..).zip(&printer.heads).map(|(position, _)| ml(&rows, position)).sum();
        let ink = ink_ml(store, *device).await;
        assert!((heads - ink).abs() < 1e-6, "{name}: {heads} ml through its heads, {ink} ml of ink");
        // What a quarter of an hour around a swap hides, and what a silence does, is in no head either.
        for (position, head) in (1..).zip(&printer.heads) {
            let really: f64 = head.daily_ml.iter().sum();
            let told = ml(&rows, position);
            assert!(
                really > 50.0 && (told - really).abs() < 0.06 * really,
                "{name} {}: {told} {really}",
                head.name
            );
        }
    }
    a_swapped_head_leaves_its_ink_behind(&loft, &truth.printers[3]).await;
}

/// The sum over a place is the same however often its head was replaced.
async fn a_swapped_head_leaves_its_ink_behind(loft: &Loft, printer: &PrinterTruth) {
    let store = &loft.service.store;
    let (tassel, _) = loft.demo.devices[3];
    let before = ml(&rows(store, tassel).await, 1);
    let on = date(2026, 3, 15);
    replace(store, tassel, &entry(1, on), &note(), &loft.service.present()).await.unwrap().unwrap();
    let rows = rows(store, tassel).await;
    let of_place: Vec<f64> = rows
        .iter()
        .filter(|row| row.head.position == place(1))
        .map(|row| row.outlook.as_ref().unwrap().ml.unwrap())
        .collect();
    assert_eq!(of_place.len(), 2);
    assert!(
        (of_place.iter().sum::<f64>() - before).abs() < 1e-6 && of_place[0] > 0.0,
        "{of_place:?} {before}"
    );
    let really: f64 = printer.heads[0].daily_ml.iter().skip(14).sum();
    assert!((of_place[0] - really).abs() < 0.06 * really, "{of_place:?} {really}");
    // There is a forecast, from the sum of its colours.
    let current = rows.iter().find(|row| row.head.position == place(2)).unwrap();
    let outlook = current.outlook.as_ref().unwrap();
    assert!(outlook.by_limit.horizon().is_some() && outlook.daily_ml.unwrap() > 1.0, "{outlook:?}");
}

#[tokio::test]
async fn two_heads_are_never_in_one_place() {
    let database = TestDatabase::new().await;
    let store = database.store().await;
    let bobbin = device(&store, "Bobbin").await;
    let at = present(9600);
    let written = |position, day: Date| {
        let (store, at, entry) = (store.clone(), at.clone(), entry(position, day));
        async move { register(&store, bobbin, &entry, &note(), &at).await.unwrap() }
    };
    // Two at once: the database lets one of them through.
    let both = [written(1, date(2026, 9, 1)), written(1, date(2026, 9, 2))].map(tokio::spawn);
    let mut through = Vec::new();
    for one in both {
        through.push(one.await.unwrap());
    }
    assert_eq!(through.iter().filter(|done| done.is_ok()).count(), 1, "{through:?}");
    let new = entry(1, date(2026, 9, 20));
    replace(&store, bobbin, &new, &note(), &at).await.unwrap().unwrap();
    let early = entry(1, date(2026, 9, 20));
    let refused = replace(&store, bobbin, &early, &note(), &at).await.unwrap();
    assert!(matches!(refused, Err(Refusal::BeforeTheOld { .. })), "{refused:?}");
    let fault = sqlx::query(
        "insert into head (device_id, position, in_on, out_on, limit_ml, booked_at, who, why)
         select id, 1, '2026-08-01', '2026-09-21', 1200, now(), 'x', '' from device",
    );
    let fault = fault.execute(store.pool()).await.unwrap_err();
    let told = fault.as_database_error().and_then(|fault| fault.constraint());
    assert_eq!(told, Some("head_place_taken"), "{fault}");
}

const PARTS: &str = "number,kind,colour,capacity,unit,shelf_life_months,models\r\n\
    VO-H-1,head,,1000,ml,24,\r\nVO-H-2,head,,,,,Some other machine\r\nVO-C-500,cartridge,Cyan,500,ml,600,\r\n";
/// The second head was in before the first; dates that no present makes near.
const HEADS: &str = "machine,position,in_on,out_on,part,warranty_until,limit_ml,before_ml,who,why\r\n\
    Bobbin,2,2026-09-12,,VO-H-1,2099-09-30,,40,,\r\n\
    Bobbin,2,2025-03-02,2026-09-12,,,1200,0,the print room,it banded\r\n";

async fn room(database: &TestDatabase, dir: &Path) -> Store {
    let store = database.store().await;
    let bobbin = device(&store, "Bobbin").await;
    ingest(&store, bobbin, "Bobbin", &[answered(0, INK, 9000)], &present(1), &Rules::default())
        .await
        .unwrap();
    // A map is kept by model.
    sqlx::query("update device set model = 'Backdrop printer'").execute(store.pool()).await.unwrap();
    let parts = ullage::report::shelf_csv::read_parts(PARTS.as_bytes()).unwrap();
    import_parts(&store, &parts).await.unwrap();
    std::fs::write(dir.join("heads.csv"), HEADS).unwrap();
    std::fs::write(dir.join("map"), "1: Cyan 60 %\n2: Cyan\n").unwrap();
    std::fs::write(dir.join("bad-map"), "1: Cyan 60 %\n2: Cyan 60 %\n").unwrap();
    let bad = "machine,position,in_on,out_on,part\r\nBobbin,9,2026-09-12,,\r\nGusset,1,2026-09-12,,\r\n\
               Bobbin,1,2026-09-12,2026-09-01,\r\nBobbin,1,2999-01-01,,\r\nBobbin,1,2026-09-13,,VO-C-500\r\n";
    std::fs::write(dir.join("bad.csv"), bad).unwrap();
    std::fs::write(
        dir.join("twice.csv"),
        "machine,position,in_on\r\nBobbin,1,2026-09-12\r\nBobbin,1,2026-09-13\r\n",
    )
    .unwrap();
    store
}

#[tokio::test(flavor = "multi_thread")]
async fn heads_are_registered_replaced_brought_in_and_listed() {
    let (dir, database) = (tempfile::tempdir().unwrap(), TestDatabase::new().await);
    room(&database, dir.path()).await;
    let told = transcript(
        dir.path(),
        &database.url(),
        "heads",
        &[
            &["list"],
            &["plumbing", "Bobbin", "--write", "map"],
            &["plumbing", "Bobbin"],
            &["add", "Bobbin", "1", "--in", "2026-03-14", "--warranty", "2099-12-31", "--before", "310"],
            &["replace", "Bobbin", "1", "--on", "2026-09-10", "--part", "VO-H-1", "--why", "it banded"],
            &["import", "heads.csv", "--why", "from the log book"],
            &["list", "--all"],
            &["list", "Bobbin"],
            &["export"],
            &["plumbing", "Bobbin", "--forget"],
            &["list"],
        ],
    );
    insta::assert_snapshot!(told);
}

#[tokio::test(flavor = "multi_thread")]
async fn what_people_get_wrong_is_told_and_changes_nothing() {
    let (dir, database) = (tempfile::tempdir().unwrap(), TestDatabase::new().await);
    let store = room(&database, dir.path()).await;
    transcript(
        dir.path(),
        &database.url(),
        "heads",
        &[&["plumbing", "Bobbin", "--write", "map"], &["import", "heads.csv"]],
    );
    let before = transcript(dir.path(), &database.url(), "heads", &[&["export"], &["plumbing", "Bobbin"]]);
    let told = transcript(
        dir.path(),
        &database.url(),
        "heads",
        &[
            &["list", "Gusset"],
            &["add", "Bobbin", "2", "--in", "2026-09-20"],
            &["add", "Bobbin", "0", "--in", "2026-09-20"],
            &["add", "Bobbin", "9", "--in", "2026-09-20"],
            &["add", "Bobbin", "1", "--in", "20 Sep"],
            &["add", "Bobbin", "1", "--in", "2999-09-20"],
            &["add", "Bobbin", "1", "--in", "2026-09-20", "--part", "VO-C-500"],
            &["add", "Bobbin", "1", "--in", "2026-09-20", "--part", "VO-H-2"],
            &["add", "Bobbin", "1", "--in", "2026-09-20", "--part", "VO-H-9"],
            &["add", "Bobbin", "1", "--in", "2026-09-20", "--limit", "much"],
            &["add", "Bobbin", "1", "--in", "2026-09-20", "--limit", "0"],
            &["add", "Bobbin", "1", "--in", "2026-09-20", "--who", ""],
            &["replace", "Bobbin", "1"],
            &["replace", "Bobbin", "2", "--on", "2026-09-12"],
            &["import", "bad.csv"],
            &["import", "twice.csv"],
            &["import", "nowhere.csv"],
            &["plumbing", "Bobbin", "--write", "bad-map"],
            &["plumbing", "Bobbin", "--write", "map", "--forget"],
            &["export", "--out", "no/such/place.csv"],
        ],
    );
    insta::assert_snapshot!(told);
    assert_eq!(
        transcript(dir.path(), &database.url(), "heads", &[&["export"], &["plumbing", "Bobbin"]]),
        before
    );
    assert_eq!(store.heads(Heads::All).await.unwrap().len(), 2);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_form_writes_a_head_down_and_its_warranty_becomes_a_task() {
    let (dir, database) = (tempfile::tempdir().unwrap(), TestDatabase::new().await);
    let store = room(&database, dir.path()).await;
    let bobbin = store.devices(None).await.unwrap()[0].id;
    let clock = ullage::clock::Clock::scaled(present(2).now, f64::MIN_POSITIVE);
    let service = ullage::app::Service::new(store.clone(), clock, &crate::support::loft::config());
    let (address, running) = crate::pages::serve(&service).await;
    let page = format!("/machines/{bobbin}/heads");
    let send =
        |action: &str, form: &str| crate::support::http::post(address, &format!("{page}/{action}"), form);
    assert_eq!(send("plumbing", "map=1%3A+Cyan%0D%0A2%3A+Cyan").status, 303);
    let form = "position=2&in_on=2026-08-01&part=VO-H-1&warranty_until=2026-09-30&who=print+room&why=";
    let registered = send("register", form);
    assert_eq!(registered.status, 303, "{}", registered.body);
    let again = send("register", form);
    assert_eq!(again.status, 422);
    assert!(again.body.contains("A head is in place 2: replace it instead."), "{}", again.body);
    let shown = crate::support::http::get(address, &page).body;
    assert!(shown.contains("VO-H-1") && shown.contains("ends 30 Sep by its date"), "{shown}");
    let today = crate::support::http::get(address, "/").body;
    assert!(today.contains("Check head 2 of Bobbin before its warranty ends"), "{today}");
    let replaced =
        send("replace", "position=2&in_on=2026-09-01&warranty_until=2028-01-31&who=a&why=it+banded");
    assert_eq!(replaced.status, 303, "{}", replaced.body);
    let today = crate::support::http::get(address, "/").body;
    assert!(!today.contains("Check head 2"), "its successor's warranty lasts: {today}");
    assert_eq!(crate::support::http::get(address, "/machines/4711/heads").status, 404);
    running.drain().await;
}

#[tokio::test]
async fn a_unit_in_a_machine_is_known_by_the_lot_it_was_issued_from() {
    use ullage::usecase::book::{Booking, book};
    let (dir, database) = (tempfile::tempdir().unwrap(), TestDatabase::new().await);
    let store = room(&database, dir.path()).await;
    let bobbin = store.devices(None).await.unwrap()[0].id;
    let slot = store.outlooks(ullage::store::outlooks::Wanted::All).await.unwrap()[0].outlook.slot.id;
    let booking = Booking::Receive { made_on: date(2024, 4, 1), place: "Shelf B".to_owned(), units: 2 };
    book(&store, "VO-C-500", &booking, &note(), &present(1)).await.unwrap().unwrap();
    let issue = Booking::Issue { lot: None, to: slot };
    book(&store, "VO-C-500", &issue, &note(), &present(300)).await.unwrap().unwrap();
    // What was found there when watching began is not that unit.
    assert!(store.units_inside(None).await.unwrap().is_empty());
    let mut polls: Vec<_> = (1..310).map(|n| answered(n, 200, 9000)).collect();
    polls.extend((310..330).map(|n| answered(n, INK, 9000)));
    ingest(&store, bobbin, "Bobbin", &polls, &present(330), &Rules::default()).await.unwrap();
    let inside = store.units_inside(None).await.unwrap();
    assert_eq!(inside.get(&slot).map(|unit| unit.made_on), Some(date(2024, 4, 1)), "{inside:?}");
    // The next one is issued and not in yet.
    book(&store, "VO-C-500", &issue, &note(), &present(900)).await.unwrap().unwrap();
    assert_eq!(store.units_inside(None).await.unwrap(), inside);
}
