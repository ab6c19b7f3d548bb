//! What people and the catalogue say of slots: it counts as if it had been known from the first reading on.

#![allow(clippy::unwrap_used, reason = "a test may panic, its helpers too")]

use std::collections::BTreeMap;

use ullage::domain::fitted::Origin;
use ullage::domain::ids::{DeviceId, SlotId, SupplyIndex};
use ullage::domain::install::{Answer, Arrival};
use ullage::domain::polarity::{Ground, PinScope};
use ullage::domain::poll::Poll;
use ullage::domain::reading::Polarity;
use ullage::domain::rules::Rules;
use ullage::domain::snapshot::Snapshot;
use ullage::domain::standard::SupplyUnit;
use ullage::domain::task::TaskKind;
use ullage::domain::units::Measure;
use ullage::report::shelf_csv;
use ullage::store::Store;
use ullage::usecase::book::{Booking, Note, book, import_parts};
use ullage::usecase::ingest::ingest;
use ullage::usecase::once::Token;
use ullage::usecase::questions::{UnitsView, tasks, units};
use ullage::usecase::slots::{CameFrom, Refusal, Telling, tell};

use crate::support::contents::{assert_same, contents};
use crate::support::database::TestDatabase;
use crate::support::said::{answered, at, device, levels, present};

pub(crate) async fn take(store: &Store, device: DeviceId, polls: &[Poll], n: i64) {
    ingest(store, device, "Bobbin", polls, &present(n), &Rules::default()).await.unwrap();
}

fn who() -> Note {
    Note { who: "day shift".to_owned(), why: String::new() }
}

async fn say(store: &Store, device: DeviceId, telling: Telling, n: i64) -> Result<(), Refusal> {
    let context = (&present(n), &Rules::default());
    tell(store, device, &telling, &who(), None, context).await.unwrap().map(|_| ())
}

async fn seen(store: &Store, device: DeviceId, n: i64) -> UnitsView {
    units(store, device, &present(n)).await.unwrap().unwrap()
}

/// The parts of a file of which each line is a part.
pub(crate) async fn catalogue(store: &Store, lines: &str) {
    let file = format!("number,kind,colour,capacity,unit,models\r\n{lines}");
    let parts = shelf_csv::read_parts(file.as_bytes()).unwrap();
    import_parts(store, &parts).await.unwrap();
}

/// Polls of ink that falls from 399 to 311 ml in a quarter of an hour: a little more than the fastest job of a
/// machine of which nothing is known but a first unit of 500 ml, which may be a starter.
pub(crate) fn doubtful() -> Vec<Poll> {
    let ink = [4000, 3990, 3110, 3110, 3110, 3100, 3090, 3090, 3080, 3080];
    (1..).zip(ink).map(|(n, ink)| answered(n, ink, 9000)).collect()
}

/// In percent, as another device would say it.
fn in_percent(poll: Poll) -> Poll {
    let outcome = poll.outcome.map(|mut snapshot: Snapshot| {
        for row in &mut snapshot.supplies {
            row.level = row.level * 100 / row.max_capacity;
            (row.unit, row.max_capacity) = (SupplyUnit::Percent, 100);
        }
        snapshot
    });
    Poll { outcome, ..poll }
}

#[tokio::test]
async fn a_fall_is_a_swap_or_a_job_as_a_person_says_and_can_be_asked_again() {
    let database = TestDatabase::new().await;
    let store = database.store().await;
    let bobbin = device(&store, "Bobbin").await;
    take(&store, bobbin, &doubtful(), 12).await;
    let before = contents(store.pool()).await;
    let view = seen(&store, bobbin, 12).await;
    let (slot, question) = (view.slots[0].row.slot.id, view.slots[0].questions[0]);
    assert_eq!((view.open(), view.slots[0].units.len()), (1, 1));
    assert_eq!((question.from, question.to, question.measure), (399.0, 311.0, Measure::Millilitres));
    let stocks = store.stocks(None).await.unwrap();
    let asked = tasks(&store, &stocks, &present(12)).await.unwrap();
    assert_eq!(
        (asked[0].kind, asked[0].what.as_str()),
        (TaskKind::Answer, "Say whether the cyan of Bobbin was swapped")
    );

    let fell = |answer| Telling::Fell { slot, at: question.at, answer };
    say(&store, bobbin, fell(Some(Answer::Swap)), 13).await.unwrap();
    let view = seen(&store, bobbin, 13).await;
    let found: Vec<_> =
        view.slots[0].units.iter().map(|unit| (unit.install.arrival, unit.install.start)).collect();
    assert_eq!(found, [(Arrival::Fallen, 311.0), (Arrival::Found, 400.0)]);
    assert_eq!((view.slots[0].questions.len(), view.slots[0].answers.len()), (0, 1));

    say(&store, bobbin, fell(Some(Answer::Job)), 14).await.unwrap();
    let view = seen(&store, bobbin, 14).await;
    assert_eq!((view.slots[0].units.len(), view.slots[0].questions.len()), (1, 0));
    say(&store, bobbin, fell(None), 12).await.unwrap();
    assert_same(&before, &contents(store.pool()).await);
    assert_eq!(say(&store, bobbin, fell(None), 12).await, Err(Refusal::NothingSaid));
    let other = Telling::Fell { slot, at: at(4), answer: Some(Answer::Job) };
    assert_eq!(say(&store, bobbin, other, 12).await, Err(Refusal::NoSuchQuestion));
    let nobody = Note { who: " ".to_owned(), why: String::new() };
    let refused =
        tell(&store, bobbin, &fell(None), &nobody, None, (&present(12), &Rules::default())).await.unwrap();
    assert_eq!(refused.unwrap_err(), Refusal::NoName);
}

