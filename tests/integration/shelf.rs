//! The shelf: its commands on the built program, and the ledger that no booking gets past.

#![allow(clippy::unwrap_used, reason = "a test may panic, its helpers too")]

use sqlx::Row;
use ullage::domain::ids::{LotId, SlotId};
use ullage::domain::outlook::Present;
use ullage::domain::rules::Rules;
use ullage::domain::shelf::{Lot, Stock};
use ullage::store::Store;
use ullage::store::outlooks::Wanted;
use ullage::usecase::advice::Kept;
use ullage::usecase::advice::orders_view;
use ullage::usecase::book::{Booking, Note, Refusal, book, count_all, import_parts};
use ullage::usecase::ingest::ingest;
use ullage::usecase::picture::Picture;
use ullage::usecase::shelf::shelf_page;

use crate::support::database::TestDatabase;
use crate::support::http::{get, post};
use crate::support::program::transcript;
use crate::support::said::{INK, answered, device, present};

/// Long-lived parts, or the day on which this runs would change what is said.
const PARTS: &str = "number,kind,colour,capacity,unit,shelf_life_months,price_minor,currency,supplier,lead_days,models\r\n\
    VO-C-500,cartridge,Cyan,500,ml,600,11950,EUR,Opera stores,6.5,\r\n\
    VO-W-100,receptacle,,1000,ml,,4200,EUR,Opera stores,,\r\n\
    VO-X-500,cartridge,Cyan,500,ml,600,,,,,Some other machine\r\n";
const LOTS: &str = "part,made_on,place,units,left_over\r\n\
    VO-C-500,2024-11,Shelf B,2,\r\n\
    VO-C-500,2023-02-14,Drawer 1,1,\r\n\
    VO-C-500,2023-02-14,Drawer 1,1,120\r\n\
    VO-W-100,2024-05,Floor,1,\r\n";

/// A store with one machine, Bobbin, that has told of a cyan ink and a receptacle.
async fn room(database: &TestDatabase) -> Store {
    let store = database.store().await;
    let bobbin = device(&store, "Bobbin").await;
    ingest(&store, bobbin, "Bobbin", &[answered(0, INK, 9000)], &present(1), &Rules::default())
        .await
        .unwrap();
    store
}

#[tokio::test(flavor = "multi_thread")]
async fn a_unit_is_received_issued_returned_counted_and_written_off() {
    let (dir, database) = (tempfile::tempdir().unwrap(), TestDatabase::new().await);
    let store = room(&database).await;
    std::fs::write(dir.path().join("parts.csv"), PARTS).unwrap();
    std::fs::write(dir.path().join("lots.csv"), LOTS).unwrap();
    let told = transcript(
        dir.path(),
        &database.url(),
        "shelf",
        &[
            &["list"],
            &["parts", "import", "parts.csv"],
            &["parts", "list"],
            &["lots", "import", "lots.csv"],
            &["list"],
            &["receive", "VO-C-500", "3", "--made-on", "2024-11-01", "--place", "Shelf B"],
            &["issue", "VO-C-500", "--to", "Bobbin"],
            &["issue", "VO-C-500", "--to", "Bobbin", "--lot", "1", "--why", "the old one leaks"],
            &["return", "1", "--left", "310.5"],
            &["return", "3"],
            &["count", "1", "7", "--why", "stock-take"],
            &["count", "1", "7"],
            &["write-off", "4", "1", "--why", "cracked in the fall"],
            &["list", "VO-C-500"],
            &["lots", "export"],
        ],
    );
    insta::assert_snapshot!(told);
    let part = store.stocks(Some("VO-C-500")).await.unwrap().pop().unwrap();
    assert_eq!(store.movements(part.id, 99).await.unwrap().len(), 10);
}

