//! A whole guide over SNMP: from a machine that prints to the lot that is issued.

#![allow(clippy::unwrap_used, reason = "a test may panic, its helpers too")]

use jiff::SignedDuration;
use jiff::civil::date;
use mock_agent::Hand;
use ullage::app::{Service, StorePages};
use ullage::domain::fitted::Origin;
use ullage::domain::guide::walk::{NotOn, Passed, Reason};
use ullage::domain::ids::{DeviceId, LotId, SupplyIndex, SwapId};
use ullage::domain::outlook::Present;
use ullage::domain::part::{Part, PartKind};
use ullage::domain::plumbing::Position;
use ullage::domain::poll::Poll;
use ullage::domain::units::Measure;
use ullage::site::swap_source::SwapSource;
use ullage::usecase::book::{LotRow, Note, import_lots, import_parts};
use ullage::usecase::heads::Entry;
use ullage::usecase::ingest::ingest;
use ullage::usecase::questions::units;
use ullage::usecase::swap::{Act, At, Refusal, SwapRow, SwapsWanted, swap};

use crate::support::loft::{Loft, config, moment};

const CYAN: At = At::Supply(SupplyIndex(1));

fn part(number: &str, kind: PartKind, colour: Option<&str>) -> Part {
    Part {
        number: number.to_owned(),
        kind,
        colour: colour.map(str::to_owned),
        capacity: Some((300.0, Measure::Millilitres)),
        shelf_life_months: Some(30),
        price: None,
        pack_size: 1,
        minimum_order: 1,
        supplier: None,
        lead: None,
        storage_note: None,
        models: Vec::new(),
    }
}

fn note(why: &str) -> Note {
    Note { who: "Ida".to_owned(), why: why.to_owned() }
}

/// Puts three lots of cyan and one of heads on the shelf: past its date, the one to take, and a newer one.
async fn stock(loft: &Loft) -> [LotId; 4] {
    let store = &loft.service.store;
    let parts = [part("VO-C-300", PartKind::Cartridge, Some("Cyan")), part("VO-H-2", PartKind::Head, None)];
    import_parts(store, &parts).await.unwrap();
    let lot = |number: &str, year, month| LotRow {
        line: 0,
        part: number.to_owned(),
        made_on: date(year, month, 1),
        place: "Shelf B".to_owned(),
        units: 2,
        left_over: None,
    };
    let rows = [
        lot("VO-C-300", 2023, 1),
        lot("VO-C-300", 2025, 3),
        lot("VO-C-300", 2026, 2),
        lot("VO-H-2", 2026, 1),
    ];
    let present = Present { now: loft.opened, zone: loft.service.zone.clone() };
    import_lots(store, &rows, &note(""), &present).await.unwrap().unwrap();
    let ids: Vec<i64> = sqlx::query_scalar("select id from lot order by part_id, made_on")
        .fetch_all(store.pool())
        .await
        .unwrap();
    [0, 1, 2, 3].map(|place| LotId(ids[place]))
}

async fn row(loft: &Loft, id: SwapId) -> SwapRow {
    swap(&loft.service.store, id).await.unwrap().unwrap()
}

/// Says that the step at hand is done.
async fn done(pages: &StorePages, loft: &Loft, id: SwapId) -> Result<(), Refusal> {
    let at = row(loft, id).await.steps.len();
    pages.act_swap(id, at, Act::Done, "Ida".to_owned()).await.unwrap()
}

fn not_yet(outcome: Result<(), Refusal>) -> String {
    match outcome {
        Err(Refusal::NotOn(NotOn::NotYet(why))) => why.to_owned(),
        other => panic!("{other:?}"),
    }
}

async fn units_of(loft: &Loft, lot: LotId) -> i64 {
    sqlx::query_scalar("select coalesce(sum(quantity), 0) from movement where lot_id = $1")
        .bind(lot.0)
        .fetch_one(loft.service.store.pool())
        .await
        .unwrap()
}

/// Begins where only the right lot at a resting machine begins.
async fn begun(
    pages: &StorePages,
    loft: &Loft,
    bobbin: DeviceId,
    [past, first, newer, head]: [LotId; 4],
) -> SwapId {
    let begin =
        |lot: Option<LotId>, why: &'static str| pages.begin_swap((bobbin, CYAN), lot, note(why), None);
    loft.demo.lock().handle(0, Hand::StartJob);
    let printing = begin(Some(first), "").await.unwrap();
    assert_eq!(printing, Err(Refusal::NotOn(NotOn::Printing)));
    loft.demo.lock().handle(0, Hand::EndJob);
    for (lot, says) in [
        (Some(past), "past its date"),
        (Some(newer), "made 2025-03-01, is to be used first"),
        (None, "say why the new part is from elsewhere"),
        (Some(head), "does not fit there"),
    ] {
        let refused = begin(lot, "").await.unwrap().unwrap_err().to_string();
        assert!(refused.contains(says), "{refused}");
    }
    let id = begin(Some(first), "").await.unwrap().unwrap();
    assert_eq!(begin(Some(first), "").await.unwrap(), Err(Refusal::UnderWay));
    id
}