/// Everything that people say is said in the middle, poll by poll; then the same from nothing but what is kept.
#[tokio::test]
async fn all_that_is_said_counts_the_same_poll_by_poll_and_anew() {
    let mut stored = Vec::new();
    for anew in [false, true] {
        let database = TestDatabase::new().await;
        let store = database.store().await;
        let bobbin = device(&store, "Bobbin").await;
        let mut polls = doubtful();
        polls.extend((11..60).map(|n| {
            let n32 = i32::try_from(n).unwrap();
            // The receptacle counts its fill, and slowly.
            answered(n, if n < 30 { 3080 - 10 * (n32 - 10) } else { 5000 - 4 * (n32 - 30) }, 9000 + n32)
        }));
        polls.iter_mut().enumerate().for_each(|(n, poll)| {
            if let Ok(snapshot) = &mut poll.outcome {
                snapshot.identity.model = Some("Backdrop printer".to_owned());
                snapshot.uptime_centiseconds = Some(90_000 * u32::try_from(n % 25).unwrap() + 5);
            }
        });
        for (n, poll) in (1..).zip(&polls[..58]) {
            take(&store, bobbin, std::slice::from_ref(poll), n).await;
            if n == 15 {
                let view = seen(&store, bobbin, n).await;
                let (slot, question) = (view.slots[0].row.slot.id, view.slots[0].questions[0]);
                let fell = Telling::Fell { slot, at: question.at, answer: Some(Answer::Swap) };
                say(&store, bobbin, fell, n).await.unwrap();
            }
            if n == 20 {
                let scope = PinScope::Model("Backdrop printer".to_owned());
                let counts = Telling::Counts { scope, polarity: Some(Polarity::Filled) };
                say(&store, bobbin, counts, n).await.unwrap();
            }
            if n == 40 {
                catalogue(&store, "VO-C-500,cartridge,Cyan,500,ml,\r\nVO-W-100,receptacle,,1000,ml,\r\n")
                    .await;
            }
        }
        if anew {
            sqlx::query("delete from slot_track").execute(store.pool()).await.unwrap();
        }
        take(&store, bobbin, &polls[58..], 59).await;
        let view = seen(&store, bobbin, 59).await;
        let arrivals: Vec<_> = view.slots[0].units.iter().map(|unit| unit.install.arrival).collect();
        assert_eq!(arrivals, [Arrival::Risen, Arrival::Fallen, Arrival::Found]);
        assert_eq!(view.slots[1].row.counts, Some((Polarity::Filled, Ground::Pinned)));
        stored.push(contents(store.pool()).await);
    }
    assert!(stored[0]["sign"].iter().any(|row| row.contains("restarted")), "{:?}", stored[0]["sign"]);
    assert_same(&stored[0], &stored[1]);
}