#[tokio::test(flavor = "multi_thread")]
async fn what_people_get_wrong_is_told_and_changes_nothing() {
    let (dir, database) = (tempfile::tempdir().unwrap(), TestDatabase::new().await);
    let store = room(&database).await;
    std::fs::write(dir.path().join("parts.csv"), PARTS).unwrap();
    std::fs::write(dir.path().join("lots.csv"), LOTS).unwrap();
    std::fs::write(dir.path().join("bad-parts.csv"), "number,kind,colour\nVO-M-500,bottle,\n,head,\n")
        .unwrap();
    let bad = "part,made_on,place,units,left_over\nVO-C-500,2024-11,Shelf B,2,\nVO-Q,2024-11,Shelf B,2,\n\
               VO-C-500,2999-01,Shelf B,2,\nVO-C-500,2024-01,Shelf B,1,501\n";
    std::fs::write(dir.path().join("bad-lots.csv"), bad).unwrap();
    transcript(
        dir.path(),
        &database.url(),
        "shelf",
        &[&["parts", "import", "parts.csv"], &["lots", "import", "lots.csv"]],
    );
    let before = store.stocks(None).await.unwrap();
    let told = transcript(
        dir.path(),
        &database.url(),
        "shelf",
        &[
            &["parts", "import", "bad-parts.csv"],
            &["parts", "import", "nowhere.csv"],
            &["lots", "import", "bad-lots.csv"],
            &["list", "VO-Q"],
            &["issue", "VO-Q", "--to", "Bobbin"],
            &["issue", "VO-C-500", "--to", "Gusset"],
            &["issue", "VO-X-500", "--to", "Bobbin"],
            &["issue", "VO-C-500", "--to", "Bobbin", "--lot", "4"],
            &["receive", "VO-C-500", "0", "--made-on", "2024-11", "--place", "Shelf B"],
            &["receive", "VO-C-500", "1", "--made-on", "Nov 2024", "--place", "Shelf B"],
            &["receive", "VO-C-500", "1", "--made-on", "2024-11", "--place", " "],
            &["return", "1"],
            &["return", "99"],
            &["count", "1", "10000"],
            &["write-off", "1", "1"],
            &["write-off", "1", "3", "--why", "lost"],
            &["write-off", "1", "1", "--why", "lost", "--who", ""],
            &["write-off", "one", "1"],
            &["parts", "export", "--out", "no/such/place.csv"],
        ],
    );
    insta::assert_snapshot!(told);
    assert_eq!(store.stocks(None).await.unwrap(), before);
}

fn note() -> Note {
    Note { who: "print room".to_owned(), why: "a test".to_owned() }
}

/// A catalogue of one cyan part, and the slot it goes into.
async fn cyan(store: &Store) -> SlotId {
    let parts = ullage::report::shelf_csv::read_parts(PARTS.as_bytes()).unwrap();
    import_parts(store, &parts[..1]).await.unwrap();
    store.outlooks(Wanted::All).await.unwrap()[0].outlook.slot.id
}

async fn receive(store: &Store, made_on: &str, units: u32, at: &Present) -> LotId {
    let booking = Booking::Receive { made_on: made_on.parse().unwrap(), place: "Shelf B".to_owned(), units };
    book(store, "VO-C-500", &booking, &note(), at).await.unwrap().unwrap().lot.id
}

#[tokio::test(flavor = "multi_thread")]
async fn of_two_who_take_the_last_unit_one_is_refused() {
    let database = TestDatabase::new().await;
    let store = room(&database).await;
    let to = cyan(&store).await;
    let at = present(2);
    let lot = receive(&store, "2026-03-01", 1, &at).await;
    let booking = Booking::Issue { lot: Some(lot), to };
    let takes = (0..4).map(|_| {
        let (store, booking, at) = (store.clone(), booking.clone(), at.clone());
        tokio::spawn(async move { book(&store, "VO-C-500", &booking, &note(), &at).await.unwrap() })
    });
    let mut taken = Vec::new();
    for take in takes.collect::<Vec<_>>() {
        taken.push(take.await.unwrap());
    }
    assert_eq!(taken.iter().filter(|taken| taken.is_ok()).count(), 1, "{taken:?}");
    let refused =
        |taken: &&Result<_, Refusal>| matches!(taken, Err(Refusal::Short { on_shelf: 0, asked: 1, .. }));
    assert_eq!(taken.iter().filter(refused).count(), 3, "{taken:?}");
}

