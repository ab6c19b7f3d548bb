//! Months over a real store: closed once, kept as they were, and a shelf that balances.

#![allow(clippy::unwrap_used, reason = "a test may panic, its helpers too")]

use jiff::tz::TimeZone;
use jiff::{SignedDuration, Timestamp};
use sha2::{Digest, Sha256};
use ullage::domain::ids::SlotId;
use ullage::domain::month::{Month, StockFlow};
use ullage::domain::outlook::Present;
use ullage::domain::rules::Rules;
use ullage::report::json;
use ullage::store::Store;
use ullage::store::outlooks::Wanted;
use ullage::usecase::book::{Booking, Note, book, import_parts};
use ullage::usecase::ingest::ingest;
use ullage::usecase::month::{NotClosed, close, month_report, statement, trend};

use crate::support::database::TestDatabase;
use crate::support::http::{get, post};
use crate::support::loft::{Loft, moment};
use crate::support::program::said;
use crate::support::program::{finish, ullage};
use crate::support::said::{answered, device, present};

/// Polls of a day.
const DAY: i64 = 96;

fn month(text: &str) -> Month {
    text.parse().unwrap()
}

/// A store with two machines whose ink fell by half a millilitre every quarter of an hour of September 2026.
async fn room(database: &TestDatabase) -> Store {
    let store = database.store().await;
    for name in ["Bobbin", "Gusset"] {
        let id = device(&store, name).await;
        let polls: Vec<_> =
            (0..800).map(|n| answered(n, 5000 - 5 * i32::try_from(n).unwrap(), 9000)).collect();
        ingest(&store, id, name, &polls, &present(800), &Rules::default()).await.unwrap();
    }
    store
}

async fn shift(store: &Store, ml: f64) {
    let sql = "update ledger_month set used[array_position(days, 3::smallint)] = used[array_position(days, 3::smallint)] + $1
               where ctid = (select ctid from ledger_month where month = '2026-09-01' and 3 = any(days)
                             order by slot_id limit 1)";
    sqlx::query(sql).bind(ml).execute(store.pool()).await.unwrap();
}

#[tokio::test]
async fn a_month_is_closed_once_and_what_changes_is_told_once_in_the_next() {
    let database = TestDatabase::new().await;
    let store = room(&database).await;
    let (september, october, november) = (month("2026-09"), month("2026-10"), month("2026-11"));
    let early = close(&store, september, "the treasurer", &present(800)).await.unwrap();
    assert_eq!(early.unwrap_err(), NotClosed::NotOver(september));
    let later = present(100 * DAY);
    assert_eq!(close(&store, september, " ", &later).await.unwrap().unwrap_err(), NotClosed::Nobody);
    let closing = close(&store, september, " the treasurer ", &later).await.unwrap().unwrap();
    assert_eq!(closing.who, "the treasurer");
    let again = close(&store, september, "somebody else", &later).await.unwrap().unwrap_err();
    assert!(again.to_string().starts_with("September 2026 is closed already: the treasurer"), "{again}");

    let frozen = statement(&store, september, &later).await.unwrap();
    assert_eq!(frozen.closing.as_ref(), Some(&closing));
    let digest = Sha256::digest(frozen.document.as_bytes());
    assert_eq!(closing.sha256, digest.iter().map(|byte| format!("{byte:02x}")).collect::<String>());
    assert_eq!(json::month(&frozen.report).unwrap(), frozen.document);
    assert_eq!(frozen.report, month_report(&store, september, &later).await.unwrap());
    assert!(frozen.report.all().ink_ml > 700.0, "{}", frozen.report.all().ink_ml);

    // What is found later leaves the closed month alone, and stands in the first month that is open.
    shift(&store, 5.25).await;
    assert_eq!(statement(&store, september, &later).await.unwrap().document, frozen.document);
    let told = month_report(&store, october, &later).await.unwrap().adjustments;
    assert_eq!(told.len(), 1, "{told:?}");
    assert_eq!((told[0].about, told[0].used, told[0].swaps), (september, 5.25, 0));
    assert_eq!(told[0].device, "Bobbin");
    assert_eq!(month_report(&store, november, &later).await.unwrap().adjustments, []);
    close(&store, october, "the treasurer", &later).await.unwrap().unwrap();
    assert_eq!(month_report(&store, november, &later).await.unwrap().adjustments, [], "told in October");
    shift(&store, -1.5).await;
    let told = month_report(&store, november, &later).await.unwrap().adjustments;
    assert_eq!(told.iter().map(|change| change.used).collect::<Vec<_>>(), [-1.5]);
    // Months side by side show a closed month as it was handed in.
    let side_by_side = trend(&store, &later).await.unwrap();
    let at = side_by_side.months.iter().position(|known| *known == september).unwrap();
    assert_eq!(side_by_side.all[at].ink_ml, frozen.report.all().ink_ml);
    assert!(side_by_side.closed.contains(&september));
}