#[tokio::test]
async fn percent_becomes_millilitres_by_the_part_and_another_capacity_books_anew() {
    let database = TestDatabase::new().await;
    let store = database.store().await;
    let bobbin = device(&store, "Bobbin").await;
    let polls: Vec<Poll> =
        (1..30).map(|n| in_percent(answered(n, 5000 - 50 * i32::try_from(n).unwrap(), 9000))).collect();
    take(&store, bobbin, &polls[..20], 20).await;
    let used = async || {
        let sql = "select measure, sum(used) from install join ledger_day on install_id = install.id
                   join slot on slot.id = install.slot_id where supply_index = 1 group by measure";
        sqlx::query_as::<_, (String, f64)>(sql).fetch_one(store.pool()).await.unwrap()
    };
    assert_eq!(used().await, ("percent".to_owned(), 19.0));
    catalogue(&store, "VO-C-500,cartridge,Cyan,500,ml,\r\n").await;
    take(&store, bobbin, &polls[20..21], 21).await;
    assert_eq!(used().await, ("ml".to_owned(), 100.0));
    let outlook = &store.outlooks(ullage::store::outlooks::Wanted::Device(bobbin)).await.unwrap()[0].outlook;
    assert_eq!(outlook.level.measure, Measure::Millilitres);
    // Corrected in the catalogue, and then made ambiguous, until a person chooses.
    catalogue(&store, "VO-C-500,cartridge,Cyan,400,ml,\r\n").await;
    take(&store, bobbin, &polls[21..22], 22).await;
    assert_eq!(used().await, ("ml".to_owned(), 84.0));
    catalogue(&store, "VO-C-200,cartridge,Cyan,200,ml,\r\n").await;
    take(&store, bobbin, &polls[22..23], 23).await;
    assert_eq!(used().await, ("percent".to_owned(), 22.0));
    let view = seen(&store, bobbin, 23).await;
    let slot = view.slots[0].row.slot.id;
    let part = |number: &str| view.slots[0].fits.iter().find(|(_, known)| known == number).unwrap().0;
    let holds = |part, first_ml| Telling::Holds { slot, part, first_ml };
    say(&store, bobbin, holds(Some(part("VO-C-200")), None), 23).await.unwrap();
    assert_eq!(used().await, ("ml".to_owned(), 44.0));
    say(&store, bobbin, holds(Some(part("VO-C-200")), Some(100.0)), 23).await.unwrap();
    assert_eq!(used().await, ("ml".to_owned(), 22.0), "the first one was a starter");
    catalogue(&store, "VO-Q,cartridge,Cyan,900,g,\r\nVO-M,cartridge,Magenta,500,ml,\r\n").await;
    let view = seen(&store, bobbin, 23).await;
    let fits: BTreeMap<String, _> =
        view.slots[0].fits.iter().map(|(id, number)| (number.clone(), *id)).collect();
    let refused = say(&store, bobbin, holds(Some(fits["VO-Q"]), None), 23).await;
    assert_eq!(refused, Err(Refusal::NoCapacity("VO-Q".to_owned())));
    let stocks = store.stocks(Some("VO-M")).await.unwrap();
    assert_eq!(say(&store, bobbin, holds(Some(stocks[0].id), None), 23).await, Err(Refusal::DoesNotFit));
}

#[tokio::test]
async fn the_nearest_pin_counts_and_only_receptacles_are_pinned() {
    let database = TestDatabase::new().await;
    let store = database.store().await;
    let (bobbin, tassel) = (device(&store, "Bobbin").await, device(&store, "Tassel").await);
    for (device, n) in [(bobbin, 1), (tassel, 1)] {
        let mut poll = answered(n, 4000, 9000);
        poll.outcome.as_mut().unwrap().identity.model = Some("Backdrop printer".to_owned());
        take(&store, device, &[poll], n).await;
    }
    let waste = async |device| {
        let row = seen(&store, device, 1).await.slots[1].row.clone();
        (row.slot.id, row.counts.unwrap())
    };
    let (slot, usual) = waste(bobbin).await;
    assert_eq!(usual, (Polarity::Remaining, Ground::Standard));
    let pin = |scope, polarity| Telling::Counts { scope, polarity };
    let model = || PinScope::Model("Backdrop printer".to_owned());
    say(&store, bobbin, pin(model(), Some(Polarity::Filled)), 1).await.unwrap();
    assert_eq!(waste(bobbin).await.1, (Polarity::Filled, Ground::Pinned));
    assert_eq!(waste(tassel).await.1, (Polarity::Filled, Ground::Pinned), "of the same model");
    say(&store, bobbin, pin(PinScope::Device(bobbin), Some(Polarity::Remaining)), 1).await.unwrap();
    assert_eq!(waste(bobbin).await.1.0, Polarity::Remaining);
    assert_eq!(waste(tassel).await.1.0, Polarity::Filled);
    say(&store, bobbin, pin(PinScope::Slot(slot), Some(Polarity::Filled)), 1).await.unwrap();
    assert_eq!(waste(bobbin).await.1.0, Polarity::Filled);
    for scope in [PinScope::Slot(slot), PinScope::Device(bobbin), model()] {
        say(&store, bobbin, pin(scope, None), 1).await.unwrap();
    }
    assert_eq!((waste(bobbin).await.1, waste(tassel).await.1), (usual, usual));
    let ink = seen(&store, bobbin, 1).await.slots[0].row.slot.id;
    let refused = say(&store, bobbin, pin(PinScope::Slot(ink), Some(Polarity::Filled)), 1).await;
    assert_eq!(refused, Err(Refusal::NotAReceptacle));
    let nowhere = PinScope::Model("Loom".to_owned());
    assert!(matches!(say(&store, bobbin, pin(nowhere, None), 1).await, Err(Refusal::NoSuchModel(_))));
    assert_eq!(
        say(&store, bobbin, pin(PinScope::Slot(SlotId(9_999)), None), 1).await,
        Err(Refusal::NoSuchSlot)
    );
}