#[tokio::test]
async fn the_ledger_is_only_ever_added_to() {
    let database = TestDatabase::new().await;
    let store = room(&database).await;
    cyan(&store).await;
    receive(&store, "2026-03-01", 2, &present(2)).await;
    for (sql, constraint) in [
        ("update movement set quantity = 9", "movement_append_only"),
        ("delete from movement", "movement_append_only"),
        ("truncate movement cascade", "movement_append_only"),
        (
            "insert into movement (lot_id, kind, quantity, at, who, why) select id, 'issued', -3, now(), 'x', '' from lot",
            "movement_stock_not_negative",
        ),
    ] {
        let fault = sqlx::query(sqlx::AssertSqlSafe(sql)).execute(store.pool()).await.unwrap_err();
        let told = fault.as_database_error().and_then(|fault| fault.constraint());
        assert_eq!(told, Some(constraint), "{sql}: {fault}");
    }
}

/// What a lot holds, by a model of its own.
fn units(stocks: &[Stock], lot: LotId) -> i64 {
    let of = |lots: &[Lot]| lots.iter().find(|found| found.id == lot).map_or(0, |lot| i64::from(lot.units));
    stocks.iter().map(|stock| of(&stock.lots)).sum()
}

/// Whatever is booked, in whatever order: no lot ever holds less than nothing, what was refused changed
/// nothing, and stock is the sum of what was let through.
#[tokio::test]
async fn stock_is_the_sum_of_random_movements_and_never_below_nothing() {
    let database = TestDatabase::new().await;
    let store = room(&database).await;
    let to = cyan(&store).await;
    let at = present(2);
    let lots = [receive(&store, "2026-03-01", 1, &at).await, receive(&store, "2026-05-01", 2, &at).await];
    let mut sums = std::collections::BTreeMap::from([(lots[0], 1_i64), (lots[1], 2)]);
    // The same numbers every time (a linear congruence), so that a failure comes again.
    let mut seed = 20_261_125_u64;
    let mut next = |below: u64| {
        seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (seed >> 33) % below
    };
    let mut refused = 0;
    for _ in 0..120 {
        let lot = lots[usize::try_from(next(2)).unwrap()];
        let n = u32::try_from(next(4)).unwrap();
        let booking = match next(9) {
            0 | 1 => Booking::Issue { lot: Some(lot), to },
            2 => Booking::WriteOff { lot, units: n },
            3 => Booking::Return { lot, left: None },
            4 => Booking::Count { lot, units: n },
            5 => Booking::Return { lot, left: Some(f64::from(n)) },
            _ => {
                let made_on = if lot == lots[0] { "2026-03-01" } else { "2026-05-01" };
                let place = "Shelf B".to_owned();
                Booking::Receive { made_on: made_on.parse().unwrap(), place, units: n }
            }
        };
        let before = store.stocks(None).await.unwrap();
        match book(&store, "VO-C-500", &booking, &note(), &at).await.unwrap() {
            Ok(booked) if !matches!(booking, Booking::Return { left: Some(_), .. }) => {
                *sums.get_mut(&lot).unwrap() += i64::from(booked.quantity);
            }
            Ok(_) => {}
            Err(_) => {
                refused += 1;
                assert_eq!(store.stocks(None).await.unwrap(), before, "{booking:?}");
            }
        }
        let now = store.stocks(None).await.unwrap();
        for (lot, sum) in &sums {
            assert!(*sum >= 0, "{booking:?} took lot {lot} to {sum}");
            assert_eq!(units(&now, *lot), *sum, "{booking:?}");
        }
    }
    assert!((20..100).contains(&refused), "{refused} of 120 were refused");
    let row = sqlx::query(
        "select min(n)::bigint from (select sum(quantity) as n from movement group by lot_id) as s",
    );
    let least: i64 = row.fetch_one(store.pool()).await.unwrap().get(0);
    assert!(least >= 0);
}