#[tokio::test]
async fn a_closed_month_is_never_changed_in_the_store() {
    let database = TestDatabase::new().await;
    let store = room(&database).await;
    close(&store, month("2026-09"), "the treasurer", &present(100 * DAY)).await.unwrap().unwrap();
    for sql in [
        "update month_close set who = 'x'",
        "delete from month_close_supply",
        "update month_close_supply set used = 0",
        "truncate month_close, month_close_supply, month_close_adjustment",
    ] {
        let fault = sqlx::query(sqlx::AssertSqlSafe(sql)).execute(store.pool()).await.unwrap_err();
        let told = fault.as_database_error().and_then(|fault| fault.constraint());
        assert_eq!(told, Some("month_close_append_only"), "{sql}: {fault}");
    }
    let wrong = "insert into month_close values ('2026-08-01', now(), 'x', '{}', repeat('a', 64))";
    let fault = sqlx::query(wrong).execute(store.pool()).await.unwrap_err();
    assert!(fault.to_string().contains("check constraint"), "{fault}");
}

#[tokio::test(flavor = "multi_thread")]
async fn of_many_who_close_a_month_one_does() {
    let database = TestDatabase::new().await;
    let store = room(&database).await;
    let closings = (0..4).map(|n| {
        let store = store.clone();
        tokio::spawn(async move {
            close(&store, month("2026-09"), &format!("person {n}"), &present(100 * DAY)).await.unwrap()
        })
    });
    let mut closed = 0;
    for closing in closings.collect::<Vec<_>>() {
        closed += usize::from(closing.await.unwrap().is_ok());
    }
    assert_eq!(closed, 1);
}

const PARTS: &str = "number,kind,colour,capacity,unit,shelf_life_months,price_minor,currency\r\n\
    VO-C-500,cartridge,Cyan,500,ml,600,11950,EUR\r\n";