#[tokio::test(flavor = "multi_thread")]
async fn a_cartridge_is_swapped_step_by_step_as_the_machine_says() {
    // The clock goes as in life, so that the room stands still while the test looks.
    let loft = Loft::open(moment("2026-10-20T10:02"), 1, 1.0).await;
    let agents = loft.demo.go_live(&loft.service.store, &loft.service.clock).await.unwrap();
    let pages = StorePages(loft.service.clone());
    let (bobbin, _) = loft.demo.devices[0];
    let lots = stock(&loft).await;
    let hand = |hand| loft.demo.lock().handle(0, hand);
    let id = begun(&pages, &loft, bobbin, lots).await;

    assert_eq!(done(&pages, &loft, id).await, Ok(()), "it rests");
    assert_eq!(done(&pages, &loft, id).await, Ok(()), "gloves");
    assert!(not_yet(done(&pages, &loft, id).await).contains("every door is closed"));
    hand(Hand::Open(2));
    assert_eq!(done(&pages, &loft, id).await, Ok(()));
    assert!(not_yet(done(&pages, &loft, id).await).contains("still in"));
    hand(Hand::TakeOut(1));
    assert_eq!(done(&pages, &loft, id).await, Ok(()));
    // The program is started again in between.
    let again = StorePages(Service::new(loft.database.store().await, loft.service.clock.clone(), &config()));
    assert!(not_yet(done(&again, &loft, id).await).contains("not in"));
    let early = again.act_swap(id, 4, Act::End(None), "Ida".to_owned()).await.unwrap();
    assert_eq!(early, Err(Refusal::NotOn(NotOn::Unfinished(5))));
    hand(Hand::PutIn(1));
    assert_eq!(done(&again, &loft, id).await, Ok(()));
    let stale = again.act_swap(id, 4, Act::Done, "Ida".to_owned()).await.unwrap();
    assert_eq!(stale, Err(Refusal::Moved), "an older page");
    assert!(not_yet(done(&again, &loft, id).await).contains("stands open"));
    hand(Hand::Close(2));
    assert_eq!(done(&again, &loft, id).await, Ok(()));
    let why = Reason::new("the bin is full").unwrap();
    assert_eq!(again.act_swap(id, 6, Act::Skip(why.clone()), "Ada".to_owned()).await.unwrap(), Ok(()));
    assert_eq!(units_of(&loft, lots[1]).await, 2);
    assert_eq!(again.act_swap(id, 7, Act::End(None), "Ada".to_owned()).await.unwrap(), Ok(()));
    assert_eq!(units_of(&loft, lots[1]).await, 1, "the lot is issued");
    let after = again.act_swap(id, 7, Act::End(None), "Ada".to_owned()).await.unwrap();
    assert_eq!(after, Err(Refusal::Moved), "once");
    assert_eq!(units_of(&loft, lots[1]).await, 1);

    let made = row(&loft, id).await;
    let level = |seen: &ullage::domain::guide::seen::SupplySeen| seen.level.remaining.measured().unwrap();
    assert!(made.was.as_ref().is_some_and(|was| level(was) < 60.0), "{:?}", made.was);
    assert_eq!(made.became.as_ref().map(level), Some(300.0));
    assert_eq!(made.ended.as_ref().map(|ended| (ended.who.as_str(), &ended.given_up)), Some(("Ada", &None)));
    assert_eq!(made.steps.last().map(|step| step.how.clone()), Some(Passed::Skipped(why)));
    assert_eq!(made.steps[3].how, Passed::Confirmed);
    is_known_by_itself(&loft, bobbin, made).await;
    agents.stop().await;
}