#[tokio::test]
async fn a_stock_take_is_booked_whole_or_not_at_all() {
    let database = TestDatabase::new().await;
    let store = room(&database).await;
    cyan(&store).await;
    let at = present(2);
    let (one, two) =
        (receive(&store, "2026-03-01", 4, &at).await, receive(&store, "2026-05-01", 2, &at).await);
    let wrong = count_all(&store, &[(one, 3), (LotId(999), 1)], &note(), &at).await.unwrap();
    assert!(matches!(wrong, Err((LotId(999), Refusal::NoSuchPart(_)))), "{wrong:?}");
    assert_eq!(units(&store.stocks(None).await.unwrap(), one), 4);
    let right = count_all(&store, &[(two, 2), (one, 3)], &note(), &at).await.unwrap().unwrap();
    assert_eq!(right.iter().map(|booked| booked.quantity).collect::<Vec<_>>(), [-1, 0]);
    let stocks = store.stocks(None).await.unwrap();
    assert_eq!((units(&stocks, one), units(&stocks, two)), (3, 2));
}

/// What is to be done in a room, one line a task.
async fn to_do(store: &Store, at: &Present) -> Vec<String> {
    let rules = Rules::default();
    let picture = Picture::take(store, at, &rules.practice, &Kept::default()).await.unwrap();
    let view = picture.today_view();
    view.tasks.iter().map(|task| format!("{}: {}", task.what, task.why)).collect()
}

/// The order point of 70 % is common practice, no source.
#[tokio::test]
async fn a_receptacle_on_the_shelf_is_not_ordered_again() {
    let database = TestDatabase::new().await;
    let store = database.store().await;
    let bobbin = device(&store, "Bobbin").await;
    ingest(&store, bobbin, "Bobbin", &[answered(0, INK, 2500)], &present(1), &Rules::default())
        .await
        .unwrap();
    let at = present(2);
    assert_eq!(to_do(&store, &at).await.len(), 1);
    let parts = ullage::report::shelf_csv::read_parts(PARTS.as_bytes()).unwrap();
    import_parts(&store, &parts[1..2]).await.unwrap();
    let known = to_do(&store, &at).await;
    assert!(
        known[0].contains("Order 1 VO-W-100, receptacle: for Bobbin; 1 past its order point of 70 %"),
        "{known:?}"
    );
    assert!(known[0].contains("none on the shelf; 7 days to arrive"), "{known:?}");
    // In a large room a page is shown from a picture that was taken a while ago.
    let practice = Rules::default().practice;
    let picture = Picture::take(&store, &at, &practice, &Kept::default()).await.unwrap();
    let orders = async || orders_view(&store, &picture, &at).await.unwrap().advice;
    assert_eq!(orders().await.iter().map(|line| line.moved).collect::<Vec<_>>(), [false]);
    let booking =
        Booking::Receive { made_on: "2026-03-01".parse().unwrap(), place: "Floor".to_owned(), units: 1 };
    book(&store, "VO-W-100", &booking, &note(), &at).await.unwrap().unwrap();
    assert_eq!(to_do(&store, &at).await, Vec::<String>::new());
    assert!(orders().await[0].moved, "what lies there now is not advised a second time");
    let shelf = shelf_page(&store, &picture, &at, &practice).await.unwrap();
    let parts: Vec<String> = shelf
        .parts
        .iter()
        .map(|line| format!("{} {} {}", line.part.number, line.units, line.machines))
        .collect();
    assert_eq!(parts, ["VO-W-100 1 fits Bobbin"], "what was booked is of now");
}