/// Whatever was booked, and when: a month begins with what the one before ended with, and start and movements come
/// to the end, in units and in money.
#[tokio::test]
async fn the_shelf_balances_month_by_month_whatever_was_booked() {
    let database = TestDatabase::new().await;
    let store = room(&database).await;
    let parts = ullage::report::shelf_csv::read_parts(PARTS.as_bytes()).unwrap();
    import_parts(&store, &parts).await.unwrap();
    let to: SlotId = store.outlooks(Wanted::All).await.unwrap()[0].outlook.slot.id;
    let mut seed = 1887_u64;
    let mut next = |below: u64| {
        seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (seed >> 33) % below
    };
    let note = Note { who: "print room".to_owned(), why: "a test".to_owned() };
    let zone = TimeZone::get("Europe/Lisbon").unwrap();
    let mut now: Timestamp = "2026-08-25T10:00:00Z".parse().unwrap();
    for _ in 0..90 {
        now = now.checked_add(SignedDuration::from_hours(i64::try_from(next(48)).unwrap())).unwrap();
        let at = Present { now, zone: zone.clone() };
        let stock = store.stocks(Some("VO-C-500")).await.unwrap().pop().unwrap();
        let lots = stock.lots.iter().map(|lot| lot.id).collect::<Vec<_>>();
        let lot = lots.get(usize::try_from(next(8)).unwrap() % lots.len().max(1)).copied();
        let units = u32::try_from(1 + next(3)).unwrap();
        let booking = match (next(5), lot) {
            (0, _) | (_, None) => Booking::Receive {
                made_on: "2026-03-01".parse().unwrap(),
                place: "Shelf B".to_owned(),
                units,
            },
            (1, _) => Booking::Issue { lot: None, to },
            (2, Some(lot)) => Booking::Return { lot, left: (units > 1).then_some(f64::from(units) * 70.0) },
            (3, Some(lot)) => Booking::Count { lot, units },
            (_, Some(lot)) => Booking::WriteOff { lot, units: 1 },
        };
        let _ = book(&store, "VO-C-500", &booking, &note, &at).await.unwrap();
    }
    let at = Present { now, zone };
    let (mut last, mut moved): (Option<(StockFlow, StockFlow)>, i64) = (None, 0);
    let mut issued = 0;
    let mut this = month("2026-08");
    while this <= Month::of(at.today()) {
        let report = month_report(&store, this, &at).await.unwrap();
        let part = report.parts.iter().find(|part| part.number == "VO-C-500").unwrap();
        let (units, value) = (part.units, part.value.unwrap());
        assert!(units.balances() && value.balances(), "{this}: {part:?}");
        let (units_before, value_before) = last.unwrap_or_default();
        assert_eq!((units.start, value.start), (units_before.end, value_before.end), "{this}");
        let taken: i64 = report.devices.iter().flat_map(|device| device.taken.iter()).map(|p| p.minor).sum();
        assert_eq!(taken, value.issued, "{this}: what machines took is what was issued");
        moved += units.received + units.returned;
        issued += units.issued;
        last = Some((units, value));
        this = this.after();
    }
    let stock = store.stocks(Some("VO-C-500")).await.unwrap().pop().unwrap();
    assert_eq!(last.unwrap().0.end, i64::from(stock.units()), "the end is what lies there");
    assert!(moved > 20 && issued > 5, "{moved} came, {issued} went: too few to say anything");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_month_is_closed_by_command_and_by_form() {
    let dir = tempfile::tempdir().unwrap();
    let loft = Loft::brought_in(moment("2026-03-02T12:00"), 31).await;
    let url = loft.database.url();
    let report =
        |words: &[&str]| finish(ullage(dir.path()).arg("report").args(words).env("DATABASE_URL", &url));
    let (address, running) = crate::pages::serve(&loft.service).await;
    let page = get(address, "/months/2026-02").body;
    assert!(page.contains("action=\"/months/2026-02/close\""), "{page}");
    let refused = post(address, "/months/2026-03/close", "who=the+treasurer");
    assert!(refused.status == 422 && refused.body.contains("March 2026 is not over"), "{}", refused.body);
    let nobody = post(address, "/months/2026-02/close", "who=");
    assert!(nobody.status == 422 && nobody.body.contains("Fill this in."), "{}", nobody.body);
    let closed = post(address, "/months/2026-02/close", "who=the+treasurer");
    assert!(
        closed.status == 303 && closed.head.contains("location: /months/2026-02?closed"),
        "{}",
        closed.head
    );
    let page = get(address, "/months/2026-02?closed").body;
    assert!(page.contains("February 2026 is closed.") && page.contains("Closed by the treasurer"), "{page}");
    assert!(!page.contains("action=\"/months/2026-02/close\""), "{page}");

    let json = report(&["2026-02", "--format", "json"]).stdout;
    assert_eq!(String::from_utf8(json.clone()).unwrap(), get(address, "/months/2026-02.json").body);
    assert!(report(&["2026-02", "--out", "february.json"]).status.success());
    assert_eq!(std::fs::read(dir.path().join("february.json")).unwrap(), json);
    let mut all = String::new();
    let mut told = |words: &[&str]| {
        all += &format!("$ ullage report {}\n{}\n", words.join(" "), said(&report(words), &[]));
    };
    told(&["close", "2026-02", "--who", "the stage manager"]);
    told(&["close", "2099-02", "--who", "the stage manager"]);
    told(&["close", "2025-02", "--who", "the stage manager"]);
    told(&["close", "2026-02"]);
    told(&["close", "February", "--who", "the stage manager"]);
    told(&["2026-02", "--format", "doc"]);
    told(&[]);
    insta::assert_snapshot!(all);
    running.drain().await;
}