#[tokio::test]
async fn a_unit_is_tied_to_its_lot_once_and_an_issue_answers_by_itself() {
    let database = TestDatabase::new().await;
    let store = database.store().await;
    let bobbin = device(&store, "Bobbin").await;
    catalogue(&store, "VO-C-500,cartridge,Cyan,500,ml,\r\n").await;
    let receive =
        Booking::Receive { made_on: jiff::civil::date(2026, 3, 1), place: "Shelf B".to_owned(), units: 3 };
    book(&store, "VO-C-500", &receive, &who(), &present(1)).await.unwrap().unwrap();
    let swapped = [300, 290, 5000, 5000, 4990, 4990].into_iter().zip(1..);
    let polls: Vec<Poll> = swapped.map(|(ink, n)| answered(n, ink, 9000)).collect();
    take(&store, bobbin, &polls, 8).await;
    let view = seen(&store, bobbin, 8).await;
    let (slot, unit) = (view.slots[0].row.slot.id, view.slots[0].units[0].clone());
    assert_eq!((unit.origin, view.open()), (Origin::Unknown, 1));
    let lot = unit.likely_lots[0].0;
    let stocks = store.stocks(None).await.unwrap();
    let asked = tasks(&store, &stocks, &present(8)).await.unwrap();
    assert_eq!(asked[0].what, "Say which lot went into Bobbin");

    let from = |origin| Telling::CameFrom { slot, from: unit.install.from, origin };
    let token = Token::from_digits(&"0f".repeat(16)).unwrap();
    for _ in 0..2 {
        let context = (&present(9), &Rules::default());
        let told = tell(&store, bobbin, &from(CameFrom::Lot(lot)), &who(), Some(&token), context).await;
        told.unwrap().unwrap();
    }
    let on_shelf = async || store.stocks(None).await.unwrap()[0].units();
    assert_eq!(on_shelf().await, 2, "a form that is sent twice books once");
    let view = seen(&store, bobbin, 9).await;
    assert!(matches!(view.slots[0].units[0].origin, Origin::Told(Some(_))));
    assert_eq!(view.slots[0].units[0].issue.as_ref().map(|issue| issue.lot), Some(lot));
    assert_eq!(view.open(), 0);

    // What was told is taken back: the booking stands, and is near enough in time to answer by itself.
    say(&store, bobbin, from(CameFrom::Untold), 9).await.unwrap();
    assert!(matches!(seen(&store, bobbin, 9).await.slots[0].units[0].origin, Origin::Issued(_)));
    assert_eq!(on_shelf().await, 2);
    say(&store, bobbin, from(CameFrom::Elsewhere), 9).await.unwrap();
    assert_eq!(seen(&store, bobbin, 9).await.slots[0].units[0].origin, Origin::Told(None));
    let nothing = Telling::CameFrom { slot, from: at(5), origin: CameFrom::Elsewhere };
    assert_eq!(say(&store, bobbin, nothing, 9).await, Err(Refusal::NoSuchUnit));
}

#[tokio::test]
async fn rows_that_change_places_stay_the_same_slots_in_the_store() {
    let database = TestDatabase::new().await;
    let store = database.store().await;
    let bobbin = device(&store, "Bobbin").await;
    take(&store, bobbin, &[answered(1, 4000, 9000), answered(2, 3990, 8990)], 2).await;
    let before: Vec<SlotId> =
        seen(&store, bobbin, 2).await.slots.iter().map(|slot| slot.row.slot.id).collect();
    let swapped = |n, ink, room| {
        let mut snapshot = levels(ink, room);
        snapshot.supplies.reverse();
        for (row, index) in snapshot.supplies.iter_mut().zip(1..) {
            row.index = SupplyIndex(index);
        }
        Poll { at: at(n), outcome: Ok(snapshot) }
    };
    take(&store, bobbin, &[swapped(3, 3980, 8980), swapped(4, 3970, 8980)], 4).await;
    let view = seen(&store, bobbin, 4).await;
    let after: Vec<SlotId> = view.slots.iter().map(|slot| slot.row.slot.id).collect();
    assert_eq!(after, before.iter().rev().copied().collect::<Vec<_>>());
    assert!(view.slots.iter().all(|slot| slot.units.len() == 1 && slot.questions.is_empty()));
    assert_eq!(view.slots[1].units[0].install.end, 397.0);
}