#[tokio::test]
async fn what_has_not_changed_is_not_advised_anew() {
    let database = TestDatabase::new().await;
    let store = room(&database).await;
    import_parts(&store, &ullage::report::shelf_csv::read_parts(PARTS.as_bytes()).unwrap()).await.unwrap();
    let (at, practice, kept) = (present(2), Rules::default().practice, Kept::default());
    let look = async || Picture::take(&store, &at, &practice, &kept).await.unwrap().today_view().tasks;
    let first = look().await;
    let parts = kept.worked_out();
    assert!(parts >= 2, "each part was worked out: {parts}");
    assert_eq!((look().await, kept.worked_out()), (first, parts));
    let booking =
        Booking::Receive { made_on: "2026-03-01".parse().unwrap(), place: "Floor".to_owned(), units: 1 };
    book(&store, "VO-W-100", &booking, &note(), &at).await.unwrap().unwrap();
    look().await;
    assert_eq!(kept.worked_out(), parts + 1, "one part was booked");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_form_books_and_leads_back_to_its_page() {
    let database = TestDatabase::new().await;
    let store = room(&database).await;
    let to = cyan(&store).await;
    let clock = ullage::clock::Clock::scaled(present(2).now, 1.0);
    let service = ullage::app::Service::new(store.clone(), clock, &crate::support::loft::config());
    let (address, running) = crate::pages::serve(&service).await;
    let part = "/shelf/parts/VO-C-500";
    let received = post(
        address,
        &format!("{part}/receive"),
        "units=2&made_on=2026-03&place=Shelf+B&who=print+room&why=",
    );
    assert_eq!(received.status, 303, "{}", received.body);
    let back = received.head.lines().find_map(|line| line.strip_prefix("location: ")).unwrap();
    let page = get(address, &back.replace("vo-c", "VO-C"));
    assert!(page.body.contains("Booked: 2 units received, made 1 Mar 2026, Shelf B."), "{}", page.body);
    let issued = post(address, &format!("{part}/issue"), &format!("to={to}&lot=&who=print+room"));
    assert_eq!(issued.status, 303, "{}", issued.body);
    let lot = store.stocks(None).await.unwrap()[0].lots[0].clone();
    assert_eq!((lot.units, lot.out), (1, 1));
    // One more than lies there is refused by the ledger, and the page says so beside the field.
    let form = format!("lot={}&units=2&who=print+room&why=lost", lot.id);
    let refused = post(address, &format!("{part}/write-off"), &form);
    assert_eq!(refused.status, 422, "{}", refused.body);
    assert!(refused.body.contains("holds 1 on the shelf, and 2 cannot leave it"), "{}", refused.body);
    let form = format!("lot-{}=4&who=print+room", lot.id);
    assert_eq!(post(address, "/shelf/count", &form).status, 303);
    assert!(get(address, "/shelf").body.contains("<b>4</b> made 1 Mar 2026, Shelf B"));
    running.drain().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_part_is_written_by_form_and_by_command() {
    let (dir, database) = (tempfile::tempdir().unwrap(), TestDatabase::new().await);
    let store = room(&database).await;
    let clock = ullage::clock::Clock::scaled(present(2).now, 1.0);
    let service = ullage::app::Service::new(store.clone(), clock, &crate::support::loft::config());
    let (address, running) = crate::pages::serve(&service).await;
    let form =
        "number=VO-C-600&kind=cartridge&colour=Cyan&capacity=600&unit=ml&price=120+EUR&supplier=Opera+stores";
    let made = post(address, "/shelf/new", form);
    assert_eq!(made.status, 303, "{}", made.body);
    let page = get(address, "/shelf/parts/VO-C-600?written=1");
    assert!(
        page.body.contains("It is written in the catalogue.") && page.body.contains("120.00 EUR"),
        "{}",
        page.body
    );
    assert!(page.body.contains("fits Bobbin"), "{}", page.body);
    let entry =
        "kind=cartridge&colour=Cyan&capacity=600&unit=ml&price=&lead_days=9&pack_size=4&models=Another";
    assert_eq!(post(address, "/shelf/parts/VO-C-600/entry", entry).status, 303);
    let part = store.stocks(Some("VO-C-600")).await.unwrap().remove(0).part;
    assert_eq!((part.price, part.pack_size, part.models.as_slice()), (None, 4, &["Another".to_owned()][..]));
    running.drain().await;
    let told = transcript(
        dir.path(),
        &database.url(),
        "shelf",
        &[
            &["parts", "put", "VO-C-600", "price=131.5 EUR", "models=", "storage_note=Lying down"],
            &["parts", "put", "VO-M-600", "kind=cartridge", "colour=Magenta"],
            &["parts", "put", "VO-Y-600", "colour=Yellow", "lead_days=soon"],
            &["parts", "put", "VO-C-600", "number=VO-C-601"],
            &["parts", "list"],
        ],
    );
    for line in [
        "VO-C-600       cyan cartridge, 600 ml; good for 30 months; 131.50 EUR; fits any model",
        "VO-M-600       magenta cartridge; good for 30 months; fits any model",
        "VO-Y-600 is left as it is: kind is empty; lead_days 'soon' is not a number of days",
        "a part keeps its number: leave out number=VO-C-601",
    ] {
        assert!(told.contains(line), "lacks '{line}':\n{told}");
    }
}