/// Once the new level has lasted, the unit is there, and where it came from is not asked.
async fn is_known_by_itself(loft: &Loft, bobbin: DeviceId, made: SwapRow) {
    let service = &loft.service;
    let store = &service.store;
    let row = store.devices(Some(bobbin)).await.unwrap().remove(0);
    let secret = store.credential_of(bobbin).await.unwrap().unwrap();
    let engine =
        ullage::snmp::transport::Engine::start(&ullage::snmp::transport::EngineOptions::default()).unwrap();
    let patience = ullage::poller::probe::Patience { timeout: std::time::Duration::from_secs(5), retries: 1 };
    let speaks = std::sync::Arc::new(ullage::app::credential(&secret).unwrap());
    let told = ullage::poller::probe::probe(&engine, (&row.host, row.port), speaks, patience).await.unwrap();
    for minutes in [15, 30, 45] {
        let at = service.clock.now().checked_add(SignedDuration::from_mins(minutes)).unwrap();
        let present = Present { now: at, zone: service.zone.clone() };
        let poll = Poll { at, outcome: Ok(told.clone()) };
        ingest(store, bobbin, &row.name, &[poll], &present, &service.rules).await.unwrap();
    }
    let present = Present { now: service.clock.now(), zone: service.zone.clone() };
    let view = units(store, bobbin, &present).await.unwrap().unwrap();
    let newest = &view.slots[0].units[0];
    assert_eq!(newest.origin, Origin::Issued(made.movement.unwrap()), "{newest:?}");
    assert!(newest.likely_lots.is_empty());
    let found = |find: &str| SwapsWanted { find: find.to_owned(), ..SwapsWanted::default() };
    for (find, count) in [("bobbin", 1), ("VO-C-300", 1), ("shelf b", 1), ("ADA", 1), ("Selvage", 0)] {
        assert_eq!(store.swaps(&found(find)).await.unwrap().len(), count, "{find}");
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_head_is_written_down_and_a_walk_is_given_up() {
    let loft = Loft::open(moment("2026-10-20T10:02"), 1, 1.0).await;
    let agents = loft.demo.go_live(&loft.service.store, &loft.service.clock).await.unwrap();
    let pages = StorePages(loft.service.clone());
    let (bobbin, _) = loft.demo.devices[0];
    let [.., head] = stock(&loft).await;
    loft.demo.lock().handle(0, Hand::EndJob);
    let position = Position::new(2).unwrap();
    let at = At::Head(position);
    let begin = || pages.begin_swap((bobbin, at), Some(head), note(""), None);
    let first = begin().await.unwrap().unwrap();
    let why = Reason::new("the new one fell down").unwrap();
    assert_eq!(pages.act_swap(first, 0, Act::GiveUp(why), "Ida".to_owned()).await.unwrap(), Ok(()));
    assert_eq!(units_of(&loft, head).await, 2);
    let id = begin().await.unwrap().unwrap();
    let steps = row(&loft, id).await.walk.guide().steps().len();
    loft.demo.lock().handle(0, Hand::Open(1));
    while row(&loft, id).await.steps.len() < steps {
        if let Err(refusal) = done(&pages, &loft, id).await {
            assert_eq!(refusal, Refusal::NotOn(NotOn::NotYet("the machine says that it stands open")));
            loft.demo.lock().handle(0, Hand::Close(1));
        }
    }
    let end = |entry| pages.act_swap(id, steps, Act::End(entry), "Ida".to_owned());
    assert_eq!(end(None).await.unwrap(), Err(Refusal::NoHead));
    let entry = Entry {
        position,
        part: None,
        in_on: date(2026, 10, 20),
        out_on: None,
        warranty_until: Some(date(2027, 10, 1)),
        limit_ml: None,
        before_ml: 0.0,
    };
    assert_eq!(end(Some(entry)).await.unwrap(), Ok(()));
    assert_eq!(units_of(&loft, head).await, 1, "its lot is issued");
    let (part, until): (Option<String>, Option<String>) = sqlx::query_as(
        "select number, warranty_until::text from head left join part on part.id = part_id where device_id = $1",
    )
    .bind(bobbin.0)
    .fetch_one(loft.service.store.pool())
    .await
    .unwrap();
    assert_eq!((part.as_deref(), until.as_deref()), (Some("VO-H-2"), Some("2027-10-01")));
    let made = row(&loft, id).await;
    assert!(made.head.is_some() && made.movement.is_some());
    agents.stop().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn the_database_refuses_a_step_out_of_turn() {
    let loft = Loft::open(moment("2026-10-20T10:02"), 1, 1.0).await;
    let agents = loft.demo.go_live(&loft.service.store, &loft.service.clock).await.unwrap();
    let pages = StorePages(loft.service.clone());
    loft.demo.lock().handle(0, Hand::EndJob);
    let id = pages.begin_swap((loft.demo.devices[0].0, CYAN), None, note(""), None).await.unwrap().unwrap();
    let insert = |step: i32| {
        let row = "insert into swap_step (device_id, swap_id, step, how, who, passed_at)
                   select device_id, id, $2, 'said', 'Ida', now() from swap where id = $1";
        sqlx::query(row).bind(id.0).bind(step).execute(loft.service.store.pool())
    };
    assert!(insert(2).await.unwrap_err().to_string().contains("is not the next one"));
    insert(1).await.unwrap();
    assert!(insert(1).await.is_err());
    agents.stop().await;
}
